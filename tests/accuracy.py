"""The analyser's errors on the synthetic clips, whose truth is exact: ``python -m tests.accuracy``.

Prints for each view and measure bias, standard deviation, 95 % limits of agreement, root mean
square error, the share of the stated 95 % intervals that cover the truth, and the share of missing
values. Limits of agreement are bias +/- 1.96 SD (Bland and Altman 1986, Lancet 327:307-310). By
default the reporting clips are used; nothing in the analyser was set by them (the tuning clips are
for that). The analyser sees the video alone.
"""

import argparse
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import barpath
from barpath.analysis.setresult import SetResult
from barpath.clip.frames import stream
from barpath.lift.barcurves import event_sd
from barpath.lift.measurerow import MeasureContext
from barpath.trial import stock

CLIPS = Path(__file__).parents[1] / "sample_clips_synthetic"

# Measure of the analyser: path to the same, or to what of it is divided, in a repetition's truth;
# "{path}" is the path that the view sees (a plate or the bar's middle), "{side}" the lifter's side.
TRUTH_OF = {
    "range_of_motion_m": ("paths", "{path}", "range_of_motion_m"),
    "descent_time_s": ("paths", "{path}", "descent_time_s"),
    "mean_descent_speed_m_s": ("paths", "{path}", "descent_m"),
    "pause_s": ("paths", "{path}", "pause_time_s"),
    "press_time_s": ("paths", "{path}", "press_time_s"),
    "mean_press_speed_m_s": ("paths", "{path}", "mean_press_speed_m_s"),
    "peak_press_speed_m_s": ("paths", "{path}", "peak_press_speed_m_s"),
    "mean_propulsive_speed_m_s": ("paths", "{path}", "mean_propulsive_speed_m_s"),
    "sticking_min_speed_m_s": ("paths", "{path}", "sticking_minimum_speed_m_s"),
    "horizontal_drift_total_m": ("paths", "{path}", "horizontal_range_m"),
    "drift_touch_to_lockout_m": ("paths", "{path}", "touch_to_lockout_x_m"),
    "touch_point_height_m": ("touch_over_shoulders_m",),
    "touch_point_to_shoulder_m": ("touch_toward_feet_m",),
    "wrist_over_elbow_m": ("arms_at_bottom", "{side}", "wrist_over_elbow_m"),
    "forearm_lean_deg": ("arms_at_bottom", "{side}", "forearm_lean_deg"),
    "elbow_abduction_deg": ("arms_at_bottom", "{side}", "elbow_abduction_deg"),
    "bar_tilt_lockout_deg": ("tilt_at_lockout_deg",),
    "lockout_time_difference_s": ("left_minus_right_at_95_s",),
    "grip_width_m": ("grip_width_m",),
    "grip_to_shoulder_ratio": ("grip_over_shoulder_width",),
}
MOMENTS = ("start_s", "touch_s", "press_s", "lockout_s")
"""Of a repetition, on the clip's clock; of the path that the view sees."""
OVER = {"mean_descent_speed_m_s": "descent_time_s"}
"""Of measures that the truth has as what they are divided by."""
FROM_THIS_VIEW = {
    "side": lambda name: name not in FRONT_ONLY,
    "oblique": lambda name: name not in FRONT_ONLY,
    "front": lambda name: name not in SIDE_ONLY,
}
FRONT_ONLY = {
    "wrist_over_elbow_m",
    "forearm_lean_deg",
    "bar_tilt_lockout_deg",
    "lockout_time_difference_s",
    "grip_width_m",
    "grip_to_shoulder_ratio",
}
SIDE_ONLY = {
    "horizontal_drift_total_m",
    "drift_touch_to_lockout_m",
    "touch_point_height_m",
    "touch_point_to_shoulder_m",
}


def truth_of(rep: dict[str, Any], measure: str, path: str, side: str) -> float:
    """A measure in a repetition's truth, NaN where the truth has none."""
    value = _value_at(rep, TRUTH_OF[measure], path, side)
    if measure in OVER:
        value /= _value_at(rep, TRUTH_OF[OVER[measure]], path, side)
    return value


def _value_at(rep: dict[str, Any], steps: Iterable[str], path: str, side: str) -> float:
    value: Any = rep
    for step in steps:
        value = (value or {}).get(step.format(path=path, side=side))
    return np.nan if value is None else float(value)


def followed(result: SetResult, truth: dict[str, Any]) -> str:
    """Name in the truth of the path of what was followed: the bar's middle, or which plate."""
    end = result.calibration["followed_end"]
    if truth["view"] == "front" or end == "middle":
        return "bar_middle"
    return "near_plate" if end in (truth["near_side"], "unknown") else "far_plate"


def rep_errors(result: SetResult, truth: dict[str, Any]) -> pd.DataFrame:
    """One row per measure and repetition: found, true, error, stated half width, quality.

    Among the measures are the `MOMENTS` of which truth and result have one.
    """
    path = followed(result, truth)
    rows = _moment_rows(result, truth, path)
    for rep in truth["reps"]:
        mine = result.measures[result.measures["rep"] == rep["rep"]]
        for row in mine.itertuples():
            if row.measure not in TRUTH_OF or not FROM_THIS_VIEW[truth["view"]](row.measure):
                continue
            true = truth_of(rep, row.measure, path, row.side)
            if np.isnan(true):
                continue
            own = (row.measure, row.side, row.value, true, row.u95, row.quality)
            rows.append(_row(truth, rep, *own))
    return pd.DataFrame(rows)


def _moment_rows(result: SetResult, truth: dict[str, Any], path: str) -> list[dict[str, Any]]:
    """Rows of `rep_errors` for when things happened."""
    context = MeasureContext(truth["view"], frame_interval_s=1 / result.info.fps)
    rows = []
    for rep in truth["reps"]:
        for mine in result.reps[result.reps["rep"] == rep["rep"]].itertuples():
            for moment in MOMENTS:
                found, true = getattr(mine, moment), _value_at(rep, ("paths", path, moment), "", "")
                if rep["kind"] == "failed" or np.isnan(found - true):
                    continue
                u95 = 1.96 * event_sd(mine, moment.removesuffix("_s"), context)
                rows.append(_row(truth, rep, moment, "", found, true, u95, "good"))
    return rows


def _row(
    truth: dict[str, Any],
    rep: dict[str, Any],
    measure: str,
    side: str,
    found: float,
    true: float,
    u95: float,
    quality: str,
) -> dict[str, Any]:
    """One row of `rep_errors`."""
    return {
        "clip": truth["clip"],
        "view": truth["view"],
        "rep": rep["rep"],
        "measure": measure,
        "side": side,
        "found": found,
        "true": true,
        "error": found - true,
        "u95": u95,
        "quality": quality,
    }


def path_rmse_m(result: SetResult, frames: pd.DataFrame, truth: dict[str, Any]) -> float:
    """Root mean square distance of the bar's path from the true one, both about their means."""
    table = result.trajectory.merge(frames, on="frame", suffixes=("", "_true"))
    if truth["view"] == "front":
        found = table[["y_smooth_m"]].to_numpy(dtype=float)
        true = table[["bar_middle_y_m"]].to_numpy(dtype=float)
    else:
        plate = f"{truth['near_side']}_plate_outer"
        found = table[["x_smooth_m", "y_smooth_m"]].to_numpy(dtype=float)
        true = table[[f"{plate}_x_m", f"{plate}_y_m"]].to_numpy(dtype=float)
        if result.calibration["head_direction"] == "unknown":
            found = found[:, 1:]
            true = true[:, 1:]
    seen = np.isfinite(found).all(axis=1)
    error = (found - true)[seen]
    error -= error.mean(axis=0)
    return float(np.sqrt((error**2).sum(axis=1).mean()))


JOINTS = ("shoulder", "elbow", "wrist")
ON_ANOTHER_M = 0.40
"""Shoulders read farther from the lifter's than this are somebody else's."""


def joint_errors(clip: Path, result: SetResult, frames: pd.DataFrame) -> pd.DataFrame:
    """Distances of the arms' joints from the truth with the bar at the bottom, in the picture.

    Three ways: the stock network on the whole frame, the readings that the analyser chose among its
    hypotheses, and the arms fitted to the set. Pixels become metres at the joint's true distance.
    """
    table = frames.set_index("frame")
    shown = result.arms.set_index("frame").index.intersection(result.pose["frame"])
    height = table["bar_middle_y_m"]
    bottom = height[(height < height.min() + 0.04)].index.intersection(shown)
    stock = _stock_joints(clip, bottom.tolist())
    chosen, fitted = result.pose.set_index("frame"), result.arms.set_index("frame")
    rows = []
    for way, found in (("stock network", stock), ("readings chosen", chosen), ("fit", fitted)):
        for side in ("left", "right"):
            for joint in JOINTS:
                name = f"{side}_{joint}"
                truth = table.loc[bottom]
                offset = (
                    found.reindex(bottom)[[f"{name}_x_px", f"{name}_y_px"]].to_numpy(dtype=float)
                    - truth[[f"{name}_x_px", f"{name}_y_px"]].to_numpy()
                )
                m_per_px = _distance_m(truth, name) / _focal_px(clip)
                error = np.linalg.norm(offset, axis=1) * m_per_px
                rows.append(
                    pd.DataFrame({"way": way, "side": side, "joint": joint, "error_m": error})
                )
    return pd.concat(rows, ignore_index=True).assign(
        clip=clip.stem, view=json.loads(clip.with_suffix(".truth.json").read_text())["view"]
    )


def _stock_joints(clip: Path, wanted: list[int]) -> pd.DataFrame:
    """Joints of the network as it comes, each frame for itself."""
    rows = {}
    with stock.StockNetwork(least_score=0.1) as network:
        for frame in stream(clip, indices=wanted):
            found = network.read(frame.image)
            places = np.full((len(stock.JOINTS), 2), np.nan) if found is None else found
            rows[frame.index] = {
                f"{joint}_{axis}_px": place[k]
                for joint, place in zip(stock.JOINTS, places, strict=True)
                for k, axis in enumerate("xy")
            }
    return pd.DataFrame.from_dict(rows, orient="index")


def _distance_m(truth: pd.DataFrame, name: str) -> np.ndarray:
    camera = truth[[f"camera_{axis}_m" for axis in "xyz"]].to_numpy()
    return np.linalg.norm(truth[[f"{name}_{axis}_m" for axis in "xyz"]].to_numpy() - camera, axis=1)


def _focal_px(clip: Path) -> float:
    return json.loads(clip.with_suffix(".truth.json").read_text())["camera"]["focal_px"]


def on_another(result: SetResult, frames: pd.DataFrame, clip: Path) -> int:
    """Frames in which the shoulders that were read are not the lifter's."""
    truth = frames.set_index("frame").reindex(result.pose["frame"])
    away = []
    for side in ("left", "right"):
        name = f"{side}_shoulder"
        columns = [f"{name}_x_px", f"{name}_y_px"]
        offset = result.pose[columns].to_numpy(dtype=float) - truth[columns].to_numpy()
        away.append(np.linalg.norm(offset, axis=1) * _distance_m(truth, name) / _focal_px(clip))
    return int((np.min(away, axis=0) > ON_ANOTHER_M).sum())


def summarise_joints(errors: pd.DataFrame) -> str:
    """Median and 95th percentile per view and joint, the three ways side by side."""
    lines = [
        "| view | joint | stock network: median, 95 % | readings chosen | fit | fit / stock |",
        "|---|---|---|---|---|---|",
    ]
    whole = [(view, joint) for view in ("side", "front", "oblique") for joint in JOINTS]
    for view, joint in [*whole, *(("all", joint) for joint in JOINTS), ("all", "all")]:
        part = errors[errors["view"].eq(view) | (view == "all")]
        part = part[part["joint"].eq(joint) | (joint == "all")]
        if part.empty:
            continue
        cells, medians = [], {}
        for way, group in part.groupby("way", sort=False):
            medians[way] = group["error_m"].median()
            cells.append(f"{100 * medians[way]:.1f}, {100 * group['error_m'].quantile(0.95):.1f}")
        share = medians["fit"] / medians["stock network"]
        lines.append(f"| {view} | {joint} | {' | '.join(cells)} | {share:.2f} |")
    return "\n".join(lines)


def summarise(errors: pd.DataFrame) -> pd.DataFrame:
    """Agreement per view and measure."""
    rows = []
    for (view, measure), part in errors.groupby(["view", "measure"], sort=False):
        seen = part[part["error"].notna()]
        bias, sd = seen["error"].mean(), seen["error"].std(ddof=1)
        rows.append(
            {
                "view": view,
                "measure": measure,
                "n": len(seen),
                "bias": bias,
                "sd": sd,
                "lower": bias - 1.96 * sd,
                "upper": bias + 1.96 * sd,
                "rmse": np.sqrt((seen["error"] ** 2).mean()),
                "covered": (seen["error"].abs() <= seen["u95"]).mean(),
                "missing": part["error"].isna().mean(),
            }
        )
    return pd.DataFrame(rows)


def as_markdown(table: pd.DataFrame) -> str:
    """The summary as a Markdown table."""
    lines = [
        "| view | measure | n | bias | SD | limits of agreement | RMSE | covered | missing |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for row in table.itertuples():
        limits = "–" if np.isnan(row.sd) else f"{row.lower:+.3f} to {row.upper:+.3f}"
        spread = "–" if np.isnan(row.sd) else f"{row.sd:.3f}"
        if row.n:
            figures = f"{row.bias:+.3f} | {spread} | {limits} | {row.rmse:.3f} | {row.covered:.0%}"
        else:
            figures = "– | – | – | – | –"
        lines.append(f"| {row.view} | {row.measure} | {row.n} | {figures} | {row.missing:.0%} |")
    return "\n".join(lines)


def run(
    clips: Iterable[Path], *, give_view: bool
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Analyse clips and compare them with their truth: errors, one row per clip, and joints."""
    errors, sets, joints = [], [], []
    for clip in clips:
        truth = json.loads(clip.with_suffix(".truth.json").read_text())
        frames = pd.read_csv(clip.with_suffix(".truth.csv"))
        result = barpath.analyse(
            clip, view=truth["view"] if give_view else "auto", plate_mm=_plate_mm(truth)
        )
        errors.append(rep_errors(result, truth))
        joints.append(joint_errors(clip, result, frames))
        sets.append(
            {
                "clip": clip.stem,
                "view": truth["view"],
                "view found": result.view,
                "reps": len(truth["reps"]),
                "reps found": len(result.reps),
                "kinds right": list(result.reps["kind"]) == [rep["kind"] for rep in truth["reps"]],
                "path RMSE, mm": round(1000 * path_rmse_m(result, frames, truth), 1),
                "on another": on_another(result, frames, clip),
            }
        )
    return (
        pd.concat(errors, ignore_index=True),
        pd.DataFrame(sets),
        pd.concat(joints, ignore_index=True),
    )


def _plate_mm(truth: dict[str, Any]) -> float:
    """Diameter of the largest plate, which the lifter knows and gives; the usual one without."""
    plates = truth["bar"]["plates_each_side"]
    return 1000 * max((plate["diameter_m"] for plate in plates), default=0.45)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy", description=__doc__)
    parser.add_argument("clips", nargs="*", type=Path, help="clips with their truth beside them")
    parser.add_argument("--guess-view", action="store_true", help="do not tell the view")
    parser.add_argument("--errors", type=Path, help="write every single error to this CSV file")
    given = parser.parse_args()
    clips = given.clips or sorted(CLIPS.glob("*.mp4"))
    errors, sets, joints = run(clips, give_view=not given.guess_view)
    if given.errors:
        errors.to_csv(given.errors, index=False)
    print(sets.to_string(index=False))
    print()
    print(as_markdown(summarise(errors)))
    print()
    print("Joints with the bar at the bottom, distance from the truth in the picture, cm:")
    print(summarise_joints(joints))


if __name__ == "__main__":
    main()
