"""A skinned human body, laid on a bench and closed onto a bar by inverse kinematics.

Every rotation is a world-frame rotation relative to the rest pose, which is turned once so that the
body lies face up with its head toward +x. Limb segments keep their length by construction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from .packing import unpack

Array = NDArray[np.float64]

ARCHIVE = Path(__file__).parent / "bodies.npz"
# Bodies left out of every training set: the same mesh, so only what differs.
STRANGERS = Path(__file__).parent / "strangers.npz"
# Bodies drawn by themselves, told from one of the archive's.
DRAWN = {
    kind: Path(__file__).parent / f"{kind}s.npz"
    for kind in (
        *("guest", "caller", "regular", "arrival"),
        *(
            "joiner",
            "member",
            "entrant",
            "fellow",
            "host",
            "boarder",
            "dweller",
            "incomer",
            "keeper",
        ),
    )
}
GUEST_BASE = "tall_man"
VERTEX_STEP_M = 4e-5
SIDES = ("left", "right")
TAG = {"left": "L", "right": "R"}
OUTWARD = {"left": 1.0, "right": -1.0}
SHAFT_RADIUS_M = 0.014
# Move of the shoulder's joint, out and toward the head, in shares of the upper arm's length.
SHOULDER_MOVE = (0.036, 0.028)
# World axes of the lying body: x from the rest pose's up, y from its front, z from its left.
REST_TO_WORLD = np.array([[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]])


def unit(vector: Array) -> Array:
    """Scale a vector to length one."""
    return vector / np.linalg.norm(vector)


def cross(one: Array, other: Array) -> Array:
    """Cross product of two vectors, (3,); NumPy's own takes many times as long for a single one."""
    x, y, z = one.tolist()
    u, v, w = other.tolist()
    return np.array([y * w - z * v, z * u - x * w, x * v - y * u])


def rotation_about(axis: Array, angle_rad: float) -> Array:
    """Rotation matrix about a unit axis (Rodrigues' formula)."""
    x, y, z = axis
    turn = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + np.sin(angle_rad) * turn + (1 - np.cos(angle_rad)) * turn @ turn


def rotation_between(start: Array, end: Array) -> Array:
    """Smallest rotation that turns one unit vector onto another."""
    axis = cross(start, end)
    sine = np.linalg.norm(axis)
    if sine < 1e-12:
        return np.eye(3)
    return rotation_about(axis / sine, float(np.arctan2(sine, start @ end)))


def frame_of(first: Array, second: Array) -> Array:
    """Orthonormal frame, columns: first, the part of second normal to it, their cross product."""
    a = unit(first)
    b = unit(second - (second @ a) * a)
    return np.column_stack([a, b, cross(a, b)])


def twist_about(rotation: Array, axis: Array) -> float:
    """Angle of a rotation's twist about a unit axis, radians in (-pi, pi]."""
    vector = np.array(
        [
            rotation[2, 1] - rotation[1, 2],
            rotation[0, 2] - rotation[2, 0],
            rotation[1, 0] - rotation[0, 1],
        ]
    )
    return float(np.arctan2(vector @ axis, 1.0 + np.trace(rotation)) * 2.0)


@dataclass(frozen=True)
class Mesh:
    """Rest pose of one build in the world's axes."""

    bones: tuple[str, ...]
    parents: tuple[int, ...]
    heads: Array
    tails: Array
    vertices: Array
    faces: NDArray[np.int64]
    weight_bones: NDArray[np.int64]
    weight_share: Array
    parts: tuple[str, ...]

    def bone(self, name: str) -> int:
        """Index of a bone."""
        return self.bones.index(name)

    def starting(self, *starts: str) -> NDArray[np.bool_]:
        """Vertices whose part's name starts with one of some strings, (n,)."""
        return _starting(self.parts, starts)


@lru_cache(maxsize=256)
def _starting(parts: tuple[str, ...], starts: tuple[str, ...]) -> NDArray[np.bool_]:
    found = np.array([part.startswith(starts) for part in parts])
    found.setflags(write=False)
    return found


def anatomical(mesh: Mesh) -> Mesh:
    """The same body with the shoulder's joint in the centre of the humeral head.

    The bone of the base mesh begins about 1 cm too far in and too near the feet: 6.3-7.8 cm under
    the skin over the deltoid and 0.19-0.23 of stature between both, where half the difference of
    bideltoid breadth and distance between the joints leaves 5.3-5.8 cm, and biacromial breadth
    less 1 cm each side 0.21-0.225 of stature (ANSUR II means, from memory). The length of the arm
    changes by less than 1 mm.

    Parameters
    ----------
    mesh
        Body at rest in the world's axes.
    """
    heads = mesh.heads.copy()
    for side in SIDES:
        arm, elbow = (mesh.bone(f"{name}.{TAG[side]}") for name in ("upperarm01", "lowerarm01"))
        length = np.linalg.norm(heads[elbow] - heads[arm])
        out, headward = SHOULDER_MOVE
        heads[arm] += length * np.array([headward, 0.0, OUTWARD[side] * out])
    return replace(mesh, heads=heads)


@cache
def load_mesh(build: str) -> Mesh:
    """Read one build from the archive, its shoulders put where anatomy has them.

    Parameters
    ----------
    build
        ``"tall_man"``, ``"broad_man"`` or ``"woman"``; ``"stranger_1"`` to ``"stranger_8"``;
        ``"guest_1"`` to ``"guest_20"`` and further kinds of `DRAWN`.
    """
    return anatomical(baked_mesh(build))


def baked_mesh(build: str) -> Mesh:
    """Read one build as it was baked; ``build`` as for `load_mesh`."""
    with np.load(ARCHIVE) as archive:
        names = archive["part_names"]
        heads, tails, vertices = _shape(build, archive)
        return Mesh(
            bones=tuple(str(b) for b in archive["bones"]),
            parents=tuple(int(p) for p in archive["parents"]),
            heads=heads.astype(float) @ REST_TO_WORLD.T,
            tails=tails.astype(float) @ REST_TO_WORLD.T,
            vertices=vertices * VERTEX_STEP_M @ REST_TO_WORLD.T,
            faces=archive["faces"].astype(np.int64),
            weight_bones=archive["weight_bones"].astype(np.int64),
            weight_share=archive["weight_share"] / 255.0,
            parts=tuple(str(names[i]) for i in archive["part"]),
        )


def _shape(build: str, archive: Mapping[str, NDArray[Any]]) -> tuple[NDArray[Any], ...]:
    """Heads and tails of a build's bones and its vertices, as they were baked."""
    kind, _, rest = build.partition("_")
    if kind in DRAWN:
        number = int(rest) - 1
        with np.load(DRAWN[kind]) as drawn:
            base = archive[f"{GUEST_BASE}_vertices"]
            vertices = unpack(drawn["vertices"][:, number], base)
            return drawn["heads"][number], drawn["tails"][number], vertices
    keys = [f"{build}_{what}" for what in ("heads", "tails", "vertices")]
    if build.startswith("stranger"):
        with np.load(STRANGERS) as strangers:
            return tuple(strangers[key] for key in keys)
    return tuple(archive[key] for key in keys)


@dataclass
class Pose:
    """World rotation and joint position of every bone."""

    rotation: Array
    head: Array

    def copy(self) -> Pose:
        """Copy both arrays."""
        return Pose(self.rotation.copy(), self.head.copy())


class Skeleton:
    """Forward kinematics and linear blend skinning of one build."""

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        # A parent stands before its children in the archive.
        below = [[bone] for bone in range(len(mesh.bones))]
        for child in reversed(range(len(mesh.bones))):
            if mesh.parents[child] >= 0:
                below[mesh.parents[child]] += below[child]
        self.below = [np.array(bones) for bones in below]

    def rest(self) -> Pose:
        """Body lying straight, not yet on the bench."""
        return Pose(np.tile(np.eye(3), (len(self.mesh.bones), 1, 1)), self.mesh.heads.copy())

    def turn(self, pose: Pose, name: str, rotation: Array) -> None:
        """Give a bone a world rotation; everything below follows rigidly."""
        bone = self.mesh.bone(name)
        change = rotation @ pose.rotation[bone].T
        pivot, moved = pose.head[bone].copy(), self.below[bone]
        pose.rotation[moved] = change @ pose.rotation[moved]
        pose.head[moved] = pivot + (pose.head[moved] - pivot) @ change.T

    def shift(self, pose: Pose, name: str, place: Array) -> None:
        """Move a bone and everything below so that its joint lies at a place."""
        bone = self.mesh.bone(name)
        pose.head[self.below[bone]] += place - pose.head[bone]

    def skin(
        self,
        pose: Pose,
        chosen: NDArray[np.bool_] | None = None,
        rest: Array | None = None,
    ) -> Array:
        """Vertices of the posed body, shape (n, 3)."""
        mesh = self.mesh
        offset = pose.head - np.einsum("bij,bj->bi", pose.rotation, mesh.heads)
        which = slice(None) if chosen is None else chosen
        points, bones, share = (
            (mesh.vertices if rest is None else rest)[which],
            mesh.weight_bones[which],
            mesh.weight_share[which],
        )
        blended = np.einsum("vk,vkij->vij", share, pose.rotation[bones])
        shift = np.einsum("vk,vki->vi", share, offset[bones])
        return np.einsum("vij,vj->vi", blended, points) + shift


def two_bone(start: Array, end: Array, first_m: float, second_m: float, pole: Array) -> Array:
    """Middle joint of a two-segment limb.

    Parameters
    ----------
    start, end
        Joints at both ends, (3,), metres.
    first_m, second_m
        Segment lengths, metres.
    pole
        Direction toward which the middle joint points.

    Raises
    ------
    ValueError
        The ends are further apart than the segments reach.
    """
    span = end - start
    distance = float(np.linalg.norm(span))
    along = span / distance
    a = (first_m**2 - second_m**2 + distance**2) / (2 * distance)
    rest = first_m**2 - a**2
    if distance > first_m + second_m or rest < 0:
        raise ValueError(f"out of reach: {distance:.3f} m of {first_m + second_m:.3f} m")
    side = unit(pole - (pole @ along) * along)
    return start + a * along + np.sqrt(rest) * side


@dataclass(frozen=True)
class Stance:
    """How the lifter lies.

    Attributes
    ----------
    arch_deg
        Extension of the spine between pelvis and upper back.
    ankle_back_m
        Ankles behind (toward the feet end of) the hip joints.
    ankle_out_m
        Ankles to the side of the body's middle.
    foot_out_deg
        Toes turned out.
    feet_height_m
        Soles over the floor, as with the feet on the bench.
    head_up_deg
        Head lifted off the bench.
    """

    arch_deg: float = 34.0
    ankle_back_m: float = 0.22
    ankle_out_m: float = 0.33
    foot_out_deg: float = 25.0
    feet_height_m: float = 0.0
    head_up_deg: float = 0.0


@dataclass(frozen=True)
class ArmStyle:
    """How the arms follow the bar.

    Attributes
    ----------
    flare_low_deg, flare_high_deg
        Direction in which the elbows point at the chest and at lockout: 0 toward the feet, 90
        straight out to the side.
    wrist_back_deg
        Extension of the wrist.
    extension
        Share of full arm length reached at lockout.
    """

    flare_low_deg: float = 70.0
    flare_high_deg: float = 55.0
    wrist_back_deg: float = 28.0
    extension: float = 0.985


@dataclass
class Hand:
    """Constant shape of a closed hand around the shaft, in its own frame (h, s, n)."""

    rest_frame: Array
    bar: Array
    fingers: dict[str, Array] = field(default_factory=dict)


class Lifter:
    """A body lying on the bench whose hands stay closed on the bar.

    Parameters
    ----------
    build
        Name of the build in the archive, or a body of any other.
    stance
        How the lifter lies.
    style
        How the arms follow the bar.
    bench_height_m
        Height of the pad over the floor.
    """

    def __init__(
        self, build: str | Mesh, stance: Stance, style: ArmStyle, bench_height_m: float
    ) -> None:
        self.mesh = build if isinstance(build, Mesh) else load_mesh(build)
        self.skeleton = Skeleton(self.mesh)
        self.stance = stance
        self.style = style
        self.bench_height_m = bench_height_m
        self.hands = {side: self._closed_hand(side) for side in SIDES}
        self.lying = self._lie()
        self.arm_m = {
            side: (
                float(
                    np.linalg.norm(self._rest(side, "lowerarm01") - self._rest(side, "upperarm01"))
                ),
                float(np.linalg.norm(self._rest(side, "wrist") - self._rest(side, "lowerarm01"))),
            )
            for side in SIDES
        }

    def _rest(self, side: str, name: str) -> Array:
        return self.mesh.heads[self.mesh.bone(f"{name}.{TAG[side]}")]

    def _closed_hand(self, side: str) -> Hand:
        mesh, tag = self.mesh, TAG[side]
        wrist = self._rest(side, "wrist")
        knuckle = self._rest(side, "finger3-1")
        h = unit(knuckle - wrist)
        s = self._rest(side, "finger5-1") - self._rest(side, "finger2-1")
        s = unit(s - (s @ h) * h)
        n = cross(h, s)
        if n @ (mesh.tails[mesh.bone(f"finger3-3.{tag}")] - knuckle) < 0:
            n = -n
        frame = np.column_stack([h, s, n])
        local = (mesh.vertices - wrist) @ frame
        reach = 0.62 * float(np.linalg.norm(knuckle - wrist))
        palm = mesh.starting(*(f"metacarpal{i}.{tag}" for i in range(1, 5)))
        palm = palm & (np.abs(local[:, 0] - reach) < 0.02)
        bar = np.array(
            [reach, 0.0, float(np.quantile(local[palm, 2], 0.85)) + SHAFT_RADIUS_M - 0.002]
        )
        hand = Hand(frame, bar)
        for finger in range(2, 6):
            base = (self._rest(side, f"finger{finger}-1") - wrist) @ frame
            point = base[[0, 2]]
            centre = bar[[0, 2]]
            for joint in range(1, 4):
                bone = mesh.bone(f"finger{finger}-{joint}.{tag}")
                after = (
                    self._rest(side, f"finger{finger}-{joint + 1}")
                    if joint < 3
                    else mesh.tails[bone]
                )
                length = float(np.linalg.norm(after - mesh.heads[bone]))
                wrap = SHAFT_RADIUS_M + (0.0105 if joint < 3 else 0.009)
                step = _wrap_step(point, centre, length, wrap)
                hand.fingers[f"finger{finger}-{joint}"] = np.array([step[0], 0.0, step[1]])
                point = point + length * step
        point = (self._rest(side, "finger1-1") - wrist) @ frame
        goals = (
            np.array([bar[0] - 0.022, point[1] - 0.012, bar[2] + 0.020]),
            np.array([bar[0] + 0.010, point[1] - 0.004, bar[2] + 0.030]),
            np.array([bar[0] + 0.030, point[1] + 0.008, bar[2] + 0.016]),
        )
        for joint, goal in enumerate(goals, start=1):
            bone = mesh.bone(f"finger1-{joint}.{tag}")
            after = self._rest(side, f"finger1-{joint + 1}") if joint < 3 else mesh.tails[bone]
            direction = unit(goal - point)
            hand.fingers[f"finger1-{joint}"] = direction
            point = point + float(np.linalg.norm(after - mesh.heads[bone])) * direction
        return hand

    def _spine(self, tilt_rad: float, neck_rad: float) -> Pose:
        skeleton, pose = self.skeleton, self.skeleton.rest()
        z = np.array([0.0, 0.0, 1.0])
        angle = tilt_rad
        skeleton.turn(pose, "root", rotation_about(z, angle))
        arch = np.radians(self.stance.arch_deg)
        shares = (("spine04", 0.30), ("spine03", 0.30), ("spine02", 0.25), ("spine01", 0.15))
        for name, share in shares:
            angle -= share * arch
            skeleton.turn(pose, name, rotation_about(z, angle))
        for name, share in (("neck01", 0.4), ("neck02", 0.3), ("neck03", 0.3)):
            angle += share * neck_rad
            skeleton.turn(pose, name, rotation_about(z, angle))
        skeleton.turn(pose, "head", rotation_about(z, 0.10))
        self._girdle(pose, 0.0)
        return pose

    def _girdle(self, pose: Pose, raised: float) -> None:
        """Draw the shoulder blades back and down; they give a little as the arms straighten."""
        trunk = pose.rotation[self.mesh.bone("spine01")]
        for side in SIDES:
            out = OUTWARD[side]
            back = np.radians(13.0 - 5.0 * raised)
            down = np.radians(7.0)
            local = rotation_about(np.array([0.0, 1.0, 0.0]), out * down) @ rotation_about(
                np.array([1.0, 0.0, 0.0]), out * back
            )
            self.skeleton.turn(pose, f"clavicle.{TAG[side]}", trunk @ local)

    def _lie(self) -> Pose:
        skeleton = self.skeleton
        seat = self.mesh.starting("pelvis", "spine05")
        back = self.mesh.starting("spine01", "spine02", "clavicle", "shoulder01")
        head = self.mesh.starting("head", "neck")

        def gap(tilt_rad: float) -> float:
            pose = self._spine(tilt_rad, 0.0)
            return float(
                skeleton.skin(pose, seat)[:, 1].min() - skeleton.skin(pose, back)[:, 1].min()
            )

        tilt = brentq(gap, -0.6, 1.2, xtol=1e-14)
        pose = self._spine(tilt, 0.0)
        level = float(skeleton.skin(pose, back)[:, 1].min())

        def head_gap(neck_rad: float) -> float:
            return float(skeleton.skin(self._spine(tilt, neck_rad), head)[:, 1].min()) - level

        neck = brentq(head_gap, -0.8, 1.4, xtol=1e-14)
        pose = self._spine(tilt, neck + np.radians(self.stance.head_up_deg))
        shoulders = [self._joint(pose, side, "upperarm01") for side in SIDES]
        middle = (shoulders[0] + shoulders[1]) / 2
        # The pad gives a little under the body.
        pose.head += np.array([-middle[0], self.bench_height_m - 0.012 - level, 0.0])
        self._legs(pose)
        return pose

    def _joint(self, pose: Pose, side: str, name: str) -> Array:
        return pose.head[self.mesh.bone(f"{name}.{TAG[side]}")]

    def _legs(self, pose: Pose) -> None:
        skeleton, mesh = self.skeleton, self.mesh
        sole = float(mesh.vertices[:, 0].min())
        for side in SIDES:
            tag, out = TAG[side], OUTWARD[side]
            hip = self._joint(pose, side, "upperleg01").copy()
            rest_hip, rest_knee, rest_ankle = (
                self._rest(side, n) for n in ("upperleg01", "lowerleg01", "foot")
            )
            thigh = float(np.linalg.norm(rest_knee - rest_hip))
            shank = float(np.linalg.norm(rest_ankle - rest_knee))
            ankle = np.array(
                [
                    hip[0] - self.stance.ankle_back_m,
                    rest_ankle[0] - sole + 0.012 + self.stance.feet_height_m,
                    out * self.stance.ankle_out_m,
                ]
            )
            knee = two_bone(hip, ankle, thigh, shank, np.array([-1.0, 0.35, 0.35 * out]))
            lateral = np.array([0.0, 0.0, 1.0])
            hinge = unit(cross(knee - hip, ankle - knee))
            hinge = hinge * np.sign(hinge @ lateral)
            for names, rest_line, line in (
                (("upperleg01", "upperleg02"), rest_knee - rest_hip, knee - hip),
                (("lowerleg01", "lowerleg02"), rest_ankle - rest_knee, ankle - knee),
            ):
                turned = frame_of(line, hinge) @ frame_of(rest_line, lateral).T
                skeleton.turn(pose, f"{names[0]}.{tag}", turned)
            foot = rotation_about(
                np.array([0.0, 1.0, 0.0]), out * np.radians(self.stance.foot_out_deg)
            ) @ rotation_about(lateral, np.pi / 2)
            skeleton.turn(pose, f"foot.{tag}", foot)

    def chest_top(self, x_m: float) -> float:
        """Height of the chest's front at a place along the body, metres."""
        chest = self.mesh.starting("spine", "breast", "clavicle")
        points = self.skeleton.skin(self.lying, chest)
        near = (np.abs(points[:, 0] - x_m) < 0.025) & (np.abs(points[:, 2]) < 0.12)
        return float(points[near, 1].max())

    def shoulder(self, side: str, raised: float) -> Array:
        """Shoulder joint for a share of lockout height, (3,)."""
        pose = self.lying.copy()
        self._girdle(pose, raised)
        return self._joint(pose, side, "upperarm01").copy()

    def _hand_frame(self, side: str, bar_axis: Array, forearm: Array) -> Array:
        s = OUTWARD[side] * bar_axis
        up = unit(forearm - (forearm @ s) * s)
        headward = unit(cross(up, OUTWARD[side] * s))
        angle = np.radians(self.style.wrist_back_deg)
        h = np.cos(angle) * up + np.sin(angle) * headward
        n = np.sin(angle) * up - np.cos(angle) * headward
        return np.column_stack([h, s, n])

    def _arm(
        self, side: str, shoulder: Array, grip: Array, bar_axis: Array, raised: float
    ) -> tuple[Array, Array, Array]:
        """Elbow, wrist and hand frame for a grip point on the bar's axis."""
        pole = self._pole(side, raised)
        forearm = np.array([0.0, 1.0, 0.0])
        first, second = self.arm_m[side]
        for _ in range(12):
            frame = self._hand_frame(side, bar_axis, forearm)
            wrist = grip - frame @ self.hands[side].bar
            elbow = two_bone(shoulder, wrist, first, second, pole)
            forearm = unit(wrist - elbow)
        return elbow, wrist, frame

    def _pole(self, side: str, raised: float) -> Array:
        """Where the elbow points, (3,)."""
        style = self.style
        flare = np.radians(
            style.flare_low_deg + (style.flare_high_deg - style.flare_low_deg) * raised
        )
        return np.array([-np.cos(flare), -0.35, OUTWARD[side] * np.sin(flare)])

    def lockout_height(self, x_m: float, grip_width_m: float) -> float:
        """Height of the bar at which the arms reach their lockout share of full length, metres."""

        def spare(y_m: float) -> float:
            side = "left"
            shoulder = self.shoulder(side, 1.0)
            grip = np.array([x_m, y_m, grip_width_m / 2])
            frame = self._hand_frame(side, np.array([0.0, 0.0, 1.0]), unit(grip - shoulder))
            wrist = grip - frame @ self.hands[side].bar
            return float(np.linalg.norm(wrist - shoulder)) - self.style.extension * sum(
                self.arm_m[side]
            )

        return brentq(spare, self.bench_height_m + 0.3, self.bench_height_m + 1.2, xtol=1e-14)

    def hold(self, grips: dict[str, Array], bar_axis: Array, raised: float) -> Pose:
        """Pose with both hands closed on the bar.

        Parameters
        ----------
        grips
            Points of the bar's axis in the middle of each hand, (3,), metres.
        bar_axis
            Unit vector from the bar's right end to its left end.
        raised
            0 with the bar on the chest, 1 at lockout.
        """
        pose = self.lying.copy()
        self._girdle(pose, raised)
        for side in SIDES:
            shoulder = self._joint(pose, side, "upperarm01").copy()
            elbow, wrist, frame = self._arm(side, shoulder, grips[side], bar_axis, raised)
            self._set_arm(pose, side, shoulder, elbow, wrist, frame)
        return pose

    def _set_arm(
        self, pose: Pose, side: str, shoulder: Array, elbow: Array, wrist: Array, frame: Array
    ) -> None:
        skeleton, tag, mesh = self.skeleton, TAG[side], self.mesh
        rest_s, rest_e, rest_w = (
            self._rest(side, n) for n in ("upperarm01", "lowerarm01", "wrist")
        )
        upper, lower = unit(elbow - shoulder), unit(wrist - elbow)
        rest_upper, rest_lower = unit(rest_e - rest_s), unit(rest_w - rest_e)
        rest_hinge = cross(rest_upper, rest_lower)
        hinge = cross(upper, lower)
        full = frame_of(upper, hinge) @ frame_of(rest_upper, rest_hinge).T
        girdle = pose.rotation[mesh.bone(f"shoulder01.{tag}")]
        swing = rotation_between(girdle @ rest_upper, upper) @ girdle
        twist = twist_about(full @ swing.T, upper)
        skeleton.turn(pose, f"upperarm01.{tag}", rotation_about(upper, 0.4 * twist) @ swing)
        skeleton.turn(pose, f"upperarm02.{tag}", full)
        # Sharing the twist between two bones moves the joint below by millimetres; put it back.
        skeleton.shift(pose, f"lowerarm01.{tag}", elbow)
        forearm = frame_of(lower, hinge) @ frame_of(rest_lower, rest_hinge).T
        hand = self.hands[side]
        hand_rotation = frame @ hand.rest_frame.T
        twist = twist_about(hand_rotation @ forearm.T, lower)
        skeleton.turn(pose, f"lowerarm01.{tag}", rotation_about(lower, 0.15 * twist) @ forearm)
        skeleton.turn(pose, f"lowerarm02.{tag}", rotation_about(lower, 0.65 * twist) @ forearm)
        skeleton.shift(pose, f"wrist.{tag}", wrist)
        skeleton.turn(pose, f"wrist.{tag}", hand_rotation)
        for name, local in hand.fingers.items():
            bone = mesh.bone(f"{name}.{tag}")
            current = pose.rotation[bone] @ unit(self._after(side, name) - mesh.heads[bone])
            turned = rotation_between(current, frame @ local) @ pose.rotation[bone]
            skeleton.turn(pose, f"{name}.{tag}", turned)

    def _after(self, side: str, name: str) -> Array:
        finger, joint = name.removeprefix("finger").split("-")
        if int(joint) < 3:
            return self._rest(side, f"finger{finger}-{int(joint) + 1}")
        return self.mesh.tails[self.mesh.bone(f"{name}.{TAG[side]}")]

    def joints(self, pose: Pose) -> dict[str, Array]:
        """Joint centres of a pose, metres."""
        names = {
            "shoulder": "upperarm01",
            "elbow": "lowerarm01",
            "wrist": "wrist",
            "hip": "upperleg01",
            "knee": "lowerleg01",
            "ankle": "foot",
        }
        return {
            f"{side}_{label}": self._joint(pose, side, bone).copy()
            for label, bone in names.items()
            for side in SIDES
        }


def _wrap_step(point: Array, centre: Array, length_m: float, wrap_m: float) -> Array:
    """Direction of a finger bone that lays its far end around the shaft, in the plane (h, n)."""
    to_centre = centre - point
    distance = float(np.linalg.norm(to_centre))
    heading = float(np.arctan2(to_centre[1], to_centre[0]))
    cosine = (length_m**2 + distance**2 - wrap_m**2) / (2 * length_m * distance)
    bend = float(np.arccos(np.clip(cosine, -1.0, 1.0)))
    angle = heading - bend
    return np.array([np.cos(angle), np.sin(angle)])
