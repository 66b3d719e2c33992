"""The desk: clips, measuring and results on a page of this machine, for work without a terminal."""

from barpath.page.desk.desk import Desk, DeskConfig
from barpath.page.desk.server import run, serving

__all__ = ["Desk", "DeskConfig", "run", "serving"]
