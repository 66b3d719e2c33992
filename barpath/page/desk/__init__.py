"""The desk: clips, measuring and results on a page of this machine, for work without a terminal."""

from barpath.page.desk.server import Desk, DeskConfig, run, serving

__all__ = ["Desk", "DeskConfig", "run", "serving"]
