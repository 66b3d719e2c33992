"""How surely joints are read from where: fitted to results of made clips.

`python -m tests.reading_spread RESULTS` prints the table `SPREADS` of
`barpath.analysis.readingspread` from a folder of result folders, each named as its clip in the
generator, which says where that clip's camera stood. `--errors TRUTHS` prints how far readings are
off beside what is stated, from the clips' truth tables.
"""

import argparse
import json
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import least_squares

from barpath.analysis.readingspread import AZIMUTHS_DEG, READ, ReadingSpread
from sample_clips_synthetic.generator import guests, specs

SPECS = {clip.name: clip for clip in (*specs.NEWCOMERS, *guests.COMPARISONS)}
MIDDLE_M = (-0.1, 0.9, 0.0)
"""Of the bar's way in the made clips."""
USUAL = ReadingSpread()


def stated(folder: Path) -> list[dict[str, object]]:
    """What the network stated in a clip, median by point and end of the bar's way, metres."""
    camera = SPECS[folder.name].camera
    away = np.array(camera.position_m) - MIDDLE_M
    azimuth = float(np.degrees(np.arctan2(abs(away[2]), -away[0])))
    focal_px = camera.focal_share * max(camera.width_px, camera.height_px)
    place = {
        "clip": folder.name,
        "azimuth_deg": min(azimuth, 180 - azimuth),
        "height_m": camera.position_m[1],
        "px_per_m": focal_px / float(np.linalg.norm(away)),
    }
    pose, path = (pd.read_csv(folder / f"{name}.csv") for name in ("pose", "trajectory"))
    height = np.interp(pose["time_s"], path["time_s"], path["y_smooth_m"])
    top, bottom = np.nanpercentile(height, [97, 3])
    low = (top - height) / (top - bottom)
    rows = []
    for end, part in (("low", pose[low > 0.85]), ("high", pose[low < 0.15])):
        for side, z in (("left", 1), ("right", -1)):
            for point in READ:
                name = f"{side}_{point}"
                variance = part[[f"{name}_var_{axis}_px2" for axis in "xy"]]
                read = variance.notna().all(axis=1)
                sd_m = np.sqrt(variance[read].median().to_numpy()) / place["px_per_m"]
                near = "near" if z * away[2] > 0 else "far"
                rows.append(
                    place
                    | {"point": point, "near": near, "end": end, "share": read.mean()}
                    | {"x_m": sd_m[0], "y_m": sd_m[1]}
                )
    return rows


def hats(azimuth_deg: np.ndarray) -> np.ndarray:
    """Weights of `AZIMUTHS_DEG` at azimuths, (n, 4)."""
    unit = np.eye(len(AZIMUTHS_DEG))
    return np.column_stack([np.interp(azimuth_deg, AZIMUTHS_DEG, one) for one in unit])


def fitted(part: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, float]:
    """Standard deviations at `AZIMUTHS_DEG` by axis, (2, 4), slopes, (3,), and what is left."""
    part = part.dropna(subset=["x_m", "y_m"])
    square = np.cos(np.radians(part["azimuth_deg"].to_numpy())) ** 2
    over = part["height_m"].to_numpy() - USUAL.usual_height_m
    size = np.log(part["px_per_m"].to_numpy() / USUAL.usual_px_per_m)
    shared = np.column_stack([over * square, over * (1 - square), size])
    knots, n = hats(part["azimuth_deg"].to_numpy()), len(AZIMUTHS_DEG)
    none = np.zeros_like(knots)
    table = np.vstack([np.hstack([knots, none, shared]), np.hstack([none, knots, shared])])
    wanted = np.log(np.r_[part["x_m"], part["y_m"]])
    found = least_squares(
        lambda values: table @ values - wanted, np.zeros(2 * n + 3), loss="soft_l1", f_scale=0.2
    )
    left = float(np.sqrt(np.mean(found.fun**2)))
    return np.exp(found.x[: 2 * n]).reshape(2, n), found.x[2 * n :], left


def print_spreads(results: Path) -> None:
    """Print the table of standard deviations, and how often each point is read."""
    folders = [one for one in sorted(results.iterdir()) if (one / "pose.csv").exists()]
    table = pd.DataFrame([row for one in folders for row in stated(one)])
    print(f"# {len(folders)} clips")
    left = []
    for (point, near, end), part in table.groupby(["point", "near", "end"], sort=False):
        sd_m, slopes, rest = fitted(part)
        left.append(rest)
        numbers = ", ".join("(" + ", ".join(f"{1000 * s:.1f}" for s in one) + ")" for one in sd_m)
        print(
            f'    "{near} {point} {end}": ({numbers}, ({", ".join(f"{s:.2f}" for s in slopes)})),'
        )
    print(f"# left over: {np.median(left):.2f} of a logarithm")
    for (point, near), part in table.groupby(["point", "near"], sort=False):
        share = np.linalg.lstsq(hats(part["azimuth_deg"].to_numpy()), part["share"])[0]
        print(f'    "{near} {point}": ({", ".join(f"{s:.2f}" for s in np.clip(share, 0, 1))}),')


def print_errors(results: Path, truths: Path) -> None:
    """Print the errors that stay through an end of the way, and those of each frame, as shares."""
    rows = []
    for file in sorted(truths.glob("*.truth.csv")):
        name = file.name.removesuffix(".truth.csv")
        if not (results / name / "pose.csv").exists():
            continue
        pose = pd.read_csv(results / name / "pose.csv")
        truth = pd.read_csv(file).set_index("frame").reindex(pose["frame"]).reset_index(drop=True)
        height = truth["bar_middle_y_m"].to_numpy()
        top, bottom = np.nanpercentile(height, [97, 3])
        low = (top - height) / (top - bottom)
        for side, joint, axis in np.ndindex(2, 4, 2):
            column = f"{('left', 'right')[side]}_{READ[joint]}"
            at = "xy"[axis]
            off = pose[f"{column}_{at}_px"] - truth[f"{column}_{at}_px"]
            share = (off / np.sqrt(pose[f"{column}_var_{at}_px2"])).to_numpy()
            for end in (low > 0.85, low < 0.15):
                here = share[end & np.isfinite(share)]
                if len(here) > 3:
                    rows.append((READ[joint], here.mean(), here.std()))
    table = pd.DataFrame(rows, columns=["point", "stays", "own"])
    print(table.groupby("point").agg(stays=("stays", rms), own=("own", "median")).round(2))


def rms(values: pd.Series) -> float:
    """Root mean square."""
    return float(np.sqrt((values**2).mean()))


def levels(results: Path) -> pd.DataFrame:
    """How surely the scenery told the camera in wide pictures, median by view."""
    rows = []
    for file in sorted(results.glob("*/summary.json")):
        summary = json.loads(file.read_text("utf-8"))
        if summary["clip"]["width_px"] >= 800:
            rows.append({"view": summary["view"]} | summary["calibration"])
    table = pd.DataFrame(rows)
    known = ["scene_roll_sd_deg", "scene_pitch_sd_deg", "scene_focal_rel_sd"]
    return table.groupby("view")[known].median().round(3)


def main() -> None:
    """Print what was fitted."""
    parser = argparse.ArgumentParser(prog="python -m tests.reading_spread", description=__doc__)
    parser.add_argument("results", type=Path, help="folder of result folders")
    parser.add_argument("--errors", type=Path, help="folder of the clips' truth tables")
    given = parser.parse_args()
    print_spreads(given.results)
    print(levels(given.results))
    if given.errors:
        print_errors(given.results, given.errors)


if __name__ == "__main__":
    main()
