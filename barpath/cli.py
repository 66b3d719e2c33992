"""The command line: `barpath analyse`, `barpath demo`, `barpath benchmark`.

Exit codes: 0 done; 2 a wrong option; 3 the clip cannot be read; 4 no bar or plate that moves like a
press; 5 no repetition; 6 the results cannot be written; 70 a fault of the program itself; 130
stopped by Ctrl-C.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from barpath.errors import BarpathError, OptionError

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Measure bench-press technique from ordinary phone video.",
    epilog=(
        "Use safeties or a spotter. Pain means stop, and a clinician judges pain. The federation's"
        " current rule book and its referees decide what counts."
    ),
)


class _Bar:
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
        self._tasks: dict[str, int] = {}

    def __enter__(self) -> Callable[[str, float], None]:
        self._rich.start()
        return self.update

    def __exit__(self, *_: object) -> None:
        self._rich.stop()

    def update(self, stage: str, share: float) -> None:
        if stage not in self._tasks:
            self._tasks[stage] = self._rich.add_task(stage.capitalize(), total=1.0)
        self._rich.update(self._tasks[stage], completed=share)


def _point(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    parts = text.split(",")
    try:
        x, y = (float(part) for part in parts)
    except ValueError:
        raise OptionError(
            f"The plate's place must be two numbers as in 640,360, not {text!r}."
        ) from None
    return x, y


@app.command()
def analyse(
    clip: Annotated[Path, typer.Argument(help="The video file.", show_default=False)],
    view: Annotated[
        str, typer.Option(help="Where the camera stood: side, front, oblique or auto.")
    ] = "auto",
    plate_mm: Annotated[
        float | None,
        typer.Option(
            help="Diameter of the plate nearest the camera in mm; 450 if not given.",
            show_default=False,
        ),
    ] = None,
    load_kg: Annotated[
        float | None, typer.Option(help="Bar and plates together, in kg.", show_default=False)
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; the clip's name if not given."),
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an earlier result in that folder.")
    ] = False,
    plate_at: Annotated[
        str | None,
        typer.Option(
            help="A point x,y on the plate in the first frame, if it is not found by itself.",
            show_default=False,
        ),
    ] = None,
    capture_fps: Annotated[
        float | None,
        typer.Option(
            help="Real frames a second of a slow-motion file that does not tell.",
            show_default=False,
        ),
    ] = None,
    upper_arm_cm: Annotated[
        float | None,
        typer.Option(help="Shoulder to elbow by tape measure, in cm.", show_default=False),
    ] = None,
    stature_cm: Annotated[
        float | None, typer.Option(help="The lifter's height in cm.", show_default=False)
    ] = None,
    note: Annotated[str, typer.Option(help="A remark for the report.")] = "",
    pose_model: Annotated[
        Path | None,
        typer.Option(help="Another pose network, a .task file.", show_default=False),
    ] = None,
    joints: Annotated[
        bool, typer.Option(help="Look for the lifter's joints, or measure the bar alone.")
    ] = True,
    video: Annotated[bool, typer.Option(help="Write the annotated clip.")] = True,
) -> None:
    """Measure the set in one clip and write its report."""
    from barpath.config import AnalysisConfig

    config = AnalysisConfig(
        capture_fps=capture_fps,
        upper_arm_m=None if upper_arm_cm is None else upper_arm_cm / 100,
        stature_m=None if stature_cm is None else stature_cm / 100,
        note=note,
        pose_model=pose_model,
        find_joints=joints,
        view=view,
    )
    _run(
        clip,
        out or Path(f"{clip.stem}-results"),
        config,
        plate_mm,
        load_kg,
        _point(plate_at),
        overwrite=overwrite,
        video=video,
    )


def _run(
    clip: Path,
    out: Path,
    config: object,
    plate_mm: float | None,
    load_kg: float | None,
    plate_at: tuple[float, float] | None,
    *,
    overwrite: bool,
    video: bool,
) -> None:
    from barpath.output import REPORT_FILE, publish
    from barpath.pipeline import analyse as analyse_clip
    from barpath.store import check_target

    check_target(out, overwrite=overwrite)
    with _Bar() as progress:
        result = analyse_clip(
            clip,
            view=config.view,
            plate_mm=plate_mm,
            load_kg=load_kg,
            plate_at=plate_at,
            config=config,
            progress=progress,
        )
        folder = publish(result, out, overwrite=overwrite, video=video, progress=progress)
    for remark in result.notes:
        if remark.severity == "warning":
            typer.echo(f"Note: {remark.text}", err=True)
    counts = result.reps["kind"].value_counts()
    kinds = ", ".join(f"{number} {kind}" for kind, number in counts.items())
    plural = "" if len(result.reps) == 1 else "s"
    typer.echo(f"{len(result.reps)} repetition{plural} ({kinds}), {result.view} view")
    typer.echo(f"Report: {folder / REPORT_FILE}")


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("demo-results"),
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace an earlier result in that folder.")
    ] = False,
    show: Annotated[
        bool, typer.Option("--open", help="Open the report in the web browser.")
    ] = False,
) -> None:
    """Measure a clip that comes with the project (a made lifter in an invented club)."""
    from barpath.config import AnalysisConfig
    from barpath.output import REPORT_FILE
    from barpath.samples import demo_clip

    _run(demo_clip(), out, AnalysisConfig(), 450.0, None, None, overwrite=overwrite, video=True)
    if show:
        typer.launch(str((out / REPORT_FILE).resolve()))


@app.command()
def photo(
    picture: Annotated[Path, typer.Argument(help="A photo of a press.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(help="PNG file to write; beside the photo's name if not given.")
    ] = None,
    view: Annotated[
        str, typer.Option(help="Where the camera stood: side, front or oblique.")
    ] = "oblique",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace that file.")] = False,
) -> None:
    """Draw the lifter's joints on a photo: a quick look at what the pose network sees."""
    from barpath.output import annotate_photo

    if view not in ("side", "front", "oblique"):
        raise OptionError(f"The view must be side, front or oblique, not {view!r}.")
    target = out or Path(f"{picture.stem}-joints.png")
    score = annotate_photo(picture, target, view, overwrite=overwrite)
    typer.echo(f"{target}: lifter found, score {score:.2f}" if score else f"{target}: no lifter")


@app.command()
def benchmark(
    what: Annotated[
        str,
        typer.Argument(
            help="plate: centre error on made frames; cost: time; memory: short and long clip."
        ),
    ],
    clip: Annotated[
        Path | None, typer.Option(help="Clip for the cost; the demo clip if not given.")
    ] = None,
) -> None:
    """Print accuracy or cost figures measured here and now."""
    if what == "plate":
        from barpath.benchmark import format_plate_centre_error, plate_centre_error

        typer.echo(format_plate_centre_error(plate_centre_error()))
    elif what == "cost":
        from barpath.cost import cost, format_cost
        from barpath.samples import demo_clip

        typer.echo(format_cost(cost(clip or demo_clip())))
    elif what == "memory":
        from barpath.cost import memory_growth
        from barpath.samples import demo_clip

        short_mb, long_mb = memory_growth(clip or demo_clip())
        typer.echo(f"peak memory, 20 s: {short_mb:.0f} MB; 5 min: {long_mb:.0f} MB")
    else:
        raise OptionError(f"There are benchmarks 'plate', 'cost' and 'memory', but none {what!r}.")


def _stop(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; a fault ends with one sentence and its exit code."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        code = app(standalone_mode=False)
    except BarpathError as error:
        typer.echo(f"barpath: {error}", err=True)
        code = error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        typer.echo("barpath: stopped; nothing was written.", err=True)
        code = 130
    except Exception as error:
        if isinstance(show := getattr(error, "show", None), Callable):
            show(file=sys.stderr)
            code = getattr(error, "exit_code", 2)
        elif os.environ.get("BARPATH_DEBUG"):
            raise
        else:
            typer.echo(
                f"barpath: something went wrong inside ({type(error).__name__}: {error}); set"
                " BARPATH_DEBUG=1 to see where.",
                err=True,
            )
            code = 70
    sys.exit(code or 0)
