"""Commands on a training block: measure it, compare setups over it, write its pages."""

import dataclasses
import math
from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from barpath.cli.bars import BlockBar
from barpath.cli.options import BlockSource, By, Joints, OverwritePages, barbell, words
from barpath.errors import NothingMeasuredError, OptionError, StoppedError
from barpath.ground.equipment import Bar
from barpath.ground.view import AUTO

if TYPE_CHECKING:
    from barpath.block.jobs import BlockConfig
    from barpath.block.run import BlockSummary

MAX_FAILURES_TOLD = 10


Sheet = Annotated[
    Path | None,
    typer.Option(
        help="CSV or TOML sheet of the clips; block.csv or block.toml in the folder, or the clips'"
        " names, if not given.",
        show_default=False,
    ),
]
MemoryGb = Annotated[
    float | None,
    typer.Option(
        help="Memory for all of them; 70 % of what is free if not given.", show_default=False
    ),
]


def block(
    folder: Annotated[
        Path, typer.Argument(help="Folder with the clips of the block.", show_default=False)
    ],
    sheet: Sheet = None,
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
    bar: Annotated[
        str | None,
        typer.Option(help="The bar, for clips of which it is not said.", show_default=False),
    ] = None,
    joints: Joints = True,
    workers: Annotated[
        int | None, typer.Option(help="Processes; one a core if not given.", show_default=False)
    ] = None,
    memory_gb: MemoryGb = None,
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
    from barpath.block.plan import plan_folder
    from barpath.block.run import run as run_block

    config = _block_config(
        view,
        plate_mm,
        barbell(bar),
        memory_gb,
        joints=joints,
        workers=workers,
        retry_failed=retry_failed,
        stills=stills,
    )
    target = out or Path(f"{folder.resolve().name}-block")
    entries = plan_folder(folder, sheet)
    try:
        with BlockBar() as watch:
            done = run_block(entries, target, config, dask=dask, trc=trc, watch=watch)
    except KeyboardInterrupt:
        raise StoppedError("stopped; what was measured is kept, run it again to go on.") from None
    _tell_done(done, target)
    if entries and not done.n_measured:
        raise NothingMeasuredError(f"no clip was measured; '{target / 'failures.csv'}' says why.")


def _block_config(
    view: str,
    plate_mm: float | None,
    bar: Bar,
    memory_gb: float | None,
    *,
    joints: bool,
    **chosen: Any,
) -> "BlockConfig":
    """Settings of a block, of what was typed."""
    from barpath.analysis.config import AnalysisConfig, with_bar
    from barpath.block.jobs import BlockConfig

    analysis = with_bar(AnalysisConfig(view=view, find_joints=joints), bar)
    if plate_mm is not None:
        calibration = dataclasses.replace(analysis.calibration, plate_mm=plate_mm)
        analysis = dataclasses.replace(analysis, calibration=calibration, plate_given=True)
    if memory_gb is not None and not (math.isfinite(memory_gb) and memory_gb > 0):
        raise OptionError(f"The memory must be a number of GB above 0, not {memory_gb:g}.")
    memory_bytes = None if memory_gb is None else int(memory_gb * 1e9)
    return BlockConfig(analysis=analysis, memory_bytes=memory_bytes, **chosen)


def _tell_done(done: "BlockSummary", target: Path) -> None:
    """What came of a block, and where its table lies."""
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


def _tell_failures(failures: Sequence[tuple[str, str]], file: Path) -> None:
    for clip, sentence in failures[:MAX_FAILURES_TOLD]:
        typer.echo(f"Note: {clip}: {sentence}", err=True)
    more = len(failures) - MAX_FAILURES_TOLD
    if more > 0:
        typer.echo(f"Note: {more} more clips failed; '{file}' names them all.", err=True)


def compare(
    source: BlockSource,
    by: By = "technique",
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
    overwrite: OverwritePages = False,
) -> None:
    """Compare setups over a block: differences with intervals, bar paths, load and speed."""
    from barpath.ground.files import prepare
    from barpath.report import comparepage, pagesfolder

    if split is not None:
        try:
            split = date.fromisoformat(split).isoformat()
        except ValueError:
            raise OptionError(f"The day must be as in 2026-03-05, not {split!r}.") from None
    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    files = comparepage.compare_files(source, by, words(levels), split, clips)
    folder = pagesfolder.write_pages(out, files, overwrite=overwrite)
    typer.echo(f"Comparison: {folder / comparepage.COMPARE_PAGE}")


def block_report(
    source: BlockSource,
    by: By = "technique",
    out: Annotated[Path, typer.Option(help="Folder for the pages.")] = Path("block-report"),
    overwrite: OverwritePages = False,
) -> None:
    """Write the pages of a block: one for the coach, one for each lifter."""
    from barpath.ground.files import prepare
    from barpath.report import blockpages, pagesfolder

    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    folder = pagesfolder.write_pages(out, blockpages.block_files(source, by), overwrite=overwrite)
    typer.echo(f"Report: {folder / blockpages.COACH_PAGE}")
