"""Bench-press technique from ordinary phone video."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from barpath.analysis.pipeline import analyse
    from barpath.analysis.setresult import SetResult
    from barpath.analysis.store import read_results
    from barpath.report.output import publish

__all__ = ["SetResult", "analyse", "publish", "read_results"]

_HOMES = {
    "analyse": "barpath.analysis.pipeline",
    "publish": "barpath.report.output",
    "SetResult": "barpath.analysis.store",
    "read_results": "barpath.analysis.store",
}


def __getattr__(name: str) -> Any:
    """Import on first use, so that `barpath --help` need not wait for the libraries."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'barpath' has no attribute {name!r}")
