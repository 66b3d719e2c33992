"""Scores of a joint network on real frames labelled by eye: ``python -m tests.real_frames``.

The frames are not part of the project. Their folder holds pictures and `labels.json`, which gives
for each picture `{point: [x_px, y_px, "seen" or "guess"]}`, left and right the lifter's own. It is
named by the environment variable `BARPATH_LABELLED_FRAMES`, or lies at `shared/real/labelled`
beside the repository.

A distance counts as a share of the longest upper arm or forearm marked in its frame. PCK@0.1 and
PCK@0.2 are the shares of shoulders, elbows and wrists marked as seen that lie below 0.1 and 0.2 of
it (Yang and Ramanan 2013, IEEE TPAMI 35:2878-2890, with the limb in the place of the person's box).
A frame is wholly right when all of these are below 0.25. A joint that was not found counts as
infinitely far.

Coverage is the share of marks inside the stated 95 % regions. A mark by eye has an error of its
own, so it is given twice: of the stated covariance alone, and of the sum with the mark's.
"""

import argparse
import json
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from barpath.report.overlay import mark_points
from barpath.report.photo import joint_table, read_picture
from barpath.sight.jointnet import JointNetwork, Square
from barpath.sight.lifter import find_lifter
from barpath.trial import stock

FOLDER_VARIABLE = "BARPATH_LABELLED_FRAMES"
ARM_JOINTS = tuple(f"{s}_{j}" for j in ("shoulder", "elbow", "wrist") for s in ("left", "right"))
LIMBS = tuple(
    (f"{side}_{a}", f"{side}_{b}")
    for side in ("left", "right")
    for a, b in (("shoulder", "elbow"), ("elbow", "wrist"))
)
WHOLLY_RIGHT = 0.25
WITHIN_95 = 5.991
"""The 95 % quantile of chi-squared with two degrees of freedom (NIST/SEMATECH e-Handbook of
Statistical Methods, 1.3.6.7.4)."""

MARK_SD = {"shoulder": 0.06, "elbow": 0.04, "wrist": 0.04, "hand": 0.04, "hip": 0.125}
"""One standard deviation of a seen mark as a share of the upper arm, judged by who marked them."""
GUESS_SD = 0.125
SMALL_FRAME_PX = 320
"""Frames no wider than this have marks twice as uncertain."""


@dataclass(frozen=True)
class Frame:
    """A labelled picture.

    Attributes
    ----------
    name : str
        The picture's file name.
    image : ndarray of uint8, shape (H, W, 3)
        RGB.
    marks : mapping of str to tuple
        `(x_px, y_px, "seen" or "guess")` of each point marked.
    """

    name: str
    image: np.ndarray
    marks: Mapping[str, tuple[float, float, str]]

    @property
    def limb_px(self) -> float:
        """The longest marked upper arm or forearm."""
        return max(
            float(np.hypot(*np.subtract(self.marks[a][:2], self.marks[b][:2])))
            for a, b in LIMBS
            if a in self.marks and b in self.marks
        )


Reader = Callable[[Frame], pd.DataFrame | None]
"""From a frame's picture to a table as `barpath.report.photo.joint_table` makes it, or None."""


def labelled_folder() -> Path | None:
    """Where the labelled frames lie, or None where there are none."""
    given = os.environ.get(FOLDER_VARIABLE)
    folder = Path(given) if given else Path(__file__).parents[2] / "shared" / "real" / "labelled"
    return folder if (folder / "labels.json").is_file() else None


def read_frames(folder: Path) -> list[Frame]:
    """All labelled pictures of a folder, by name."""
    labels = json.loads((folder / "labels.json").read_text(encoding="utf-8"))
    return [
        Frame(name, read_picture(folder / name), {p: tuple(m) for p, m in labels[name].items()})
        for name in sorted(labels)
    ]


def mark_sd_px(frame: Frame, point: str, how: str) -> float:
    """One standard deviation of a mark along either axis."""
    share = MARK_SD.get(point.rpartition("_")[2], GUESS_SD) if how == "seen" else GUESS_SD
    return share * frame.limb_px * (2.0 if frame.image.shape[1] <= SMALL_FRAME_PX else 1.0)


def score_frame(frame: Frame, found: pd.DataFrame | None) -> pd.DataFrame:
    """One row per mark: how far what was found is from it, and whether its region holds it.

    Parameters
    ----------
    frame : Frame
    found : DataFrame or None
        One row a point: `point, x_px, y_px, sd_major_px, sd_minor_px, angle_deg, state`.

    Returns
    -------
    DataFrame
        `frame, point, how, error` (shares of the limb; infinite where nothing was found), `state`
        (`""` where nothing was found), `squared`, `squared_with_mark` (squared Mahalanobis
        distances; NaN where nothing is stated).
    """
    table = None if found is None else found.set_index("point")
    rows = []
    for point, (x, y, how) in frame.marks.items():
        row = {"frame": frame.name, "point": point, "how": how, "error": np.inf, "state": ""}
        if table is not None and point in table.index:
            place = table.loc[point]
            off = np.array([place["x_px"] - x, place["y_px"] - y], dtype=float)
            if np.isfinite(off).all():
                row |= {"error": float(np.hypot(*off)) / frame.limb_px, "state": place["state"]}
                stated = covariance_px2(place)
                own = mark_sd_px(frame, point, how) ** 2 * np.eye(2)
                if np.isfinite(stated).all():
                    row["squared"] = float(off @ np.linalg.solve(stated, off))
                    row["squared_with_mark"] = float(off @ np.linalg.solve(stated + own, off))
        rows.append(row)
    columns = ["frame", "point", "how", "error", "state", "squared", "squared_with_mark"]
    return pd.DataFrame(rows).reindex(columns=columns)


def covariance_px2(place: pd.Series) -> np.ndarray:
    """Covariance matrix, shape (2, 2), from standard deviations along the axes and their angle."""
    angle = np.radians(place["angle_deg"])
    axes = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    spread = np.diag([place["sd_major_px"], place["sd_minor_px"]]).astype(float)
    return axes @ spread**2 @ axes.T


def score(frames: Iterable[Frame], read: Reader) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Read all frames: one row per mark as `score_frame` gives them, and what was found in each."""
    found, scores = {}, []
    for frame in frames:
        table = read(frame)
        if table is not None:
            found[frame.name] = table
        scores.append(score_frame(frame, table))
    return pd.concat(scores, ignore_index=True), found


def wholly_right(scores: pd.DataFrame) -> pd.Series:
    """Whether each frame is wholly right, by its name."""
    return _arms(scores).groupby("frame")["error"].max() < WHOLLY_RIGHT


def _arms(scores: pd.DataFrame) -> pd.DataFrame:
    return scores[scores["point"].isin(ARM_JOINTS) & scores["how"].eq("seen")]


def headline(scores: pd.DataFrame) -> dict[str, float]:
    """The figures that stand for all: wholly right, frames, PCK@0.2, PCK@0.1, coverage."""
    arms, right = _arms(scores), wholly_right(scores)
    return {
        "wholly_right": int(right.sum()),
        "n_frames": len(right),
        "pck_20": float((arms["error"] < 0.2).mean()),
        "pck_10": float((arms["error"] < 0.1).mean()),
        "covered": _covered(arms["squared"]),
        "covered_with_mark": _covered(arms["squared_with_mark"]),
    }


def _covered(squared: pd.Series) -> float:
    stated = squared.dropna()
    return float((stated <= WITHIN_95).mean()) if len(stated) else float("nan")


def as_markdown(scores: pd.DataFrame) -> str:
    """Headline, and a table by joint and by how it was marked."""
    figures = headline(scores)
    lines = [
        f"wholly right {figures['wholly_right']} of {figures['n_frames']},"
        f" PCK@0.2 {figures['pck_20']:.3f}, PCK@0.1 {figures['pck_10']:.3f}"
        f" (shoulders, elbows and wrists marked as seen)",
        "",
        "| point | marked | n | median | 95 % | below 0.2 | below 0.1 | covered | with the mark's"
        " error | called hidden | outside |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    joint = scores["point"].str.rpartition("_")[2]
    groups = [
        ("arms", scores[scores["point"].isin(ARM_JOINTS)]),
        *((name, scores[joint.eq(name)]) for name in dict.fromkeys(joint)),
    ]
    for name, of_point in groups:
        for how, part in of_point.groupby("how", sort=False):
            error = part["error"].to_numpy()
            # Ranks, not interpolation: an infinite neighbour would make the value NaN.
            middle, high = np.quantile(error, [0.5, 0.95], method="inverted_cdf")
            lines.append(
                f"| {name} | {how} | {len(part)} | {middle:.3f} | {high:.3f}"
                f" | {(error < 0.2).mean():.2f} | {(error < 0.1).mean():.2f}"
                f" | {_covered(part['squared']):.2f} | {_covered(part['squared_with_mark']):.2f}"
                f" | {part['state'].eq('hidden').mean():.2f}"
                f" | {part['state'].eq('outside').mean():.2f} |"
            )
    wrong = wholly_right(scores)
    worst = _arms(scores).sort_values("error").groupby("frame").tail(1).set_index("frame")
    for name in wrong.index[~wrong]:
        at = worst.loc[name]
        lines.append(f"\nnot right: {name}: {at['point']} {at['error']:.2f} off")
    return "\n".join(lines)


def contact_sheet(
    frames: Iterable[Frame],
    found: Mapping[str, pd.DataFrame],
    scores: pd.DataFrame,
    columns: int = 6,
    tile_px: int = 480,
) -> np.ndarray:
    """All frames in one picture: what was found, marks as crosses, those not right framed in red.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        RGB.
    """
    right = wholly_right(scores)
    tiles = []
    for frame in frames:
        height, width = frame.image.shape[:2]
        scale = tile_px / width
        image = cv2.resize(
            frame.image,
            (tile_px, round(height * scale)),
            interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC,
        )
        if frame.name in found:
            image = mark_points(image, _scaled(found[frame.name], scale))
        for x, y, how in frame.marks.values():
            at = tuple(round((v + 0.5) * scale - 0.5) for v in (x, y))
            tint = (255, 255, 255) if how == "seen" else (150, 150, 150)
            for colour, thickness in (((0, 0, 0), 3), (tint, 1)):
                cv2.drawMarker(image, at, colour, cv2.MARKER_TILTED_CROSS, 11, thickness)
        tile = np.full((tile_px, tile_px, 3), 30, np.uint8)
        shown = image[: tile_px - 24]
        tile[24 : 24 + len(shown)] = shown
        if not right.get(frame.name, False):
            cv2.rectangle(tile, (0, 0), (tile_px - 1, tile_px - 1), (230, 40, 40), 6)
        cv2.putText(tile, frame.name[:46], (8, 17), cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255,) * 3, 1)
        tiles.append(tile)
    columns = min(columns, len(tiles))
    tiles += [np.full((tile_px, tile_px, 3), 30, np.uint8)] * (-len(tiles) % columns)
    rows = [np.hstack(tiles[k : k + columns]) for k in range(0, len(tiles), columns)]
    return np.vstack(rows)


def _scaled(table: pd.DataFrame, scale: float) -> pd.DataFrame:
    table = table.copy()
    table[["x_px", "y_px"]] = (table[["x_px", "y_px"]] + 0.5) * scale - 0.5
    table[["sd_major_px", "sd_minor_px"]] *= scale
    return table


def network_reader(path: Path | None) -> Reader:
    """The joint network in a file, or the package's own, finding the lifter by itself."""
    network = JointNetwork(path)

    def read(frame: Frame) -> pd.DataFrame | None:
        reading = find_lifter(frame.image, network)
        return None if reading is None else joint_table(reading, with_outside=True)

    return read


def crop_reader(path: Path | None, fill: float = 0.65) -> Reader:
    """The same, but shown the crop round the marks: what it reads where it need not search."""
    network = JointNetwork(path)

    def read(frame: Frame) -> pd.DataFrame | None:
        at = np.array([mark[:2] for mark in frame.marks.values()])
        low, high = at.min(axis=0), at.max(axis=0)
        square = Square(*((low + high) / 2), float((high - low).max()) / fill)
        return joint_table(network.read(frame.image, [square])[0], with_outside=True)

    return read


def stock_reader() -> Reader:
    """The stock pose network in one plain call a picture; it states no uncertainty."""
    network = stock.StockNetwork()

    def read(frame: Frame) -> pd.DataFrame | None:
        found = network.read(frame.image)
        if found is None:
            return None
        table = pd.DataFrame(found, columns=["x_px", "y_px"]).assign(point=stock.JOINTS)
        return table.assign(sd_major_px=np.nan, sd_minor_px=np.nan, angle_deg=0.0, state="seen")

    return read


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.real_frames", description=__doc__)
    parser.add_argument("--network", type=Path, help="ONNX file; the package's own if not given")
    how = parser.add_mutually_exclusive_group()
    how.add_argument("--stock", action="store_true", help="the stock pose network instead")
    how.add_argument(
        "--crop", action="store_true", help="show it the crop round the marks: no search"
    )
    parser.add_argument("--folder", type=Path, help="folder of the labelled frames")
    parser.add_argument("--sheet", type=Path, help="write all frames with their points to this PNG")
    parser.add_argument("--table", type=Path, help="write every single distance to this CSV file")
    given = parser.parse_args()
    folder = given.folder or labelled_folder()
    if folder is None:
        parser.exit(0, f"No labelled frames here; {FOLDER_VARIABLE} names their folder.\n")
    frames = read_frames(folder)
    if given.stock:
        reader = stock_reader()
    else:
        reader = (crop_reader if given.crop else network_reader)(given.network)
    scores, found = score(frames, reader)
    print(as_markdown(scores))
    if given.table:
        scores.to_csv(given.table, index=False)
    if given.sheet:
        sheet = contact_sheet(frames, found, scores)
        cv2.imwrite(str(given.sheet), cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))


if __name__ == "__main__":
    main()
