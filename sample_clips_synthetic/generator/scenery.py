"""Everything that is not a body: barbell, plates, bench, rack, room. Triangle soups in metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .body import SHAFT_RADIUS_M, Array, unit

MATT, FLOOR, WALL, METAL, PLATE, POSTER, PAD = 0.0, 3.0, 4.0, 5.0, 6.0, 10.0, 11.0

INNER_FACES_M = 1.31
SLEEVE_RADIUS_M = 0.025
BAR_LENGTH_M = 2.20
FLANGE_M = 0.030
FLANGE_RADIUS_M = 0.036
COLLAR_M = 0.045


@dataclass
class Soup:
    """Triangles: each array has one row a vertex, three vertices a triangle."""

    position: Array
    normal: Array
    colour: Array
    reference: Array
    material: Array

    @staticmethod
    def join(soups: list[Soup]) -> Soup:
        """Put soups together."""
        return Soup(
            *(
                np.concatenate([getattr(s, name) for s in soups])
                for name in ("position", "normal", "colour", "reference", "material")
            )
        )

    def placed(self, rotation: Array, shift: Array) -> Soup:
        """Copy, turned and moved."""
        return Soup(
            self.position @ rotation.T + shift,
            self.normal @ rotation.T,
            self.colour,
            self.reference,
            self.material,
        )


def _soup(position: Array, normal: Array, colour: Array, material: float) -> Soup:
    colours = np.broadcast_to(np.asarray(colour, float), position.shape).copy()
    return Soup(position, normal, colours, position.copy(), np.full(len(position), material))


def box(low: tuple, high: tuple, colour: tuple, material: float = MATT) -> Soup:
    """Axis-aligned box."""
    low_a, high_a = np.asarray(low, float), np.asarray(high, float)
    positions, normals = [], []
    for axis in range(3):
        b, c = (axis + 1) % 3, (axis + 2) % 3
        for sign, level in ((1.0, high_a[axis]), (-1.0, low_a[axis])):
            corners = np.zeros((4, 3))
            corners[:, axis] = level
            corners[:, b] = [low_a[b], high_a[b], high_a[b], low_a[b]]
            corners[:, c] = [low_a[c], low_a[c], high_a[c], high_a[c]]
            positions.append(corners[[0, 1, 2, 0, 2, 3]])
            normal = np.zeros(3)
            normal[axis] = sign
            normals.append(np.tile(normal, (6, 1)))
    return _soup(np.concatenate(positions), np.concatenate(normals), colour, material)


def lathe(profile: Array, colours: Array, material: float, segments: int = 64) -> Soup:
    """Solid of revolution about z.

    Parameters
    ----------
    profile
        (n, 2) of z and radius, metres, in order along the outline.
    colours
        (n - 1, 3), one colour for each piece of the outline.
    """
    angle = np.linspace(0, 2 * np.pi, segments + 1)
    circle = np.column_stack([np.cos(angle), np.sin(angle)])
    positions, normals, tints = [], [], []
    for (z0, r0), (z1, r1), tint in zip(profile[:-1], profile[1:], colours, strict=True):
        first = np.column_stack([circle * r0, np.full(segments + 1, z0)])
        last = np.column_stack([circle * r1, np.full(segments + 1, z1)])
        slope = unit(np.array([z1 - z0, r0 - r1]))
        normal = np.column_stack([circle * slope[0], np.full(segments + 1, slope[1])])
        a, b, c, d = first[:-1], first[1:], last[1:], last[:-1]
        na, nb = normal[:-1], normal[1:]
        positions.append(np.stack([a, b, c, a, c, d], axis=1).reshape(-1, 3))
        normals.append(np.stack([na, nb, nb, na, nb, na], axis=1).reshape(-1, 3))
        tints.append(np.tile(tint, (6 * segments, 1)))
    soup = _soup(np.concatenate(positions), np.concatenate(normals), (0, 0, 0), material)
    soup.colour = np.concatenate(tints)
    return soup


def rod(start: tuple, end: tuple, radius_m: float, colour: tuple, material: float = METAL) -> Soup:
    """Closed cylinder between two points."""
    a, b = np.asarray(start, float), np.asarray(end, float)
    length = float(np.linalg.norm(b - a))
    profile = np.array([[0, 0], [0, radius_m], [length, radius_m], [length, 0]])
    soup = lathe(profile, np.tile(np.asarray(colour, float), (3, 1)), material, 24)
    z = (b - a) / length
    helper = np.array([1.0, 0, 0]) if abs(z[0]) < 0.9 else np.array([0, 1.0, 0])
    x = unit(np.cross(helper, z))
    return soup.placed(np.column_stack([x, np.cross(z, x), z]), a)


@dataclass(frozen=True)
class Plate:
    """One kind of plate.

    Attributes
    ----------
    diameter_m, thickness_m
        Outer size.
    colour, mark, hub
        Linear RGB of the body, of the ring's marks and of the hub.
    """

    diameter_m: float = 0.450
    thickness_m: float = 0.045
    colour: tuple[float, float, float] = (0.03, 0.03, 0.035)
    mark: tuple[float, float, float] = (0.45, 0.45, 0.42)
    hub: tuple[float, float, float] = (0.35, 0.35, 0.36)


def plate_soup(plate: Plate, segments: int = 40) -> Soup:
    """Plate about z between 0 (inner face) and its thickness (outer face).

    The reference coordinates' z carries the radius of the marked ring, from which the shader draws
    raised letters.
    """
    r, t = plate.diameter_m / 2, plate.thickness_m
    web, rim = 0.45 * t, 0.80 * r
    hub_r = max(0.30 * r, 0.050)
    bore = SLEEVE_RADIUS_M + 0.0006
    half = [
        [t / 2, bore],
        [t / 2, hub_r * 0.75],
        [t / 2 - 0.002, hub_r],
        [t / 2 - (t - web) / 2, hub_r + 0.004],
        [t / 2 - (t - web) / 2, rim - 0.006],
        [t / 2, rim],
        [t / 2, r - 0.005],
        [t / 2 - 0.005, r],
    ]
    front = np.array(half)
    outline = np.concatenate([front, np.column_stack([-front[::-1, 0], front[::-1, 1]])])
    body, hub = np.asarray(plate.colour), np.asarray(plate.hub)
    front_tints = [hub, hub, body * 0.9, body, body * 0.9, body * 1.1, body]
    tints = np.array([*front_tints, body, *front_tints[::-1]])
    soup = lathe(outline[::-1], tints[::-1], PLATE, segments)
    soup.reference = np.column_stack([soup.position[:, :2] / r, np.full(len(soup.position), 0.62)])
    soup.position = soup.position + np.array([0, 0, t / 2])
    return soup


@dataclass(frozen=True)
class Load:
    """Plates on each sleeve from the inside out, and whether spring collars hold them."""

    plates: tuple[Plate, ...] = (Plate(),)
    collars: bool = True

    @property
    def inner_face_m(self) -> float:
        """Distance of the innermost plate's inner face from the bar's middle."""
        return INNER_FACES_M / 2 + FLANGE_M

    @property
    def biggest_m(self) -> tuple[float, float]:
        """Faces (as `face_m`) of the outermost plate of the largest diameter.

        Of an empty bar the bare sleeve, which is then the largest thing on that end.
        """
        if not self.plates:
            return self.inner_face_m, BAR_LENGTH_M / 2
        sizes = [p.diameter_m for p in self.plates]
        return self.face_m(len(sizes) - 1 - sizes[::-1].index(max(sizes)))

    def face_m(self, index: int) -> tuple[float, float]:
        """Distances of a plate's inner and outer face from the bar's middle."""
        inner = self.inner_face_m + sum(p.thickness_m for p in self.plates[:index])
        return inner, inner + self.plates[index].thickness_m


def barbell_soup(load: Load) -> Soup:
    """Loaded bar about z, its middle at the origin."""
    half, inner = BAR_LENGTH_M / 2, INNER_FACES_M / 2
    steel = np.array([0.42, 0.42, 0.43])
    dark = steel * 0.55
    shaft_profile = np.array([[-inner, SHAFT_RADIUS_M], [inner, SHAFT_RADIUS_M]])
    rings = [(-0.405, dark), (-0.400, dark), (0.400, dark), (0.405, dark)]
    shaft = lathe(shaft_profile, steel[None] * 0.8, METAL, 20)
    marks = [
        lathe(
            np.array([[z - 0.003, SHAFT_RADIUS_M + 2e-4], [z + 0.003, SHAFT_RADIUS_M + 2e-4]]),
            tint[None] * 0.5,
            METAL,
            20,
        )
        for z, tint in rings
    ]
    pieces = [shaft, *marks]
    sleeve = lathe(
        np.array(
            [
                [inner, SHAFT_RADIUS_M],
                [inner, FLANGE_RADIUS_M],
                [inner + FLANGE_M, FLANGE_RADIUS_M],
                [inner + FLANGE_M, SLEEVE_RADIUS_M],
                [half, SLEEVE_RADIUS_M],
                [half, 0.012],
                [half - 0.004, 0.012],
                [half - 0.004, 0.0],
            ]
        ),
        np.array([dark, dark, dark, steel, steel, dark, dark]),
        METAL,
        32,
    )
    ends = [sleeve]
    for index, plate in enumerate(load.plates):
        ends.append(
            plate_soup(plate, 64).placed(np.eye(3), np.array([0, 0, load.face_m(index)[0]]))
        )
    if load.collars:
        z = load.face_m(len(load.plates) - 1)[1] if load.plates else load.inner_face_m
        ends.append(
            lathe(
                np.array(
                    [
                        [z + 0.001, SLEEVE_RADIUS_M],
                        [z + 0.001, 0.040],
                        [z + COLLAR_M, 0.037],
                        [z + COLLAR_M, SLEEVE_RADIUS_M],
                    ]
                ),
                np.tile([0.05, 0.05, 0.06], (3, 1)),
                METAL,
                32,
            )
        )
    end = Soup.join(ends)
    about_y = np.diag([-1.0, 1.0, -1.0])
    return Soup.join([*pieces, end, end.placed(about_y, np.zeros(3))])


@dataclass(frozen=True)
class Room:
    """Colours and furniture of the room.

    Attributes
    ----------
    wall, stripe, floor, mat, frame, pad
        Linear RGB.
    bench_height_m
        Top of the pad.
    hook_x_m, hook_y_m
        Where the racked bar's axis lies.
    spare
        Plates on the storage pegs.
    half_width_m
        Of the walls on the lifter's left and right from the bench's middle.
    """

    wall: tuple[float, float, float] = (0.42, 0.40, 0.35)
    stripe: tuple[float, float, float] = (0.10, 0.16, 0.22)
    floor: tuple[float, float, float] = (0.045, 0.045, 0.05)
    mat: tuple[float, float, float] = (0.06, 0.055, 0.05)
    frame: tuple[float, float, float] = (0.30, 0.30, 0.32)
    pad: tuple[float, float, float] = (0.02, 0.02, 0.022)
    bench_height_m: float = 0.43
    hook_x_m: float = 0.22
    hook_y_m: float = 1.05
    spare: tuple[Plate, ...] = (
        Plate(),
        Plate(0.450, 0.030, (0.30, 0.03, 0.03)),
        Plate(0.325, 0.030, (0.03, 0.06, 0.25)),
        Plate(0.230, 0.025),
    )
    half_width_m: float = 4.2


def room_soup(room: Room, seed: int) -> tuple[Soup, Soup, Soup]:
    """Walls and floor, the furniture in front of them, and the bench on its mat."""
    rng = np.random.default_rng(seed)
    out: list[Soup] = []
    wide = room.half_width_m
    low, high = np.array([-5.2, 0.0, -wide]), np.array([2.6, 3.0, wide])
    out.append(box((low[0], -0.05, low[2]), (high[0], 0.0, high[2]), room.floor, FLOOR))
    thick = 0.1
    walls = (
        ((low[0] - thick, 0, low[2]), (low[0], high[1], high[2])),
        ((high[0], 0, low[2]), (high[0] + thick, high[1], high[2])),
        ((low[0], 0, low[2] - thick), (high[0], high[1], low[2])),
        ((low[0], 0, high[2]), (high[0], high[1], high[2] + thick)),
    )
    for a, b in walls:
        out.append(box(a, b, room.wall, WALL))
        grow = 0.012
        stripe_low, stripe_high = np.array(a) - grow, np.array(b) + grow
        stripe_low[1], stripe_high[1] = 0.0, 0.16
        out.append(box(tuple(stripe_low), tuple(stripe_high), room.stripe, MATT))
        stripe_low[1], stripe_high[1] = 1.62, 1.74
        out.append(box(tuple(stripe_low), tuple(stripe_high), room.stripe, MATT))
    out.append(box((low[0], high[1], low[2]), (high[0], high[1] + 0.1, high[2]), (0.5, 0.5, 0.5)))
    out += posters(rng, low, high)
    furniture = [*_rack(room), *storage(room, rng, low, high)]
    mat = box((-1.5, 0.0, -1.6), (0.52, 0.008, 1.6), room.mat, FLOOR)
    return Soup.join(out), Soup.join(furniture), Soup.join([*_bench(room), mat])


def posters(rng: np.random.Generator, low: Array, high: Array) -> list[Soup]:
    """Pictures on three of the walls."""
    out = []
    for wall in range(3):
        for place in np.arange(-3.4, 3.5, 1.35):
            u = place + rng.uniform(-0.25, 0.25)
            v = rng.uniform(1.95, 2.25)
            w, h = rng.uniform(0.25, 0.42), rng.uniform(0.18, 0.34)
            colour = tuple(rng.uniform(0.05, 0.6, 3))
            if wall == 0:
                out.append(
                    box((high[0] - 0.02, v - h, u - w), (high[0], v + h, u + w), colour, POSTER)
                )
            else:
                z = low[2] if wall == 1 else high[2]
                u = np.clip(u - 1.2, low[0] + w, high[0] - w)
                out.append(box((u - w, v - h, z - 0.02), (u + w, v + h, z + 0.02), colour, POSTER))
    return out


def _bench(room: Room) -> list[Soup]:
    top = room.bench_height_m
    frame = room.frame
    out = [
        box((-0.86, top - 0.065, -0.145), (0.36, top, 0.145), room.pad, PAD),
        box((-0.80, top - 0.115, -0.03), (0.32, top - 0.066, 0.03), frame, METAL),
    ]
    for x in (-0.70, 0.24):
        out.append(box((x - 0.03, 0.05, -0.03), (x + 0.03, top - 0.10, 0.03), frame, METAL))
        out.append(box((x - 0.03, 0.0, -0.24), (x + 0.03, 0.05, 0.24), frame, METAL))
    return out


def _rack(room: Room) -> list[Soup]:
    frame, hook = room.frame, (0.06, 0.06, 0.065)
    x, out = room.hook_x_m + 0.085, []
    top = room.hook_y_m + 0.16
    for side in (-1.0, 1.0):
        z = side * 0.56
        out.append(box((x - 0.03, 0, z - 0.03), (x + 0.03, top, z + 0.03), frame, METAL))
        out.append(box((x - 0.25, 0, z - 0.03), (x + 0.75, 0.05, z + 0.03), frame, METAL))
        rear = x + 0.62
        out.append(box((rear - 0.03, 0, z - 0.03), (rear + 0.03, 1.25, z + 0.03), frame, METAL))
        under = room.hook_y_m - SHAFT_RADIUS_M
        hx = room.hook_x_m
        out.append(box((hx - 0.035, under - 0.025, z - 0.025), (x, under, z + 0.025), hook))
        out.append(
            box((hx - 0.035, under, z - 0.025), (hx - 0.020, under + 0.028, z + 0.025), hook)
        )
        for level, plate in zip((0.40, 0.92), (room.spare[0], room.spare[2]), strict=True):
            out.append(
                rod((rear, level, z), (rear, level, z + side * 0.24), 0.024, (0.4, 0.4, 0.4))
            )
            turn = np.eye(3) if side > 0 else np.diag([-1.0, 1.0, -1.0])
            offset = side * 0.035
            for _ in range(2 if level < 0.5 else 1):
                out.append(plate_soup(plate).placed(turn, np.array([rear, level, z + offset])))
                offset += side * (plate.thickness_m + 0.002)
        for hole in np.arange(0.25, top - 0.05, 0.10):
            for face in (-1.0, 1.0):
                out.append(
                    rod(
                        (x, hole, z + face * 0.0302),
                        (x, hole, z + face * 0.0306),
                        0.010,
                        (0.01, 0.01, 0.01),
                        MATT,
                    )
                )
    out.append(box((x + 0.59, 0.0, -0.56), (x + 0.65, 0.06, 0.56), frame, METAL))
    out.append(box((x + 0.59, 1.19, -0.56), (x + 0.65, 1.25, 0.56), frame, METAL))
    return out


def storage(room: Room, rng: np.random.Generator, low: Array, high: Array) -> list[Soup]:
    """Plate trees and boxes along the walls."""
    out = []
    for z, facing in ((low[2] + 0.32, 1.0), (high[2] - 0.32, -1.0)):
        for x in (-3.1, -0.4, 1.5):
            out.append(box((x - 0.04, 0, z - 0.04), (x + 0.04, 1.45, z + 0.04), room.frame, METAL))
            out.append(box((x - 0.30, 0, z - 0.25), (x + 0.30, 0.05, z + 0.25), room.frame, METAL))
            for level in (0.36, 0.85, 1.26):
                plate = room.spare[int(rng.integers(len(room.spare)))]
                turn = np.eye(3) if facing > 0 else np.diag([-1.0, 1.0, -1.0])
                place = np.array([x + rng.uniform(-0.02, 0.02), level, z + facing * 0.05])
                out.append(plate_soup(plate).placed(turn, place))
                out.append(
                    rod((x, level, z), (x, level, z + facing * 0.2), 0.022, (0.35, 0.35, 0.35))
                )
    for _ in range(7):
        x, z = rng.uniform(1.6, 2.3), rng.uniform(-3.6, 3.6)
        size = rng.uniform(0.15, 0.38, 3)
        colour = tuple(rng.uniform(0.03, 0.4, 3))
        out.append(box((x, 0, z), (x + size[0], size[1] * 1.4, z + size[2] * 1.5), colour))
    shelf = high[0] - 0.5
    out.append(box((shelf, 0.72, -2.6), (high[0] - 0.05, 0.76, -0.9), room.frame, METAL))
    for z in np.arange(-2.5, -0.95, 0.18):
        out.append(rod((shelf + 0.03, 0.82, z), (shelf + 0.30, 0.82, z), 0.055, (0.03, 0.03, 0.03)))
    return out
