"""Commands on several results: one set from several places, and sets side by side."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from barpath.cli.bars import Bar
from barpath.cli.options import (
    BarKind,
    LoadKg,
    Out,
    Overwrite,
    OverwritePages,
    PlateMm,
    Profile,
    StatureCm,
    metres,
    words,
)
from barpath.errors import OptionError
from barpath.ground.equipment import bar_of
from barpath.ground.view import AUTO, CHOICES


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
    bar: BarKind = None,
    load_kg: LoadKg = None,
    stature_cm: StatureCm = None,
    out: Out = Path("pair-results"),
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
    known = None if bar is None else bar_of(bar)
    options = pairset.ClipOptions(plate_mm, load_kg, metres(stature_cm), known)
    given = [first, second, *(also or [])]
    results = []
    for path, view in zip(given, _stood(views, len(given)), strict=True):
        with Bar() as progress:
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


def _stood(views: str, n_clips: int) -> list[str]:
    """Views of that many clips, as they were typed."""
    stood = [name.strip() for name in views.split(",")]
    stood += [AUTO] * (n_clips - len(stood))
    if len(stood) > n_clips or not set(stood) <= set(CHOICES):
        raise OptionError(
            f"The views must be up to {n_clips} of {', '.join(CHOICES)} with commas between, not"
            f" {views!r}."
        )
    return stood


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
    overwrite: OverwritePages = False,
) -> None:
    """Show measured sets side by side: one clip on one clock, and what differs."""
    from barpath.ground.files import prepare
    from barpath.report import besidepage, pagesfolder

    prepare(out, partial(pagesfolder.check_pages_target, overwrite=overwrite))
    entries = besidepage.read_entries(sets, words(names), clips)
    with Bar() as progress:
        folder = besidepage.write_beside(entries, out, overwrite=overwrite, progress=progress)
    typer.echo(f"Page: {folder / besidepage.BESIDE_PAGE}")
