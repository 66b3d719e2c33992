"""What every floor stands on: choosing among candidates, uncertainties, views, files, names.

In and out are plain values. `choice` picks by score, margin and a stated rule; `uncertainty`
combines standard uncertainties and writes numbers; `view` says what can be seen from where the
camera stood; `files` writes folders and files whole or not at all; `names` and `sheets` keep file
names and table cells from doing harm.
"""

__all__ = ["choice", "files", "names", "sheets", "uncertainty", "view"]
