"""One picture of a press: the lifter's joints with their uncertainty, and where the bar's ends are.

It measures no technique; it shows what the joint network sees, in a table that anybody can score.
"""

import os
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.analysis.store import check_target
from barpath.errors import ClipError, NoLifterError, reason_of
from barpath.ground.files import prepare, staged_folder
from barpath.report.output import write_picture
from barpath.report.overlay import mark_points
from barpath.sight.jointnet import POINTS, STATES, JointNetwork, Readings, uncertainty_ellipse
from barpath.sight.lifter import find_lifter, with_surroundings

PICTURE_FILE = "marked.png"
TABLE_FILE = "joints.csv"
COLUMNS = ("point", "x_px", "y_px", "sd_major_px", "sd_minor_px", "angle_deg", "state")


def read_picture(path: str | os.PathLike[str]) -> NDArray[np.uint8]:
    """Read a picture, upright: what its EXIF orientation says is applied.

    Parameters
    ----------
    path : path-like
        JPEG, PNG or whatever else OpenCV reads.

    Returns
    -------
    ndarray of uint8, shape (H, W, 3)
        RGB.

    Raises
    ------
    ClipError
        There is no such file, or it is no picture that can be read.
    """
    path = Path(path)
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise ClipError(f"The picture '{path}' cannot be read: {reason_of(error)}.") from error
    try:
        image = cv2.imdecode(data, cv2.IMREAD_COLOR) if len(data) else None
    except cv2.error:
        image = None
    if image is None:
        raise ClipError(f"'{path}' is no picture that can be read; save it as JPEG or PNG.")
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB), np.uint8)


def joint_table(reading: Readings, *, with_outside: bool = False) -> pd.DataFrame:
    """What was read of one lifter, as a table.

    Parameters
    ----------
    reading : Readings
        One, in pixels of the picture.
    with_outside : bool
        Give numbers also for points that are likeliest outside the picture or not there at all.

    Returns
    -------
    DataFrame
        One row for each of `jointnet.POINTS`: `point`; `x_px, y_px` (origin at the centre of the
        upright picture's top-left pixel, x right, y down); `sd_major_px, sd_minor_px`, standard
        deviations along the axes of the ellipse, the 95 % region reaching 2.45 times as far;
        `angle_deg` of the major axis from +x toward +y, in [-90, 90); `state`, the likeliest of
        ``"seen"``, ``"hidden"`` and ``"outside"``. Numbers are NaN where a point is outside.
    """
    state = np.array(STATES)[reading.state.argmax(axis=-1)]
    major, minor, angle = uncertainty_ellipse(reading.covariance_px2)
    numbers = np.column_stack([reading.xy_px, major, minor, angle])
    if not with_outside:
        numbers[state == "outside"] = np.nan
    table = pd.DataFrame(numbers, columns=list(COLUMNS[1:-1]))
    table.insert(0, "point", POINTS)
    return table.assign(state=state)


def measure_photo(
    picture: str | os.PathLike[str],
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    network: JointNetwork | None = None,
) -> pd.DataFrame:
    """Find the lifter in a picture and write the marked picture and the table of joints.

    Parameters
    ----------
    picture : path-like
    folder : path-like
        Target for `marked.png` and `joints.csv`.
    overwrite : bool
        Replace an earlier result of a photo there.
    network : JointNetwork, optional
        The package's own by default.

    Returns
    -------
    DataFrame
        As `joint_table` makes it.

    Raises
    ------
    ClipError
        The picture cannot be read.
    NoLifterError
        Nobody presses in it; nothing is written.
    OutputError
        The folder exists and may not be replaced, or cannot be written.
    """
    check = partial(_check, overwrite=overwrite)
    prepare(folder, check)
    image = read_picture(picture)
    network = network or JointNetwork()
    reading = find_lifter(image, network)
    if reading is None:
        raise NoLifterError(
            f"Nobody lying under a bar and pressing it was found in '{Path(picture)}'."
        )
    table = joint_table(with_surroundings(image, network, reading))
    with staged_folder(folder, check) as (staging, _):
        write_picture(staging / PICTURE_FILE, mark_points(image, table))
        table.to_csv(staging / TABLE_FILE, index=False, float_format="%.3f", lineterminator="\n")
    return table


def _check(folder: Path, *, overwrite: bool) -> None:
    """Refuse a target that exists, unless it is an earlier result that may be replaced."""
    ours = {PICTURE_FILE, TABLE_FILE}
    if overwrite and folder.is_dir() and {entry.name for entry in folder.iterdir()} == ours:
        return
    check_target(folder, overwrite=overwrite)
