"""Stills from scenes: camera, crop, picture, and the state of every point."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..generator.body import Array, rotation_about, unit
from ..generator.camera import View
from . import stage
from .bodies import Bodies
from .codes import BAR, HEAD, OCCLUDER, PLATES, TRUNK
from .people import FOOT, FOREARM, HAND, SHANK, THIGH, UPPER_ARM
from .scenes import Moment, Placed, Scene, draw_scene, people_of, placed_soup, somebody

if TYPE_CHECKING:
    from .draw import Painter, Thing

SIDE_PX = 320
MOMENTS, CAMERAS = 3, 2
# States of a point: seen; in the picture but hidden; outside the picture or not there.
SEEN, HIDDEN, OUTSIDE = 0, 1, 2
# The points that a crop is measured by: shoulders, elbows, wrists, hands, head and hips.
BOX = (*range(10), 14)
# Of each point: radius of what surrounds it, and how much nearer than the point another part of
# the lifter must lie to hide it, metres.
RADIUS_M = np.array(
    [0.055] * 2 + [0.040] * 2 + [0.028] * 2 + [0.040] * 2 + [0.085] * 2 + [0.055] * 2
    + [0.045] * 2 + [0.080] + [0.02] * 2 + [0.02] * 2 + [0.02] * 2
)  # fmt: skip
DEEP_M = np.array(
    [0.14] * 2 + [0.09] * 2 + [0.07] * 2 + [0.09] * 2 + [0.17] * 2 + [0.10] * 2 + [0.09] * 2
    + [0.15] + [0.42] * 2 + [0.10] * 2 + [0.06] * 2
)  # fmt: skip
TRIES = 12


@dataclass(frozen=True)
class Still:
    """One picture and its truth.

    Attributes
    ----------
    image
        RGB, uint8 (320, 320, 3).
    points
        Places of `scenes.POINTS`, px of the image, origin at the centre of the top-left pixel,
        float32 (21, 2). Outside the picture they go on; NaN for what is not there.
    states
        0 seen, 1 hidden, 2 outside or not there, uint8 (21,).
    bone_shoulders
        Where the mesh's own shoulder bones begin, px, float32 (2, 2).
    pressing
        Whether the lifter lies with the bar in the hands.
    px_per_m
        At the middle of the shoulders; NaN without a lifter.
    azimuth_deg, elevation_deg, distance_m
        Camera from the middle of the shoulders: 0 from the feet, 90 from the lifter's left, 180
        from the head end; over the horizontal.
    body
        Index of the body.
    tags
        See `maker.TAGS`.
    """

    image: NDArray[np.uint8]
    points: NDArray[np.float32]
    states: NDArray[np.uint8]
    bone_shoulders: NDArray[np.float32]
    pressing: bool
    px_per_m: float
    azimuth_deg: float
    elevation_deg: float
    distance_m: float
    body: int
    tags: dict[str, float]


TAGS = {
    "kind": "0 press, 1 unracking or racking, 2 lying, arms off the bar, 3 sitting, 4 empty",
    "light": "0 even, 1 dim, 2 backlit, 3 coloured, 4 hard",
    "gain": "exposure",
    "skin": "luminance of the skin, linear",
    "sleeve": "-1 bare chest, 0 no sleeves, 1 short, 2 long",
    "loose_m": "how far cloth stands off the arms",
    "plate_m": "largest plate's diameter, 0 without plates",
    "spotter": "1 with a spotter",
    "grip_m": "between the hands' middles",
    "flare_low_deg": "direction of the elbows at the chest: 0 feet, 90 out",
    "slope_deg": "of the bench's back, incline positive",
    "female": "share of the female shape",
    "feet_up": "1 with the feet on the bench",
    "dumbbells": "1 with a dumbbell in each hand instead of the bar",
    "mirror": "1 with a wall of mirrors",
    "occluder": "0 none, 1 post, 2 person between camera and lifter",
    "raised": "height of the bar, 0 chest .. 1 lockout",
    "fill": "share of the side that the upper body fills",
}


def draw_camera(rng: np.random.Generator, centre: Array, space: stage.Space) -> tuple[Array, Array]:
    """Camera's place (3,) and world-to-camera rotation (3, 3).

    Parameters
    ----------
    rng
        Source of everything random.
    centre
        What it looks at, about, (3,).
    space
        Room in which it stands.
    """
    kind = rng.choice(4, p=[0.30, 0.30, 0.30, 0.10])
    side = rng.choice([-1.0, 1.0])
    azimuth = np.radians(
        (
            rng.uniform(-25, 25),
            side * rng.uniform(68, 112),
            side * rng.uniform(25, 68) if rng.random() < 0.75 else side * rng.uniform(112, 150),
            side * rng.uniform(150, 180),
        )[int(kind)]
    )
    distance = float(rng.uniform(1.2, 4.5) if rng.random() < 0.6 else rng.uniform(1.8, 3.4))
    height = float(np.clip(rng.normal(1.25, 0.45), 0.3, 2.6))
    if rng.random() < 0.25:
        height = float(rng.uniform(0.3, 2.6))
    flat = np.array([-np.cos(azimuth), 0.0, np.sin(azimuth)])
    for _ in range(20):
        eye = centre + flat * distance
        eye[1] = height
        if np.all(eye[[0, 2]] > space.low[[0, 2]] + 0.2) and np.all(
            eye[[0, 2]] < space.high[[0, 2]] - 0.2
        ):
            break
        distance *= 0.9
    eye[1] = min(height, space.high[1] - 0.2)
    target = centre + rng.normal(0, 0.18, 3) * np.array([1.0, 0.6, 1.0])
    forward = unit(target - eye)
    right = unit(np.cross(forward, np.array([0.0, 1.0, 0.0])))
    roll = float(rng.normal(0, 3.0) if rng.random() < 0.93 else rng.uniform(-25, 25))
    rotation = np.stack([right, np.cross(forward, right), forward])
    rotation = rotation_about(np.array([0.0, 0.0, 1.0]), np.radians(roll)) @ rotation
    return eye, rotation


def draw_crop(rng: np.random.Generator, flat: Array) -> tuple[Array, float, float]:
    """Middle (2,) and side of a square crop, and the share of it that is filled.

    Parameters
    ----------
    flat
        Places of the points of `BOX` on the plane one metre before the camera, (n, 2).
    """
    low, high = flat.min(axis=0), flat.max(axis=0)
    size = float(np.max(high - low))
    kind = rng.random()
    fill = float(rng.uniform(0.50, 0.85) if kind < 0.75 else rng.uniform(0.25, 0.92))
    side = size / fill
    free = (side - (high - low)) / 2
    middle = (low + high) / 2 + free * rng.uniform(-0.8, 0.8, 2) * rng.choice([0.35, 1.0])
    if rng.random() < 0.12:
        middle = middle + rng.uniform(-0.35, 0.35, 2) * side
    return middle, side, fill


def view_of(eye: Array, rotation: Array, middle: Array, side: float) -> View:
    """Camera whose picture is a crop of the plane one metre before it."""
    focal = SIDE_PX / side
    c = (SIDE_PX - 1) / 2 - middle * focal
    return View(rotation, eye, focal, float(c[0]), float(c[1]), 0.0, 0.0)


ALLOWED: tuple[tuple[float, ...], ...] = (
    *((UPPER_ARM + s,) for s in (0, 1)),
    *((UPPER_ARM + s, FOREARM + s) for s in (0, 1)),
    *((FOREARM + s, HAND + s, BAR) for s in (0, 1)),
    *((HAND + s, FOREARM + s, BAR) for s in (0, 1)),
    *((THIGH + s,) for s in (0, 1)),
    *((THIGH + s, SHANK + s) for s in (0, 1)),
    *((SHANK + s, FOOT + s) for s in (0, 1)),
    (HEAD,),
    *((BAR, PLATES) for _ in (0, 1)),
    *((BAR, PLATES) for _ in (0, 1)),
    *((BAR, PLATES) for _ in (0, 1)),
)
"""What may lie before each point at any distance, being its own limb."""
_LIMITED = {*range(15, 21)}


def point_states(
    points_px: Array, distance_m: Array, px_per_m: Array, what: NDArray[np.float32]
) -> NDArray[np.uint8]:
    """Whether each point is seen, hidden or outside.

    A point is hidden when before most of the disc of half its radius lies something that is not its
    own limb: another body or thing nearer than the point by more than the limb's radius, or
    another part of the lifter nearer by more than the depth to which it can lie in its own flesh.
    The points of the bar are hidden by its own plates only where those are nearer by more than
    their thickness.

    Parameters
    ----------
    points_px
        (21, 2); NaN: not there.
    distance_m
        Of the points from the eye, (21,).
    px_per_m
        Scale at each point, (21,).
    what
        Distance and group of what is seen, as `Painter.picture` gives it, (n, n, 2).
    """
    fine = what.shape[0] / SIDE_PX
    out = np.full(len(points_px), OUTSIDE, np.uint8)
    angle = np.arange(8) * np.pi / 4
    disc = np.vstack([[0.0, 0.0], np.column_stack([np.cos(angle), np.sin(angle)])])
    for i, (x, y) in enumerate(points_px):
        if not (-0.5 <= x < SIDE_PX - 0.5 and -0.5 <= y < SIDE_PX - 0.5):
            continue
        reach = 0.5 * RADIUS_M[i] * px_per_m[i]
        at = np.array([x, y]) + reach * disc
        cell = np.floor((at + 0.5) * fine).astype(int)
        inside = np.all((cell >= 0) & (cell < what.shape[0]), axis=1)
        depth, group = what[cell[inside, 1], cell[inside, 0]].T
        nearer = np.where(depth > 0, distance_m[i] - depth, -1.0)
        own = np.isin(group, ALLOWED[i])
        lifter = group >= TRUNK
        bar = i in _LIMITED
        blocked = np.where(
            own,
            (nearer > DEEP_M[i]) if bar else False,
            np.where(lifter & (not bar), nearer > DEEP_M[i], nearer > RADIUS_M[i]),
        )
        out[i] = HIDDEN if 2 * np.count_nonzero(blocked) > len(blocked) else SEEN
    return out


@dataclass(frozen=True)
class Shot:
    """One picture to be taken: the moment, the camera, and what stands in between."""

    moment: Moment
    view: View
    fill: float
    between: list[Placed]
    occluder: float


def plan_scene(
    seed: int, bodies: Bodies, split: str = "train"
) -> tuple[Scene, list[tuple[Moment, list[Shot]]]]:
    """A random scene and the pictures to be taken of it; nothing is drawn.

    Parameters
    ----------
    seed
        Seed of everything random.
    bodies
        Archive of bodies.
    split
        ``"train"`` or ``"left_out"``: whose bodies.

    Raises
    ------
    RefusedError
        The body drawn cannot do what was drawn for it: pass over this seed.
    """
    rng = np.random.default_rng([seed, 0 if split == "train" else 1])
    scene = draw_scene(rng, bodies, split, MOMENTS)
    plan = []
    for moment in scene.moments:
        shots = [_plan_shot(rng, scene, moment, bodies, split) for _ in range(CAMERAS)]
        plan.append((moment, [shot for shot in shots if shot is not None]))
    return scene, plan


def _plan_shot(
    rng: np.random.Generator, scene: Scene, moment: Moment, bodies: Bodies, split: str
) -> Shot | None:
    points = moment.points
    if moment.empty:
        centre = np.array([rng.uniform(-0.8, 0.3), rng.uniform(0.4, 1.0), rng.uniform(-0.5, 0.5)])
        box = centre + rng.uniform(-0.6, 0.6, (6, 3))
    else:
        centre = points[[0, 1, 6, 7, 8, 9]].mean(axis=0)
        box = points[list(BOX)]
    for _ in range(TRIES):
        eye, rotation = draw_camera(rng, centre, scene.space)
        local = (box - eye) @ rotation.T
        if local[:, 2].min() > 0.35:
            break
    else:
        return None
    middle, side, fill = draw_crop(rng, local[:, :2] / local[:, 2:])
    view = view_of(eye, rotation, middle, side)
    chance = rng.random()
    if chance < 0.10:
        post = placed_soup(stage.posts_between(eye, centre, rng), OCCLUDER)
        return Shot(moment, view, fill, [post], 1.0)
    if chance < 0.15 and np.linalg.norm(eye - centre) > 2.2:
        place = eye + rng.uniform(0.35, 0.6) * (centre - eye)
        across = unit(np.cross(centre - eye, np.array([0.0, 1.0, 0.0])))
        place = place + across * rng.choice([-1.0, 1.0]) * rng.uniform(0.25, 0.6)
        place[1] = 0.0
        key = people_of(bodies, split)
        return Shot(moment, view, fill, [somebody(key, place, rng.uniform(0, 360), rng)], 2.0)
    return Shot(moment, view, fill, [], 0.0)


def make_scene(seed: int, bodies: Bodies, split: str = "train", device: int = 0) -> list[Still]:
    """Stills of one random scene, the same for the same seed.

    Pictures in which nothing of both arms can be seen are left out.

    Parameters
    ----------
    seed, bodies, split
        As for `plan_scene`.
    device
        Which graphics card, as EGL counts them.

    Raises
    ------
    RefusedError
        As for `plan_scene`.
    """
    from .draw import painter

    scene, plan = plan_scene(seed, bodies, split)
    paint = painter(SIDE_PX, device)
    with _on_card(paint, scene.still) as still:
        out = []
        for moment, shots in plan:
            with _on_card(paint, moment.things) as moving:
                for shot in shots:
                    with _on_card(paint, shot.between) as between:
                        shown = still + moving + between
                        if scene.mirror is not None:
                            shown += [(thing, scene.mirror @ place) for thing, place in shown]
                        drawn = paint.picture(shot.view, scene.light, shown)
                    taken = _still(scene, shot, *drawn)
                    if moment.empty or np.any(taken.states[:8] == SEEN):
                        out.append(taken)
        return out


@contextmanager
def _on_card(
    paint: Painter, placed: list[Placed]
) -> Iterator[list[tuple[Thing, NDArray[np.float64]]]]:
    things: list[tuple[Thing, NDArray[np.float64]]] = []
    try:
        for p in placed:
            things.append((paint.thing(p.data, p.tris, p.closed, p.casts), p.place))
        yield things
    finally:
        for thing, _ in things:
            thing.release()


def project(view: View, points: Array) -> tuple[Array, Array, Array]:
    """Pixels (n, 2), distances from the eye, metres, and scales, px/m, of world points (n, 3).

    Points behind the camera, and those that are not there, have the pixel NaN.
    """
    ahead = (points - view.centre) @ view.rotation.T
    before = np.nan_to_num(ahead[:, 2], nan=-1.0) > 0.05
    pixels = np.full((len(points), 2), np.nan)
    pixels[before] = view.project(points[before])
    scale = view.focal_px / np.where(before, ahead[:, 2], 1.0)
    return pixels, np.linalg.norm(points - view.centre, axis=1), scale


def _still(scene: Scene, shot: Shot, image: NDArray[np.uint8], what: NDArray[np.float32]) -> Still:
    moment, view = shot.moment, shot.view
    pixels, distance, scale = project(view, moment.points)
    middle = moment.points[:2].mean(axis=0)
    if moment.empty:
        middle = np.array([0.0, 0.6, 0.0])
    away = view.centre - middle
    return Still(
        image=image,
        points=pixels.astype(np.float32),
        states=point_states(pixels, distance, scale, what),
        bone_shoulders=project(view, moment.bone_shoulders)[0].astype(np.float32),
        pressing=moment.pressing,
        px_per_m=float("nan") if moment.empty else float(scale[:2].mean()),
        azimuth_deg=float(np.degrees(np.arctan2(away[2], -away[0]))),
        elevation_deg=float(np.degrees(np.arctan2(away[1], np.hypot(away[0], away[2])))),
        distance_m=float(np.linalg.norm(away)),
        body=-1 if moment.empty else scene.body,
        tags={
            **scene.tags,
            "occluder": shot.occluder,
            "raised": float(moment.raised),
            "fill": shot.fill,
        },
    )


__all__ = ["TAGS", "Shot", "Still", "make_scene", "plan_scene", "point_states", "project"]
