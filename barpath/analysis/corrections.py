"""What a person saw better than the program: joints, plate and the bar's ends put right by hand.

The file is JSON, described by `assets/corrections.schema.json`. Points are pixels of the clip's
upright picture, origin at the centre of the top-left pixel, x right, y down; where the clip's lens
bends lines, of the straightened one on which they were put, whose bend is told.
"""

import itertools
import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from barpath.errors import OptionError
from barpath.ground.equipment import LARGEST_DISC_M
from barpath.ground.files import write_atomically
from barpath.sight.barline import ENDS

if TYPE_CHECKING:
    from barpath.clip.frames import ClipInfo

Floats = NDArray[np.float64]

JOINTS = tuple(
    f"{side}_{joint}" for side in ("left", "right") for joint in ("shoulder", "elbow", "wrist")
)
"""Joints that can be put right; left and right are the lifter's."""

SCHEMA_NAME = "barpath-corrections"
SCHEMA_VERSION = 3
"""Files without a lens's bend are written as of version 2, which had none, and of these those
without ends of the bar as of version 1."""
MOST_BEND = 0.14
"""A larger bend would fold the picture over itself."""
MAX_POINTS = 10_000
TRACKED = ("x_px", "y_px", "sd_px", "state")
"""Columns of the plate table that a correction changes, and with an end's name before them those of
the bar table; what was tracked stays beside them."""
KEPT = "_tracked"


@dataclass(frozen=True)
class JointPoint:
    """A joint's centre on one frame, px of the clip's upright picture."""

    frame: int
    joint: str
    x_px: float
    y_px: float


@dataclass(frozen=True)
class PlatePoint:
    """The middle of the near plate's outline on one frame, px of the clip's upright picture."""

    frame: int
    x_px: float
    y_px: float


@dataclass(frozen=True)
class EndPoint:
    """An end of the bar on one frame of a front view, px of the clip's upright picture.

    It is the place on the bar's axis against which the innermost plate lies: the outer face of the
    sleeve's shoulder. `end` is one of `ENDS`.
    """

    frame: int
    end: str
    x_px: float
    y_px: float


@dataclass(frozen=True)
class Corrections:
    """All that was put right in one clip.

    Attributes
    ----------
    joints, plate, ends
    bend : float
        Of the lens, taken out of the pictures that the points were put on; see `Lens`. 0 of
        pictures as filmed.
    """

    joints: tuple[JointPoint, ...] = ()
    plate: tuple[PlatePoint, ...] = ()
    ends: tuple[EndPoint, ...] = ()
    bend: float = 0.0

    def __bool__(self) -> bool:
        """Whether anything was put right."""
        return bool(self.joints or self.plate or self.ends)


@dataclass(frozen=True)
class CorrectionConfig:
    """How a plate corrected on a few frames bears on the frames between them.

    Attributes
    ----------
    sd_px : float
        Standard uncertainty of a point put by hand (our estimate, no source).
    join_s : float
        Between corrected frames no farther apart, the offset is interpolated.
    fade_s : float
        Beyond them it fades to nothing in this time; not more than half of `join_s`.
    bridge_s : float
        Between corrected frames no farther apart, a lost plate is bridged.
    acceleration_m_s2 : float
        Of the bar, that a bridge may miss (common practice, no source).
    plate_m : float
        Usual diameter of a plate, for the scale of that acceleration alone.
    """

    sd_px: float = 1.5
    join_s: float = 1.0
    fade_s: float = 0.5
    bridge_s: float = 0.5
    acceleration_m_s2: float = 3.0
    plate_m: float = LARGEST_DISC_M


def corrections_from(data: Any) -> Corrections:
    """Take corrections from what a JSON file or a request holds.

    Parameters
    ----------
    data : object
        As `json.loads` gives it.

    Returns
    -------
    Corrections

    Raises
    ------
    OptionError
        It does not have the form that `assets/corrections.schema.json` describes.

    Examples
    --------
    >>> data = {"schema": "barpath-corrections", "schema_version": 1, "joints": []}
    >>> corrections_from(data | {"plate": [{"frame": 3, "x_px": 10.5, "y_px": 20}]}).plate
    (PlatePoint(frame=3, x_px=10.5, y_px=20.0),)
    """
    if not isinstance(data, dict) or data.get("schema") != SCHEMA_NAME:
        raise OptionError(f'These are no corrections: they must say "schema": "{SCHEMA_NAME}".')
    version = data.get("schema_version")
    if not _whole(version) or version < 1:
        raise OptionError("The corrections do not say which version of the schema they follow.")
    if version > SCHEMA_VERSION:
        raise OptionError("The corrections were written by a newer version of barpath.")
    given = {name: data.get(name, []) for name in ("joints", "plate", "ends")}
    for name, points in given.items():
        if not isinstance(points, list):
            raise OptionError(f"In the corrections, {name!r} must be a list.")
    if sum(map(len, given.values())) > MAX_POINTS:
        raise OptionError(f"There may be at most {MAX_POINTS} corrections.")
    bend = data.get("bend", 0.0)
    if isinstance(bend, bool) or not isinstance(bend, int | float) or not abs(bend) < MOST_BEND:
        raise OptionError(f"The bend of the corrections must be a number below {MOST_BEND:g}.")
    stray = set(data) - {"schema", "schema_version", "bend", *given}
    if stray:
        raise OptionError(f"The corrections hold {min(stray)!r}, which is nothing they may hold.")
    return Corrections(
        tuple(JointPoint(**_point(point, "joint")) for point in given["joints"]),
        tuple(PlatePoint(**_point(point)) for point in given["plate"]),
        tuple(EndPoint(**_point(point, "end")) for point in given["ends"]),
        float(bend),
    )


def _whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _point(point: Any, *words: str) -> dict[str, Any]:
    fields = {"frame", "x_px", "y_px", *words}
    if not isinstance(point, dict) or set(point) != fields:
        raise OptionError(
            f"Each correction must hold {', '.join(sorted(fields))} and nothing else."
        )
    if not _whole(point["frame"]):
        raise OptionError("A correction's frame must be a whole number.")
    for word in words:
        if not isinstance(point[word], str):
            raise OptionError(f"A correction's {word} must be a name.")
    numbers = {}
    for name in ("x_px", "y_px"):
        value = point[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise OptionError(f"A correction's {name} must be a number.")
        # A whole number may be too large for a float.
        numbers[name] = float(value) if abs(value) < 1e9 else np.inf
    return {**point, **numbers}


def corrections_data(corrections: Corrections) -> dict[str, Any]:
    """What a corrections file holds, as plain data.

    Parameters
    ----------
    corrections : Corrections

    Returns
    -------
    dict
        Sorted by frame; pixels are rounded to a thousandth, a bend to a millionth.
    """

    def at(point: JointPoint | PlatePoint | EndPoint) -> dict[str, float]:
        return {"x_px": round(float(point.x_px), 3), "y_px": round(float(point.y_px), 3)}

    joints = sorted(corrections.joints, key=lambda p: (p.frame, p.joint))
    plate = sorted(corrections.plate, key=lambda p: p.frame)
    ends = sorted(corrections.ends, key=lambda p: (p.frame, p.end))
    bend = round(corrections.bend, 6)
    data = {
        "schema": SCHEMA_NAME,
        "schema_version": SCHEMA_VERSION if bend else 2 if ends else 1,
        "joints": [{"frame": int(p.frame), "joint": p.joint, **at(p)} for p in joints],
        "plate": [{"frame": int(p.frame), **at(p)} for p in plate],
    }
    if ends:
        data["ends"] = [{"frame": int(p.frame), "end": p.end, **at(p)} for p in ends]
    return data | ({"bend": bend} if bend else {})


def corrections_text(corrections: Corrections) -> str:
    """The content of a corrections file."""
    return json.dumps(corrections_data(corrections), indent=1, allow_nan=False) + "\n"


def read_corrections(path: str | os.PathLike[str]) -> Corrections:
    """Read a corrections file.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Corrections

    Raises
    ------
    OptionError
        The file cannot be read, or is no corrections file.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError(f"The corrections '{path}' cannot be read.") from error
    return parse_corrections(text)


def parse_corrections(text: str) -> Corrections:
    """Corrections from the text of a file or of a request.

    Raises
    ------
    OptionError
        The text is no JSON (NaN and infinities are none), or no corrections.
    """

    def refuse(constant: str) -> None:
        raise ValueError(constant)

    try:
        data = json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise OptionError("The corrections are no JSON that can be read.") from error
    return corrections_from(data)


def write_corrections(corrections: Corrections, path: str | os.PathLike[str]) -> None:
    """Write a corrections file, under a temporary name that is then renamed.

    Parameters
    ----------
    corrections : Corrections
    path : path-like
        Replaced if it exists.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    write_atomically(Path(path), corrections_text(corrections).encode())


def check_corrections(
    corrections: Corrections, info: "ClipInfo", track: pd.DataFrame | None = None
) -> None:
    """Check that corrections fit a clip.

    Parameters
    ----------
    corrections : Corrections
    info : ClipInfo
    track : DataFrame, optional
        Plate or bar table; without it frames are held against the clip alone.

    Raises
    ------
    OptionError
        An unknown joint or end, a frame outside the clip, a point outside the picture or no number,
        two points for the same thing, a plate in a front view, or ends of the bar in another.
    """
    if track is not None:
        _check_kind(corrections, track)
    known = None if track is None else set(track["frame"].astype(int))
    taken = set()
    points: list[tuple[str, JointPoint | PlatePoint | EndPoint]] = [
        *((point.joint, point) for point in corrections.joints),
        *(("plate", point) for point in corrections.plate),
        *((f"{point.end} end", point) for point in corrections.ends),
    ]
    for what, point in points:
        if isinstance(point, JointPoint) and point.joint not in JOINTS:
            raise OptionError(
                f"There is no joint {point.joint!r} to correct; there are {', '.join(JOINTS)}."
            )
        if isinstance(point, EndPoint) and point.end not in ENDS:
            raise OptionError(
                f"There is no end {point.end!r} of the bar to correct; there are {', '.join(ENDS)}."
            )
        inside = 0 <= point.frame < info.n_frames
        if not inside or (known is not None and point.frame not in known):
            raise OptionError(
                f"Frame {point.frame} of a correction is not in the clip, which has frames 0 to"
                f" {info.n_frames - 1}."
            )
        place = f"The corrected {what.replace('_', ' ')} of frame {point.frame}"
        if not (np.isfinite(point.x_px) and np.isfinite(point.y_px)):
            raise OptionError(f"{place} is no point: its place must be two finite numbers.")
        # Pixel centres are whole numbers, so the picture reaches half a pixel beyond them.
        if not (
            -0.5 <= point.x_px <= info.width_px - 0.5 and -0.5 <= point.y_px <= info.height_px - 0.5
        ):
            raise OptionError(
                f"{place} lies at {point.x_px:g},{point.y_px:g}, outside the picture, which is"
                f" {info.width_px} x {info.height_px} pixels."
            )
        if (point.frame, what) in taken:
            raise OptionError(f"{place} is given twice.")
        taken.add((point.frame, what))


def _check_kind(corrections: Corrections, track: pd.DataFrame) -> None:
    """Check that a table follows what was put right.

    Raises
    ------
    OptionError
        The plate was, where the bar's ends are followed, or the other way about.
    """
    if corrections.plate and "x_px" not in track:
        raise OptionError(
            "A front view follows the bar's ends, so the plate cannot be corrected in it."
        )
    if corrections.ends and "x_px" in track:
        raise OptionError(
            "Only a front view follows the bar's ends, so they cannot be corrected in this one."
        )


def as_tracked(track: pd.DataFrame) -> pd.DataFrame:
    """The table as it was before any correction."""
    kept = [name for name in track.columns if name.endswith(KEPT)]
    if not kept:
        return track
    plain = track.copy()
    for old in kept:
        plain[old.removesuffix(KEPT)] = plain[old]
    return plain.drop(columns=kept)


def correct_track(
    track: pd.DataFrame, corrections: Corrections, config: CorrectionConfig | None = None
) -> pd.DataFrame:
    """Put plate or bar right on the frames given, and carry it over to others.

    Ends of the bar are put right as `_correct_ends` says. Of the plate, on a corrected frame the
    centre is the point given. Between two corrected frames up to `join_s` apart the offset from the
    tracked centre is interpolated in time; elsewhere it fades to nothing within `fade_s`. What the
    offset is in between is not known: with a share `u` of the way from offset `a` to offset `b`
    done, it is taken as `b` with probability `u`, which has the interpolated mean and the variance
    ``u (1 - u) |b - a|²``. A lost plate between two corrected frames up to `bridge_s` apart is
    bridged by a monotone cubic; the bar's acceleration ``a`` makes that wrong by at most ``a (t -
    t0) (t1 - t) / 2`` (error of linear interpolation, taken as evenly distributed).

    Parameters
    ----------
    track : DataFrame
        Plate or bar table; one that was corrected before is first put back.
    corrections : Corrections
    config : CorrectionConfig, optional

    Returns
    -------
    DataFrame
        With corrections, what was tracked is kept in `{name}_tracked` for the columns changed. The
        outline's axes are left as tracked, NaN where the plate was lost.

    Raises
    ------
    OptionError
        The table does not follow what was put right, or does not have a frame.
    """
    config = config or CorrectionConfig()
    track = as_tracked(track)
    _check_kind(corrections, track)
    if corrections.ends:
        return _correct_ends(track, corrections.ends, config)
    if not corrections.plate:
        return track
    points = sorted(corrections.plate, key=lambda point: point.frame)
    rows = _rows_of(track, [point.frame for point in points])
    time_s = track["time_s"].to_numpy(dtype=float)
    centre = track[["x_px", "y_px"]].to_numpy(dtype=float)
    sd = track["sd_px"].to_numpy(dtype=float)
    state = track["state"].to_numpy(dtype=object).copy()
    given = np.array([[point.x_px, point.y_px] for point in points], dtype=float)

    offset, offset_sd = _offsets(time_s, rows, given - centre[rows], config)
    moved = centre + offset
    sd = np.hypot(sd, offset_sd)
    moved[rows], sd[rows], state[rows] = given, config.sd_px, "seen"
    size_px = float(np.nanmedian(track["major_px"])) if track["major_px"].notna().any() else np.inf
    bend_px_s2 = config.acceleration_m_s2 * size_px / config.plate_m
    for first, last in itertools.pairwise(rows):
        if time_s[last] - time_s[first] <= config.bridge_s:
            _bridge(slice(first, last + 1), time_s, moved, sd, state, bend_px_s2)
    out = track.copy()
    for name in TRACKED:
        out[f"{name}{KEPT}"] = track[name]
    out["x_px"], out["y_px"] = moved.T
    out["sd_px"], out["state"] = sd, state
    return out


def _rows_of(track: pd.DataFrame, frames: list[int]) -> NDArray[np.intp]:
    """Rows of some frames.

    Raises
    ------
    OptionError
        A frame has none.
    """
    rows = pd.Index(track["frame"].astype(int)).get_indexer(frames)
    if (rows < 0).any():
        missing = frames[int(np.argmax(rows < 0))]
        raise OptionError(f"Frame {missing} of a correction is not in the clip.")
    return rows


def _correct_ends(
    track: pd.DataFrame, ends: tuple[EndPoint, ...], config: CorrectionConfig
) -> pd.DataFrame:
    """Put the bar's ends right on the frames given, and with them in the whole clip.

    What is wrong with an end's place along the bar is wrong in every frame (`barends.place_ends`
    chooses it once for the clip), so the offset from the tracked end is interpolated in time
    between corrected frames, however far apart, and kept before the first and after the last.
    Where two offsets differ, what lies between is taken as uncertain as in `correct_track`.
    Frames in which an end was lost stay so but for the points given. How well the distance
    between both ends is known (`span_rel_sd`) follows: an end put by hand counts with `sd_px`,
    however many frames it was put on, for a person errs alike on all of them; the other with its
    half of the variance before.
    """
    out = track.copy()
    time_s = track["time_s"].to_numpy(dtype=float)
    places = {
        end: track[[f"{end}_x_px", f"{end}_y_px"]].to_numpy(dtype=float).copy() for end in ENDS
    }
    for end in ENDS:
        points = sorted((p for p in ends if p.end == end), key=lambda point: point.frame)
        if not points:
            continue
        rows = _rows_of(track, [point.frame for point in points])
        given = np.array([[point.x_px, point.y_px] for point in points], dtype=float)
        sd = track[f"{end}_sd_px"].to_numpy(dtype=float).copy()
        state = track[f"{end}_state"].to_numpy(dtype=object).copy()
        offset = given - places[end][rows]
        known = np.isfinite(offset).all(axis=1)
        if known.any():
            move, spread = _kept_offsets(time_s, rows[known], offset[known])
            places[end] += move
            sd = np.sqrt(sd**2 + config.sd_px**2 + spread**2)
        places[end][rows], sd[rows], state[rows] = given, config.sd_px, "seen"
        for name in TRACKED:
            out[f"{end}_{name}{KEPT}"] = track[f"{end}_{name}"]
        out[f"{end}_x_px"], out[f"{end}_y_px"] = places[end].T
        out[f"{end}_sd_px"], out[f"{end}_state"] = sd, state
    if "span_rel_sd" in track:
        out[f"span_rel_sd{KEPT}"] = track["span_rel_sd"]
        by_hand = {point.end for point in ends}
        span_px = float(np.nanmedian(np.hypot(*(places[ENDS[1]] - places[ENDS[0]]).T)))
        half = track["span_rel_sd"].to_numpy(dtype=float) / np.sqrt(2)
        left, right = (config.sd_px / span_px if end in by_hand else half for end in ENDS)
        out["span_rel_sd"] = np.hypot(left, right)
    return out


def _kept_offsets(time_s: Floats, rows: NDArray[np.intp], offset: Floats) -> tuple[Floats, Floats]:
    """Offset (n, 2) for every frame, px, and how uncertain it is for lying between others (n,)."""
    at = time_s[rows]
    total = np.column_stack([np.interp(time_s, at, axis) for axis in offset.T])
    spread = np.zeros(len(time_s))
    for k, step in enumerate(np.diff(offset, axis=0)):
        share = np.clip((time_s - at[k]) / max(at[k + 1] - at[k], 1e-9), 0.0, 1.0)
        inside = (time_s > at[k]) & (time_s < at[k + 1])
        spread[inside] = np.sqrt(share * (1 - share))[inside] * np.hypot(*step)
    return total, spread


def _offsets(
    time_s: Floats, rows: NDArray[np.intp], offset: Floats, config: CorrectionConfig
) -> tuple[Floats, Floats]:
    """Offset (n, 2) and its standard uncertainty (n,) for every frame, px."""
    known = np.isfinite(offset).all(axis=1)
    knots_s, knots = time_s[rows[known]], offset[known]
    total, spread = np.zeros((len(time_s), 2)), np.zeros(len(time_s))
    if not len(knots_s):
        return total, spread
    nothing = np.zeros((1, 2))
    times, values, sds = [], [], []
    for run in np.split(
        np.arange(len(knots_s)), np.flatnonzero(np.diff(knots_s) > config.join_s) + 1
    ):
        begin, end = knots_s[run[0]] - config.fade_s, knots_s[run[-1]] + config.fade_s
        times += [begin, *knots_s[run], end]
        values += [nothing, knots[run], nothing]
        sds += [0.0, *np.full(len(run), config.sd_px), 0.0]
    at, value, sd = np.array(times), np.concatenate(values), np.array(sds)
    after = np.clip(np.searchsorted(at, time_s, side="right"), 1, len(at) - 1)
    length = np.maximum(at[after] - at[after - 1], 1e-9)
    share = np.clip((time_s - at[after - 1]) / length, 0.0, 1.0)
    step = value[after] - value[after - 1]
    total = value[after - 1] + share[:, None] * step
    variance = (
        share * (1 - share) * (step**2).sum(axis=1)
        + ((1 - share) * sd[after - 1]) ** 2
        + (share * sd[after]) ** 2
    )
    return total, np.sqrt(variance)


def _bridge(
    part: slice,
    time_s: Floats,
    centre: Floats,
    sd: Floats,
    state: NDArray[np.object_],
    bend_px_s2: float,
) -> None:
    """Fill, in place, the lost frames of a stretch whose two ends are known."""
    at, xy = time_s[part], centre[part]
    known = np.isfinite(xy).all(axis=1)
    lost = ~known
    if not lost.any():
        return
    xy[lost] = PchipInterpolator(at[known], xy[known])(at[lost])
    after = np.searchsorted(at[known], at[lost])
    before_s, after_s = at[known][after - 1], at[known][after]
    bend = bend_px_s2 / 2 * (at[lost] - before_s) * (after_s - at[lost]) / np.sqrt(3)
    around = np.maximum(sd[part][known][after - 1], sd[part][known][after])
    sd[part][lost] = np.hypot(around, bend)
    state[part][lost] = "partly"
