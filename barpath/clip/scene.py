"""What the stages on the scenery share: their settings, and the maps from image to image.

A map is a similarity as an array of shape (2, 3), in pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

IDENTITY: FloatArray = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
IDENTITY.setflags(write=False)

PARALLAX = ("parallax_x_px", "parallax_y_px")
"""Columns of a camera table: how its shifts move near scenery against far scenery."""
AT_BAR = "parallax_at_bar"
"""Column of a camera table: how much of that the bar and the lifter show, where it is known."""


@dataclass(frozen=True)
class SceneConfig:
    """Settings of this stage.

    Attributes
    ----------
    work_width_px
        Largest width of the grey image in which corners are followed; wider frames are halved
        until they fit.
    n_features
        Corners looked for in a key frame, spread over `grid_columns` x `grid_rows` cells.
    grid_columns, grid_rows
        Cells over which the corners are spread.
    forward_backward_px
        A corner is kept when following it there and back ends this near its start (reduced image).
    inlier_px
        Distance from the common motion up to which a corner counts as scenery (reduced image).
    min_inliers
        Fewer agreeing corners than this give no estimate.
    rekey_share
        A new key frame is taken when fewer than this share of the key frame's corners still agree.
    still_px_per_1000
        Movement, in thousandths of the image's width, below which the camera counts as still: the
        error of the estimate itself is of this size, so a smaller movement cannot be removed.
    one_key_share
        Share of the frames that must hang on one key frame for what its corners are apart to tell
        near from far.
    settle_s
        Time a camera must keep still to count as standing.
    standing_share
        Share of the frames that must belong to standing stretches for a clip to be treated as
        filmed from a stand that was touched.
    roll_width_px
        Width of the image in which straight lines are looked for.
    min_line_share
        Shortest line used for the roll, as a share of the image's height.
    max_lean_deg
        Lines leaning further than this from the vertical (or horizontal) are not used.
    plumb_sd_deg
        How far racks, walls and door frames stand off the plumb line, one standard deviation
        (common practice, no source).
    pitch_sd_deg
        Prior spread of the camera's pitch, used where the lines do not fix it.
    level_sd_deg
        Uncertainty given to near-horizontal lines, which perspective tilts.
    lens_sd_deg
        What the lens's distortion may add to every line alike (common practice, no source).
    square_sd_deg
        How far what runs along and across the room stands off right angles, one standard deviation
        (common practice, no source).
    focal_rel_sd, lens_bend_sd
        Prior spread of the focal length about its guess, and of the first coefficient of radial
        distortion (common practice, no source).
    min_grid_line_share
        Shortest line of any direction used for roll, pitch and focal length together, as a share of
        the image's height.
    grid_near
        Lines that lie nearer to where their direction meets, in focal lengths, say nothing of it.
    grid_structure
        Lines of one direction no farther apart than this, in focal lengths, are one structure.
    grid_least_lines, grid_least_level, grid_least_share, grid_most_pitch_sd_deg
        Fewer lines, fewer structures along or across the room, a smaller share of the lines in the
        three directions, or a worse known pitch than this, and the scene is not taken to be of
        three directions at right angles.
    """

    work_width_px: int = 480
    n_features: int = 72
    grid_columns: int = 8
    grid_rows: int = 6
    forward_backward_px: float = 0.5
    inlier_px: float = 0.8
    min_inliers: int = 10
    rekey_share: float = 0.5
    still_px_per_1000: float = 0.35
    one_key_share: float = 0.9
    settle_s: float = 1.0
    standing_share: float = 0.8
    roll_width_px: int = 960
    min_line_share: float = 0.08
    max_lean_deg: float = 20.0
    plumb_sd_deg: float = 0.4
    pitch_sd_deg: float = 15.0
    level_sd_deg: float = 3.0
    lens_sd_deg: float = 0.25
    square_sd_deg: float = 0.6
    focal_rel_sd: float = 0.12
    lens_bend_sd: float = 0.02
    min_grid_line_share: float = 0.06
    grid_near: float = 0.05
    grid_structure: float = 0.03
    grid_least_lines: int = 8
    grid_least_level: float = 3.0
    grid_least_share: float = 0.45
    grid_most_pitch_sd_deg: float = 1.5


def compose(outer: ArrayLike, inner: ArrayLike) -> FloatArray:
    """Return the 2x3 transform that applies `inner` first and `outer` after it.

    Examples
    --------
    >>> shift = [[1, 0, 5], [0, 1, 0]]
    >>> double = [[2, 0, 0], [0, 2, 0]]
    >>> compose(double, shift).tolist()
    [[2.0, 0.0, 10.0], [0.0, 2.0, 0.0]]
    """
    a, b = np.asarray(outer, dtype=float), np.asarray(inner, dtype=float)
    return np.column_stack([a[:, :2] @ b[:, :2], a[:, :2] @ b[:, 2] + a[:, 2]])


def apply_transform(transform: ArrayLike, points_px: ArrayLike) -> FloatArray:
    """Map points of shape (..., 2) through 2x3 transforms of shape (2, 3) or (..., 2, 3).

    Examples
    --------
    >>> apply_transform([[1, 0, 5], [0, 1, -2]], [[1.0, 1.0]]).tolist()
    [[6.0, -1.0]]
    """
    t = np.asarray(transform, dtype=float)
    p = np.asarray(points_px, dtype=float)
    return np.einsum("...ij,...j->...i", t[..., :2], p) + t[..., 2]


def transforms_of(table: pd.DataFrame) -> FloatArray:
    """Return a camera table's transforms as an array of shape (n, 2, 3).

    Those of the bar and the lifter, where the table says what a moving camera's shifts do to them;
    otherwise those of the scenery.
    """
    columns = ["m00", "m01", "m02", "m10", "m11", "m12"]
    transforms = table[columns].to_numpy(dtype=float, copy=True).reshape(-1, 2, 3)
    if AT_BAR in table:
        shown = table[AT_BAR].to_numpy(dtype=float)[:, None] * table[list(PARALLAX)].to_numpy(
            dtype=float
        )
        transforms[:, :, 2] -= np.nan_to_num(shown)
    return transforms
