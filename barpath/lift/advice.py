"""What a change of grip and tuck would take, from this lifter's own segment lengths.

The geometric model of the bottom, in the lifter's trunk: the upper arm, of length U, makes the
chosen angle with the trunk; the elbow lies so far below the shoulder that forearm F and hand h on
top of it just reach the bar on the chest; the wrist stands over the elbow seen from the feet and
from the side. Then touch point and grip follow:

    depth   d = F + h - H             (H: bar over the shoulder on the chest)
    forward U_x = U cos(abduction)    (the touch point's distance toward the feet, level trunk)
    outward U_z = sqrt(U^2 - U_x^2 - d^2)
    grip    = shoulder width + 2 U_z

At lockout the arm is nearly straight from the shoulder to the hand, which gives the bar's height
there and so the change of the range of motion. A trunk that is not level, a chest that slopes and
shoulders that give are allowed for; every uncertainty is carried by draws.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.errors import OptionError
from barpath.ground.equipment import POWER_BAR
from barpath.ground.uncertainty import expand, state
from barpath.space.arms3d import OUTWARD, Arms3d

Floats = NDArray[np.float64]

EXPERIENCES = ("beginner", "trained")
STRENGTHS = ("arms", "chest", "even", "unknown")
JOINTS = ("shoulder", "elbow", "wrist")
GOALS = ("competition", "strength", "size", "general")

GREEN = (
    "Green and Comfort (2007), Strength Cond. J. 29(5):10-14 (from memory): a grip of no more than "
    "1.5 times the biacromial width is suggested there to lower the load on the shoulder."
)
NOTEBOOM = (
    "Noteboom et al. (2024), Front. Physiol., doi 10.3389/fphys.2024.1393235 (from memory): "
    "modelled shoulder loads differ between grip widths and between retracted and free shoulder "
    "blades."
)


@dataclass(frozen=True)
class LifterProfile:
    """What the lifter says of himself or herself; every field may be left out.

    Attributes
    ----------
    experience : {'beginner', 'trained'}
    strength : {'arms', 'chest', 'even', 'unknown'}
        What the press is carried by.
    careful : tuple of {'shoulder', 'elbow', 'wrist'}
        Joints the lifter wants to go easy on.
    goal : {'competition', 'strength', 'size', 'general'}
    biacromial_m : float or None
        Shoulder width between the acromia by tape or calliper.
    hand_breadth_m : float or None
        Across the knuckles without the thumb.
    """

    experience: str = "beginner"
    strength: str = "unknown"
    careful: tuple[str, ...] = ()
    goal: str = "general"
    biacromial_m: float | None = None
    hand_breadth_m: float | None = None

    def __post_init__(self) -> None:
        for name, value, choices in (
            ("experience", self.experience, EXPERIENCES),
            ("strength", self.strength, STRENGTHS),
            ("goal", self.goal, GOALS),
        ):
            if value not in choices:
                raise OptionError(
                    f"In the lifter profile '{name}' must be one of {', '.join(choices)}."
                )
        if not set(self.careful) <= set(JOINTS):
            raise OptionError(f"In the lifter profile 'careful' may hold only {', '.join(JOINTS)}.")
        for name, low, high in (("biacromial_m", 0.25, 0.60), ("hand_breadth_m", 0.05, 0.13)):
            value = getattr(self, name)
            if value is None:
                continue
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise OptionError(f"In the lifter profile '{name}' must be a number of metres.")
            if not low <= value <= high:
                raise OptionError(
                    f"In the lifter profile '{name}' must lie between {low:g} and {high:g} m."
                )


def read_profile(path: Path) -> LifterProfile:
    """Read a lifter profile, a small TOML file.

    Parameters
    ----------
    path : Path
        With the fields of `LifterProfile` at the top level or under `[lifter]`.

    Raises
    ------
    OptionError
        It cannot be read, is no TOML, or holds something unknown.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise OptionError(f"The lifter profile '{path}' cannot be read.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise OptionError(f"The lifter profile '{path}' is not valid TOML.") from error
    return profile_from(data.get("lifter", data))


def profile_from(data: Any) -> LifterProfile:
    """A lifter profile from what a file of text says.

    Parameters
    ----------
    data : dict
        With the fields of `LifterProfile`.

    Raises
    ------
    OptionError
        It holds something unknown or of the wrong kind.
    """
    known = {field.name for field in fields(LifterProfile)}
    if not isinstance(data, dict) or set(data) - known:
        odd = min(set(data) - known) if isinstance(data, dict) else "lifter"
        raise OptionError(
            f"The lifter profile has an unknown entry '{odd}'; known are"
            f" {', '.join(sorted(known))}."
        )
    if "careful" in data:
        careful = data["careful"]
        if isinstance(careful, str):
            careful = [careful]
        if not isinstance(careful, list | tuple) or not all(isinstance(j, str) for j in careful):
            raise OptionError("In the lifter profile 'careful' must be a list of joints.")
        data = data | {"careful": tuple(careful)}
    for name in ("experience", "strength", "goal"):
        if not isinstance(data.get(name, ""), str):
            raise OptionError(f"In the lifter profile '{name}' must be a word in quotes.")
    return LifterProfile(**data)


@dataclass(frozen=True)
class AdviceConfig:
    """Settings of the geometric model.

    Attributes
    ----------
    tucks_deg : tuple of float
        Tucks laid side by side.
    first_tuck_deg : float
        Where a beginner starts (common practice, no source).
    limit_m : float
        Largest spacing between the forefingers in competition (International Powerlifting
        Federation, Technical Rules Book; from memory).
    hand_breadth_m, hand_breadth_sd_m : float
        Of a usual hand (about 79 mm in women, 90 mm in men; from memory).
    forefinger_share, forefinger_sd_m : float
        The forefinger's middle lies this share of the hand's breadth inside of the hand's middle:
        with four fingers alike, three eighths.
    chest_slope_sd : float
        How much the chest may rise or fall, metres a metre, away from the touch seen (no source).
    straight, straight_sd : float
        Shoulder to wrist at lockout over the sum of the segments (common practice, no source).
    acromion_m, acromion_sd_m : float
        The biacromial width less the distance of the shoulder joints (our estimate, no source).
    """

    tucks_deg: tuple[float, ...] = (10.0, 20.0, 30.0, 40.0, 45.0)
    first_tuck_deg: float = 30.0
    limit_m: float = POWER_BAR.marks_m
    hand_breadth_m: float = 0.085
    hand_breadth_sd_m: float = 0.006
    forefinger_share: float = 0.375
    forefinger_sd_m: float = 0.004
    chest_slope_sd: float = 0.2
    straight: float = 0.985
    straight_sd: float = 0.010
    acromion_m: float = 0.04
    acromion_sd_m: float = 0.02
    seed: int = 20


@dataclass(frozen=True)
class Build:
    """The lifter and the present technique, as draws; row 0 is the best estimate.

    Attributes
    ----------
    shoulder_half_m, upper_arm_m, forearm_m, hand_m : ndarray, shape (k,)
        Half the distance of the shoulder joints; segment lengths (mean of both arms); height of the
        bar over the wrist.
    trunk_x, trunk_y : ndarray, shape (k,)
        Direction from the shoulders to the hips: toward the head (negative) and up.
    grip_m, touch_m, over_m, lockout_m, rise_m, range_m : ndarray, shape (k,)
        Now: wrist spacing; touch toward the feet from the shoulders (horizontal); bar over the
        shoulders at the touch; bar toward the head from the shoulders at lockout; how much the
        shoulders rise until then; range of motion.
    straight, slope : ndarray, shape (k,)
        Lockout share of the arm's length, and slope of the chest toward the feet.
    forefinger_m : ndarray, shape (k,)
        Wrist spacing less the spacing of the forefingers.
    tuck_deg : ndarray, shape (k,)
        Now, at the bottom: 90 degrees less the angle between upper arm and trunk, mean of both.
    """

    shoulder_half_m: Floats
    upper_arm_m: Floats
    forearm_m: Floats
    hand_m: Floats
    trunk_x: Floats
    trunk_y: Floats
    grip_m: Floats
    touch_m: Floats
    over_m: Floats
    lockout_m: Floats
    rise_m: Floats
    range_m: Floats
    straight: Floats
    slope: Floats
    forefinger_m: Floats
    tuck_deg: Floats


def build_of(
    arms: Arms3d,
    scale_rel_sd: float = 0.0,
    profile: LifterProfile | None = None,
    config: AdviceConfig | None = None,
) -> Build:
    """Take build and present technique from the arms in space.

    Parameters
    ----------
    arms : Arms3d
    scale_rel_sd : float
        Relative standard uncertainty of all lengths together.
    profile : LifterProfile, optional
    config : AdviceConfig, optional

    Returns
    -------
    Build

    Raises
    ------
    OptionError
        There is no repetition with both its bottom and a lockout.
    """
    config, profile = config or AdviceConfig(), profile or LifterProfile()
    kinds = arms.moments["moment"].to_numpy()
    bottom, lockout = np.flatnonzero(kinds == "bottom"), np.flatnonzero(kinds == "lockout")
    if not (len(bottom) and len(lockout)):
        raise OptionError("No repetition shows both the bottom and a lockout.")
    joints = np.concatenate([arms.joints_m[None], arms.draws_m])
    hips = np.concatenate([arms.hips_m[None], arms.hip_draws_m])
    lengths = np.concatenate([arms.lengths_m[None], arms.length_draws_m])
    shoulder, wrist = joints[:, :, :, 0], joints[:, :, :, 2]
    low, high = shoulder[:, bottom].mean(axis=(1, 2)), shoulder[:, lockout].mean(axis=(1, 2))
    apart = shoulder[:, bottom].mean(axis=1)
    trunk = hips.mean(axis=1) - low
    trunk /= np.linalg.norm(trunk, axis=1, keepdims=True)
    bar_low, bar_high = arms.bar_m[bottom].mean(axis=0), arms.bar_m[lockout].mean(axis=0)
    n = len(joints)
    rng = np.random.default_rng(config.seed)

    def drawn(mean: float, sd: float) -> Floats:
        out = rng.normal(mean, sd, n)
        out[0] = mean
        return out

    scale = drawn(1.0, scale_rel_sd)
    if profile.hand_breadth_m is None:
        breadth = drawn(config.hand_breadth_m, config.hand_breadth_sd_m)
    else:
        breadth = np.full(n, profile.hand_breadth_m)
    spacing = wrist[:, bottom] * OUTWARD[:, None]
    upper = (joints[:, :, :, 1] - shoulder)[:, bottom]
    upper /= np.linalg.norm(upper, axis=-1, keepdims=True)
    abduction = np.degrees(np.arccos(np.einsum("kmsa,ka->kms", upper, trunk).clip(-1, 1)))
    return Build(
        shoulder_half_m=scale * np.linalg.norm(apart[:, 0] - apart[:, 1], axis=1) / 2,
        upper_arm_m=scale * lengths[:, :, 0].mean(axis=1),
        forearm_m=scale * lengths[:, :, 1].mean(axis=1),
        hand_m=scale * (bar_low[1] - wrist[:, bottom][..., 1].mean(axis=(1, 2))),
        trunk_x=trunk[:, 0],
        trunk_y=trunk[:, 1],
        grip_m=scale * spacing[..., 2].sum(axis=2).mean(axis=1),
        touch_m=scale * (low[:, 0] - bar_low[0]),
        over_m=scale * (bar_low[1] - low[:, 1]),
        lockout_m=scale * (bar_high[0] - high[:, 0]),
        rise_m=scale * (high[:, 1] - low[:, 1]),
        range_m=scale * np.full(n, bar_high[1] - bar_low[1]),
        straight=drawn(config.straight, config.straight_sd),
        slope=drawn(0.0, config.chest_slope_sd),
        tuck_deg=90.0 - abduction.mean(axis=(1, 2)),
        forefinger_m=2 * (config.forefinger_share * breadth + drawn(0.0, config.forefinger_sd_m)),
    )


def lockout_over_shoulder(build: Build, grip_m: Floats) -> Floats:
    """Height of the bar over the shoulders' place on the chest, with straight arms at a grip."""
    reach = build.straight * (build.upper_arm_m + build.forearm_m)
    beside = grip_m / 2 - build.shoulder_half_m
    up = reach**2 - beside**2 - build.lockout_m**2
    return np.sqrt(np.where(up > 0, up, np.nan)) + build.hand_m + build.rise_m


def stacked(build: Build, tuck_deg: float | Floats) -> dict[str, Floats]:
    """Geometry with the wrist over the elbow in both planes at a chosen tuck.

    Parameters
    ----------
    build : Build
    tuck_deg : float or ndarray, shape (k,)
        90 degrees less the angle between upper arm and trunk.

    Returns
    -------
    dict of str to ndarray, shape (k,)
        Metres: `grip_m` (wrist spacing), `touch_m` toward the feet from the shoulders, `over_m` the
        bar over the shoulders there, `elbow_below_m` the elbow below the shoulder, `range_m` of
        motion, `drift_m` toward the head from touch to lockout. NaN where no such pose exists.

    Examples
    --------
    A 3-4-12-13 box: upper arm 13, elbow 3 below the shoulder, 4 toward the feet, so 12 out.

    >>> one = np.ones(1)
    >>> build = Build(
    ...     shoulder_half_m=0.2 * one, upper_arm_m=0.26 * one, forearm_m=0.26 * one,
    ...     hand_m=0.08 * one, trunk_x=-one, trunk_y=0 * one, grip_m=0.8 * one,
    ...     touch_m=0.1 * one, over_m=0.28 * one, lockout_m=0 * one, rise_m=0 * one,
    ...     range_m=0.3 * one, straight=one, slope=0 * one, forefinger_m=0 * one,
    ...     tuck_deg=0 * one)
    >>> tuck = 90 - np.degrees(np.arccos(4 / 13))
    >>> round(float(stacked(build, tuck)["grip_m"][0]), 6)
    0.88
    """
    aim = np.cos(np.deg2rad(90.0 - tuck_deg))
    upper, touch = build.upper_arm_m, build.touch_m
    for _ in range(8):
        over = build.over_m + build.slope * (touch - build.touch_m)
        below = build.forearm_m + build.hand_m - over
        ahead = (upper * aim + build.trunk_y * below) / build.trunk_x
        touch = -ahead
    square = upper**2 - ahead**2 - below**2
    out = np.sqrt(np.where(square > 0, square, np.nan))
    grip = 2 * (build.shoulder_half_m + out)
    change = lockout_over_shoulder(build, grip) - lockout_over_shoulder(build, build.grip_m)
    return {
        "grip_m": grip,
        "touch_m": np.where(square > 0, touch, np.nan),
        "over_m": over,
        "elbow_below_m": below,
        "range_m": build.range_m + change - (over - build.over_m),
        "drift_m": touch + build.lockout_m,
    }


def estimate(draws: Floats) -> tuple[float, float]:
    """Best estimate and half width of its 95 % interval."""
    known = draws[1:][np.isfinite(draws[1:])]
    if not np.isfinite(draws[0]) or len(known) < 0.8 * (len(draws) - 1):
        return float("nan"), float("nan")
    return float(draws[0]), expand(float(np.std(known)))


_QUANTITIES = (
    "grip_m",
    "forefinger_spacing_m",
    "move_each_hand_m",
    "touch_toward_feet_m",
    "range_of_motion_m",
    "range_change_m",
    "drift_m",
    "grip_to_biacromial",
    "wrist_inside_elbow_m",
    "sideways_share",
)


def options(
    build: Build, profile: LifterProfile | None = None, config: AdviceConfig | None = None
) -> pd.DataFrame:
    """Stacked grips for several tucks, side by side with the present technique.

    Parameters
    ----------
    build : Build
    profile : LifterProfile, optional
        With the goal `"competition"` the grip is held within the rule's limit.
    config : AdviceConfig, optional

    Returns
    -------
    DataFrame
        One row a tuck, the first with NaN for the present technique: `tuck_deg`, `limited` (bool),
        `reason` and for each quantity `name` and `name_u95`: `grip_m` (between the hands' middles),
        `forefinger_spacing_m`, `move_each_hand_m` (outward positive), `touch_toward_feet_m`,
        `range_of_motion_m`, `range_change_m`, `drift_m` (toward the head from touch to lockout),
        `grip_to_biacromial`, `wrist_inside_elbow_m` and `sideways_share` (what a limited grip
        leaves: the wrist inside the elbow, and the sideways force that goes with the lean).
    """
    config, profile = config or AdviceConfig(), profile or LifterProfile()
    rng = np.random.default_rng(config.seed + 1)
    n = len(build.grip_m)
    if profile.biacromial_m is None:
        extra = rng.normal(config.acromion_m, config.acromion_sd_m, n)
        extra[0] = config.acromion_m
        biacromial = 2 * build.shoulder_half_m + extra
    else:
        biacromial = np.full(n, profile.biacromial_m)
    rows = []
    for tuck in (np.nan, *config.tucks_deg):
        limited, reason = False, ""
        if np.isnan(tuck):
            grip, touch, reach = build.grip_m, build.touch_m, build.range_m
            drift, inside = build.touch_m + build.lockout_m, np.full(n, np.nan)
        else:
            pose = stacked(build, tuck)
            grip, touch, reach = pose["grip_m"], pose["touch_m"], pose["range_m"]
            drift, inside = pose["drift_m"], np.zeros(n)
            if not np.isfinite(grip[0]):
                reason = "With these segments no such pose exists."
            elif profile.goal == "competition" and (
                grip[0] - build.forefinger_m[0] > config.limit_m
            ):
                limited = True
                reason = (
                    f"Held at {100 * config.limit_m:.0f} cm between the forefingers, the largest"
                    " spacing that the rule allows."
                )
                widest = config.limit_m + build.forefinger_m
                inside = (grip - widest) / 2
                reach = reach + (
                    lockout_over_shoulder(build, widest) - lockout_over_shoulder(build, grip)
                )
                grip = widest
        values = {
            "grip_m": grip,
            "forefinger_spacing_m": grip - build.forefinger_m,
            "move_each_hand_m": (grip - build.grip_m) / 2,
            "touch_toward_feet_m": touch,
            "range_of_motion_m": reach,
            "range_change_m": reach - build.range_m,
            "drift_m": drift,
            "grip_to_biacromial": grip / biacromial,
            "wrist_inside_elbow_m": inside,
            "sideways_share": inside / build.forearm_m,
        }
        row: dict[str, Any] = {"tuck_deg": tuck, "limited": limited, "reason": reason}
        for name in _QUANTITIES:
            row[name], row[f"{name}_u95"] = estimate(values[name])
        rows.append(row)
    return pd.DataFrame(rows)


def suggested_tucks(profile: LifterProfile, config: AdviceConfig | None = None) -> Sequence[float]:
    """Tucks to look at first for a lifter (common practice, no source).

    Examples
    --------
    >>> suggested_tucks(LifterProfile())
    (30.0,)
    >>> suggested_tucks(LifterProfile(experience="trained", strength="chest"))
    (10.0, 20.0)
    """
    config = config or AdviceConfig()
    if profile.experience == "beginner":
        return (config.first_tuck_deg,)
    low, high = {"arms": (30.0, 45.0), "chest": (10.0, 20.0)}.get(profile.strength, (10.0, 45.0))
    return tuple(tuck for tuck in config.tucks_deg if low <= tuck <= high)


def in_words(
    table: pd.DataFrame, profile: LifterProfile, config: AdviceConfig | None = None
) -> list[str]:
    """Say what a change would take, and what speaks for and against, in plain sentences.

    Parameters
    ----------
    table : DataFrame
        From `options`.
    profile : LifterProfile
    config : AdviceConfig, optional

    Returns
    -------
    list of str
        Not escaped. Trade-offs, never a verdict on health.
    """
    config = config or AdviceConfig()
    said = []
    for tuck in suggested_tucks(profile, config):
        row = table[np.isclose(table["tuck_deg"], tuck)].iloc[0]
        if not np.isfinite(row["grip_m"]):
            said.append(f"{tuck:.0f}° of tuck: it cannot be worked out. {row['reason']}".strip())
            continue
        said.append(f"{tuck:.0f}° of tuck: {_change(row)}")
    if profile.experience == "beginner":
        said.insert(
            0,
            f"The usual place to begin is the stacked grip with about {config.first_tuck_deg:.0f}°"
            " of tuck: wrists over elbows, seen from the feet and from the side (common practice,"
            " no source).",
        )
    else:
        said.append(
            "Lifters who press with their arms tend to tuck 30 to 45°, those who press with the"
            " chest 10 to 20° (common practice, no source)."
        )
    said.append(
        "More tuck goes with a lower touch point and a longer way of the bar back over the"
        " shoulders; less tuck the reverse. Wider means a shorter way up, more sideways force and"
        " more bend for the wrists; narrower the reverse (common practice, no source)."
    )
    if "wrist" in profile.careful:
        said.append(
            "Going easy on the wrists speaks for a grip no wider than the stacked one, where the"
            " load stands over wrist and elbow."
        )
    if "elbow" in profile.careful:
        said.append(
            "Going easy on the elbows speaks for the stacked grip, where the load has no moment"
            " arm about the elbow at the bottom."
        )
    now = table.iloc[0]
    if "shoulder" in profile.careful or profile.experience == "trained":
        ratio, u95 = now["grip_to_biacromial"], now["grip_to_biacromial_u95"]
        if np.isfinite(ratio):
            said.append(
                f"The present grip is {state(ratio, u95)} times the shoulder (biacromial)"
                f" width. {GREEN} {NOTEBOOM}"
            )
    if profile.goal == "size":
        said.append(
            "A longer way up means more work for the same load; whether that suits the aim is a"
            " matter of the whole programme."
        )
    return said


def _cm(row: pd.Series, name: str) -> str:
    return state(100 * row[name], 100 * row[f"{name}_u95"], "cm")


def _change(row: pd.Series) -> str:
    move, u95 = row["move_each_hand_m"], row["move_each_hand_m_u95"]
    if abs(move) <= u95:
        hands = (
            "the grip stays where it is, as far as can be told (each hand"
            f" {_cm(row, 'move_each_hand_m')} outward)"
        )
    else:
        way = "outward" if move > 0 else "inward"
        hands = f"move each hand {state(100 * abs(move), 100 * u95, 'cm')} {way}"
    text = (
        f"{hands}, to {_cm(row, 'grip_m')} between the middles of the hands;"
        f" touch {_cm(row, 'touch_toward_feet_m')} below the shoulders toward the feet; range of"
        f" motion {_cm(row, 'range_of_motion_m')}; the bar travels {_cm(row, 'drift_m')} toward"
        " the head on the way up."
    )
    if row["limited"]:
        text += (
            f" {row['reason']} The wrist then lies {_cm(row, 'wrist_inside_elbow_m')} inside the"
            " elbow."
        )
    return text
