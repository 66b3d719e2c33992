"""The command line: `commands` reads what was typed and calls the stages."""

__all__ = ["commands"]
