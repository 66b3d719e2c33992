"""Commands on one clip or picture: measure it, look at how it is filmed, check it."""

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from barpath.cli.bars import Bar
from barpath.cli.options import (
    BarKind,
    Joints,
    LoadKg,
    Out,
    Overwrite,
    PlateMm,
    Profile,
    StatureCm,
    barbell,
    metres,
    point,
)
from barpath.errors import OptionError
from barpath.ground.equipment import LARGEST_DISC_MM
from barpath.ground.view import AUTO

if TYPE_CHECKING:
    from barpath.analysis.config import AnalysisConfig


PlateAt = Annotated[
    str | None,
    typer.Option(
        help="A point x,y on the plate in the first frame, if it is not found by itself.",
        show_default=False,
    ),
]
CaptureFps = Annotated[
    float | None,
    typer.Option(
        help="Real frames a second of a slow-motion file that does not tell.",
        show_default=False,
    ),
]
CorrectionsFile = Annotated[
    Path | None,
    typer.Option(
        help="Joints and plate put right by hand: a corrections.json, as touchup writes it.",
        show_default=False,
    ),
]


def analyse(
    clip: Annotated[Path, typer.Argument(help="The video file.", show_default=False)],
    view: Annotated[
        str, typer.Option(help="Where the camera stood: side, front, oblique or auto.")
    ] = AUTO,
    plate_mm: PlateMm = None,
    bar: BarKind = None,
    load_kg: LoadKg = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results; the clip's name if not given."),
    ] = None,
    overwrite: Overwrite = False,
    plate_at: PlateAt = None,
    capture_fps: CaptureFps = None,
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
    joints: Joints = True,
    profile: Profile = None,
    corrections: CorrectionsFile = None,
    video: Annotated[bool, typer.Option(help="Write the annotated clip.")] = True,
) -> None:
    """Measure the set in one clip and write its report."""
    from barpath.analysis.config import AnalysisConfig, with_bar
    from barpath.analysis.corrections import Corrections, read_corrections
    from barpath.lift.advice import read_profile

    config = AnalysisConfig(
        capture_fps=capture_fps,
        upper_arm_m=metres(upper_arm_cm),
        stature_m=metres(stature_cm),
        note=note,
        pose_model=pose_model,
        find_joints=joints,
        profile=None if profile is None else read_profile(profile),
        corrections=Corrections() if corrections is None else read_corrections(corrections),
        view=view,
    )
    measure_clip(
        clip,
        out or Path(f"{clip.stem}-results"),
        with_bar(config, barbell(bar)),
        plate_mm,
        load_kg,
        point(plate_at),
        overwrite=overwrite,
        video=video,
    )


def measure_clip(
    clip: Path,
    out: Path,
    config: "AnalysisConfig",
    plate_mm: float | None,
    load_kg: float | None,
    plate_at: tuple[float, float] | None,
    *,
    overwrite: bool,
    video: bool,
) -> None:
    """Measure the set in one clip, write its report and say where it lies."""
    from barpath.analysis.pipeline import analyse as analyse_clip
    from barpath.analysis.store import check_target
    from barpath.ground.files import prepare
    from barpath.report.output import REPORT_FILE, publish

    prepare(out, partial(check_target, overwrite=overwrite))
    with Bar() as progress:
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


def demo(
    out: Out = Path("demo-results"),
    overwrite: Overwrite = False,
    show: Annotated[
        bool, typer.Option("--open", help="Open the report in the web browser.")
    ] = False,
) -> None:
    """Measure a clip that comes with the project (a made lifter in an invented club)."""
    from barpath.analysis.config import AnalysisConfig
    from barpath.clip.samples import demo_clip
    from barpath.report.output import REPORT_FILE

    config = AnalysisConfig()
    measure_clip(demo_clip(), out, config, 450.0, None, None, overwrite=overwrite, video=True)
    if show:
        typer.launch(str((out / REPORT_FILE).resolve()))


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


def film_check(
    clip: Annotated[Path, typer.Argument(help="A short test clip.", show_default=False)],
    view: Annotated[str, typer.Option(help="Where the camera stands: side, front or auto.")] = AUTO,
    plate_mm: Annotated[
        float, typer.Option(help="Diameter of the plate nearest the camera in mm.")
    ] = LARGEST_DISC_MM,
    bar: BarKind = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            help="Write the map of camera places to this PNG, with this place marked.",
            show_default=False,
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace that PNG.")] = False,
) -> None:
    """Look at a test clip before the session and say what to change about the filming."""
    from barpath.analysis.filmadvice import advise, as_text
    from barpath.analysis.filmcheck import look
    from barpath.analysis.filmfacts import VIEWS
    from barpath.analysis.filmplace import place_of
    from barpath.report.placeplots import write_map

    if view not in VIEWS:
        raise OptionError(f"The view must be side, front or auto, not {view!r}.")
    with Bar() as progress:
        facts = look(clip, view=view, plate_mm=plate_mm, bar=barbell(bar), progress=progress)
    typer.echo(as_text(facts, advise(facts)))
    if picture is not None:
        write_map(picture, place_of(facts), overwrite=overwrite)
        typer.echo(f"Map of camera places: {picture}")


def rules(
    results: Annotated[
        Path,
        typer.Argument(help="Result folder of a clip or of a pair.", show_default=False),
    ],
) -> None:
    """Check a measured set against the rules of competition, with margins."""
    from barpath.analysis.pairrules import check_rules
    from barpath.analysis.store import known_only_by_form, read_results
    from barpath.report.pairfolder import is_pair_folder, read_rules
    from barpath.report.pairpage import rules_text

    if is_pair_folder(results):
        table = read_rules(results)
    else:
        with known_only_by_form(results):
            table = check_rules(read_results(results))
    typer.echo(rules_text(table))
