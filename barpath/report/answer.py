"""What a set answers: from measures to the sentences that a report begins with.

Is the grip right, which tuck was used, where does the bar touch, which way does it go, and what is
to be tried next: each is said with its uncertainty, or why it cannot be told and how to film so
that it can. Everything here is a plain function of numbers; nothing knows of video or of pages.
Angles are tucks: 90 degrees less the angle between upper arm and trunk.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from barpath.ground.uncertainty import state, state_width
from barpath.lift.advice import (
    GREEN,
    AdviceConfig,
    LifterProfile,
    estimate,
    stacked,
    suggested_tucks,
)
from barpath.report.facts import Facts, Known, alike, both, cm, degrees, size_of
from barpath.space.sights import SIDES

FILM_FRONT = (
    "Film from the feet: the phone in the middle at about eye height, so that the chest and both"
    " elbows show over the thighs, with both ends of the bar in the picture."
)
FILM_SIDE = (
    "Film from the side: the phone beside the bench at the height of the bar half way, about 3 m"
    " away and square to the bar, with the plates whole in the picture all the way."
)
LIGHT_FIRST = (
    "Try it with a light load first, inside safeties or with a spotter, change one thing at a time,"
    " and film again from the same spot. Pain means stop, and a clinician judges pain."
)


@dataclass(frozen=True)
class AnswerConfig:
    """From when on a difference is said.

    Attributes
    ----------
    least_move_m : float
        A hand's move below this is not worth making (common practice, no source).
    sure_m, sure_deg : float
        With a half width above this, a wrist's place or a tuck is not known well enough to say
        that nothing needs to change: those up to which the measures are good and fair.
    about_deg : float
        A tuck counts as the one suggested when it lies so close to it (common practice, no source).
    """

    least_move_m: float = 0.01
    sure_m: float = 0.025
    sure_deg: float = 15.0
    about_deg: float = 10.0


@dataclass(frozen=True)
class Answer:
    """What a report begins with; all of it is text.

    Attributes
    ----------
    headline, detail : str
        The answer to what this view is mostly asked, and what would change it.
    lines : tuple of (topic, sentence)
        Grip, tuck, touch and path.
    kind : {'change', 'keep', 'film'}
        Whether there is something to try, nothing needs to change, or it cannot be told.
    steps : tuple of str
        What to try next, the first first.
    reasons : tuple of str
        Why, and with what caution.
    film : tuple of str
        How to film so that what is missing can be told.
    """

    headline: str
    detail: str
    lines: tuple[tuple[str, str], ...]
    kind: str
    steps: tuple[str, ...]
    reasons: tuple[str, ...]
    film: tuple[str, ...]


# --- sentences ------------------------------------------------------------------------------------


def wrists_in_words(facts: Facts, config: AnswerConfig | None = None) -> str:
    """Where the wrists stand over the elbows.

    Examples
    --------
    >>> inside = {"left": Known(-0.05, 0.01), "right": Known(-0.052, 0.01)}
    >>> wrists_in_words(Facts(("front",), wrist_out_m=inside))
    'Wrists 5.1 ± 1.0 cm inside the elbows, left and right alike.'
    """
    config = config or AnswerConfig()
    sides = facts.wrist_out_m
    mean, same = both(sides), alike(sides)
    if not mean:
        if not facts.widths_seen:
            return "Whether the wrists stand over the elbows can only be seen from the feet."
        return f"Whether the wrists stand over the elbows could not be told. {mean.reason}".strip()
    if same is False:
        return (
            f"Left wrist {_beside(sides['left'], config)}, right {_beside(sides['right'], config)}."
        )
    if same is None:
        side = next(side for side in SIDES if sides.get(side))
        other = next(s for s in SIDES if s != side)
        reason = sides[other].reason if other in sides else ""
        return (
            f"{side.capitalize()} wrist {_beside(mean, config)}; {other} unknown. {reason}".strip()
        )
    way = "outside" if mean.value > 0 else "inside"
    if abs(mean.value) > mean.u95:
        return f"Wrists {cm(size_of(mean))} {way} the elbows, left and right alike."
    if mean.u95 > config.sure_m:
        return (
            "Whether the wrists stand over the elbows is left open: measured"
            f" {cm(size_of(mean))} {way} them, left and right alike."
        )
    return (
        f"Wrists over the elbows, as far as can be told ({cm(size_of(mean))} {way}), left and right"
        " alike."
    )


def _beside(wrist: Known, config: AnswerConfig) -> str:
    way = "outside" if wrist.value > 0 else "inside"
    if abs(wrist.value) > wrist.u95:
        return f"{cm(size_of(wrist))} {way} its elbow"
    if wrist.u95 <= config.sure_m:
        return f"over its elbow ({cm(size_of(wrist))} {way})"
    return f"left open ({cm(size_of(wrist))} {way} its elbow)"


def is_off(facts: Facts, config: AnswerConfig | None = None) -> bool | None:
    """Whether the wrists stand beside the elbows; None if that cannot be told."""
    config = config or AnswerConfig()
    sides = [k for k in facts.wrist_out_m.values() if k]
    if not sides:
        return None
    if alike(facts.wrist_out_m) is not False:
        sides = [both(facts.wrist_out_m)]
    if any(abs(k.value) > max(k.u95, config.least_move_m) for k in sides):
        return True
    return False if all(k.u95 <= config.sure_m for k in sides) else None


def move_now(facts: Facts) -> Known:
    """How far each hand would go outward for the wrist to stand over the elbow at this tuck.

    See `advice.stacked`. From the feet alone the same model holds with a level trunk; what that
    view leaves open is in the draws.
    """
    if facts.build is None or not facts.grip_seen:
        return Known(reason="The arms were not recovered well enough.")
    pose = stacked(facts.build, facts.build.tuck_deg)
    return Known(*estimate((pose["grip_m"] - facts.build.grip_m) / 2))


def move_in_words(facts: Facts, config: AnswerConfig | None = None) -> str:
    """What it would take to bring the wrists over the elbows at this tuck; empty if unknown."""
    off = is_off(facts, config)
    if off is None:
        return ""
    if not off:
        return "For that the grip needs no change."
    move = move_now(facts)
    if not move:
        return "How far the hands would have to move could not be worked out."
    if abs(move.value) <= move.u95:
        return (
            f"What it takes at this tuck is left open: each hand {cm(size_of(move))} {_way(move)}."
        )
    return f"For wrists over elbows at this tuck move each hand {cm(size_of(move))} {_way(move)}."


def _way(move: Known) -> str:
    return "out" if move.value > 0 else "in"


def tuck_in_words(facts: Facts) -> str:
    """Which tuck was used.

    Examples
    --------
    >>> sides = {"left": Known(37.0, 9.0), "right": Known(36.0, 9.0)}
    >>> tuck_in_words(Facts(("front",), tuck_deg=sides))
    '36 ± 9°, left and right alike: the upper arms stand 54° off the trunk.'
    """
    sides = facts.tuck_deg
    mean, same = both(sides), alike(sides)
    if not mean:
        return f"It could not be told. {mean.reason}".strip()
    if same is False:
        return f"Left {degrees(sides['left'])}, right {degrees(sides['right'])}."
    arms = f"the upper arms stand {90 - mean.value:.0f}° off the trunk"
    if same is None:
        side = next(side for side in SIDES if sides.get(side))
        return f"{degrees(mean)}, {side} arm alone."
    return f"{degrees(mean)}, left and right alike: {arms}."


def touch_in_words(facts: Facts) -> str:
    """Where the bar touches."""
    touch = facts.touch_m
    if touch:
        way = "below the shoulder joints, toward the feet" if touch.value >= 0 else "above them"
        return f"{cm(size_of(touch))} {way}."
    if not facts.along_seen:
        return "It can only be seen from the side."
    return f"It could not be told. {touch.reason}".strip()


def path_in_words(facts: Facts) -> str:
    """Which way the bar goes from touch to lockout."""
    up = f"{cm(facts.rise_m)} up" if facts.rise_m else ""
    drift = facts.drift_m
    if drift and abs(drift.value) > drift.u95:
        across = f"{cm(size_of(drift))} {facts.ways[0 if drift.value > 0 else 1]}"
    elif drift:
        across = f"toward neither head nor feet by more than {state_width(100 * drift.u95, 'cm')}"
    elif not facts.along_seen:
        across = "whether it goes toward the head can only be seen from the side"
    else:
        across = f"sideways it could not be told. {drift.reason}".strip()
    text = (
        " and ".join(filter(None, [across, up])) if drift else "; ".join(filter(None, [up, across]))
    )
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + "."


def grip_in_words(facts: Facts) -> str:
    """How wide the grip is, and whether the wrists stand over the elbows."""
    wide = f"{cm(facts.grip_m)} between the middles of the hands" if facts.grip_m else ""
    off = is_off(facts)
    if off is None and not both(facts.wrist_out_m) and not facts.widths_seen:
        return "It can only be seen from the feet."
    return f"{wide}." if wide else f"It could not be told. {facts.grip_m.reason}".strip()


# --- what to try next -----------------------------------------------------------------------------


def tuck_band(
    profile: LifterProfile | None, config: AnswerConfig | None = None
) -> tuple[float, float]:
    """Tucks that are usual for such a lifter (common practice, no source).

    Examples
    --------
    >>> tuck_band(None), tuck_band(LifterProfile("trained", "arms"))
    ((20.0, 40.0), (30.0, 45.0))
    """
    config = config or AnswerConfig()
    tucks = suggested_tucks(profile or LifterProfile())
    if len(tucks) == 1:
        return tucks[0] - config.about_deg, tucks[0] + config.about_deg
    return min(tucks), max(tucks)


def target_tuck(tuck_deg: float, profile: LifterProfile | None) -> float:
    """The suggested tuck that is nearest to the present one."""
    tucks = suggested_tucks(profile or LifterProfile())
    return float(np.clip(tuck_deg, min(tucks), max(tucks)))


def answer(
    facts: Facts, profile: LifterProfile | None = None, config: AnswerConfig | None = None
) -> Answer:
    """Say what a set answers.

    Parameters
    ----------
    facts : Facts
    profile : LifterProfile, optional
        Without one the lifter is taken for a beginner of whom nothing is known.
    config : AnswerConfig, optional

    Returns
    -------
    Answer
    """
    config = config or AnswerConfig()
    lines = (
        ("Grip", grip_in_words(facts)),
        ("Tuck", tuck_in_words(facts)),
        ("Touch", touch_in_words(facts)),
        ("Path", path_in_words(facts)),
    )
    if facts.widths_seen:
        headline, detail = wrists_in_words(facts, config), move_in_words(facts, config)
    else:
        headline, detail = _side_headline(facts), wrists_in_words(facts, config)
    kind, steps = _next(facts, profile, config)
    reasons = [] if kind == "film" else _reasons(profile)
    if kind == "change":
        reasons.append(LIGHT_FIRST)
    return Answer(headline, detail, lines, kind, tuple(steps), tuple(reasons), _film(facts, config))


def _side_headline(facts: Facts) -> str:
    tuck, touch = both(facts.tuck_deg), facts.touch_m
    said = []
    if tuck:
        said.append(f"elbows tucked by {degrees(tuck)}")
    if touch:
        said.append(f"touch {cm(touch)} below the shoulders")
    if facts.drift_m and not said:
        path = path_in_words(facts).rstrip(".")
        said.append(f"from touch to lockout the bar goes {path[:1].lower()}{path[1:]}")
    if not said:
        return "Neither tuck nor touch point could be told from this clip."
    text = ", ".join(said)
    return f"{text[:1].upper()}{text[1:]}."


def _film(facts: Facts, config: AnswerConfig) -> tuple[str, ...]:
    said = []
    if is_off(facts, config) is None:
        said.append(f"For the grip: {FILM_FRONT}")
    tuck = both(facts.tuck_deg)
    lacking = [n for n, k in (("touch point", facts.touch_m), ("path", facts.drift_m)) if not k]
    if lacking:
        said.append(f"For {' and '.join(lacking)}: {FILM_SIDE}")
    if not tuck or tuck.u95 > config.sure_deg:
        said.append("For the tuck film the set from both, and join the clips with barpath pair.")
    return tuple(said)


def _next(
    facts: Facts, profile: LifterProfile | None, config: AnswerConfig
) -> tuple[str, list[str]]:
    """Kind and sentences of what to try next."""
    tuck, off = both(facts.tuck_deg), is_off(facts, config)
    low, high = tuck_band(profile, config)
    tuck_known = bool(tuck) and tuck.u95 <= config.sure_deg
    too_little = tuck_known and tuck.value + tuck.u95 < low
    too_much = tuck_known and tuck.value - tuck.u95 > high
    if too_little or too_much:
        goal = target_tuck(tuck.value, profile)
        return "change", _steps_of_tuck(facts, goal, too_little, profile)
    if off:
        return "change", [_step_of_hands(facts), *_spacing(facts, move_now(facts), profile)]
    usual = f"the {low:.0f} to {high:.0f}° that are usual for such a lifter"
    if off is False and tuck_known:
        return "keep", [
            "Nothing here asks for a change: the wrists stand over the elbows, and a tuck of"
            f" {degrees(tuck)} cannot be told from {usual}."
        ]
    if tuck_known:
        return "keep", [
            f"Keep the tuck: {degrees(tuck)} cannot be told from {usual}. Whether the grip fits"
            " cannot be told from this clip."
        ]
    if off is False:
        return "keep", [
            "Keep the grip: the wrists stand over the elbows. Which tuck goes with it cannot be"
            " told from this clip."
        ]
    if tuck:
        return "film", [
            f"A tuck of {degrees(tuck)} fits nearly every way of pressing, and whether the grip"
            " fits cannot be told from this clip either."
        ]
    return "film", ["Neither grip nor tuck could be told from this clip."]


def _step_of_hands(facts: Facts) -> str:
    if alike(facts.wrist_out_m) is False:
        return (
            "First take the bar evenly, both hands as far from the middle by the rings in the"
            " knurling: left and right differ. Then film again; how far each hand has to move shows"
            " only with both alike."
        )
    move = move_now(facts)
    if move and abs(move.value) > move.u95:
        return (
            f"Move each hand {cm(size_of(move))} {_way(move)}, with tuck and touch point as they"
            " are, and look again whether the wrists stand over the elbows."
        )
    way = "out" if both(facts.wrist_out_m).value < 0 else "in"
    return (
        f"Move each hand a little {way}, a finger's breadth at a time, and film again: how far it"
        " takes is not known well enough."
    )


def _steps_of_tuck(
    facts: Facts, goal: float, too_little: bool, profile: LifterProfile | None
) -> list[str]:
    """Another tuck, and the grip that goes with it, that first which brings the wrists nearer."""
    word, where = ("more", "closer to") if too_little else ("less", "farther from")
    way = "lower" if too_little else "higher"
    step = f"Tuck {word}, to about {goal:.0f}°: elbows {where} the trunk."
    build = facts.build
    if build is None:
        return [f"{step} The touch point goes {way} with that."]
    pose = stacked(build, goal)
    touch = Known(*estimate(pose["touch_m"]))
    shift = Known(*estimate(pose["touch_m"] - build.touch_m))
    if facts.touch_m and shift and abs(shift.value) > shift.u95:
        way = "lower" if shift.value > 0 else "higher"
        step += f" The touch point then lies {cm(size_of(shift))} {way}."
    elif touch and not facts.touch_m:
        step += f" The touch point then lies {cm(touch)} below the shoulder joints."
    if not facts.grip_seen:
        return [step]
    now, then = move_now(facts), Known(*estimate((pose["grip_m"] - build.grip_m) / 2))
    if not then:
        return [step, "Which grip goes with that tuck could not be worked out."]
    if abs(then.value) <= then.u95:
        return [
            step,
            "The grip may stay: at that tuck the wrists would stand over the elbows as far as can"
            f" be told (each hand {cm(size_of(then))} {_way(then)}).",
        ]
    hands = f"wrists over elbows take each hand {cm(size_of(then))} {_way(then)}"
    if not now or abs(then.value) <= abs(now.value):
        rest = [f"Then the grip: at that tuck {hands}."]
        return [f"First the tuck. {step}", *rest, *_spacing(facts, then, profile)]
    return [
        f"First the grip: each hand {cm(size_of(now))} {_way(now)}, for wrists over elbows at this"
        " tuck.",
        f"Then the tuck, little by little. {step} There {hands} from where they are now.",
        *_spacing(facts, then, profile),
    ]


def _spacing(facts: Facts, move: Known, profile: LifterProfile | None) -> list[str]:
    """What competition says to a wider grip."""
    if facts.build is None or not move or not facts.grip_seen:
        return []
    limit = AdviceConfig().limit_m
    fingers = Known(*estimate(facts.build.grip_m - facts.build.forefinger_m))
    if not fingers or fingers.value + 2 * move.value <= limit or move.value <= 0:
        return []
    wide = state(
        100 * (fingers.value + 2 * move.value), 100 * math.hypot(fingers.u95, 2 * move.u95)
    )
    text = (
        f"That makes {wide} cm between the forefingers; competition allows {100 * limit:.0f} cm"
        " (IPF Technical Rules Book, from memory)."
    )
    if profile is not None and profile.goal == "competition":
        room = max(0.0, (limit - fingers.value) / 2)
        text += f" For competition each hand can go out by about {100 * room:.0f} cm at most."
    return [text]


def _reasons(profile: LifterProfile | None) -> list[str]:
    """What the lifter's own words add, without a verdict on health."""
    if profile is None:
        return [
            "Nothing is known of the lifter, so this is what a beginner is shown first: about 30°"
            " of tuck, wrists over elbows (common practice, no source). --profile fits it to"
            " experience, strengths, joints and goal."
        ]
    low, high = tuck_band(profile)
    said = []
    if profile.experience == "beginner":
        said.append(
            "A beginner is shown about 30° of tuck with the wrists over the elbows first (common"
            " practice, no source)."
        )
    else:
        who = {"arms": "their arms", "chest": "the chest"}.get(profile.strength)
        text = f"Trained lifters who press with {who}" if who else "Trained lifters"
        said.append(f"{text} tend to tuck {low:.0f} to {high:.0f}° (common practice, no source).")
    if "wrist" in profile.careful:
        said.append("Going easy on the wrists speaks for a grip no wider than the stacked one.")
    if "elbow" in profile.careful:
        said.append(
            "Going easy on the elbows speaks for the stacked grip, where the load has no moment arm"
            " about the elbow at the bottom."
        )
    if "shoulder" in profile.careful:
        said.append(f"Going easy on the shoulders: {GREEN}")
    if profile.goal == "size":
        said.append("A narrower grip makes the way up longer; the programme decides if that suits.")
    return said
