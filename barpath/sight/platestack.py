"""Pictures of a followed plate, laid over one another so that the plate stays where it is.

In: pictures, and the outline followed in each, as the parameters of `ellipse`, px. Out: `EdgeMap`,
which says where lines lie that move along with the plate, and which way they run.

What moves with the plate is at one place in all of them, and what is behind it is now here, now
there. So an edge counts by in how many pictures it is there, not by how strong it is, and whether
what is behind is paler or darker does not matter: a dark rim before a wall that is as dark here and
pale there has its edge where either tells it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.ground.uncertainty import MAD_TO_SD, biweights
from barpath.sight.ellipse import Ellipse, from_params, mean_radius, outline_matrix, to_params
from barpath.sight.pictures import laid_about

FloatArray = NDArray[np.floating]

HALF_AXIS_PX = 100.0
"""Half of the outline's long axis in the map; larger plates are reduced to it."""
REACH, KEPT_REACH = 1.6, 2.3
"""Half of the map's width over that half axis, and of what is kept of a picture."""
MOST_PICTURES = 90
_SMOOTH_PX = 1.2
_USUAL_EDGE = 4.0
"""Grey levels per px of the map at which an edge counts half."""
_LEAST_ROWS = 12
OUTLINE = ("x_px", "y_px", "major_px", "minor_px", "angle_deg")


@dataclass(frozen=True)
class _Part:
    """What is kept of a picture: `image` about `centre_px`, `zoom` times as large."""

    frame: int
    centre_px: FloatArray
    zoom: float
    image: NDArray[np.uint8]

    def laid(self, outline: FloatArray, wanted: FloatArray, half_px: int) -> NDArray[np.float32]:
        """The picture with its outline given the shape of another and put in the middle."""
        turn = outline_matrix(wanted) @ np.linalg.inv(outline_matrix(outline))
        by = turn / self.zoom
        middle = (self.image.shape[0] - 1) / 2
        shift = half_px - by @ [middle, middle] + turn @ (self.centre_px - outline[:2])
        move = np.column_stack([by, shift])
        size = (2 * half_px + 1, 2 * half_px + 1)
        image = self.image.astype(np.float32)
        moved = cv2.warpAffine(image, move, size, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(moved, np.float32)


class PlatePictures:
    """Parts of pictures about a plate, at most `MOST_PICTURES`, evenly over the clip."""

    def __init__(self) -> None:
        self._parts: list[_Part] = []
        self._every, self._offered = 1, 0

    def add(self, frame: int, image: NDArray[np.uint8], params: FloatArray) -> None:
        """Keep what is about an outline in a picture, RGB or grey."""
        self._offered += 1
        if (self._offered - 1) % self._every:
            return
        half_axis = from_params(params).major_px / 2
        zoom = min(1.0, HALF_AXIS_PX / half_axis)
        centre = np.round(params[:2])
        half = int(np.ceil(KEPT_REACH * half_axis * zoom)) + 2
        laid = laid_about(image, centre, zoom, half)
        if laid is None:
            return
        self._parts.append(_Part(frame, centre, zoom, np.round(laid).astype(np.uint8)))
        if len(self._parts) > MOST_PICTURES:
            self._parts = self._parts[::2]
            self._every *= 2

    @property
    def frames(self) -> list[int]:
        """The frames of which something is kept, in order."""
        return [part.frame for part in self._parts]

    def laid(self, table: pd.DataFrame) -> Laid | None:
        """The pictures over one another, by a plate table with outlines.

        None where the table has none of them.
        """
        rows = table.set_index("frame")
        rows = rows[rows[list(OUTLINE)].notna().all(axis=1)]
        parts = [part for part in self._parts if part.frame in rows.index]
        if not parts:
            return None
        outlines = outlines_in(rows.loc[[part.frame for part in parts]])
        radius = np.array([mean_radius(one) for one in outlines])
        wanted = np.r_[0.0, 0.0, np.median(outlines[:, 2:] / radius[:, None], axis=0)]
        wanted *= 2 * HALF_AXIS_PX / from_params(wanted).major_px
        half = int(np.ceil(REACH * HALF_AXIS_PX))
        laid = (part.laid(one, wanted, half) for part, one in zip(parts, outlines, strict=True))
        return Laid(EdgeMap(laid, half), wanted, outlines[:, :2] / radius[:, None])


def outlines_in(table: pd.DataFrame) -> FloatArray:
    """Outlines of a plate table's rows, as the parameters of `ellipse`, (n, 5)."""
    return np.array([to_params(Ellipse(*row)) for row in table[list(OUTLINE)].to_numpy(float)])


def put_outlines(
    table: pd.DataFrame, rows: NDArray[np.bool_], params: Iterable[FloatArray]
) -> None:
    """Write outlines into rows of a plate table."""
    names = list(OUTLINE)
    ellipses = [from_params(one) for one in params]
    table.loc[rows, names] = [[getattr(one, name) for name in names] for one in ellipses]


def steady(table: pd.DataFrame) -> pd.DataFrame:
    """A plate table whose outlines change their shape evenly with place and time.

    A rigid plate in its plane of motion looks alike again wherever it comes by again. Where an
    outline lies on a ring in some frames and on the rim in others, it does not.
    """
    table = table.copy()
    rows = (table[list(OUTLINE)].notna().all(axis=1) & (table["state"] != "lost")).to_numpy()
    if rows.sum() < _LEAST_ROWS:
        return table
    outlines = outlines_in(table[rows])
    place = (outlines[:, :2] - outlines[:, :2].mean(axis=0)) / outlines[:, 2].mean()
    time_s = table.loc[rows, "time_s"].to_numpy(dtype=float)
    past = (time_s - time_s.mean()) / max(float(np.ptp(time_s)), 1e-9)
    design = np.column_stack([np.ones(len(place)), place, past])
    shape = np.column_stack([robust_plane(design, outlines[:, k]) for k in (2, 3, 4)])
    sound = shape[:, 0] * shape[:, 1] > shape[:, 2] ** 2
    outlines[sound, 2:] = shape[sound]
    put_outlines(table, rows, outlines)
    return table


def robust_plane(design: FloatArray, values: FloatArray) -> FloatArray:
    """What a plane gives, most of the data deciding, by Tukey's biweight."""
    weight = np.ones(len(values))
    fit = values
    for _ in range(20):
        root = np.sqrt(weight)
        solution, *_ = np.linalg.lstsq(design * root[:, None], values * root, rcond=1e-6)
        fit = design @ solution
        off = values - fit
        spread = MAD_TO_SD * float(np.median(np.abs(off))) + 1e-6
        weight = biweights(off / (4.685 * spread))
    return fit


@dataclass(frozen=True)
class Laid:
    """Pictures laid over one another.

    `outline` are the outline's parameters in px of the map, about its middle;
    `centres` where the outlines were in the pictures, in their mean radii, (n, 2).
    """

    edges: EdgeMap
    outline: FloatArray
    centres: FloatArray


class EdgeMap:
    """In how many pictures an edge runs through a place, and which way, 0..1.

    A place in px of the map is told from its middle. Edges of all directions, as of scenery that
    passes by, cancel out.
    """

    def __init__(self, pictures: Iterable[NDArray[np.float32]], half_px: int) -> None:
        self._half = half_px
        size = (2 * half_px + 1, 2 * half_px + 1)
        cos, sin = (np.zeros(size, np.float32) for _ in range(2))
        mean, square = (np.zeros((*size, 3), np.float32) for _ in range(2))
        n = 0
        for picture in pictures:
            found = _edges(picture)
            cos += found[0]
            sin += found[1]
            n += 1
            mean += picture
            square += picture * picture
        n = max(n, 1)
        self._cos, self._sin = cos / n, sin / n
        variance = np.maximum(square / n - (mean / n) ** 2, 0.0)
        self._spread = np.asarray(np.sqrt(variance).mean(axis=2), np.float32)

    def _at(self, values: FloatArray, places: FloatArray) -> FloatArray:
        at = (places + self._half).astype(np.float32).reshape(len(places), -1, 2)
        found = cv2.remap(
            values, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(found, np.float32).reshape(places.shape[:-1])

    def spread(self, places: FloatArray) -> FloatArray:
        """By how much the pictures differ at each place, grey levels; places (..., 2)."""
        return self._at(self._spread, places)

    def across(self, places: FloatArray, normals: FloatArray) -> FloatArray:
        """How much of an edge lies across a direction at each place, 0..1; both (..., 2)."""
        cos, sin = self._at(self._cos, places), self._at(self._sin, places)
        double = normals[..., 0] ** 2 - normals[..., 1] ** 2, 2 * normals.prod(axis=-1)
        across: FloatArray = np.maximum(cos * double[0] + sin * double[1], 0.0)
        return across


def _edges(picture: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """A picture's edges, 0..1, by the double angle of the way across them."""
    smooth = cv2.GaussianBlur(picture, (0, 0), _SMOOTH_PX)
    dx, dy = (cv2.Sobel(smooth, -1, *way, ksize=3) / 8 for way in ((1, 0), (0, 1)))
    xx, yy, xy = (np.einsum("ijk,ijk->ij", a, b) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    along = np.hypot(0.5 * (xx - yy), xy)
    strength = np.sqrt(0.5 * (xx + yy) + along)
    told = strength / (strength + _USUAL_EDGE) / np.maximum(along, 1e-6)
    return told * 0.5 * (xx - yy), told * xy
