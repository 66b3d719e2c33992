"""A random scene: who lies where, with what, in which light; and its moments."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..generator.body import (
    OUTWARD,
    SHAFT_RADIUS_M,
    SHOULDER_MOVE,
    SIDES,
    TAG,
    ArmStyle,
    Array,
    Mesh,
    Pose,
    Stance,
    anatomical,
    rotation_about,
)
from ..generator.clip import bar_rotation
from ..generator.scenery import BAR_LENGTH_M, INNER_FACES_M, Load, Soup
from . import stage
from .bodies import Bodies
from .codes import BAR, OCCLUDER, OTHERS, PLATES, SCENERY, Light, rigid, rows
from .people import BenchLifter, Person, Poser, carried, draw_person, skull_centre

POINTS = (
    "left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist",
    "left_hand", "right_hand", "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle",
    "right_ankle", "head", "left_plate", "right_plate", "left_collar", "right_collar",
    "left_bar_end", "right_bar_end",
)  # fmt: skip
PRESS, RACKING, ARMS_DOWN, SITTING, EMPTY = range(5)
# How far apart anatomy has the hips, as a share of how far the mesh's bones are: 17-18 cm (0.72 of
# the breadth between the front iliac spines, Bell et al. 1990, from memory) of 23.6 cm.
HIPS_SHARE = 0.75
EXTRAS = 160


class RefusedError(ValueError):
    """A body cannot do what was drawn for it; the scene is passed over."""


@contextmanager
def _may_refuse() -> Iterator[None]:
    """Around the inverse kinematics, whose failures say no more than that it cannot be done."""
    try:
        yield
    except ValueError as why:
        raise RefusedError(str(why)) from why


@dataclass(frozen=True)
class Placed:
    """Vertices and where they stand: rows (n, 14), triangles or None, (4, 4)."""

    data: NDArray[np.float32]
    tris: NDArray[np.int64] | None
    place: NDArray[np.float64]
    closed: bool = False
    casts: bool = True


@dataclass(frozen=True)
class Moment:
    """One instant of a scene.

    Attributes
    ----------
    things
        What moves.
    points
        World places of `POINTS`, (21, 3) metres; NaN for what is not there.
    bone_shoulders
        Where the mesh's own shoulder bones begin, (2, 3).
    pressing
        Whether the lifter lies with the bar in the hands.
    raised
        Height of the bar: 0 on the chest, 1 at lockout; NaN without.
    """

    things: list[Placed]
    points: Array
    bone_shoulders: Array
    pressing: bool
    raised: float

    @property
    def empty(self) -> bool:
        """Whether there is no lifter."""
        return bool(np.isnan(self.points[0, 0]))


@dataclass(frozen=True)
class Scene:
    """Everything about a scene that does not hang on the camera.

    ``mirror`` is the (4, 4) that mirrors the world in a wall, None without one.
    """

    still: list[Placed]
    moments: list[Moment]
    light: Light
    space: stage.Space
    tags: dict[str, float]
    body: int
    mirror: Array | None


def placed_soup(soup: Soup, group: float, casts: bool = True) -> Placed:
    """Scenery as it stands."""
    return Placed(rows(soup, group), None, np.eye(4), casts=casts)


@dataclass(frozen=True, eq=False)
class People:
    """The bodies of one split of an archive."""

    bodies: Bodies
    split: str

    def pick(self, rng: np.random.Generator) -> Mesh:
        """One of them, with the shoulders where anatomy has them."""
        return anatomical(self.bodies.mesh(int(rng.choice(self.bodies.of(self.split)))))


@lru_cache(maxsize=4)
def people_of(bodies: Bodies, split: str) -> People:
    """The same object for the same archive and split, so that it can be a cache's key."""
    return People(bodies, split)


@lru_cache(maxsize=40)
def _extra(people: People, index: int) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Somebody who stands at the origin and faces -x; the same for the same number."""
    rng = np.random.default_rng([77, index])
    mesh = people.pick(rng)
    person, _ = draw_person(mesh, rng)
    hands: dict[str, Array | None] = {"left": None, "right": None}
    kind = rng.random()
    if kind < 0.25:
        hands = {s: np.array([-0.10, 0.98, 0.24 * OUTWARD[s]]) for s in SIDES}
    elif kind < 0.45:
        hands = {s: np.array([-0.28, 1.25, 0.10 * OUTWARD[s]]) for s in SIDES}
    elif kind < 0.6:
        hands["left"] = np.array([-0.30, 1.35, 0.20])
    pose = Poser(mesh).standing(
        (0.0, 0.0), 0.0, float(rng.uniform(-3, 14)), hands, float(rng.uniform(-5, 35))
    )
    return person.rows(pose, OTHERS), person.rig.tris


def _turned(place: Array, angle_deg: float) -> NDArray[np.float64]:
    return rigid(rotation_about(np.array([0.0, 1.0, 0.0]), np.radians(angle_deg)), place)


def _bystanders(key: People, space: stage.Space, rng: np.random.Generator) -> list[Placed]:
    out = []
    for _ in range(int(rng.choice([0, 1, 2, 3, 5], p=[0.45, 0.25, 0.15, 0.1, 0.05]))):
        x = rng.uniform(space.low[0] + 0.5, space.high[0] - 0.4)
        z = rng.uniform(space.low[2] + 0.4, space.high[2] - 0.4)
        if -2.0 < x < 0.75 and abs(z) < 1.35:
            continue
        data, tris = _extra(key, int(rng.integers(EXTRAS)))
        out.append(
            Placed(data, tris, _turned(np.array([x, 0.0, z]), float(rng.uniform(0, 360))), True)
        )
    return out


def somebody(key: People, place: Array, heading_deg: float, rng: np.random.Generator) -> Placed:
    """Somebody who stands at a place (3,)."""
    data, tris = _extra(key, int(rng.integers(EXTRAS)))
    return Placed(data, tris, _turned(place, heading_deg), True)


@lru_cache(maxsize=10)
def _other_lifter(
    key: People, index: int
) -> list[tuple[NDArray[np.float32], NDArray | None, Array]]:
    """Somebody else who presses on a bench of his own at the origin."""
    rng = np.random.default_rng([78, index])
    mesh = key.pick(rng)
    person, _ = draw_person(mesh, rng)
    stance = replace(_stance(rng), feet_height_m=0.0)
    lifter = BenchLifter(mesh, stance, _style(rng), 0.43)
    grip = float(rng.uniform(0.5, 0.8))
    raised = float(rng.uniform(0.1, 1.0))
    top, low = lifter.lockout_height(0.0, grip), lifter.chest_top(-0.14) + SHAFT_RADIUS_M
    middle = np.array([-0.14 * (1 - raised), low + (top - low) * raised - 0.01, 0.0])
    axis = np.array([0.0, 0.0, 1.0])
    pose = lifter.hold({s: middle + OUTWARD[s] * grip / 2 * axis for s in SIDES}, axis, raised)
    bar, plates, _ = stage.bar_soup(stage.draw_load(rng), rng)
    place = rigid(bar_rotation(axis), middle)
    furniture = Soup.join(
        [
            stage.bench(0.43, np.eye(3), np.zeros(3), rng),
            stage.rack("posts", (0.25, top - 0.04), rng),
        ]
    )
    return [
        Placed(person.rows(pose, OTHERS), person.rig.tris, np.eye(4), True),
        Placed(rows(Soup.join([bar, plates]), OTHERS), None, place),
        placed_soup(furniture, SCENERY),
    ]


def _stance(rng: np.random.Generator) -> Stance:
    up = rng.random()
    stance = Stance(
        arch_deg=float(rng.uniform(8, 46)),
        ankle_back_m=float(rng.uniform(0.08, 0.42)),
        ankle_out_m=float(rng.uniform(0.20, 0.42)),
        foot_out_deg=float(rng.uniform(5, 45)),
        head_up_deg=float(rng.uniform(5, 35)) if rng.random() < 0.2 else 0.0,
    )
    if up < 0.07:
        stance = replace(
            stance,
            arch_deg=float(rng.uniform(4, 20)),
            ankle_back_m=float(rng.uniform(0.30, 0.45)),
            ankle_out_m=float(rng.uniform(0.09, 0.13)),
            foot_out_deg=5.0,
            feet_height_m=0.43,
        )
    return stance


def _style(rng: np.random.Generator) -> ArmStyle:
    return ArmStyle(
        flare_low_deg=float(rng.uniform(12, 90)),
        flare_high_deg=float(rng.uniform(20, 75)),
        wrist_back_deg=float(rng.uniform(-5, 55)),
        extension=float(rng.uniform(0.955, 0.995)),
    )


def _laid(
    mesh: Mesh, stance: Stance, style: ArmStyle, height_m: float, slope_deg: float
) -> BenchLifter:
    """Lay a body on the bench; one that cannot arch so far arches less."""
    for share in (1.0, 0.6, 0.3):
        try:
            less = replace(stance, arch_deg=share * stance.arch_deg)
            return BenchLifter(mesh, less, style, height_m, slope_deg)
        except ValueError as why:
            reason = why
    raise RefusedError(str(reason)) from reason


def draw_scene(rng: np.random.Generator, bodies: Bodies, split: str, moments: int) -> Scene:
    """A scene at random.

    Parameters
    ----------
    rng
        Source of everything random.
    bodies, split
        Where everybody's body comes from.
    moments
        How many instants.

    Raises
    ------
    RefusedError
        The body cannot lie so, or its arms do not reach the bar.
    """
    key = people_of(bodies, split)
    kind = int(rng.choice(5, p=[0.76, 0.07, 0.05, 0.05, 0.07]))
    index = int(rng.choice(bodies.of(split)))
    mesh = anatomical(bodies.mesh(index))
    space = stage.draw_space(rng)
    light, light_kind = stage.draw_light(rng)
    wall = int(rng.integers(1, 4)) if rng.random() < 0.08 else -1
    mirror = None if wall < 0 else stage.reflection(space, wall)
    shell, clutter = stage.room(space, rng, wall)
    still = [placed_soup(shell, SCENERY, False), placed_soup(clutter, SCENERY)]
    still += _bystanders(key, space, rng)
    if rng.random() < 0.12:
        across = float(rng.choice([-1.0, 1.0]) * rng.uniform(1.9, 2.6))
        shift = rigid(np.eye(3), np.array([rng.uniform(-0.4, 0.4), 0.0, across]))
        with _may_refuse():
            others = _other_lifter(key, int(rng.integers(60)))
        for p in others:
            still.append(replace(p, place=shift @ p.place))
    slope, height = 0.0, float(rng.uniform(0.40, 0.50))
    bed = rng.random()
    if bed < 0.10:
        slope = float(rng.uniform(12, 40))
    elif bed < 0.14:
        slope = float(rng.uniform(-20, -8))
    elif bed < 0.18:
        height = 0.012
    stance, style = _stance(rng), _style(rng)
    if height < 0.1:
        stance = replace(
            stance,
            arch_deg=float(rng.uniform(2, 14)),
            ankle_back_m=float(rng.uniform(0.35, 0.6)),
            ankle_out_m=float(rng.uniform(0.12, 0.25)),
            feet_height_m=0.0,
        )
    elif stance.feet_height_m:
        stance = replace(stance, feet_height_m=height)
    person, outfit = draw_person(mesh, rng)
    lifter = _laid(mesh, stance, style, height, slope)
    load = stage.draw_load(rng)
    setup = _Setup(key, lifter, person, load, kind, rng)
    still.append(placed_soup(stage.bench(height, lifter.slope, lifter.pivot, rng), SCENERY))
    still += setup.rack()
    if kind in (PRESS, RACKING) and rng.random() < 0.06:
        for across in (-1.0, 1.0):
            place = np.array([rng.uniform(-0.3, 0.2), 0.0, across * rng.uniform(1.3, 1.6)])
            still.append(somebody(key, place, -90.0 * across + rng.normal(0, 12), rng))
    drawn = [setup.moment() for _ in range(moments)]
    luminance = float(np.dot(outfit.skin, (0.2126, 0.7152, 0.0722)))
    tags = {
        "kind": float(kind),
        "light": float(light_kind),
        "gain": light.gain,
        "skin": luminance,
        "sleeve": 2.0 * (outfit.forearm_share > 0)
        + 1.0 * (0.3 <= outfit.sleeve_share <= 1 and not outfit.bare_chest)
        - 1.0 * outfit.bare_chest,
        "loose_m": outfit.loose_m,
        "plate_m": max((p.diameter_m for p in load.plates), default=0.0),
        "spotter": float(setup.spotter),
        "grip_m": setup.grip,
        "flare_low_deg": style.flare_low_deg,
        "slope_deg": slope,
        "female": float(bodies.female[index]),
        "feet_up": float(stance.feet_height_m > 0),
        "dumbbells": float(setup.dumbbell is not None),
        "mirror": float(mirror is not None),
    }
    return Scene(still, drawn, light, space, tags, index, mirror)


class _Setup:
    """What the moments of a scene share."""

    def __init__(
        self,
        key: People,
        lifter: BenchLifter,
        person: Person,
        load: Load,
        kind: int,
        rng: np.random.Generator,
    ) -> None:
        self.key, self.lifter, self.person, self.load = key, lifter, person, load
        self.kind, self.rng = kind, rng
        self.grip = float(rng.uniform(0.36, 0.95) if rng.random() < 0.5 else rng.normal(0.72, 0.09))
        self.grip = float(np.clip(self.grip, 0.36, 0.95))
        lean = np.sin(np.arctan2(lifter.slope[1, 0], lifter.slope[0, 0]))
        self.top_x = float(rng.normal(0.0, 0.02)) + 0.5 * lean
        self.low_x = -float(rng.uniform(0.04, 0.24)) + 0.35 * lean
        with _may_refuse():
            self.top = lifter.lockout_height(self.top_x, self.grip)
        self.low = lifter.chest_top(min(self.low_x, 0.02)) + SHAFT_RADIUS_M + 0.004
        self.hook_x = self.top_x + float(rng.uniform(0.12, 0.30))
        if not -1e-6 < lifter.slope[1, 0] < 1e-6:
            self.hook_x = self.top_x + float(rng.uniform(0.05, 0.15))
        with _may_refuse():
            high = lifter.lockout_height(self.hook_x, self.grip)
        self.hook = high - float(rng.uniform(0.03, 0.10))
        self.hook_world = lifter.placed(np.array([self.hook_x, self.hook, 0.0]))
        self.spotter = bool(rng.random() < (0.3 if kind in (PRESS, RACKING) else 0.15))
        bar, plates, hanging = stage.bar_soup(load, rng)
        groups = ((bar, BAR), (plates, PLATES), (hanging, OCCLUDER))
        self.bar = [rows(soup, group) for soup, group in groups if len(soup.position)]
        self.dumbbell: NDArray[np.float32] | None = None
        if kind == PRESS and rng.random() < 0.07:
            self.dumbbell = rows(stage.dumbbell(rng), BAR)
        self.bent = bool(kind == PRESS and rng.random() < 0.08)
        if self.bent:
            self.grip = float(rng.uniform(0.30, 0.65))
        self.skull = skull_centre(lifter.mesh)
        spotter_mesh = key.pick(rng) if self.spotter else None
        self.second = Poser(spotter_mesh) if spotter_mesh is not None else None
        self.second_person = draw_person(spotter_mesh, rng)[0] if self.spotter else None
        self.spotter_x = float(rng.uniform(0.42, 0.75))

    def rack(self) -> list[Placed]:
        """Posts that hold the bar, if any."""
        rng = self.rng
        if self.lifter.bench_height_m < 0.1 and rng.random() < 0.6:
            return []
        kind = str(rng.choice(["posts", "cage", "half", "none"], p=[0.45, 0.22, 0.23, 0.10]))
        if kind == "none" and self.kind == PRESS:
            return []
        kind = "posts" if kind == "none" else kind
        soup = stage.rack(kind, (float(self.hook_world[0]), float(self.hook_world[1])), rng)
        return [placed_soup(soup, SCENERY)]

    def moment(self) -> Moment:
        """One instant at random."""
        kind, rng = self.kind, self.rng
        if kind in (PRESS, RACKING):
            return self._pressing()
        middle, axis = self.hook_world, np.array([0.0, 0.0, 1.0])
        bar = self._bar_things(middle, axis) if rng.random() < 0.8 else []
        bar_points = self._bar_points(middle, axis) if bar else np.full((6, 3), np.nan)
        if kind == EMPTY:
            points = np.vstack([np.full((15, 3), np.nan), bar_points * np.nan])
            return Moment(
                bar + self._spotter_things(middle), points, np.full((2, 3), np.nan), False, np.nan
            )
        pose = self._idle()
        points, bones = self._points(pose)
        points[15:] = bar_points
        things = [self._body(pose), *bar, *self._spotter_things(middle)]
        return Moment(things, points, bones, False, np.nan)

    def _idle(self) -> Pose:
        lifter, rng = self.lifter, self.rng
        length = sum(lifter.arm_m["left"])
        if self.kind == SITTING:
            where = int(rng.integers(3))
            x = float(rng.uniform(-0.55, -0.2))
            lean = float(rng.uniform(-25, 10))
            y = lifter.bench_height_m
            goals = (
                {s: np.array([x - 0.38, y + 0.20, 0.20 * OUTWARD[s]]) for s in SIDES},
                {s: np.array([x - 0.05, y + 0.05, 0.35 * OUTWARD[s]]) for s in SIDES},
                {s: np.array([x - 0.45, y + 0.45, 0.08 * OUTWARD[s]]) for s in SIDES},
            )[where]
            return lifter.sitting(x, lean, goals)
        where = int(rng.integers(4))
        wrists, poles = {}, {}
        for side in SIDES:
            out = OUTWARD[side]
            shoulder = lifter.shoulder(side, 0.3)
            if where == 0:
                goal = shoulder + length * np.array([-0.62, 0.12, 0.12 * out])
                goal[2] = out * rng.uniform(0.04, 0.14)
                goal[1] = max(lifter.chest_top(float(goal[0])) + 0.03, goal[1])
            elif where == 1:
                goal = shoulder + length * np.array([-0.80, -0.15, 0.35 * out])
            elif where == 2:
                goal = shoulder + length * np.array([-0.2, 0.75, 0.1 * out])
            else:
                goal = shoulder + length * np.array([0.25, 0.15, 0.35 * out])
            wrists[side] = goal + rng.normal(0, 0.02, 3)
            poles[side] = np.array([-0.3, -0.3 if where != 3 else 0.3, out])
        return lifter.resting(wrists, poles)

    def _pressing(self) -> Moment:
        lifter, rng = self.lifter, self.rng
        if self.kind == RACKING:
            share = float(rng.uniform(0, 1)) if rng.random() < 0.6 else 0.0
            middle = np.array([self.hook_x, self.hook, 0.0])
            middle = middle + share * (np.array([self.top_x, self.top - 0.005, 0.0]) - middle)
            raised = 1.0
        else:
            where = rng.random()
            if where < 0.25:
                raised = float(rng.uniform(0.0, 0.06))
            elif where < 0.40:
                raised = float(rng.uniform(0.93, 1.0))
            else:
                raised = float(rng.uniform(0.0, 1.0))
            bend = raised + rng.uniform(-0.3, 0.6) * raised * (1 - raised)
            middle = np.array(
                [
                    self.low_x + (self.top_x - self.low_x) * bend,
                    self.low + (self.top - self.low) * raised - 0.004,
                    0.0,
                ]
            )
            if self.bent:
                middle = self._over_the_head(raised)
            if raised < 0.97:
                middle[2] = rng.normal(0.0, 0.008)
        tilt = rng.normal(0, 0.6)
        if rng.random() < 0.2 and 0.05 < raised < 0.97:
            tilt = rng.uniform(-9, 9)
        tilt, yaw = np.radians(tilt), np.radians(rng.normal(0, 0.8))
        axis = np.array([np.sin(yaw) * np.cos(tilt), np.sin(tilt), np.cos(yaw) * np.cos(tilt)])
        shift = float(rng.normal(0, 0.008))
        for attempt in range(6):
            grips = {s: middle + (shift + OUTWARD[s] * self.grip / 2) * axis for s in SIDES}
            try:
                pose = lifter.hold(grips, axis, raised)
                break
            except ValueError as why:
                if attempt == 5:
                    raise RefusedError(str(why)) from why
                # Nearer to the shoulders until the arms reach.
                middle = middle - np.array([0.2 * (middle[0] - self.low_x), 0.02, 0.0])
        pose = lifter.sloped(pose)
        middle, axis = lifter.placed(middle), lifter.slope @ axis
        points, bones = self._points(pose)
        for i, side in enumerate(SIDES):
            points[6 + i] = lifter.placed(grips[side])
        if self.dumbbell is None:
            held = self._bar_things(middle, axis)
            points[15:] = self._bar_points(middle, axis)
        else:
            turn = bar_rotation(axis)
            held = [Placed(self.dumbbell, None, rigid(turn, points[6 + i])) for i in range(2)]
        things = [self._body(pose), *held, *self._spotter_things(middle)]
        return Moment(things, points, bones, True, raised)

    def _over_the_head(self, raised: float) -> Array:
        """Place of a bar that is lowered toward the face by bending the elbows, (3,)."""
        lifter, rng = self.lifter, self.rng
        lifter.elbows_up = float(rng.uniform(0, 100))
        shoulder = lifter.shoulder("left", raised)
        reach = float(rng.uniform(0.45, 0.95)) * sum(lifter.arm_m["left"])
        lean = np.radians(rng.uniform(-15, 55) * (1 - 0.5 * raised))
        height = max(reach * np.cos(lean), lifter.bench_height_m + 0.30 - shoulder[1])
        return np.array([shoulder[0] + reach * np.sin(lean), shoulder[1] + height, 0.0])

    def _body(self, pose: Pose) -> Placed:
        return Placed(self.person.rows(pose), self.person.rig.tris, np.eye(4), True)

    def _bar_things(self, middle: Array, axis: Array) -> list[Placed]:
        place = rigid(bar_rotation(axis), middle)
        return [Placed(data, None, place) for data in self.bar]

    def _bar_points(self, middle: Array, axis: Array) -> Array:
        load = self.load
        outer = load.biggest_m[1] if load.plates else np.nan
        out = [middle + OUTWARD[s] * outer * axis for s in SIDES]
        out += [middle + OUTWARD[s] * INNER_FACES_M / 2 * axis for s in SIDES]
        out += [middle + OUTWARD[s] * BAR_LENGTH_M / 2 * axis for s in SIDES]
        return np.array(out)

    def _points(self, pose: Pose) -> tuple[Array, Array]:
        lifter = self.lifter
        mesh = lifter.mesh
        joints = lifter.joints(pose)
        out = np.full((21, 3), np.nan)
        for i, name in enumerate(POINTS[:6] + POINTS[10:14]):
            out[i if i < 6 else i + 4] = joints[name]
        hips = (joints["left_hip"] + joints["right_hip"]) / 2
        bones = []
        for i, side in enumerate(SIDES):
            out[8 + i] = hips + HIPS_SHARE * (joints[f"{side}_hip"] - hips)
            wrist = mesh.bone(f"wrist.{TAG[side]}")
            hand = lifter.hands[side]
            out[6 + i] = pose.head[wrist] + pose.rotation[wrist] @ hand.rest_frame @ hand.bar
            bones.append(bone_shoulder(mesh, pose, side))
        out[14] = carried(mesh, pose, "head", self.skull)
        return out, np.array(bones)

    def _spotter_things(self, middle: Array) -> list[Placed]:
        if self.second is None or self.second_person is None:
            return []
        rng = self.rng
        touch = rng.random()
        wide = float(rng.uniform(0.05, 0.45))
        below = float(rng.uniform(0.0, 0.05)) if touch < 0.35 else float(rng.uniform(0.05, 0.4))
        hands: dict[str, Array | None] = {
            s: np.array([middle[0] + 0.07, middle[1] - below, OUTWARD[s] * wide]) for s in SIDES
        }
        if touch > 0.8:
            hands = {"left": None, "right": None}
        lean = float(rng.uniform(4, 30))
        place = (float(middle[0]) + self.spotter_x, float(rng.normal(0, 0.05)))
        pose = self.second.standing(place, 0.0, lean, hands, float(rng.uniform(5, 35)))
        data = self.second_person.rows(pose, OTHERS)
        return [Placed(data, self.second_person.rig.tris, np.eye(4), True)]


def bone_shoulder(mesh: Mesh, pose: Pose, side: str) -> Array:
    """Where the base mesh's own shoulder bone begins, carried by the shoulder girdle, (3,).

    Parameters
    ----------
    mesh
        Body whose shoulders were moved by `anatomical`.
    pose
        Its pose.
    side
        ``"left"`` or ``"right"``.
    """
    arm, elbow = (mesh.bone(f"{n}.{TAG[side]}") for n in ("upperarm01", "lowerarm01"))
    # The move changed the arm's length by well under a hundredth.
    length = float(np.linalg.norm(mesh.heads[elbow] - mesh.heads[arm]))
    out, headward = SHOULDER_MOVE
    bone = mesh.heads[arm] - length * np.array([headward, 0.0, OUTWARD[side] * out])
    return carried(mesh, pose, f"shoulder01.{TAG[side]}", bone)
