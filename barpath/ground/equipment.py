"""Bars and discs: every dimension of them that lengths are taken from, each said once.

Dimensions are kept in mm, as rule books and makers give them; what is derived is in m. Along the
bar, from its middle outward: the shaft ends at the sleeve's shoulder (its inner face is what the
rules call the collar), the innermost plate leans on the shoulder's far side, and the sleeve goes on
to the bar's end.
"""

import re
from dataclasses import dataclass

from barpath.errors import OptionError

LARGEST_DISC_MM = 450.0
"""Diameter of the largest disc: at most 450 mm (International Powerlifting Federation, Technical
Rules Book, section on bars and discs), which is also that of the larger discs of the International
Weightlifting Federation; both from memory."""
LARGEST_DISC_M = LARGEST_DISC_MM / 1000

PLATES_MIDDLE_MM = 40.0
"""From the inner face of one end's plates to the middle of them all (common practice, no
source)."""


@dataclass(frozen=True)
class Bar:
    """A kind of bar; the usual one is a power bar.

    The defaults are the bar of the International Powerlifting Federation, Technical Rules Book,
    section on bars and discs (from memory), where nothing else is said.

    Attributes
    ----------
    name : str
        As an option says it.
    words : str
        As a report says it.
    between_mm : float
        Between the collars' inner faces, at least 1310 mm and at most 1320 mm: the shaft.
    over_mm : float
        So much longer a shaft is made than that least length (common practice, no source); the
        lengths of a front view rest on it.
    overall_mm : float
        Length over all, at most 2200 mm.
    shaft_mm : float
        Diameter of the shaft, 28 to 29 mm.
    sleeve_mm : float
        Diameter of the sleeves on which plates go, which fit a bore of 50 mm.
    shoulder_mm : float
        Thickness of a sleeve's shoulder, on which the innermost plate leans (common practice, no
        source).
    marks_mm : float
        Distance between the marks on the shaft, beyond which no forefinger may be in competition.
    """

    name: str = "power"
    words: str = "power bar"
    between_mm: float = 1310.0
    over_mm: float = 2.0
    overall_mm: float = 2200.0
    shaft_mm: float = 28.6
    sleeve_mm: float = 50.0
    shoulder_mm: float = 30.0
    marks_mm: float = 810.0

    @property
    def collar_m(self) -> float:
        """From the bar's middle to a collar's inner face."""
        return self.between_mm / 2000

    @property
    def end_m(self) -> float:
        """From the bar's middle to its end."""
        return self.overall_mm / 2000

    @property
    def shaft_m(self) -> float:
        """Length of the shaft as it is made.

        Examples
        --------
        >>> Bar().shaft_m, Bar().inner_faces_m
        (1.312, 1.372)
        """
        return (self.between_mm + self.over_mm) / 1000

    @property
    def inner_faces_m(self) -> float:
        """Between the inner faces of the innermost plates of both ends."""
        return (self.between_mm + self.over_mm + 2 * self.shoulder_mm) / 1000

    @property
    def plates_m(self) -> float:
        """Between the middles of both ends' plates."""
        return self.inner_faces_m + 2 * PLATES_MIDDLE_MM / 1000

    @property
    def marks_m(self) -> float:
        """Between the marks on the shaft."""
        return self.marks_mm / 1000

    @property
    def shaft_radius_m(self) -> float:
        """Half of the shaft's diameter."""
        return self.shaft_mm / 2000

    @property
    def sleeve_radius_m(self) -> float:
        """Half of a sleeve's diameter."""
        return self.sleeve_mm / 2000

    @property
    def shaft_share(self) -> float:
        """The shaft's diameter over the distance between the plates' inner faces."""
        return self.shaft_mm / 1000 / self.inner_faces_m

    @property
    def disc_share(self) -> float:
        """The largest disc's diameter over the distance between the plates' inner faces."""
        return LARGEST_DISC_M / self.inner_faces_m

    @property
    def sleeve_share(self) -> float:
        """A sleeve beyond its plate's inner face, over the distance between both faces."""
        return (2 * self.end_m - self.inner_faces_m) / 2 / self.inner_faces_m


POWER_BAR = Bar()
"""The bar that is taken where nothing is said."""

BARS = {
    bar.name: bar
    for bar in (
        POWER_BAR,
        # Both: International Weightlifting Federation, Technical and Competition Rules and
        # Regulations, section on bars (from memory).
        Bar(
            "weightlifting",
            "weightlifting bar of 20 kg",
            over_mm=0.0,
            shaft_mm=28.0,
            marks_mm=910.0,
        ),
        Bar(
            "15kg",
            "weightlifting bar of 15 kg",
            over_mm=0.0,
            overall_mm=2010.0,
            shaft_mm=25.0,
            marks_mm=910.0,
        ),
    )
}
"""Kinds of bar by name. A new one is an entry here, with its source, and its row in the tests."""

BETWEEN_MM = (700.0, 1600.0)
LEAST_SLEEVE_MM, MOST_SLEEVE_MM = 100.0, 600.0
"""What own dimensions may be: between the collars, and of a sleeve with its shoulder."""


def bar_of(text: str) -> Bar:
    """A bar by its name, or by its own lengths.

    Parameters
    ----------
    text : str
        A name of `BARS`; or, in mm, the length between the collars and that over all with a colon
        between, of a bar that is else like a power bar.

    Returns
    -------
    Bar

    Raises
    ------
    OptionError
        There is no such name, or no bar has such lengths.

    Examples
    --------
    >>> bar_of("15kg").overall_mm, bar_of("1080:1800").inner_faces_m
    (2010.0, 1.14)
    """
    said = text.strip().lower()
    if said in BARS:
        return BARS[said]
    lengths = re.fullmatch(r"(\d+(?:\.\d+)?):(\d+(?:\.\d+)?)", said)
    if lengths is None:
        raise OptionError(
            f"The bar must be one of {', '.join(BARS)}, or its lengths between the collars and over"
            f" all in mm as in 1080:1800, not {text!r}."
        )
    between, overall = (float(length) for length in lengths.groups())
    if not BETWEEN_MM[0] <= between <= BETWEEN_MM[1]:
        raise OptionError(
            f"The bar's length between the collars must lie between {BETWEEN_MM[0]:g} and"
            f" {BETWEEN_MM[1]:g} mm, not {between:g}."
        )
    least, most = between + 2 * LEAST_SLEEVE_MM, between + 2 * MOST_SLEEVE_MM
    if not least <= overall <= most:
        raise OptionError(
            f"The length over all of a bar with {between:g} mm between the collars must lie between"
            f" {least:g} and {most:g} mm, not {overall:g}."
        )
    return Bar(
        name=f"{between:g}:{overall:g}",
        words=f"bar of {between:g} mm between the collars and {overall:g} mm over all",
        between_mm=between,
        over_mm=0.0,
        overall_mm=overall,
    )
