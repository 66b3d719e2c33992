"""Pinhole camera with mild lens distortion, on a tripod or in a hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import Array, rotation_about, unit


@dataclass(frozen=True)
class CameraSpec:
    """A camera.

    Attributes
    ----------
    position_m, target_m
        Where it stands and what it looks at, world frame.
    roll_deg
        Turn about its own axis, clockwise positive as seen in the picture's content.
    width_px, height_px
        Size of the upright picture.
    focal_share
        Focal length over the picture's longer side.
    k1, k2
        Radial distortion (Brown's polynomial on normalised coordinates).
    shake_m, shake_deg
        Size of the hand's tremor; 0 on a tripod.
    """

    position_m: tuple[float, float, float]
    target_m: tuple[float, float, float]
    roll_deg: float = 0.0
    width_px: int = 1280
    height_px: int = 720
    focal_share: float = 0.80
    k1: float = -0.02
    k2: float = 0.004
    shake_m: float = 0.0
    shake_deg: float = 0.0


@dataclass(frozen=True)
class View:
    """Camera at one instant.

    ``rotation`` (3, 3) turns world to camera axes (x right, y down, z forward); ``centre`` is (3,).
    """

    rotation: Array
    centre: Array
    focal_px: float
    cx_px: float
    cy_px: float
    k1: float
    k2: float

    def project(self, points: Array) -> Array:
        """Pixels (origin at the centre of the top-left pixel) of world points, (n, 2)."""
        local = (np.atleast_2d(points) - self.centre) @ self.rotation.T
        xy = local[:, :2] / local[:, 2:]
        r2 = (xy**2).sum(axis=1, keepdims=True)
        xy = xy * (1 + self.k1 * r2 + self.k2 * r2**2)
        return xy * self.focal_px + np.array([self.cx_px, self.cy_px])


class Camera:
    """A camera over time.

    Parameters
    ----------
    spec
        Where it stands and how it sees.
    seed
        Seed of the tremor.
    """

    def __init__(self, spec: CameraSpec, seed: int) -> None:
        self.spec = spec
        rng = np.random.default_rng(seed)
        self._frequency = rng.uniform(0.15, 2.2, (6, 5))
        self._phase = rng.uniform(0, 2 * np.pi, (6, 5))
        weight = rng.normal(size=(6, 5)) / (0.5 + self._frequency)
        self._weight = weight / np.sqrt((weight**2).sum(axis=1, keepdims=True))

    def at(self, time_s: float) -> View:
        """Camera at a time of the set, seconds."""
        spec = self.spec
        wobble = (self._weight * np.sin(2 * np.pi * self._frequency * time_s + self._phase)).sum(
            axis=1
        )
        centre = np.array(spec.position_m) + spec.shake_m * wobble[:3]
        forward = unit(np.array(spec.target_m) - np.array(spec.position_m))
        right = unit(np.cross(forward, np.array([0.0, 1.0, 0.0])))
        rotation = np.stack([right, np.cross(forward, right), forward])
        rotation = rotation_about(np.array([0.0, 0.0, 1.0]), np.radians(spec.roll_deg)) @ rotation
        for axis in range(3):
            angle = np.radians(spec.shake_deg) * wobble[3 + axis]
            rotation = rotation_about(np.eye(3)[axis], angle) @ rotation
        return View(
            rotation,
            centre,
            spec.focal_share * max(spec.width_px, spec.height_px),
            (spec.width_px - 1) / 2,
            (spec.height_px - 1) / 2,
            spec.k1,
            spec.k2,
        )
