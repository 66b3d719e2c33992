"""Every setting of an analysis, and of a pair, in one frozen object made of the stages' own."""

import dataclasses
from dataclasses import dataclass, field
from pathlib import Path

from barpath.analysis.corrections import CorrectionConfig, Corrections
from barpath.analysis.sway import SwayConfig
from barpath.clip.lensfit import LensConfig
from barpath.clip.scene import SceneConfig
from barpath.errors import OptionError
from barpath.ground.equipment import Bar
from barpath.ground.view import AUTO, CHOICES
from barpath.lift.advice import AdviceConfig, LifterProfile
from barpath.lift.barmotion import RepConfig
from barpath.lift.rules import RulesConfig
from barpath.sight.barline import BarlineConfig
from barpath.sight.barstrips import EndsConfig
from barpath.sight.bridge import BridgeConfig
from barpath.sight.plate import PlateConfig
from barpath.sight.pose import PoseConfig
from barpath.sight.sleevelooks import SleeveConfig
from barpath.sight.sleevewidths import WidthConfig
from barpath.sight.strays import StrayConfig
from barpath.space.alongbench import AlongConfig
from barpath.space.armprior import ArmFitConfig
from barpath.space.arms3d import HipConfig
from barpath.space.fittedcamera import CalibrationConfig
from barpath.space.joints import JointDepths, ReadingError
from barpath.space.pairing import SyncConfig
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


BAR_STAGES = ("bar", "ends", "sleeve", "widths", "pose", "calibration", "arms")
"""Parts of the settings that know of the bar."""


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
    kept_bytes : int
        Memory that frames may take between finding the bar in them and following it, so that they
        are decoded once; it changes no result.
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
    kept_bytes: int = 512 * 2**20
    corrections: Corrections = field(default_factory=Corrections)
    correcting: CorrectionConfig = field(default_factory=CorrectionConfig)
    search: SearchConfig = field(default_factory=SearchConfig)
    bridging: BridgeConfig = field(default_factory=BridgeConfig)
    depths: JointDepths = field(default_factory=JointDepths)
    reading_error: ReadingError = field(default_factory=ReadingError)
    arms: ArmFitConfig = field(default_factory=ArmFitConfig)
    calibration: CalibrationConfig = field(default_factory=CalibrationConfig)
    scene: SceneConfig = field(default_factory=SceneConfig)
    lens: LensConfig = field(default_factory=LensConfig)
    sway: SwayConfig = field(default_factory=SwayConfig)
    plate: PlateConfig = field(default_factory=PlateConfig)
    bar: BarlineConfig = field(default_factory=BarlineConfig)
    ends: EndsConfig = field(default_factory=EndsConfig)
    strays: StrayConfig = field(default_factory=StrayConfig)
    sleeve: SleeveConfig = field(default_factory=SleeveConfig)
    widths: WidthConfig = field(default_factory=WidthConfig)
    pose: PoseConfig = field(default_factory=PoseConfig)
    along: AlongConfig = field(default_factory=AlongConfig)
    smooth: SmoothConfig = field(default_factory=SmoothConfig)
    reps: RepConfig = field(default_factory=RepConfig)

    @property
    def barbell(self) -> Bar:
        """The bar that is lifted, of which every stage knows; `with_bar` gives another."""
        return self.calibration.barbell

    def __post_init__(self) -> None:
        if {getattr(self, stage).barbell for stage in BAR_STAGES} != {self.barbell}:
            raise OptionError("Every stage must know of the same bar, as with_bar sees to.")
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


@dataclass(frozen=True)
class PairConfig:
    """Settings of a pair.

    Attributes
    ----------
    sync, arms, hips, advice, rules
        Settings of the parts.
    shoulder_m : tuple of float
        Standard uncertainty of the shoulders along and out of the trunk that stays in the touch
        point whatever the fit says: of the size by which the network misplaces supine shoulders in
        the tuning clips of `sample_clips_synthetic`.
    bottom_margin_s, lockout_margin_s : float
        Frames with joints so close to an event stand for it.
    read_s : float
        A joint counts as read at a moment when it was in a frame so close to it.
    match_s : float
        The two clips' touches of one repetition lie no further apart.
    ends_apart_s, ends_apart_sd_s : float
        An end of the bar comes to rest no further from its middle, and how well a clip from the
        feet tells how far (of the tuning clips).
    heights_apart_rel_sd : float
        By how much the heights that clips follow differ in truth, one of the middle and the other
        of an end, as a share of the range of motion (1.3 mm of 0.3 m on the regulars' and joiners'
        sets).
    useless_factor : float
        A value whose 95 % half width is more than this many times the fair one is missing.
    """

    sync: SyncConfig = field(default_factory=SyncConfig)
    arms: ArmFitConfig = field(default_factory=ArmFitConfig)
    hips: HipConfig = field(default_factory=HipConfig)
    advice: AdviceConfig = field(default_factory=AdviceConfig)
    rules: RulesConfig = field(default_factory=RulesConfig)
    shoulder_m: tuple[float, float] = (0.008, 0.010)
    bottom_margin_s: float = 0.05
    lockout_margin_s: float = 0.25
    read_s: float = 0.1
    match_s: float = 0.5
    ends_apart_s: float = 0.1
    ends_apart_sd_s: float = 0.005
    heights_apart_rel_sd: float = 0.004
    useless_factor: float = 2.0


def with_bar(config: AnalysisConfig, bar: Bar) -> AnalysisConfig:
    """The same settings for a set with another bar."""
    stages = {
        stage: dataclasses.replace(getattr(config, stage), barbell=bar) for stage in BAR_STAGES
    }
    return dataclasses.replace(config, **stages)


def pose_config(config: AnalysisConfig, *, across: bool = False) -> PoseConfig:
    """How joints are looked for, with the plates of this set; `across` if the bar lies so."""
    lifter = config.pose.lifter
    if across:
        lifter = dataclasses.replace(lifter, fill=lifter.across_fill)
    plate_m = config.calibration.plate_mm / 1000
    return dataclasses.replace(config.pose, plate_diameter_m=plate_m, lifter=lifter)


def arm_config(config: AnalysisConfig) -> ArmFitConfig:
    """What is known of this lifter's arms: what was given, otherwise the usual."""
    arms = config.arms
    if config.stature_m is not None:
        arms = dataclasses.replace(arms, stature_m=config.stature_m, stature_rel_sd=0.01)
    if config.upper_arm_m is not None:
        arms = dataclasses.replace(arms, upper_arm_m=config.upper_arm_m)
    return arms
