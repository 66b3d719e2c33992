"""How well an outline fits at every place of a picture, by the directions of its edges.

In: a picture and an outline's parameters about the origin, both in px of the same scale. Out: maps
of scores, -1 to 1, and their peaks as (score, x, y). A picture of few pixels is enough, so both the
finder and the tracker, where it lost the plate, look this way first.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from barpath.ground.choice import ranked
from barpath.sight.ellipse import outline_from_params, unit_vectors

FloatArray = NDArray[np.floating]


def orientation_maps(image: NDArray[np.uint8], noise: float = 4.0) -> FloatArray:
    """Edge orientation in double-angle form, weighted by contrast, shape (2, H, W).

    The two maps hold ``cos 2a`` and ``sin 2a`` times a strength 0..1 for an edge whose gradient has
    direction ``a``; the polarity drops out.
    """
    smooth = cv2.GaussianBlur(image.astype(np.float32), (0, 0), 1.0)
    gx = cv2.Scharr(smooth, -1, 1, 0, scale=1 / 32)
    gy = cv2.Scharr(smooth, -1, 0, 1, scale=1 / 32)
    cos, sin, energy = gx * gx - gy * gy, 2 * gx * gy, gx * gx + gy * gy
    if image.ndim == 3:
        cos, sin, energy = cos.sum(axis=2), sin.sum(axis=2), energy.sum(axis=2)
    return np.stack([cos, sin]) / (energy + noise**2)


def outline_template(shape: tuple[int, int], params: FloatArray) -> NDArray[np.complexfloating]:
    """Conjugate Fourier transforms of an outline's double-angle template around the origin.

    Multiplied with the transforms of the orientation maps and summed over both, they give the score
    of the outline at every position: the mean over its length of ``cos 2(a - b)`` times strength,
    with ``b`` the direction of the outline's normal.
    """
    points, normals = outline_from_params(np.r_[0.0, 0.0, params[2:]], unit_vectors(96))
    # Weight by arc length, so that the ends of a slim ellipse do not dominate.
    arc = np.linalg.norm(np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0), axis=1)
    arc /= arc.sum()
    cos = (normals[:, 0] ** 2 - normals[:, 1] ** 2) * arc
    sin = 2 * normals[:, 0] * normals[:, 1] * arc
    template = np.zeros((2, *shape), np.float32)
    base = np.floor(points).astype(int)
    part = points - base
    for dx in (0, 1):
        for dy in (0, 1):
            weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
            rows, columns = (base[:, 1] + dy) % shape[0], (base[:, 0] + dx) % shape[1]
            np.add.at(template[0], (rows, columns), cos * weight)
            np.add.at(template[1], (rows, columns), sin * weight)
    return np.conj(fft.rfft2(template))


def score_map(
    maps_ft: NDArray[np.complexfloating],
    template: NDArray[np.complexfloating],
    shape: tuple[int, int],
) -> FloatArray:
    """Outline score at every position, shape `shape`."""
    return fft.irfft2(maps_ft[0] * template[0] + maps_ft[1] * template[1], s=shape)


def padded_shape(shape: tuple[int, int], pad: int) -> tuple[int, int]:
    """Rows and columns, `pad` more than `shape` at least, that a Fourier transform is fast for."""
    return (
        fft.next_fast_len(shape[0] + pad, real=True),
        fft.next_fast_len(shape[1] + pad, real=True),
    )


def score_peaks(score: FloatArray, n: int, apart_px: float) -> list[tuple[float, int, int]]:
    """The `n` highest local maxima as (value, x, y), at least `apart_px` apart.

    Of equal ones the one further up in the image comes first, then the one further left.
    """
    size = 2 * max(1, round(apart_px)) + 1
    top = cv2.dilate(score.astype(np.float32), np.ones((size, size), np.uint8))
    rows, columns = np.nonzero((score >= top - 1e-7) & (score > 0.02))
    values = score[rows, columns]
    order = ranked(values)[:n]
    return [(float(values[k]), int(columns[k]), int(rows[k])) for k in order]
