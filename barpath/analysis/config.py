"""Every setting of an analysis in one frozen object, made of the stages' own."""

from dataclasses import dataclass, field
from pathlib import Path

from barpath.analysis.corrections import CorrectionConfig, Corrections
from barpath.clip.scene import SceneConfig
from barpath.errors import OptionError
from barpath.ground.view import AUTO, CHOICES
from barpath.lift.advice import LifterProfile
from barpath.lift.barmotion import RepConfig
from barpath.sight.barends import EndsConfig
from barpath.sight.barline import BarlineConfig
from barpath.sight.bridge import BridgeConfig
from barpath.sight.plate import PlateConfig
from barpath.sight.pose import PoseConfig
from barpath.space.armprior import ArmFitConfig
from barpath.space.fittedcamera import CalibrationConfig
from barpath.space.joints import JointDepths, ReadingError
from barpath.space.smooth import SmoothConfig


@dataclass(frozen=True)
class SearchConfig:
    """Which frames the finders of plate and bar look at.

    Frames are taken `per_s` a second in stretches of `stretch_s`, one stretch after the other until
    something that moves like a press is found, so that memory stays bounded.
    """

    per_s: float = 4.0
    stretch_s: float = 30.0
    max_side_px: int = 960


@dataclass(frozen=True)
class AnalysisConfig:
    """Settings of `barpath.analyse`.

    Attributes
    ----------
    view : {'auto', 'side', 'front', 'oblique'}
    load_kg : float or None
    plate_given : bool
        Whether the plate's diameter was given rather than taken as the usual one.
    plate_at_px : tuple of float or None
        Where the plate is in the clip's first frame, if the user pointed at it.
    capture_fps : float or None
        Real frames a second of a slow-motion file that does not tell.
    upper_arm_m, stature_m : float or None
        The lifter's own dimensions, if known.
    pose_model : Path or None
        A joint network file of the user's own.
    find_joints : bool
        False leaves the joint network out.
    corrections : Corrections
        Joints and plate put right by hand.
    profile : LifterProfile or None
        What the lifter says of himself or herself, for what the report suggests.
    """

    view: str = AUTO
    load_kg: float | None = None
    plate_given: bool = False
    plate_at_px: tuple[float, float] | None = None
    capture_fps: float | None = None
    upper_arm_m: float | None = None
    stature_m: float | None = None
    note: str = ""
    pose_model: Path | None = None
    find_joints: bool = True
    profile: LifterProfile | None = None
    corrections: Corrections = field(default_factory=Corrections)
    correcting: CorrectionConfig = field(default_factory=CorrectionConfig)
    search: SearchConfig = field(default_factory=SearchConfig)
    bridging: BridgeConfig = field(default_factory=BridgeConfig)
    depths: JointDepths = field(default_factory=JointDepths)
    reading_error: ReadingError = field(default_factory=ReadingError)
    arms: ArmFitConfig = field(default_factory=ArmFitConfig)
    calibration: CalibrationConfig = field(default_factory=CalibrationConfig)
    scene: SceneConfig = field(default_factory=SceneConfig)
    plate: PlateConfig = field(default_factory=PlateConfig)
    bar: BarlineConfig = field(default_factory=BarlineConfig)
    ends: EndsConfig = field(default_factory=EndsConfig)
    pose: PoseConfig = field(default_factory=PoseConfig)
    smooth: SmoothConfig = field(default_factory=SmoothConfig)
    reps: RepConfig = field(default_factory=RepConfig)

    def __post_init__(self) -> None:
        if self.view not in CHOICES:
            raise OptionError(f"The view must be one of {', '.join(CHOICES)}, not {self.view!r}.")
        limits = (
            ("plate diameter", self.calibration.plate_mm, 100.0, 600.0, "mm"),
            ("load", self.load_kg, 1.0, 600.0, "kg"),
            # In the unit that a user gives them in.
            ("upper-arm length", _cm(self.upper_arm_m), 15.0, 60.0, "cm"),
            ("stature", _cm(self.stature_m), 100.0, 250.0, "cm"),
            ("capture rate", self.capture_fps, 5.0, 2000.0, "frames a second"),
        )
        for name, value, low, high, unit in limits:
            if value is not None and not low <= value <= high:
                raise OptionError(
                    f"The {name} must lie between {low:g} and {high:g} {unit}, not {value:g}."
                )


def _cm(length_m: float | None) -> float | None:
    return None if length_m is None else 100 * length_m
