"""The command line: `barpath analyse`, `demo`, `photo`, `block`, `compare`, `block-report`, others.

Exit codes: 0 done; 2 a wrong option; 3 the clip cannot be read; 4 no bar or plate that moves like a
press; 5 no repetition; 6 the results cannot be written, or a folder given is damaged; 7 no clip of
a block was measured; 8 nobody presses in a picture; 70 a fault of the program itself; 130 stopped
by Ctrl-C.
"""

import errno
import math
import os
import signal
import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from barpath.errors import (
    STOPPED,
    BarpathError,
    NothingMeasuredError,
    OptionError,
    StoppedError,
    reason_of,
)
from barpath.ground.view import AUTO, CHOICES

MAX_FAILURES_TOLD = 10

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


PlateMm = Annotated[
    float | None,
    typer.Option(
        help="Diameter of the plate nearest the camera in mm; 450 if not given.",
        show_default=False,
    ),
]
LoadKg = Annotated[
    float | None, typer.Option(help="Bar and plates together, in kg.", show_default=False)
]
StatureCm = Annotated[
    float | None, typer.Option(help="The lifter's height in cm.", show_default=False)
]
Profile = Annotated[
    Path | None,
    typer.Option(help="The lifter's profile, a TOML file.", show_default=False),
]
Overwrite = Annotated[
    bool, typer.Option("--overwrite", help="Replace an earlier result in that folder.")
]


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
    ] = AUTO,
    plate_mm: PlateMm = None,
    load_kg: LoadKg = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; the clip's name if not given."),
    ] = None,
    overwrite: Overwrite = False,
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
    stature_cm: StatureCm = None,
    note: Annotated[str, typer.Option(help="A remark for the report.")] = "",
    pose_model: Annotated[
        Path | None,
        typer.Option(help="Another joint network, an ONNX file.", show_default=False),
    ] = None,
    joints: Annotated[
        bool, typer.Option(help="Look for the lifter's joints, or measure the bar alone.")
    ] = True,
    profile: Profile = None,
    corrections: Annotated[
        Path | None,
        typer.Option(
            help="Joints and plate put right by hand: a corrections.json, as touchup writes it.",
            show_default=False,
        ),
    ] = None,
    video: Annotated[bool, typer.Option(help="Write the annotated clip.")] = True,
) -> None:
    """Measure the set in one clip and write its report."""
    from barpath.analysis.config import AnalysisConfig
    from barpath.analysis.corrections import Corrections, read_corrections
    from barpath.lift.advice import read_profile

    config = AnalysisConfig(
        capture_fps=capture_fps,
        upper_arm_m=None if upper_arm_cm is None else upper_arm_cm / 100,
        stature_m=None if stature_cm is None else stature_cm / 100,
        note=note,
        pose_model=pose_model,
        find_joints=joints,
        profile=None if profile is None else read_profile(profile),
        corrections=Corrections() if corrections is None else read_corrections(corrections),
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
    from barpath.analysis.pipeline import analyse as analyse_clip
    from barpath.analysis.store import check_target
    from barpath.ground.files import prepare
    from barpath.report.output import REPORT_FILE, publish

    prepare(out, partial(check_target, overwrite=overwrite))
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
    overwrite: Overwrite = False,
    show: Annotated[
        bool, typer.Option("--open", help="Open the report in the web browser.")
    ] = False,
) -> None:
    """Measure a clip that comes with the project (a made lifter in an invented club)."""
    from barpath.analysis.config import AnalysisConfig
    from barpath.clip.samples import demo_clip
    from barpath.report.output import REPORT_FILE

    _run(demo_clip(), out, AnalysisConfig(), 450.0, None, None, overwrite=overwrite, video=True)
    if show:
        typer.launch(str((out / REPORT_FILE).resolve()))


@app.command()
def photo(
    picture: Annotated[Path, typer.Argument(help="A picture of a press.", show_default=False)],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; the picture's name if not given."),
    ] = None,
    overwrite: Overwrite = False,
) -> None:
    """Mark the lifter's joints and the bar's ends in one picture, with their uncertainty."""
    from barpath.report.photo import PICTURE_FILE, TABLE_FILE, measure_photo

    target = out or Path(f"{picture.stem}-joints")
    table = measure_photo(picture, target, overwrite=overwrite)
    counts = table["state"].value_counts()
    words = {"seen": "points seen", "hidden": "hidden", "outside": "outside or not there"}
    typer.echo(", ".join(f"{counts.get(state, 0)} {text}" for state, text in words.items()))
    typer.echo(f"Picture: {target / PICTURE_FILE}")
    typer.echo(f"Table: {target / TABLE_FILE}")


class _BlockBar:
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
        self._clips: dict[str, int] = {}

    def __enter__(self) -> Callable[[Any], None]:
        self._rich.start()
        return self.update

    def __exit__(self, *_: object) -> None:
        self._rich.stop()

    def update(self, event: Any) -> None:
        if event.kind == "stage":
            if event.clip not in self._clips:
                self._clips[event.clip] = self._rich.add_task(event.clip, total=1.0, note="")
            self._rich.update(self._clips[event.clip], completed=event.share, note=event.text)
            return
        if event.clip in self._clips:
            self._rich.remove_task(self._clips.pop(event.clip))
        note = f"{event.n_done} of {event.n_all} clips"
        self._rich.update(self._all, total=event.n_all, completed=event.n_done, note=note)


@app.command()
def block(
    folder: Annotated[
        Path, typer.Argument(help="Folder with the clips of the block.", show_default=False)
    ],
    sheet: Annotated[
        Path | None,
        typer.Option(
            help="CSV or TOML sheet of the clips; block.csv or block.toml in the folder, or the"
            " clips' names, if not given.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder to keep the block in; the folder's name if not given."),
    ] = None,
    view: Annotated[
        str, typer.Option(help="Where the camera stood, for clips of which it is not said.")
    ] = AUTO,
    plate_mm: Annotated[
        float | None,
        typer.Option(
            help="Plate diameter in mm, for clips of which it is not said.", show_default=False
        ),
    ] = None,
    joints: Annotated[
        bool, typer.Option(help="Look for the lifter's joints, or measure the bar alone.")
    ] = True,
    workers: Annotated[
        int | None, typer.Option(help="Processes; one a core if not given.", show_default=False)
    ] = None,
    memory_gb: Annotated[
        float | None,
        typer.Option(
            help="Memory for all of them; 70 % of what is free if not given.", show_default=False
        ),
    ] = None,
    dask: Annotated[
        str | None,
        typer.Option(help="Address of the scheduler of a Dask cluster.", show_default=False),
    ] = None,
    retry_failed: Annotated[
        bool, typer.Option("--retry-failed", help="Try clips again that failed before.")
    ] = False,
    stills: Annotated[bool, typer.Option(help="Keep a picture of the bottom of each set.")] = True,
    trc: Annotated[bool, typer.Option("--trc", help="Write bar paths as TRC files too.")] = False,
) -> None:
    """Measure all clips of a training block; run it again to go on where it stopped."""
    import dataclasses

    from barpath.analysis.config import AnalysisConfig
    from barpath.block.jobs import BlockConfig
    from barpath.block.plan import plan_folder
    from barpath.block.run import run as run_block

    analysis = AnalysisConfig(view=view, find_joints=joints)
    if plate_mm is not None:
        calibration = dataclasses.replace(analysis.calibration, plate_mm=plate_mm)
        analysis = dataclasses.replace(analysis, calibration=calibration, plate_given=True)
    if memory_gb is not None and not (math.isfinite(memory_gb) and memory_gb > 0):
        raise OptionError(f"The memory must be a number of GB above 0, not {memory_gb:g}.")
    config = BlockConfig(
        analysis=analysis,
        workers=workers,
        memory_bytes=None if memory_gb is None else int(memory_gb * 1e9),
        retry_failed=retry_failed,
        stills=stills,
    )
    target = out or Path(f"{folder.resolve().name}-block")
    entries = plan_folder(folder, sheet)
    try:
        with _BlockBar() as watch:
            done = run_block(entries, target, config, dask=dask, trc=trc, watch=watch)
    except KeyboardInterrupt:
        raise StoppedError("stopped; what was measured is kept, run it again to go on.") from None
    _tell_failures(done.failures, target / "failures.csv")
    if done.n_set_aside:
        typer.echo(
            f"Note: {done.n_set_aside} kept entries were damaged; they are set aside in"
            f" '{target / 'cache' / 'aside'}' and their clips were looked at again.",
            err=True,
        )
    typer.echo(
        f"{done.n_clips} clips: {done.n_measured} measured ({done.n_detected_now} read now),"
        f" {done.n_failed} failed; {done.n_reps} repetitions"
    )
    if done.n_sets:
        typer.echo(f"{done.n_sets} sets measured from several clips together")
    for name, sentence in done.apart[:MAX_FAILURES_TOLD]:
        typer.echo(f"Note: {name}: its clips were measured each by itself. {sentence}", err=True)
    typer.echo(f"Table: {target / 'reps.parquet'}")
    if entries and not done.n_measured:
        raise NothingMeasuredError(f"no clip was measured; '{target / 'failures.csv'}' says why.")


def _tell_failures(failures: Sequence[tuple[str, str]], file: Path) -> None:
    for clip, sentence in failures[:MAX_FAILURES_TOLD]:
        typer.echo(f"Note: {clip}: {sentence}", err=True)
    more = len(failures) - MAX_FAILURES_TOLD
    if more > 0:
        typer.echo(f"Note: {more} more clips failed; '{file}' names them all.", err=True)


@app.command()
def compare(
    source: Annotated[
        Path, typer.Argument(help="A block's folder, or its table.", show_default=False)
    ],
    by: Annotated[
        str, typer.Option(help="What tells setups apart: technique, or a column of the sheet.")
    ] = "technique",
    levels: Annotated[
        str | None,
        typer.Option(help="Two of them, as in flared,tucked.", show_default=False),
    ] = None,
    split: Annotated[
        str | None,
        typer.Option(
            help="A day, as in 2026-03-05: compare before with from then on.", show_default=False
        ),
    ] = None,
    clips: Annotated[
        Path | None,
        typer.Option(
            help="Folder with the block's clips: sets of both setups are then shown side by side.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the page and the table.")] = Path(
        "comparison"
    ),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier pages.")] = False,
) -> None:
    """Compare setups over a block: differences with intervals, bar paths, load and speed."""
    from datetime import date

    from barpath.ground.files import prepare
    from barpath.report import comparepage, pagesfolder

    if split is not None:
        try:
            split = date.fromisoformat(split).isoformat()
        except ValueError:
            raise OptionError(f"The day must be as in 2026-03-05, not {split!r}.") from None
    wanted = [level.strip() for level in levels.split(",")] if levels else []
    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    files = comparepage.compare_files(source, by, wanted, split, clips)
    folder = pagesfolder.write_pages(out, files, overwrite=overwrite)
    typer.echo(f"Comparison: {folder / comparepage.COMPARE_PAGE}")


@app.command(name="block-report")
def block_report(
    source: Annotated[
        Path, typer.Argument(help="A block's folder, or its table.", show_default=False)
    ],
    by: Annotated[
        str, typer.Option(help="What tells setups apart: technique, or a column of the sheet.")
    ] = "technique",
    out: Annotated[Path, typer.Option(help="Folder for the pages.")] = Path("block-report"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier pages.")] = False,
) -> None:
    """Write the pages of a block: one for the coach, one for each lifter."""
    from barpath.ground.files import prepare
    from barpath.report import blockpages, pagesfolder

    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    folder = pagesfolder.write_pages(out, blockpages.block_files(source, by), overwrite=overwrite)
    typer.echo(f"Report: {folder / blockpages.COACH_PAGE}")


@app.command()
def pair(
    first: Annotated[
        Path,
        typer.Argument(help="The clip from the feet, or its result folder.", show_default=False),
    ],
    second: Annotated[
        Path,
        typer.Argument(help="The clip from the side, or its result folder.", show_default=False),
    ],
    also: Annotated[
        list[Path] | None,
        typer.Option(help="A further clip of the set; again for more.", show_default=False),
    ] = None,
    views: Annotated[
        str,
        typer.Option(
            help="Where the cameras stood, in order: front, side, oblique or auto; of further clips"
            " auto if not given."
        ),
    ] = "front,side",
    profile: Profile = None,
    plate_mm: PlateMm = None,
    load_kg: LoadKg = None,
    stature_cm: StatureCm = None,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("pair-results"),
    overwrite: Overwrite = False,
) -> None:
    """Measure one set from two or more clips: arms in space, stacking, what a change would take."""
    from barpath.analysis import pairset
    from barpath.ground.files import prepare
    from barpath.lift.advice import LifterProfile, read_profile
    from barpath.report import pairfolder
    from barpath.report.output import bottom_image

    prepare(out, partial(pairfolder.check_pair_target, overwrite=overwrite))
    lifter = LifterProfile() if profile is None else read_profile(profile)
    options = pairset.ClipOptions(
        plate_mm, load_kg, None if stature_cm is None else stature_cm / 100
    )
    given = [first, second, *(also or [])]
    stood = [name.strip() for name in views.split(",")]
    stood += [AUTO] * (len(given) - len(stood))
    if len(stood) > len(given) or not set(stood) <= set(CHOICES):
        raise OptionError(
            f"The views must be up to {len(given)} of {', '.join(CHOICES)} with commas between, not"
            f" {views!r}."
        )
    results = []
    for path, view in zip(given, stood, strict=True):
        with _Bar() as progress:
            results.append(pairset.read_or_analyse(path, view, options, progress))
    result = pairset.measure_clips(results, lifter)
    at = next(k for k, one in enumerate(results) if one is result.front)
    bottom = bottom_image(result.front, given[at])
    folder = pairfolder.write_pair(result, out, overwrite=overwrite, bottom=bottom)
    for remark in result.notes:
        if remark.severity == "warning":
            typer.echo(f"Note: {remark.text}", err=True)
    sync = result.sync
    typer.echo(
        f"One clock: lag {1000 * sync.lag_s:+.1f} ms, standard uncertainty"
        f" {1000 * sync.lag_sd_s:.1f} ms, {sync.verdict}"
    )
    typer.echo(f"Report: {folder / pairfolder.REPORT_FILE}")


@app.command()
def beside(
    sets: Annotated[
        list[Path],
        typer.Argument(
            help="Result folders of clips, or of pairs: two to four.", show_default=False
        ),
    ],
    names: Annotated[
        str | None,
        typer.Option(
            help="What they are called, as in flared,tucked; the folders' names if not given.",
            show_default=False,
        ),
    ] = None,
    clips: Annotated[
        Path | None,
        typer.Option(
            help="Folder in which the clips lie; looked for beside the result folders and in the"
            " current directory if not given.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the page and the clip.")] = Path("beside"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier pages.")] = False,
) -> None:
    """Show measured sets side by side: one clip on one clock, and what differs."""
    from barpath.ground.files import prepare
    from barpath.report import besidepage, pagesfolder

    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    told = [name.strip() for name in names.split(",")] if names else []
    entries = besidepage.read_entries(sets, told, clips)
    with _Bar() as progress:
        folder = besidepage.write_beside(entries, out, overwrite=overwrite, progress=progress)
    typer.echo(f"Page: {folder / besidepage.BESIDE_PAGE}")


@app.command(name="film-check")
def film_check(
    clip: Annotated[Path, typer.Argument(help="A short test clip.", show_default=False)],
    view: Annotated[str, typer.Option(help="Where the camera stands: side, front or auto.")] = AUTO,
    plate_mm: Annotated[
        float, typer.Option(help="Diameter of the plate nearest the camera in mm.")
    ] = 450.0,
) -> None:
    """Look at a test clip before the session and say what to change about the filming."""
    from barpath.analysis import filmcheck

    if view not in filmcheck.VIEWS:
        raise OptionError(f"The view must be side, front or auto, not {view!r}.")
    with _Bar() as progress:
        facts = filmcheck.look(clip, view=view, plate_mm=plate_mm, progress=progress)
    typer.echo(filmcheck.as_text(facts, filmcheck.advise(facts)))


@app.command()
def rules(
    results: Annotated[
        Path,
        typer.Argument(help="Result folder of a clip or of a pair.", show_default=False),
    ],
) -> None:
    """Check a measured set against the rules of competition, with margins."""
    from barpath.analysis.pairset import check_rules
    from barpath.analysis.store import known_only_by_form, read_results
    from barpath.report.pairfolder import is_pair_folder, read_rules
    from barpath.report.pairpage import rules_text

    if is_pair_folder(results):
        table = read_rules(results)
    else:
        with known_only_by_form(results):
            table = check_rules(read_results(results))
    typer.echo(rules_text(table))


@app.command()
def touchup(
    results: Annotated[Path, typer.Argument(help="Result folder of a clip.", show_default=False)],
    clip: Annotated[
        Path | None,
        typer.Option(
            help="The clip; looked for beside the folder and in the current directory if not"
            " given.",
            show_default=False,
        ),
    ] = None,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.")] = 0,
    show: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the page in the web browser.")
    ] = True,
    video: Annotated[bool, typer.Option(help="Draw the annotated clip again at each save.")] = True,
) -> None:
    """Put joints and plate right by hand in the browser, and measure again.

    The page is served on this machine alone and asks nothing of the network. Ctrl-C ends it with
    exit code 0, leaving what was saved.
    """
    from barpath.analysis.store import known_only_by_form
    from barpath.page.touchup import run as run_touchup

    def ready(address: str) -> None:
        typer.echo(f"Correction page: {address}")
        typer.echo("Ctrl-C ends it.", err=True)
        if show:
            typer.launch(address)

    with known_only_by_form(results):
        run_touchup(results, clip, port=port, video=video, ready=ready)


@app.command()
def desk(
    folder: Annotated[
        Path | None,
        typer.Argument(
            help="Folder that everything is kept in; barpath-desk in your own folder if not given.",
            show_default=False,
        ),
    ] = None,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.")] = 0,
    show: Annotated[
        bool, typer.Option("--open/--no-open", help="Open the page in the web browser.")
    ] = True,
) -> None:
    """Open a page for work without the terminal: add clips, measure, compare, put right.

    The page is served on this machine alone and asks nothing of the network. It ends with its own
    button or Ctrl-C (exit code 0); what was not finished goes on the next time.
    """
    from barpath.page.desk import run as run_desk

    def ready(address: str) -> None:
        typer.echo(f"Desk: {address}")
        if show:
            typer.launch(address)

    run_desk(folder or Path.home() / "barpath-desk", port=port, ready=ready)


@app.command()
def benchmark(
    what: Annotated[
        str,
        typer.Argument(
            help="plate: centre error on made frames; cost: time; memory: short and long clip; "
            "length: time by length; steadiness: clips changed by a grey level, and encoded again."
        ),
    ],
    clip: Annotated[
        Path | None,
        typer.Option(help="Clip for cost, memory and length; the demo clip if not given."),
    ] = None,
    clips: Annotated[
        list[Path] | None,
        typer.Option(help="Clip for the steadiness; again for more; the synthetic ones if none."),
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="Seeds for the steadiness.")] = 5,
    workers: Annotated[int, typer.Option(min=1, help="Processes for the steadiness.")] = 1,
) -> None:
    """Print accuracy or cost figures measured here and now."""
    if what == "plate":
        from barpath.trial.benchmark import format_plate_centre_error, plate_centre_error

        typer.echo(format_plate_centre_error(plate_centre_error()))
    elif what == "cost":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import cost, format_cost

        typer.echo(format_cost(cost(clip or demo_clip())))
    elif what == "memory":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import memory_growth

        short_mb, long_mb = memory_growth(clip or demo_clip())
        typer.echo(f"peak memory, 20 s: {short_mb:.0f} MB; 5 min: {long_mb:.0f} MB")
    elif what == "length":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import format_time_by_length, time_by_length

        typer.echo(format_time_by_length(time_by_length(clip or demo_clip())))
    elif what == "steadiness":
        from barpath.trial.steadiness import format_steadiness, sample_clips, steadiness

        table = steadiness(clips or sample_clips(), range(1, seeds + 1), workers)
        typer.echo(format_steadiness(table))
    else:
        raise OptionError(
            "There are benchmarks 'plate', 'cost', 'memory', 'length' and 'steadiness', but none"
            f" {what!r}."
        )


def _stop(signum: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Run the command line; a fault ends with one sentence and its exit code."""
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _stop)
    for stream in (sys.stdout, sys.stderr):
        # A file's name may hold bytes that no text can.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    code, sentence = _outcome()
    # The sentence is still to be said; a second Ctrl-C must not get between.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sentence:
        typer.echo(f"barpath: {sentence}", err=True)
    sys.exit(code)


def _outcome() -> tuple[int, str]:
    """Run the command; its exit code, and the sentence that is still to be said."""
    try:
        code = app(standalone_mode=False) or 0
    except BarpathError as error:
        return error.exit_code, str(error)
    except (KeyboardInterrupt, typer.Abort):
        code = StoppedError.exit_code
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES):
            return _inside(error)
        return 6, f"The system refused to write or read: {reason_of(error)}."
    except Exception as error:
        # What the parser of options raises has no public name in every version of it.
        if not hasattr(error, "format_message"):
            return _inside(error)
        return getattr(error, "exit_code", OptionError.exit_code), _usage_sentence(error)
    return code, STOPPED if code == StoppedError.exit_code else ""


def _usage_sentence(error: Any) -> str:
    context = getattr(error, "ctx", None)
    command = "barpath" if context is None else context.command_path
    if type(error).__name__ == "NoArgsIsHelpError":
        return f"it needs to be told what to do; see '{command} --help'."
    return f"{' '.join(error.format_message().split()).rstrip('.')}; see '{command} --help'."


def _inside(error: Exception) -> tuple[int, str]:
    if os.environ.get("BARPATH_DEBUG"):
        raise error
    return 70, (
        f"something went wrong inside ({type(error).__name__}: {' '.join(str(error).split())}); set"
        " BARPATH_DEBUG=1 to see where."
    )
