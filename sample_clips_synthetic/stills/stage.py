"""Rooms, benches, racks, plates, chains and light of the stills, at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..generator.body import SHAFT_RADIUS_M, Array, unit
from ..generator.scenery import (
    BAR_LENGTH_M,
    FLOOR,
    INNER_FACES_M,
    MATT,
    METAL,
    PAD,
    PLATE,
    POSTER,
    WALL,
    Load,
    Plate,
    Room,
    Soup,
    barbell_soup,
    box,
    lathe,
    plate_soup,
    posters,
    rod,
    storage,
)
from .codes import GLOW, Light

Colour = tuple[float, float, float]
DIAMETERS_M = (0.450, 0.400, 0.350, 0.325, 0.280, 0.230, 0.200, 0.160)


def grey(rng: np.random.Generator, low: float, high: float, tint: float = 0.08) -> Colour:
    """A grey with a little tint."""
    value = rng.uniform(low, high) * (1 + rng.uniform(-tint, tint, 3))
    return tuple(float(v) for v in value)


def paint(rng: np.random.Generator) -> Colour:
    """A colour of paint: black and grey more often than others."""
    kind = rng.random()
    if kind < 0.35:
        return grey(rng, 0.01, 0.06)
    if kind < 0.6:
        return grey(rng, 0.1, 0.6)
    value = rng.uniform(0.02, 0.75, 3) ** 1.6
    value = value.mean() + rng.uniform(0.25, 1.0) * (value - value.mean())
    return tuple(float(v) for v in value)


@dataclass(frozen=True)
class Space:
    """Extent of a room, metres: corners (3,)."""

    low: Array
    high: Array


def draw_load(rng: np.random.Generator) -> Load:
    """Plates on the bar: none to four each side, of one colour each."""
    kind = rng.random()
    if kind < 0.10:
        return Load((), bool(rng.random() < 0.3))
    count = int(rng.choice([1, 2, 3, 4], p=[0.42, 0.33, 0.17, 0.08]))
    first = rng.choice(8, p=[0.58, 0.07, 0.05, 0.08, 0.07, 0.07, 0.05, 0.03])
    base = paint(rng)
    plates = []
    size = int(first)
    for _ in range(count):
        diameter = DIAMETERS_M[size]
        thick = float(rng.uniform(0.018, 0.075 if diameter > 0.4 else 0.04))
        own = base if rng.random() < 0.5 else paint(rng)
        mark = own if rng.random() < 0.3 else grey(rng, 0.2, 0.8)
        hub = grey(rng, 0.05, 0.6) if rng.random() < 0.6 else own
        plates.append(Plate(diameter, thick, own, mark, hub))
        if rng.random() < 0.5:
            size = int(min(size + rng.integers(0, 3), len(DIAMETERS_M) - 1))
    room = BAR_LENGTH_M / 2 - INNER_FACES_M / 2 - 0.03 - 0.05
    while sum(p.thickness_m for p in plates) > room:
        plates.pop()
    return Load(tuple(plates), bool(rng.random() < 0.6))


def chain(place_m: float, length_m: float, rng: np.random.Generator) -> Soup:
    """Chain that hangs from the bar's sleeve; the floor hides what is too long."""
    metal = grey(rng, 0.1, 0.5)
    thick, pitch = float(rng.uniform(0.004, 0.008)), float(rng.uniform(0.035, 0.06))
    pieces = [
        lathe(
            np.array(
                [[place_m - 0.012, 0.028], [place_m - 0.012, 0.045], [place_m + 0.012, 0.045]]
            ),
            np.tile(metal, (2, 1)),
            METAL,
            12,
        )
    ]
    for i in range(int(length_m / pitch)):
        top = -0.03 - i * pitch
        wide = 0.4 * pitch
        across = np.array([wide, 0, 0]) if i % 2 else np.array([0, 0, wide])
        middle = np.array([0.0, 0.0, place_m])
        for sign in (-1.0, 1.0):
            low = middle + sign * across + np.array([-thick, top - 1.2 * pitch, -thick])
            high = middle + sign * across + np.array([thick, top, thick])
            pieces.append(box(tuple(low), tuple(high), metal, METAL))
    return Soup.join(pieces)


def dumbbell(rng: np.random.Generator) -> Soup:
    """Dumbbell about z, its handle's middle at the origin."""
    grip, head = float(rng.uniform(0.065, 0.08)), float(rng.uniform(0.04, 0.13))
    radius = float(rng.uniform(0.035, 0.10))
    colour = np.array(paint(rng))
    profile = np.array(
        [
            [-grip - head, 0.0],
            [-grip - head, radius * 0.85],
            [-grip - head + 0.01, radius],
            [-grip - 0.01, radius],
            [-grip, 0.017],
            [grip, 0.017],
            [grip + 0.01, radius],
            [grip + head - 0.01, radius],
            [grip + head, radius * 0.85],
            [grip + head, 0.0],
        ]
    )
    tints = np.tile(colour, (9, 1))
    tints[4] = grey(rng, 0.2, 0.5)
    return lathe(profile, tints, METAL, int(rng.choice([6, 24])))


def band(place_m: float, drift_m: float, rng: np.random.Generator) -> Soup:
    """Elastic band from the sleeve to the floor."""
    wide = float(rng.uniform(0.01, 0.03))
    soup = box((-wide, -1.3, place_m - 0.003), (wide, 0.03, place_m + 0.003), paint(rng))
    soup.position[:, 0] += drift_m * soup.position[:, 1]
    return soup


def draw_space(rng: np.random.Generator) -> Space:
    """Walls around the bench."""
    head = rng.uniform(1.3, 6.0)
    sides = rng.uniform(2.2, 6.0, 2)
    feet = rng.uniform(4.0, 8.0)
    height = rng.uniform(2.4, 4.5)
    return Space(np.array([-feet, 0.0, -sides[0]]), np.array([head, height, sides[1]]))


def room(space: Space, rng: np.random.Generator, mirror: int = -1) -> tuple[Soup, Soup]:
    """Walls, floor, ceiling, windows and lamps, which cast no shadow; and clutter that does.

    Parameters
    ----------
    space
        Extent of the room.
    rng
        Source of everything random.
    mirror
        Wall that is left away, for what it mirrors is seen there: 0 feet, 1 head, 2 the lifter's
        right, 3 the left; -1 none.
    """
    low, high = space.low, space.high
    wall = grey(rng, 0.02, 0.75) if rng.random() < 0.7 else paint(rng)
    other = wall if rng.random() < 0.6 else paint(rng)
    stripe = paint(rng)
    floor = grey(rng, 0.015, 0.5) if rng.random() < 0.75 else paint(rng)
    texture = float(rng.choice([WALL, MATT, MATT]))
    out = [
        box(
            (low[0], -0.05, low[2]),
            (high[0], 0.0, high[2]),
            floor,
            float(rng.choice([FLOOR, MATT, WALL])),
        )
    ]
    thick = 0.1
    walls = (
        ((low[0] - thick, 0, low[2]), (low[0], high[1], high[2])),
        ((high[0], 0, low[2]), (high[0] + thick, high[1], high[2])),
        ((low[0], 0, low[2] - thick), (high[0], high[1], low[2])),
        ((low[0], 0, high[2]), (high[0], high[1], high[2] + thick)),
    )
    striped = rng.random() < 0.5
    for i, (a, b) in enumerate(walls):
        if i == mirror:
            continue
        out.append(box(a, b, wall if i != 1 else other, texture))
        if striped:
            at, tall = rng.uniform(0.0, 1.8), rng.uniform(0.05, 0.6)
            first, last = np.array(a) - 0.012, np.array(b) + 0.012
            first[1], last[1] = at, at + tall
            out.append(box(tuple(first), tuple(last), stripe, MATT))
    ceiling = grey(rng, 0.05, 0.7)
    out.append(box((low[0], high[1], low[2]), (high[0], high[1] + 0.1, high[2]), ceiling))
    for x in np.arange(low[0] + 0.8, high[0], rng.uniform(1.5, 3.0)):
        z = rng.uniform(-1.5, 1.5)
        bright = tuple(rng.uniform(0.8, 2.5) * np.array([1.0, 0.97, 0.9]))
        out.append(
            box((x, high[1] - 0.06, z - 0.6), (x + 0.2, high[1] - 0.01, z + 0.6), bright, GLOW)
        )
    if rng.random() < 0.35 and mirror < 0:
        out += _windows(space, rng)
    if rng.random() < 0.6 and mirror < 0:
        out += posters(rng, low, high)
    things = _clutter(space, rng)
    if rng.random() < 0.4:
        frame = paint(rng)
        spare = tuple(Plate(d, 0.03, paint(rng)) for d in (0.45, 0.45, 0.4, 0.28, 0.23))
        things += storage(Room(frame=frame, spare=spare), rng, low, high)
    return Soup.join(out), Soup.join(things)


def reflection(space: Space, wall: int) -> Array:
    """The (4, 4) that mirrors the world in a wall, numbered as in `room`."""
    axis = 0 if wall < 2 else 2
    place = (space.low, space.high)[wall % 2][axis]
    matrix = np.eye(4)
    matrix[axis, axis], matrix[axis, 3] = -1.0, 2 * place
    return matrix


def _windows(space: Space, rng: np.random.Generator) -> list[Soup]:
    low, high = space.low, space.high
    bright = tuple(rng.uniform(0.7, 3.0) * np.array([0.9, 0.97, 1.05]))
    out = []
    wall = int(rng.integers(4))
    base, top = rng.uniform(0.3, 1.2), rng.uniform(1.9, 2.4)
    width, pitch = rng.uniform(0.6, 2.0), rng.uniform(2.1, 3.0)
    first, last = (low[2], high[2]) if wall < 2 else (low[0], high[0])
    for u in np.arange(first + 0.3, last - width, pitch):
        if wall < 2:
            x = low[0] if wall == 0 else high[0]
            out.append(box((x - 0.02, base, u), (x + 0.02, top, u + width), bright, GLOW))
        else:
            z = low[2] if wall == 2 else high[2]
            out.append(box((u, base, z - 0.02), (u + width, top, z + 0.02), bright, GLOW))
    return out


def _clutter(space: Space, rng: np.random.Generator) -> list[Soup]:
    """Boxes, posts, frames and plates standing about, not where the bench is."""
    low, high = space.low, space.high
    out = []
    for _ in range(int(rng.integers(4, 22))):
        x, z = rng.uniform(low[0] + 0.3, high[0] - 0.3), rng.uniform(low[2] + 0.3, high[2] - 0.3)
        if -2.4 < x < 0.9 and abs(z) < 1.7:
            continue
        kind = rng.random()
        colour = paint(rng)
        if kind < 0.35:
            size = rng.uniform(0.12, 0.6, 3)
            out.append(
                box(
                    (x, 0, z),
                    (x + size[0], size[1], z + size[2]),
                    colour,
                    float(rng.choice([MATT, POSTER, PAD])),
                )
            )
        elif kind < 0.6:
            tall, thick = rng.uniform(1.0, 2.4), rng.uniform(0.02, 0.05)
            wide = rng.uniform(0.5, 1.3)
            turned = rng.random() < 0.5
            for u in (0.0, wide):
                dx, dz = (u, 0.0) if turned else (0.0, u)
                out.append(
                    box(
                        (x + dx - thick, 0, z + dz - thick),
                        (x + dx + thick, tall, z + dz + thick),
                        colour,
                        METAL,
                    )
                )
            dx, dz = (wide, 0.0) if turned else (0.0, wide)
            out.append(
                box(
                    (x - thick, tall - 0.06, z - thick),
                    (x + dx + thick, tall, z + dz + thick),
                    colour,
                    METAL,
                )
            )
        elif kind < 0.8:
            level = rng.uniform(0.25, 1.3)
            plate = Plate(float(rng.choice(DIAMETERS_M)), 0.03, colour)
            turn = _heading(rng.uniform(0, 2 * np.pi))
            out.append(plate_soup(plate, 24).placed(turn, np.array([x, level, z])))
            out.append(
                box((x - 0.03, 0, z - 0.03), (x + 0.03, level, z + 0.03), grey(rng, 0.02, 0.4))
            )
        else:
            radius = rng.uniform(0.01, 0.12)
            level = radius + (rng.uniform(0.3, 1.2) if rng.random() < 0.4 else 0.0)
            end = np.array([x, level, z]) + _heading(rng.uniform(0, 6.3)) @ np.array(
                [0, 0, rng.uniform(0.3, 1.8)]
            )
            out.append(rod((x, level, z), tuple(end), radius, colour, METAL))
    out.append(box((low[0], 0, low[2]), (low[0] + 0.01, 0.01, low[2] + 0.01), (0, 0, 0)))
    return out


def _heading(angle_rad: float) -> Array:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def bench(height_m: float, slope: Array, pivot: Array, rng: np.random.Generator) -> Soup:
    """Bench under the lifter; its back may slope about a pivot."""
    if height_m < 0.1:
        mat = box((-1.9, 0.0, -0.6), (0.6, 0.012, 0.6), paint(rng), FLOOR)
        return mat
    half = float(rng.uniform(0.125, 0.165))
    pad, frame = paint(rng), paint(rng)
    thick = float(rng.uniform(0.04, 0.09))
    head = float(rng.uniform(0.28, 0.45))
    foot = float(rng.uniform(-0.95, -0.75))
    split = float(pivot[0]) - 0.05
    top = height_m
    flat = box((foot, top - thick, -half), (split, top, half), pad, PAD)
    back = Soup.join(
        [
            box((split + 0.01, top - thick, -half), (head, top, half), pad, PAD),
            box((split, top - thick - 0.05, -0.03), (head - 0.05, top - thick, 0.03), frame, METAL),
        ]
    )
    back = back.placed(slope, pivot - slope @ pivot)
    out = [flat, back]
    out.append(
        box((foot + 0.05, top - thick - 0.05, -0.03), (0.3, top - thick, 0.03), frame, METAL)
    )
    for x in (foot + 0.12, 0.24):
        out.append(box((x - 0.03, 0.0, -0.03), (x + 0.03, top - thick, 0.03), frame, METAL))
        out.append(box((x - 0.03, 0.0, -0.26), (x + 0.03, 0.05, 0.26), frame, METAL))
    if rng.random() < 0.6:
        reach = rng.uniform(0.6, 1.8)
        out.append(box((-1.6, 0.0, -reach), (0.7, 0.008, reach), paint(rng), FLOOR))
    return Soup.join(out)


def rack(kind: str, hook: tuple[float, float], rng: np.random.Generator) -> Soup:
    """Posts that hold the bar.

    Parameters
    ----------
    kind
        ``"posts"``, ``"cage"`` or ``"half"``.
    hook
        World x and height of the racked bar's axis, metres.
    """
    frame, dark = paint(rng), grey(rng, 0.02, 0.15)
    thick = float(rng.uniform(0.02, 0.045))
    half = float(rng.uniform(0.46, 0.60))
    x = hook[0] + 0.035 + thick
    under = hook[1] - SHAFT_RADIUS_M
    tall = (
        hook[1] + float(rng.uniform(0.05, 0.3)) if kind == "posts" else float(rng.uniform(1.9, 2.4))
    )
    out = []
    for side in (-1.0, 1.0):
        z = side * half
        out.append(box((x - thick, 0, z - thick), (x + thick, tall, z + thick), frame, METAL))
        out.append(box((x - 0.6, 0, z - thick), (x + 0.6, 0.06, z + thick), frame, METAL))
        out.append(box((hook[0] - 0.03, under - 0.03, z - 0.03), (x, under, z + 0.03), dark))
        out.append(
            box((hook[0] - 0.03, under, z - 0.03), (hook[0] - 0.018, under + 0.03, z + 0.03), dark)
        )
        if kind == "cage":
            front = x - float(rng.uniform(0.95, 1.2))
            out.append(
                box((front - thick, 0, z - thick), (front + thick, tall, z + thick), frame, METAL)
            )
            out.append(box((front, tall - 0.07, z - thick), (x, tall, z + thick), frame, METAL))
        if kind == "half":
            rear = x + 0.62
            out.append(
                box((rear - thick, 0, z - thick), (rear + thick, tall, z + thick), frame, METAL)
            )
            out.append(box((x, tall - 0.07, z - thick), (rear, tall, z + thick), frame, METAL))
        if kind != "posts" and rng.random() < 0.7:
            level = rng.uniform(0.42, 0.66)
            front = x - rng.uniform(0.5, 0.95)
            out.append(box((front, level - 0.04, z - thick), (x, level, z + thick), dark, METAL))
    if kind != "posts" or rng.random() < 0.4:
        level = tall if kind != "posts" else float(rng.uniform(0.2, 0.5))
        out.append(box((x - thick, level - 0.07, -half), (x + thick, level, half), frame, METAL))
    return Soup.join(out)


def posts_between(eye: Array, target: Array, rng: np.random.Generator) -> Soup:
    """A post or a beam that stands between the camera and the lifter, beside the line of sight."""
    share = float(rng.uniform(0.25, 0.7))
    across = unit(np.cross(target - eye, np.array([0.0, 1.0, 0.0])))
    place = eye + share * (target - eye) + across * rng.uniform(-0.55, 0.55) * share
    thick = float(rng.uniform(0.015, 0.06))
    colour = paint(rng)
    x, z = place[0], place[2]
    out = [box((x - thick, 0, z - thick), (x + thick, 2.4, z + thick), colour, METAL)]
    if rng.random() < 0.3:
        level = place[1] + rng.uniform(-0.3, 0.3)
        end = place + across * 1.5
        end[1] = level
        out.append(rod((x, level, z), tuple(end), thick * 0.7, colour, METAL))
    if rng.random() < 0.2:
        plate = Plate(float(rng.choice(DIAMETERS_M)), 0.04, paint(rng))
        out.append(plate_soup(plate, 24).placed(_heading(rng.uniform(0, 6.3)), place))
    return Soup.join(out)


def draw_light(rng: np.random.Generator) -> tuple[Light, int]:
    """Light of a scene, and its kind: 0 even, 1 dim, 2 backlit, 3 coloured, 4 hard."""
    kind = int(rng.choice(5, p=[0.42, 0.16, 0.14, 0.12, 0.16]))
    around, up = rng.uniform(0, 2 * np.pi), rng.uniform(0.35, 1.35)
    sun = np.array([np.cos(around) * np.cos(up), np.sin(up), np.sin(around) * np.cos(up)])
    warm = rng.uniform(-0.14, 0.14)
    white = np.array([1.0 + warm, 1.0, 1.0 - 1.2 * warm])
    ambient, strong, filled = rng.uniform(0.35, 0.6), rng.uniform(0.4, 1.0), rng.uniform(0.0, 0.35)
    gain = float(np.exp(rng.normal(0.15, 0.22)))
    if kind == 1:
        ambient *= rng.uniform(0.3, 0.8)
        gain *= float(rng.uniform(0.18, 0.55))
    elif kind == 2:
        ambient, filled = rng.uniform(0.12, 0.3), rng.uniform(0.0, 0.1)
        strong = rng.uniform(0.6, 1.6)
    elif kind == 4:
        ambient, strong, filled = rng.uniform(0.10, 0.25), rng.uniform(1.0, 1.7), 0.05
    tint = white
    if kind == 3:
        tint = white * rng.uniform(0.45, 1.25, 3)
    around = rng.uniform(0, 2 * np.pi)
    fill = unit(np.array([np.cos(around), rng.uniform(-0.1, 0.6), np.sin(around)]))
    lamp = np.array([rng.uniform(-2.5, 2.0), rng.uniform(1.2, 2.4), rng.uniform(-2.0, 2.0)])
    lamp_colour = np.zeros(3)
    if rng.random() < 0.35:
        lamp_colour = rng.uniform(0.2, 1.2) * (
            rng.uniform(0.1, 1.0, 3) if kind == 3 else np.array([1.0, 0.85, 0.65])
        )
    hazy = rng.random() < 0.15
    light = Light(
        sun=unit(sun),
        sun_colour=strong * tint,
        sky=ambient * tint * rng.uniform(0.9, 1.1),
        ground=ambient * rng.uniform(0.3, 0.7) * white,
        fill=fill,
        fill_colour=filled * (rng.uniform(0.3, 1.2, 3) if kind == 3 else white),
        lamp=lamp,
        lamp_colour=lamp_colour,
        haze=np.full(3, rng.uniform(0.05, 0.5)),
        haze_m=float(rng.uniform(8, 25)) if hazy else 1e4,
        gain=gain,
        soft=float(rng.uniform(0.002, 0.012)),
    )
    return light, kind


def bar_soup(load: Load, rng: np.random.Generator) -> tuple[Soup, Soup, Soup]:
    """Bar and sleeves; plates; chains or bands: about z, the bar's middle at the origin."""
    whole = barbell_soup(load)
    plates = whole.material == PLATE
    shade = rng.uniform(0.3, 1.5) * np.array([1.0, rng.uniform(0.9, 1.0), rng.uniform(0.8, 1.0)])
    whole.colour[~plates] *= shade
    hanging: list[Soup] = []
    kind = rng.random()
    if kind < 0.10:
        for side in (-1.0, 1.0):
            for _ in range(int(rng.integers(1, 3))):
                hanging.append(chain(side * float(rng.uniform(0.69, 1.05)), 1.3, rng))
    elif kind < 0.15:
        drift = float(rng.uniform(-0.15, 0.15))
        hanging += [band(side * 0.70, drift, rng) for side in (-1.0, 1.0)]
    return _part(whole, ~plates), _part(whole, plates), Soup.join(hanging) if hanging else _none()


def _part(soup: Soup, chosen: Array) -> Soup:
    return Soup(
        *(
            getattr(soup, n)[chosen]
            for n in ("position", "normal", "colour", "reference", "material")
        )
    )


def _none() -> Soup:
    return Soup(*(np.zeros((0, 3)) for _ in range(4)), np.zeros(0))
