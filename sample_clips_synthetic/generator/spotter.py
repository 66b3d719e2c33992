"""A second person who stands behind the lifter's head, hands ready under the bar."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from .body import (
    OUTWARD,
    SIDES,
    TAG,
    Array,
    Mesh,
    Pose,
    Skeleton,
    frame_of,
    load_mesh,
    rotation_about,
    two_bone,
)

STANDS_AT_X_M = 0.64
STANCE_FROM_MIDDLE = np.array([0.0, 0.0, 0.02])
Z = np.array([0.0, 0.0, 1.0])


class Spotter:
    """A standing body that sways a little and follows the bar with the hands.

    Parameters
    ----------
    build
        Name of the build in the archive, or a body of any other.
    seed
        Seed of the sway.
    """

    def __init__(self, build: str | Mesh, seed: int) -> None:
        self.mesh = build if isinstance(build, Mesh) else load_mesh(build)
        self.skeleton = Skeleton(self.mesh)
        rng = np.random.default_rng(seed)
        self._phase = rng.uniform(0, 2 * np.pi, 3)

    def _rest(self, side: str, name: str) -> Array:
        return self.mesh.heads[self.mesh.bone(f"{name}.{TAG[side]}")]

    def pose(self, time_s: float, bar_height_m: float) -> Pose:
        """Pose at a time.

        Parameters
        ----------
        time_s
            Time of the set, seconds.
        bar_height_m
            Height of the bar, which the hands follow at some distance.
        """
        skeleton, mesh = self.skeleton, self.mesh
        pose = skeleton.rest()
        lean = 0.10 + 0.01 * np.sin(0.9 * time_s + self._phase[0])
        upright = rotation_about(Z, np.pi / 2)
        skeleton.turn(pose, "root", upright)
        sway = 0.012 * np.sin(0.7 * time_s + self._phase[1])
        ground = -float(mesh.vertices[:, 0].min()) + 0.012
        root = pose.head[mesh.bone("root")]
        pose.head += np.array([STANDS_AT_X_M - root[0], ground, sway]) + STANCE_FROM_MIDDLE
        skeleton.turn(pose, "spine04", rotation_about(Z, lean) @ upright)
        skeleton.turn(pose, "neck01", rotation_about(Z, lean + 0.25) @ upright)
        skeleton.turn(pose, "head", rotation_about(Z, lean + 0.45) @ upright)
        for side in SIDES:
            self._reach(pose, side, bar_height_m)
        return pose

    def _reach(self, pose: Pose, side: str, bar_height_m: float) -> None:
        skeleton, tag = self.skeleton, TAG[side]
        shoulder = pose.head[self.mesh.bone(f"upperarm01.{tag}")].copy()
        rest = [self._rest(side, n) for n in ("upperarm01", "lowerarm01", "wrist")]
        first, second = (float(np.linalg.norm(b - a)) for a, b in pairwise(rest))
        goal = np.array([0.34, 0.88 + 0.22 * (bar_height_m - 0.7), OUTWARD[side] * 0.15])
        far = goal - shoulder
        reach = min(float(np.linalg.norm(far)), 0.96 * (first + second))
        wrist = shoulder + far / np.linalg.norm(far) * reach
        elbow = two_bone(shoulder, wrist, first, second, np.array([0.5, -0.6, OUTWARD[side]]))
        hinge = np.cross(elbow - shoulder, wrist - elbow)
        rest_hinge = np.cross(rest[1] - rest[0], rest[2] - rest[1])
        upper = frame_of(elbow - shoulder, hinge) @ frame_of(rest[1] - rest[0], rest_hinge).T
        lower = frame_of(wrist - elbow, hinge) @ frame_of(rest[2] - rest[1], rest_hinge).T
        skeleton.turn(pose, f"upperarm01.{tag}", upper)
        skeleton.turn(pose, f"lowerarm01.{tag}", lower)
