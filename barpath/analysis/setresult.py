"""What one measured set is: the tables and sentences that all pages and sheets are made of."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from barpath.analysis.corrections import Corrections
from barpath.ground.view import View, view_of

if TYPE_CHECKING:
    from barpath.clip.frames import ClipInfo


@dataclass
class Note:
    """Something worth knowing about how the set was measured.

    Attributes
    ----------
    code : str
        Short machine-readable name, such as ``"dropped_frames"``.
    severity : {"info", "warning"}
        Whether it bears on how far the figures can be trusted.
    text : str
        One plain-language sentence.
    """

    code: str
    severity: Literal["info", "warning"]
    text: str


@dataclass
class SetResult:
    """Everything measured in one set.

    Attributes
    ----------
    source_name : str
        File name as given by the user; untrusted text.
    info : ClipInfo
        What was found out about the clip.
    view : str
        ``"side"``, ``"front"`` or ``"oblique"``.
    view_source : str
        ``"given"`` by the user or ``"guessed"`` from the picture.
    options : dict
        Options in force (`plate_mm`, `load_kg`, ...); untrusted text.
    calibration : dict
        How pixels became metres: `plate_mm`, `px_per_m`, `scale_rel_sd`, `roll_deg`, ...
    trajectory, track, camera, pose : pandas.DataFrame
        The tables that pass between the stages, one row a frame.
    reps : pandas.DataFrame
        One row a repetition: its times and, for each measure, `name`, `name_u95`, `name_quality`.
    measures : pandas.DataFrame
        Long table: one row per repetition, measure and side.
    phases : pandas.DataFrame
        `time_s` and `phase` for each sample.
    notes : list of Note
        Remarks and warnings.
    versions : dict of str to str
        Versions of the program and of the libraries it rests on.
    arms : pandas.DataFrame
        The fitted arms (see `armfit.arm_table`); empty where they could not be fitted.
    corrections : Corrections
        What was put right by hand; kept in `corrections.json` when there is any.
    draws : pandas.DataFrame
        The arms at bottom and lockout as draws (see `bottom.draw_table`); empty without them.
    """

    source_name: str
    info: ClipInfo
    view: str
    view_source: str
    options: dict[str, Any]
    calibration: dict[str, Any]
    trajectory: pd.DataFrame
    track: pd.DataFrame
    camera: pd.DataFrame
    pose: pd.DataFrame
    reps: pd.DataFrame
    measures: pd.DataFrame
    phases: pd.DataFrame
    notes: list[Note]
    versions: dict[str, str]
    arms: pd.DataFrame = dataclasses.field(default_factory=pd.DataFrame)
    corrections: Corrections = dataclasses.field(default_factory=Corrections)
    draws: pd.DataFrame = dataclasses.field(default_factory=pd.DataFrame)

    @property
    def shows(self) -> View:
        """What can be seen from where the camera stood."""
        return view_of(self.view)

    @property
    def filmed(self) -> str:
        """From where it was filmed, in words; results of earlier versions know the view alone."""
        return str(self.calibration.get("filmed") or self.shows.words)
