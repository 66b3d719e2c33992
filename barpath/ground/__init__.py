"""What every floor stands on: choosing among candidates, uncertainties, views, files, names.

In and out are plain values. `choice` picks by score, margin and a stated rule; `uncertainty`
combines standard uncertainties and writes numbers; `view` says what can be seen from where the
camera stood; `equipment` says what bars and discs measure, mm and m; `files` writes folders and
files whole or not at all; `names` and `sheets` keep file names and table cells from doing harm.
"""

__all__ = ["choice", "equipment", "files", "names", "sheets", "uncertainty", "view"]
