"""Progress for a person who watches, and silence for a pipe."""

from collections.abc import Callable
from typing import Any

from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    TaskID,
    TaskProgressColumn,
    TextColumn,
    TimeRemainingColumn,
)


class Bar:
    """A progress bar on stderr for a person, silence for a pipe."""

    def __init__(self) -> None:
        console = Console(stderr=True)
        self._rich = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TaskProgressColumn(),
            TimeRemainingColumn(),
            console=console,
            transient=True,
            disable=not console.is_terminal,
        )
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Callable[[str, float], None]:
        self._rich.start()
        return self.update

    def __exit__(self, *_: object) -> None:
        self._rich.stop()

    def update(self, stage: str, share: float) -> None:
        """Show how much of a stage is done, 0 to 1."""
        if stage not in self._tasks:
            self._tasks[stage] = self._rich.add_task(stage.capitalize(), total=1.0)
        self._rich.update(self._tasks[stage], completed=share)


class BlockBar:
    """One display for a block: all clips, and the stage of each that is at work."""

    def __init__(self) -> None:
        console = Console(stderr=True)
        self._rich = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.fields[note]}", markup=False),
            TimeRemainingColumn(),
            console=console,
            transient=True,
            disable=not console.is_terminal,
        )
        self._all = self._rich.add_task("The block", total=None, note="")
        self._clips: dict[str, TaskID] = {}

    def __enter__(self) -> Callable[[Any], None]:
        self._rich.start()
        return self.update

    def __exit__(self, *_: object) -> None:
        self._rich.stop()

    def update(self, event: Any) -> None:
        """Show what a block tells of itself; see `block.Event`."""
        if event.kind == "stage":
            if event.clip not in self._clips:
                self._clips[event.clip] = self._rich.add_task(event.clip, total=1.0, note="")
            self._rich.update(self._clips[event.clip], completed=event.share, note=event.text)
            return
        if event.clip in self._clips:
            self._rich.remove_task(self._clips.pop(event.clip))
        note = f"{event.n_done} of {event.n_all} clips"
        self._rich.update(self._all, total=event.n_all, completed=event.n_done, note=note)
