"""The command line: what was typed becomes a call of the stages, and errors an exit code.

`commands` has the program itself. A group of commands has a module each: `oneset`, `together`,
`blocks`, `served` and `figures`; `options` says what several have in common, and `bars` shows how
far they are.
"""

__all__ = [
    "bars",
    "blocks",
    "commands",
    "figures",
    "oneset",
    "options",
    "served",
    "together",
]
