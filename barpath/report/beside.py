"""Sets side by side: one clock by the phase of the lift, and the five differences that matter.

Plain functions: two or more sets come in as what was measured of them, and out come times that
belong together (touch meets touch) and differences with their uncertainty, in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.uncertainty import coverage_factor, effective_dof, rounded, state
from barpath.lift.catalogue import shown_unit
from barpath.report.facts import whole_reps

Floats = NDArray[np.float64]

ANCHORS = ("start_s", "touch_s", "press_s", "sticking_min_s", "lockout_s")
ANCHOR_WORDS = {
    "start_s": "start of the lowering",
    "touch_s": "touch",
    "press_s": "start of the press",
    "sticking_min_s": "sticking point",
    "lockout_s": "lockout",
}
NOT_THERE = "The results do not hold it."
LEAST_STEP_S = 0.02
"""Moments closer together than this, in any of the sets, are one."""


@dataclass(frozen=True)
class Clock:
    """One repetition of each of several sets on one clock.

    Attributes
    ----------
    names : tuple of str
        Moments that all sets have, of `ANCHORS`.
    clock_s : ndarray, shape (k,)
        When they are on the common clock: each phase lasts as long as it does in the mean.
    set_s : ndarray, shape (sets, k)
        When they are on each set's own clock.
    """

    names: tuple[str, ...]
    clock_s: Floats
    set_s: Floats

    def own_time(self, which: int, clock_s: Floats | float) -> Floats:
        """Time on a set's own clock; before the first and after the last moment time runs alike.

        Examples
        --------
        >>> clock = Clock(("touch_s", "lockout_s"), np.array([0.0, 2.0]), np.array([[5.0, 8.0]]))
        >>> clock.own_time(0, np.array([-1.0, 0.0, 1.0, 2.0, 2.5])).tolist()
        [4.0, 5.0, 6.5, 8.0, 8.5]
        """
        t = np.asarray(clock_s, dtype=float)
        own = self.set_s[which]
        inside = np.interp(t, self.clock_s, own)
        before = np.minimum(t - self.clock_s[0], 0.0)
        after = np.maximum(t - self.clock_s[-1], 0.0)
        return inside + before + after


def one_clock(moments_s: Sequence[Mapping[str, float]]) -> Clock | None:
    """Put one repetition of each set on one clock.

    Parameters
    ----------
    moments_s : sequence of mapping
        For each set, when its repetition has the moments of `ANCHORS`; NaN where it has none.

    Returns
    -------
    Clock or None
        None when fewer than two moments are known of all sets.
    """
    names: list[str] = []
    for name in ANCHORS:
        here = np.array([float(m.get(name, math.nan)) for m in moments_s])
        if not np.isfinite(here).all():
            continue
        if names:
            last = np.array([float(m[names[-1]]) for m in moments_s])
            if (here - last < LEAST_STEP_S).any():
                continue
        names.append(name)
    if len(names) < 2:
        return None
    own = np.array([[float(m[name]) for name in names] for m in moments_s])
    clock = np.concatenate([[0.0], np.cumsum(np.diff(own, axis=1).mean(axis=0))])
    return Clock(tuple(names), clock, own)


def clocks(reps: Sequence[pd.DataFrame]) -> list[Clock]:
    """One clock for each repetition that all sets have: the first with the first, and so on.

    Parameters
    ----------
    reps : sequence of DataFrame
        Rep table of each set; complete repetitions count.
    """
    rows = [table[table["rep"].isin(whole_reps(table))].to_dict("records") for table in reps]
    made = [one_clock(together) for together in zip(*rows, strict=False)]
    return [clock for clock in made if clock is not None]


# --- differences ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Topic:
    """One of the things compared.

    Attributes
    ----------
    name : str
    measures : tuple of str
        Names that it has in the tables of a set and of a pair.
    unit : str
    more, less : str
        How more and less of it are said, the amount in the place of the braces.
    """

    name: str
    measures: tuple[str, ...]
    unit: str
    more: str
    less: str


TOPICS = (
    Topic("Grip", ("grip_width_m", "wrist_spacing_m"), "m", "grip {} wider", "grip {} narrower"),
    Topic("Tuck", ("tuck_deg",), "deg", "{} more tuck", "{} less tuck"),
    Topic(
        "Touch point",
        ("touch_point_to_shoulder_m", "touch_toward_hips_m"),
        "m",
        "touch point {} lower",
        "touch point {} higher",
    ),
    Topic(
        "Bar path",
        ("drift_touch_to_lockout_m",),
        "m",
        "bar path {} more toward the head",
        "bar path {} less toward the head",
    ),
    Topic(
        "Speed at the sticking point",
        ("sticking_min_speed_m_s",),
        "m/s",
        "{} faster at the sticking point",
        "{} slower at the sticking point",
    ),
)


@dataclass(frozen=True)
class Mean:
    """A measure of a set.

    Attributes
    ----------
    values : tuple of float
        Of the repetitions that hold one, in order.
    tool_u95 : float
        Half width that measuring leaves; it does not shrink with more repetitions.
    n_reps : int
        Repetitions that count, with a value or without.
    reason : str
        Why there is no value.
    """

    values: tuple[float, ...] = ()
    tool_u95: float = math.nan
    n_reps: int = 0
    reason: str = ""

    @property
    def value(self) -> float:
        """Mean of the repetitions."""
        return float(np.mean(self.values)) if self.values else math.nan


@dataclass(frozen=True)
class Difference:
    """Of one set less another, in the topic's unit; `reason` where there is none."""

    topic: Topic
    value: float = math.nan
    u95: float = math.nan
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a difference with its uncertainty."""
        return math.isfinite(self.value) and math.isfinite(self.u95)

    @property
    def clear(self) -> bool:
        """Whether its interval excludes none."""
        return self.known and abs(self.value) > self.u95


def mean_of_set(measures: pd.DataFrame, reps: Sequence[int], topic: Topic) -> Mean:
    """A topic's mean over the repetitions of a set; both arms are averaged.

    Parameters
    ----------
    measures : DataFrame
        Measure table of a set or of a pair.
    reps : sequence of int
    topic : Topic
    """
    if not len(measures):
        return Mean(reason="Nothing was measured.")
    rows = measures[measures["measure"].isin(topic.measures) & measures["rep"].isin(list(reps))]
    known = rows[np.isfinite(rows["value"].astype(float)) & (rows["quality"] != "missing")]
    if not len(known):
        reasons = [r for r in rows["reason"] if isinstance(r, str) and r]
        return Mean(reason=max(reasons, key=reasons.count) if reasons else NOT_THERE)
    each = known.groupby("rep")[["value", "u95"]].mean().sort_index()
    return Mean(tuple(each["value"].tolist()), float(each["u95"].mean()), len(list(reps)))


def difference(topic: Topic, first: Mean, second: Mean) -> Difference:
    """The second set less the first.

    What measuring leaves uncertain is added in quadrature: two clips have cameras, scales and
    postures of their own, and nothing shows how far their errors are alike, so none of it is taken
    to cancel. The scatter of the repetitions is added with its degrees of freedom
    (Welch-Satterthwaite, JCGM 100:2008, G.4): of the differences of the first with the first, the
    second with the second and so on where both sets have as many, since repetitions change in the
    course of a set, otherwise of each set's own.

    Examples
    --------
    >>> got = difference(TOPICS[0], Mean((0.80,), 0.03), Mean((0.70,), 0.04))
    >>> round(got.value, 3), round(got.u95, 3)
    (-0.1, 0.05)
    """
    for mean in (first, second):
        if not mean.values:
            return Difference(topic, reason=mean.reason)
    factor = coverage_factor()
    parts = [first.tool_u95 / factor, second.tool_u95 / factor]
    dof = [math.inf, math.inf]
    n = len(first.values)
    if n == len(second.values) == first.n_reps == second.n_reps:
        scattered = [np.subtract(second.values, first.values)]
    else:
        scattered = [np.array(first.values), np.array(second.values)]
    for values in scattered:
        if len(values) > 1 and np.ptp(values) > 0:
            parts.append(float(np.std(values, ddof=1) / math.sqrt(len(values))))
            dof.append(len(values) - 1)
    u95 = coverage_factor(effective_dof(parts, dof)) * math.hypot(*parts)
    return Difference(topic, second.value - first.value, u95)


def differences(
    first: tuple[pd.DataFrame, pd.DataFrame], second: tuple[pd.DataFrame, pd.DataFrame]
) -> list[Difference]:
    """The five differences of two sets, each given by its measures and its repetitions."""
    return [
        difference(
            topic,
            *(mean_of_set(measures, whole_reps(reps), topic) for measures, reps in (first, second)),
        )
        for topic in TOPICS
    ]


def amount(one: Difference) -> str:
    """Size of a difference, with its half width and unit."""
    factor, unit = shown_unit(one.topic.unit)
    return state(abs(factor * one.value), factor * one.u95, unit)


def which(one: Difference) -> str:
    """Size and direction of a difference."""
    return (one.topic.more if one.value > 0 else one.topic.less).format(amount(one))


def in_words(one: Difference, second: str) -> str:
    """Say one difference.

    Parameters
    ----------
    one : Difference
    second : str
        Name of the set that is compared with the first.
    """
    topic = one.topic
    if not one.known:
        return f"{topic.name}: cannot be compared. {one.reason}".strip()
    if one.clear:
        text = which(one)
        return f"{text[:1].upper()}{text[1:]} with {second}."
    factor, unit = shown_unit(topic.unit)
    low, high = factor * (one.value - one.u95), factor * (one.value + one.u95)
    width = factor * one.u95
    return (
        f"{topic.name}: no difference can be told; it may lie anywhere from"
        f" {rounded(low, width)[0]} to {rounded(high, width)[0]} {unit}".rstrip()
        + "."
    )


def headline(found: Sequence[Difference], first: str, second: str) -> tuple[str, str]:
    """The answer of a comparison: what differs, and what cannot be told.

    Parameters
    ----------
    found : sequence of Difference
    first, second : str
        Names of the sets.

    Returns
    -------
    headline, detail : str
    """
    clear = [which(d) for d in found if d.clear]
    open_ = [d.topic.name.lower() for d in found if d.known and not d.clear]
    gone = [d.topic.name.lower() for d in found if not d.known]
    if clear:
        head = f"{second} against {first}: {_listed(clear)}."
    elif open_:
        head = f"{second} against {first}: no difference that is larger than its uncertainty."
    else:
        head = f"{second} against {first}: nothing was measured with both."
    said = []
    if open_ and clear:
        said.append(f"No difference can be told in {_listed(open_)}.")
    if gone and len(gone) < len(found):
        said.append(f"Not measured with both: {_listed(gone)}.")
    return head, " ".join(said)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
