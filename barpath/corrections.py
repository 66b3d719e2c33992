"""What a person saw better than the program: joints and plate put right by hand on a few frames."""

from dataclasses import dataclass

JOINTS = tuple(
    f"{side}_{joint}" for side in ("left", "right") for joint in ("shoulder", "elbow", "wrist")
)
"""Joints that can be put right; left and right are the lifter's."""


@dataclass(frozen=True)
class JointPoint:
    """A joint's centre on one frame, px of the clip's upright picture."""

    frame: int
    joint: str
    x_px: float
    y_px: float


@dataclass(frozen=True)
class PlatePoint:
    """The middle of the near plate's outline on one frame, px of the clip's upright picture."""

    frame: int
    x_px: float
    y_px: float


@dataclass(frozen=True)
class Corrections:
    """All that was put right in one clip."""

    joints: tuple[JointPoint, ...] = ()
    plate: tuple[PlatePoint, ...] = ()
