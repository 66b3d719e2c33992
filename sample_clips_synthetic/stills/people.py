"""Poses and clothes of everybody in a still, and their vertices as the graphics card takes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from ..generator.body import (
    OUTWARD,
    SIDES,
    TAG,
    ArmStyle,
    Array,
    Lifter,
    Mesh,
    Pose,
    Skeleton,
    Stance,
    frame_of,
    rotation_about,
    two_bone,
)
from ..generator.looks import CLOTH, DressedMesh, Outfit, dress, triangles
from .codes import ARMS_FROM, BLOTCHES, CHECKS, HEAD, LEGS_FROM, MESH, STRIPES, TRUNK

X, Y, Z = np.eye(3)
# Groups of the lifter's parts, left then right of each pair.
UPPER_ARM, FOREARM, HAND = ARMS_FROM, ARMS_FROM + 2, ARMS_FROM + 4
THIGH, SHANK, FOOT = LEGS_FROM, LEGS_FROM + 2, LEGS_FROM + 4
SKINS = np.array(
    [
        (0.62, 0.40, 0.30),
        (0.52, 0.30, 0.20),
        (0.42, 0.24, 0.15),
        (0.30, 0.16, 0.09),
        (0.20, 0.105, 0.065),
        (0.10, 0.05, 0.032),
        (0.06, 0.033, 0.024),
    ]
)
HAIRS = np.array(
    [
        (0.01, 0.01, 0.01),
        (0.04, 0.02, 0.01),
        (0.12, 0.06, 0.02),
        (0.35, 0.24, 0.10),
        (0.4, 0.4, 0.4),
    ]
)


@dataclass(frozen=True)
class Rig:
    """What skinning needs of the topology that all bodies share.

    ``weights`` is (vertices, bones); ``around`` (vertices, triangles) adds up the faces at a
    vertex; ``groups`` says to which part a vertex belongs, (vertices,).
    """

    weights: csr_matrix
    tris: NDArray[np.int64]
    around: csr_matrix
    groups: NDArray[np.float32]


@lru_cache(maxsize=2)
def _rig(parts: tuple[str, ...], packed: bytes, bones: int, weights: bytes, share: bytes) -> Rig:
    n = len(parts)
    which = np.frombuffer(weights, np.int64).reshape(n, -1)
    value = np.frombuffer(share, float).reshape(n, -1)
    row = np.repeat(np.arange(n), which.shape[1])
    matrix = csr_matrix((value.ravel(), (row, which.ravel())), shape=(n, bones), dtype=np.float32)
    tris = triangles(np.frombuffer(packed, np.int64).reshape(-1, 4))
    column = np.tile(np.arange(len(tris)), 3)
    ones = np.ones(3 * len(tris), np.float32)
    around = csr_matrix((ones, (tris.T.ravel(), column)), shape=(n, len(tris)))
    return Rig(matrix, tris, around, _groups(parts))


def rig(mesh: Mesh) -> Rig:
    """Skinning data of a body's topology; made once for all bodies that share it."""
    return _rig(
        mesh.parts,
        mesh.faces.tobytes(),
        len(mesh.bones),
        mesh.weight_bones.tobytes(),
        mesh.weight_share.tobytes(),
    )


def _groups(parts: Sequence[str]) -> NDArray[np.float32]:
    starts = (
        (("upperarm", "shoulder"), UPPER_ARM),
        (("lowerarm",), FOREARM),
        (("wrist", "metacarpal", "finger"), HAND),
        (("upperleg",), THIGH),
        (("lowerleg",), SHANK),
        (("foot", "toe"), FOOT),
        (("spine", "breast", "clavicle", "pelvis", "root"), TRUNK),
    )
    out = np.full(len(parts), HEAD, np.float32)
    for i, part in enumerate(parts):
        for names, group in starts:
            if part.startswith(names):
                side = 1 if group >= LEGS_FROM and part.endswith(".R") else 0
                out[i] = group + side
                break
    return out


def skin(mesh: Mesh, data: Rig, pose: Pose, rest: Array) -> NDArray[np.float32]:
    """Vertices of a posed body, (n, 3)."""
    offset = pose.head - np.einsum("bij,bj->bi", pose.rotation, mesh.heads)
    table = np.concatenate([pose.rotation, offset[:, :, None]], axis=2).reshape(-1, 12)
    blended = (data.weights @ table.astype(np.float32)).reshape(-1, 3, 4)
    return np.einsum("vij,vj->vi", blended[:, :, :3], rest.astype(np.float32)) + blended[:, :, 3]


def normals(data: Rig, vertices: NDArray[np.float32]) -> NDArray[np.float32]:
    """Unit normals of the vertices, (n, 3)."""
    corner = vertices[data.tris]
    total = data.around @ np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return total / np.maximum(length, 1e-12)


@dataclass(frozen=True)
class Person:
    """A body in its clothes."""

    mesh: Mesh
    clothes: DressedMesh
    rig: Rig

    def rows(self, pose: Pose, group: float | None = None) -> NDArray[np.float32]:
        """Vertices as the card takes them, (n, 14); ``group`` None: by parts of the lifter."""
        vertices = skin(self.mesh, self.rig, pose, self.clothes.vertices)
        out = np.empty((len(vertices), 14), np.float32)
        out[:, 0:3], out[:, 3:6] = vertices, normals(self.rig, vertices)
        out[:, 6:9], out[:, 9:12] = self.clothes.colours, self.mesh.vertices
        out[:, 12] = self.clothes.materials
        out[:, 13] = self.rig.groups if group is None else group
        return out


def _colour(rng: np.random.Generator) -> tuple[float, float, float]:
    """A colour of cloth: dark and grey ones more often than bright ones."""
    kind = rng.random()
    if kind < 0.40:
        value = rng.uniform(0.008, 0.06)
        base = np.full(3, value) * rng.uniform(0.8, 1.2, 3)
    elif kind < 0.62:
        base = np.full(3, rng.uniform(0.10, 0.75)) * rng.uniform(0.9, 1.1, 3)
    else:
        base = rng.uniform(0.01, 0.7, 3) ** 1.5
    return tuple(float(v) for v in np.clip(base, 0.004, 0.85))


def draw_outfit(rng: np.random.Generator) -> Outfit:
    """Clothes, hair and skin of somebody at random."""
    low = int(rng.integers(len(SKINS) - 1))
    share = rng.random()
    skin_colour = SKINS[low] * (1 - share) + SKINS[low + 1] * share
    skin_colour = skin_colour * rng.uniform(0.9, 1.1) * rng.uniform(0.95, 1.05, 3)
    kind = rng.random()
    sleeve, forearm, bare = 0.45, 0.0, False
    if kind < 0.14:
        bare = True
    elif kind < 0.36:
        sleeve = float(rng.uniform(-0.1, 0.15))
    elif kind < 0.70:
        sleeve = float(rng.uniform(0.3, 0.95))
    else:
        sleeve, forearm = 1.5, float(rng.choice([0.5, 0.85, 0.97]))
    return Outfit(
        skin=tuple(map(float, skin_colour)),
        shirt=_colour(rng),
        shorts=_colour(rng),
        shoes=_colour(rng),
        hair=tuple(map(float, HAIRS[int(rng.integers(len(HAIRS)))])),
        sleeve_share=sleeve,
        leg_share=float(rng.choice([0.3, 0.55, 0.75, 0.9, 2.0], p=[0.1, 0.2, 0.25, 0.1, 0.35])),
        belt=bool(rng.random() < 0.15),
        forearm_share=forearm,
        loose_m=float(rng.choice([0.0, rng.uniform(0.004, 0.016)])),
        bare_chest=bare,
        hood=bool(forearm and rng.random() < 0.25),
        wraps=_colour(rng) if rng.random() < 0.2 else None,
        gloves=_colour(rng) if rng.random() < 0.12 else None,
        long_hair=bool(rng.random() < 0.3),
        cloth=float(
            rng.choice([CLOTH, STRIPES, CHECKS, BLOTCHES, MESH], p=[0.68, 0.08, 0.07, 0.10, 0.07])
        ),
    )


def draw_person(mesh: Mesh, rng: np.random.Generator) -> tuple[Person, Outfit]:
    """Dress a body at random."""
    outfit = draw_outfit(rng)
    return Person(mesh, dress(mesh, outfit, int(rng.integers(2**31))), rig(mesh)), outfit


class Poser:
    """Poses of somebody who does not lie under a bar.

    Parameters
    ----------
    mesh
        Body at rest.
    """

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self.skeleton = Skeleton(mesh)

    def _rest(self, side: str, name: str) -> Array:
        return self.mesh.heads[self.mesh.bone(f"{name}.{TAG[side]}")]

    def standing(
        self,
        place: tuple[float, float],
        heading_deg: float,
        lean_deg: float,
        hands: dict[str, Array | None],
        bow_deg: float = 0.0,
    ) -> Pose:
        """Stand on the floor.

        Parameters
        ----------
        place
            Feet, world x and z, metres.
        heading_deg
            Direction of the face: 0 toward -x (a spotter's, behind the lifter's head), turning
            about the vertical.
        lean_deg, bow_deg
            Of the trunk and of the head, forward.
        hands
            Where each wrist should be, world frame; None: hanging.
        """
        skeleton, mesh = self.skeleton, self.mesh
        pose = skeleton.rest()
        turn = rotation_about(Y, np.radians(heading_deg))
        upright = turn @ rotation_about(Z, np.pi / 2)
        across = turn @ Z
        skeleton.turn(pose, "root", upright)
        pelvis = (pose.head[mesh.bone("upperleg01.L")] + pose.head[mesh.bone("upperleg01.R")]) / 2
        ground = -float(mesh.vertices[:, 0].min()) + 0.012
        root = pose.head[mesh.bone("root")].copy()
        pose.head += np.array([place[0] - pelvis[0], ground - root[1] + mesh.heads[0][0], 0.0])
        pose.head += np.array([0.0, 0.0, place[1] - pelvis[2]])
        angle = np.radians(lean_deg)
        skeleton.turn(pose, "spine04", rotation_about(across, angle) @ upright)
        skeleton.turn(pose, "head", rotation_about(across, angle + np.radians(bow_deg)) @ upright)
        for side in SIDES:
            goal = hands.get(side)
            shoulder = pose.head[mesh.bone(f"upperarm01.{TAG[side]}")].copy()
            out = turn @ np.array([0.0, 0.0, OUTWARD[side]])
            front = turn @ np.array([-1.0, 0.0, 0.0])
            if goal is None:
                goal = shoulder + 0.10 * out + 0.06 * front - 0.56 * Y
            self.reach(pose, side, goal, 0.5 * out - 0.3 * front - 0.4 * Y)
        return pose

    def reach(self, pose: Pose, side: str, goal: Array, pole: Array) -> None:
        """Bring a wrist to a place, or as near as the arm allows."""
        skeleton, tag = self.skeleton, TAG[side]
        shoulder = pose.head[self.mesh.bone(f"upperarm01.{tag}")].copy()
        rest = [self._rest(side, n) for n in ("upperarm01", "lowerarm01", "wrist")]
        first, second = (float(np.linalg.norm(b - a)) for a, b in pairwise(rest))
        far = goal - shoulder
        distance = float(np.linalg.norm(far))
        reach = float(np.clip(distance, 1.15 * abs(first - second) + 0.12, 0.97 * (first + second)))
        wrist = shoulder + far / distance * reach
        elbow = two_bone(shoulder, wrist, first, second, pole)
        hinge = np.cross(elbow - shoulder, wrist - elbow)
        rest_hinge = np.cross(rest[1] - rest[0], rest[2] - rest[1])
        upper = frame_of(elbow - shoulder, hinge) @ frame_of(rest[1] - rest[0], rest_hinge).T
        lower = frame_of(wrist - elbow, hinge) @ frame_of(rest[2] - rest[1], rest_hinge).T
        skeleton.turn(pose, f"upperarm01.{tag}", upper)
        skeleton.turn(pose, f"lowerarm01.{tag}", lower)


class BenchLifter(Lifter):
    """A lifter on a bench at any slope, who may also sit up or lie without the bar.

    Parameters
    ----------
    mesh, stance, style, bench_height_m
        As for `Lifter`.
    slope_deg
        The back's slope: head end up (incline) positive.
    """

    def __init__(
        self,
        mesh: Mesh,
        stance: Stance,
        style: ArmStyle,
        bench_height_m: float,
        slope_deg: float = 0.0,
    ) -> None:
        super().__init__(mesh, stance, style, bench_height_m)
        self.poser = Poser(mesh)
        self.elbows_up: float | None = None
        self.slope = rotation_about(Z, np.radians(slope_deg))
        hips = self.lying.head[[mesh.bone("upperleg01.L"), mesh.bone("upperleg01.R")]].mean(axis=0)
        self.pivot = np.array([hips[0], bench_height_m, 0.0])

    def _pole(self, side: str, raised: float) -> Array:
        """Where the elbow points; upward when ``elbows_up`` (degrees above the feet) is set."""
        if self.elbows_up is None:
            return super()._pole(side, raised)
        up = np.radians(self.elbows_up)
        return np.array([-np.cos(up), np.sin(up), 0.25 * OUTWARD[side]])

    def placed(self, points: Array) -> Array:
        """Points of the flat bench's frame in the world's, (..., 3)."""
        return self.pivot + (points - self.pivot) @ self.slope.T

    def sloped(self, pose: Pose) -> Pose:
        """A pose on the flat bench brought onto the slope, with the feet on the floor."""
        if np.allclose(self.slope, np.eye(3)):
            return pose
        out = Pose(self.slope @ pose.rotation, self.placed(pose.head))
        self._legs(out)
        return out

    def resting(self, wrists: dict[str, Array], poles: dict[str, Array]) -> Pose:
        """Lie with the wrists anywhere (flat bench's frame), hands open."""
        pose = self.lying.copy()
        self._girdle(pose, 0.3)
        for side in SIDES:
            self.poser.reach(pose, side, wrists[side], poles[side])
        return self.sloped(pose)

    def sitting(self, x_m: float, lean_deg: float, wrists: dict[str, Array]) -> Pose:
        """Sit on the bench, facing the feet end; wrists in the world's frame."""
        skeleton, mesh = self.skeleton, self.mesh
        pose = skeleton.rest()
        upright = rotation_about(Z, np.pi / 2)
        back = rotation_about(Z, np.radians(-lean_deg)) @ upright
        skeleton.turn(pose, "root", back)
        seat = self.mesh.starting("pelvis", "root")
        low = float(skeleton.skin(pose, seat)[:, 1].min())
        root = pose.head[mesh.bone("root")]
        pose.head += np.array([x_m - root[0], self.bench_height_m - low - 0.02, 0.0])
        skeleton.turn(pose, "head", upright)
        self._legs(pose)
        for side in SIDES:
            pole = np.array([0.4, -0.6, OUTWARD[side]])
            self.poser.reach(pose, side, wrists[side], pole)
        return pose


def skull_centre(mesh: Mesh) -> Array:
    """Centre of the skull at rest: between the brow's level and the crown, front and back."""
    head = mesh.starting("head", "temporalis")
    points = mesh.vertices[head]
    eyes = np.mean([mesh.vertices[mesh.starting(f"eye.{TAG[s]}")].mean(axis=0) for s in SIDES], 0)
    level = np.abs(points[:, 0] - eyes[0] - 0.02) < 0.02
    return np.array(
        [eyes[0] + 0.015, float(np.mean([points[level, 1].min(), points[level, 1].max()])), 0.0]
    )


def carried(mesh: Mesh, pose: Pose, bone: str, point: Array) -> Array:
    """Where a point at rest goes with a bone, (3,)."""
    i = mesh.bone(bone)
    return pose.head[i] + pose.rotation[i] @ (point - mesh.heads[i])
