"""Options and arguments that several commands have, each said once."""

from pathlib import Path
from typing import Annotated

import typer

from barpath.errors import OptionError
from barpath.ground.equipment import BARS, LARGEST_DISC_MM, POWER_BAR, Bar, bar_of

PlateMm = Annotated[
    float | None,
    typer.Option(
        help=f"Diameter of the plate nearest the camera in mm; {LARGEST_DISC_MM:.0f} if not given.",
        show_default=False,
    ),
]
BarKind = Annotated[
    str | None,
    typer.Option(
        "--bar",
        help=f"The bar: {', '.join(BARS)}, or its lengths between the collars and over all in mm as"
        f" in 1080:1800; {POWER_BAR.name} if not given.",
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
OverwritePages = Annotated[bool, typer.Option("--overwrite", help="Replace earlier pages.")]
Joints = Annotated[
    bool, typer.Option(help="Look for the lifter's joints, or measure the bar alone.")
]
BlockSource = Annotated[
    Path, typer.Argument(help="A block's folder, or its table.", show_default=False)
]
By = Annotated[
    str, typer.Option(help="What tells setups apart: technique, or a column of the sheet.")
]
Out = Annotated[Path, typer.Option(help="Folder for the results.")]
Port = Annotated[int, typer.Option(help="Port on this machine; 0 takes a free one.")]
OpenPage = Annotated[
    bool, typer.Option("--open/--no-open", help="Open the page in the web browser.")
]


def metres(length_cm: float | None) -> float | None:
    """A length given in cm, if it was given."""
    return None if length_cm is None else length_cm / 100


def barbell(text: str | None) -> Bar:
    """The bar that was named, or the usual one."""
    return POWER_BAR if text is None else bar_of(text)


def words(text: str | None) -> list[str]:
    """What stands between commas."""
    return [word.strip() for word in text.split(",")] if text else []


def point(text: str | None) -> tuple[float, float] | None:
    """A point given as `x,y`, if it was given."""
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
