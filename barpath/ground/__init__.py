"""What every floor stands on: choosing among candidates, uncertainties, files, names, sheets.

In and out are plain values; nothing here knows of bars or lifters. `choice` picks by score, margin
and a stated rule; `uncertainty` combines standard uncertainties and writes numbers; `files` writes
folders and files whole or not at all; `names` and `sheets` keep file names and table cells from
doing harm.
"""

__all__ = ["choice", "files", "names", "sheets", "uncertainty"]
