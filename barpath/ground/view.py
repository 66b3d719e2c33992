"""Where the camera stood, and what can be seen from there.

The only module that knows views by their names: all others ask a `View` for what it shows. A view
that is added here is one that every stage can ask.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class View:
    """What one place of the camera gives.

    Attributes
    ----------
    name : str
        As in tables, files and options.
    words : str
        Where it was filmed from, as is said of a set that was filmed and of a camera that stood.
    ends : tuple of str
        Ends of the bar that are followed, as the beginnings of their columns in the track: both
        ends, or one without a name, the plate nearest the camera.
    along : bool
        Whether movement toward head or feet shows in the picture.
    widths : bool
        Whether widths of the body and the bar show as they are: the bar lies across the picture.
    square : bool
        Whether the camera looks squarely at what moves, so that no length in the picture is partly
        in depth.
    arms_apart : bool
        Whether both arms are seen, neither behind the other or the body.
    arms_in_line : bool
        Whether the far arm stands right behind the near one.
    over_thighs : bool
        Whether the camera looks over the thighs, and so has to stand high.
    """

    name: str
    words: str
    ends: tuple[str, ...]
    along: bool
    widths: bool
    square: bool
    arms_apart: bool
    arms_in_line: bool
    over_thighs: bool

    @property
    def both_ends(self) -> bool:
        """Whether both ends of the bar are followed, so that they can be held against each other.

        Examples
        --------
        >>> FRONT.both_ends, SIDE.both_ends
        (True, False)
        """
        return len(self.ends) == 2

    @property
    def axis(self) -> int:
        """Axis of the world (toward the head, up, to the lifter's left) across the picture.

        Examples
        --------
        >>> SIDE.axis, FRONT.axis
        (0, 2)
        """
        return 0 if self.along else 2


_PLATE = ("",)
SIDE = View(
    name="side",
    words="from the side",
    ends=_PLATE,
    along=True,
    widths=False,
    square=True,
    arms_apart=False,
    arms_in_line=True,
    over_thighs=False,
)
OBLIQUE = View(
    name="oblique",
    words="at a slant",
    ends=_PLATE,
    along=True,
    widths=False,
    square=False,
    arms_apart=False,
    arms_in_line=False,
    over_thighs=False,
)
FRONT = View(
    name="front",
    words="from the feet",
    ends=("image_left_", "image_right_"),
    along=False,
    widths=True,
    square=True,
    arms_apart=True,
    arms_in_line=False,
    over_thighs=True,
)

VIEWS = (SIDE, OBLIQUE, FRONT)
NAMES = tuple(view.name for view in VIEWS)
SQUARE = tuple(view for view in VIEWS if view.square)

AUTO = "auto"
"""Said instead of a view's name to leave it to the clip."""
CHOICES = (AUTO, SIDE.name, FRONT.name, OBLIQUE.name)
"""What can be said of a clip."""


def view_of(name: str) -> View:
    """The view of that name.

    Raises
    ------
    KeyError
        There is none.

    Examples
    --------
    >>> view_of("front").words
    'from the feet'
    """
    return {view.name: view for view in VIEWS}[name]


def told(name: str) -> View | None:
    """The view of that name; None where it names none, so that it has yet to be found out.

    Examples
    --------
    >>> told("side") is SIDE, told(AUTO), told("")
    (True, None, None)
    """
    return view_of(name) if name in NAMES else None


def is_open(name: str) -> bool:
    """Whether it is left to the clip to tell its view.

    Examples
    --------
    >>> is_open("auto"), is_open("side")
    (True, False)
    """
    return name == AUTO
