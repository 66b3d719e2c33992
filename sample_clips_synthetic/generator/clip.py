"""A clip: who lifts, what, how, and who films; and the world built from it, not yet drawn."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from .body import OUTWARD, SHAFT_RADIUS_M, SIDES, ArmStyle, Array, Lifter, Pose, Stance
from .camera import Camera, CameraSpec, View
from .looks import Outfit
from .motion import BarMotion, BarState, Levels, SetSpec
from .scenery import Load, Room


@dataclass(frozen=True)
class ClipSpec:
    """Everything that decides a clip.

    Attributes
    ----------
    name
        File name without suffix.
    purpose
        ``"reporting"``, ``"tuning"``, ``"strangers"``, ``"newcomers"``, ``"latecomers"``,
        ``"visitors"``, ``"comparisons"``, ``"places"``, ``"callers"``, ``"regulars"``,
        ``"arrivals"``, ``"joiners"``, ``"members"``, ``"entrants"``,
        ``"fellows"``, ``"hosts"``, ``"boarders"``, ``"dwellers"``,
        ``"incomers"`` or ``"keepers"``.
    story
        One line for people.
    seed
        Seed of everything random.
    start_s, duration_s
        The clip's part of the set.
    fps, variable_rate
        Nominal frame rate; whether frame times jitter and frames drop as on a phone.
    rotation_deg
        Rotation tag: the coded picture is stored turned by this much.
    crf
        Constant rate factor of x264.
    exposure_s, subframes
        Length of an exposure and pictures averaged in it.
    """

    name: str
    purpose: str
    story: str
    seed: int
    view: str
    camera: CameraSpec
    build: str = "tall_man"
    stance: Stance = field(default_factory=Stance)
    style: ArmStyle = field(default_factory=ArmStyle)
    outfit: Outfit = field(default_factory=Outfit)
    load: Load = field(default_factory=Load)
    load_kg: float = 100.0
    sets: SetSpec = field(default_factory=SetSpec)
    room: Room = field(default_factory=Room)
    spotter: str = ""
    spotter_outfit: Outfit = field(default_factory=Outfit)
    start_s: float = 0.0
    duration_s: float = 12.0
    fps: float = 30.0
    variable_rate: bool = False
    rotation_deg: int = 0
    crf: int = 24
    noise: float = 2.5
    gain: float = 1.25
    exposure_s: float = 1 / 80
    subframes: int = 2


class World:
    """The moving world of a clip.

    Parameters
    ----------
    spec
        The clip.
    """

    def __init__(self, spec: ClipSpec) -> None:
        self.spec = spec
        sets = spec.sets
        self.lifter = Lifter(spec.build, spec.stance, spec.style, spec.room.bench_height_m)
        lock = tuple(
            self.lifter.lockout_height(rep.lockout_shift_m, sets.grip_width_m) for rep in sets.reps
        )
        touch = tuple(
            self.lifter.chest_top(-rep.touch_toward_feet_m) + SHAFT_RADIUS_M + 0.004
            for rep in sets.reps
        )
        # The hooks hold the bar a little below where the straight arms lift it out.
        hook_y = self.lifter.lockout_height(spec.room.hook_x_m, sets.grip_width_m) - 0.045
        self.room = replace(spec.room, hook_y_m=hook_y)
        self.levels = Levels(lock, touch, spec.room.hook_x_m, hook_y)
        self.motion = BarMotion(sets, self.levels, spec.seed)
        self.camera = Camera(spec.camera, spec.seed + 1)
        self.times_s = self._times()

    def _times(self) -> Array:
        """Times of the frames in the set, seconds."""
        spec = self.spec
        n = round(spec.duration_s * spec.fps)
        index = np.arange(n)
        times = index / spec.fps
        if spec.variable_rate:
            rng = np.random.default_rng(spec.seed + 2)
            times = times + rng.uniform(-0.12, 0.12, n) / spec.fps
            times[0] = 0.0
            times = times[(rng.random(n) > 0.02) | (index == 0)]
        return spec.start_s + np.round(times * 90000) / 90000

    def bar(self, time_s: float) -> BarState:
        """Bar at a time of the set."""
        return self.motion.at(time_s)

    def grips(self, bar: BarState) -> dict[str, Array]:
        """Middles of the hands on the bar's axis."""
        sets = self.spec.sets
        return {
            side: bar.middle
            + (sets.grip_shift_m + OUTWARD[side] * sets.grip_width_m / 2) * bar.axis
            for side in SIDES
        }

    def pose(self, bar: BarState) -> Pose:
        """Lifter's pose with the bar in hand."""
        return self.lifter.hold(self.grips(bar), bar.axis, bar.raised)

    def view(self, time_s: float) -> View:
        """Camera at a time of the set."""
        return self.camera.at(time_s)


def bar_rotation(axis: Array) -> Array:
    """Rotation that turns z onto the bar's axis and keeps the marks upright."""
    x = np.cross(np.array([0.0, 1.0, 0.0]), axis)
    x = x / np.linalg.norm(x)
    return np.column_stack([x, np.cross(axis, x), axis])
