"""Clips of one set from different places, measured together.

The one place where the results of several clips meet: the clocks (`pairing`), the joints in space
(`arms3d`), their statics (`stacking`), what a change would take (`advice`) and the rules (`rules`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from barpath.analysis.config import AnalysisConfig, PairConfig, with_bar
from barpath.analysis.kept import bar_in, config_of, head_of
from barpath.analysis.pairmeasures import joint_rows, measures_of, motion_rows
from barpath.analysis.pairrules import pair_rules
from barpath.analysis.pairspace import (
    ClipInSet,
    along_rel_sd,
    arms_in_space,
    bar_in_space,
    moments_of,
    on_one_clock,
)
from barpath.analysis.pairtimes import joined_reps, of_the_middle, reps_met
from barpath.analysis.pipeline import analyse, remeasure
from barpath.analysis.running import Progress, one_blas_thread, quiet
from barpath.analysis.setresult import Note, SetResult
from barpath.analysis.setscale import on_set_scale
from barpath.analysis.store import known_only_by_form, read_results
from barpath.errors import OptionError
from barpath.ground.equipment import Bar
from barpath.lift import advice, stacking
from barpath.lift.advice import LifterProfile
from barpath.space import arms3d
from barpath.space.joints import near_side
from barpath.space.pairing import AMBIGUOUS, Sync


@dataclass(frozen=True)
class PairResult:
    """Everything measured of one set from its two clips.

    Attributes
    ----------
    clips : tuple of SetResult
        The first one's clock and zero are those of the set.
    syncs : tuple of Sync
        From the first clip's clock to each other one's.
    near : str
        End of the bar, and arm, that the second clip sees: `'left'`, `'right'` or `''`.
    scale_rel_sd : float
        Relative standard uncertainty of lengths after both scales were joined.
    own : tuple of DataFrame
        Measure table of each clip, with what hangs on heights alone on that scale.
    bar : DataFrame
        `time_s` (front clip's clock), `x_m, y_m, z_m` of the bar's middle, `sd_x_m, sd_y_m,
        sd_z_m`, `tilt_deg`, and `side_y_m` the side view's height on the front view's zero.
    reps : DataFrame
        From `joined_reps`: `rep`, `kind` and times as the first clip counts them.
    arms : Arms3d or None
    joints : DataFrame
        `rep, moment, time_s, side, joint, x_m, y_m, z_m, sd_x_m, sd_y_m, sd_z_m, seen`.
    measures, stacking, options, rules : DataFrame
    advice : list of str
    profile : LifterProfile
    notes : list of Note
    """

    clips: tuple[SetResult, ...]
    syncs: tuple[Sync, ...]
    near: str
    scale_rel_sd: float
    own: tuple[pd.DataFrame, ...]
    bar: pd.DataFrame
    reps: pd.DataFrame
    arms: arms3d.Arms3d | None
    joints: pd.DataFrame
    measures: pd.DataFrame
    stacking: pd.DataFrame
    options: pd.DataFrame
    rules: pd.DataFrame
    advice: list[str]
    profile: LifterProfile
    notes: list[Note]

    @property
    def front(self) -> SetResult:
        """The first clip, from the feet where there is one."""
        return self.clips[0]

    @property
    def side(self) -> SetResult:
        """The second clip."""
        return self.clips[1]

    @property
    def sync(self) -> Sync:
        """From the first clip's clock to the second's."""
        return self.syncs[0]


@one_blas_thread
def measure_clips(
    clips: Sequence[SetResult],
    profile: LifterProfile | None = None,
    config: PairConfig | None = None,
) -> PairResult:
    """Measure one set from clips taken from two or more places.

    Parameters
    ----------
    clips : sequence of SetResult
        Results of the clips, from `analyse` or `store.read_results`; a clip from the feet comes
        first, if there is one.
    profile : LifterProfile, optional
    config : PairConfig, optional

    Returns
    -------
    PairResult

    Raises
    ------
    OptionError
        No clip was taken from aside, or the clips do not show the same set, or not with the same
        bar.
    """
    config, profile = config or PairConfig(), profile or LifterProfile()
    clips = _in_order(clips)
    front, side = clips[:2]
    syncs = tuple(on_one_clock(front, other, config.sync) for other in clips[1:])
    views = _in_one_space(clips, syncs, config)
    scale_rel_sd = min(view.rel_sd for view in views)
    bar = bar_in_space(views)
    lags_s = [0.0, *(sync.lag_s for sync in syncs)]
    tables = [clip.reps for clip in clips]
    both_ends = [clip.shows.both_ends for clip in clips]
    for k, clip in enumerate(clips):
        moved = None if both_ends[k] else of_the_middle(front, clip, lags_s[k], config)
        if moved is not None:
            tables[k], both_ends[k] = moved, True
    reps = joined_reps(tables, lags_s, config.match_s, both_ends)
    notes = _notes(clips, syncs, reps)
    own = tuple(
        on_set_scale(view.result.measures, view.factor, _own_scale(view.result), view.rel_sd)
        for view in views
    )
    met = [
        reps_met(front.reps, clip.reps, lag_s, config.match_s)
        for clip, lag_s in zip(clips[1:], lags_s[1:], strict=True)
    ]
    numbers = front.reps["rep"].astype(float).tolist()
    of_clips = motion_rows(reps, own, [numbers, *met], [clip.view for clip in clips])
    moments, spans = moments_of(reps, bar, config)
    arms = None
    told = all(near_side(head_of(view.result)) for view in views if view.aside)
    if len(moments) and told and not any(clip.pose.empty for clip in clips):
        arms = arms_in_space(views, bar, moments, spans, config)
    elif not told:
        text = (
            "Which way the lifter's head lies could not be told in every clip, so the arms were not"
            " recovered in space."
        )
        notes.append(Note("head_unknown", "warning", text))
    tilt_sd = (_tilt_sd_deg(front), _tilt_sd_deg(side))
    load = front.options.get("load_kg") or side.options.get("load_kg")
    options, stacked = pd.DataFrame(), pd.DataFrame()
    said: list[str] = []
    if arms is not None:
        stacked = stacking.stack(arms, load, tilt_sd)
        options, said = _advice(arms, scale_rel_sd, profile, config, notes)
    return PairResult(
        clips=clips,
        syncs=syncs,
        near=near_side(head_of(side)),
        scale_rel_sd=scale_rel_sd,
        own=own,
        bar=bar,
        reps=reps,
        arms=arms,
        joints=joint_rows(arms, [clip.view for clip in clips]),
        measures=measures_of(
            arms, bar, reps, scale_rel_sd, along_rel_sd(views), tilt_sd, syncs[0], of_clips, config
        ),
        stacking=stacked,
        options=options,
        rules=pair_rules(front, side, arms, reps, scale_rel_sd, config),
        advice=said,
        profile=profile,
        notes=notes,
    )


def _in_order(clips: Sequence[SetResult]) -> tuple[SetResult, ...]:
    """Clips with the one from the feet first; refused where fewer than one is from aside."""
    ordered = tuple(sorted(clips, key=lambda clip: clip.shows.along))
    if len(ordered) < 2:
        raise OptionError("Two clips of the set are needed to measure them together.")
    if not ordered[1].shows.along:
        names = " and ".join(f"'{clip.source_name}'" for clip in ordered[:2])
        raise OptionError(
            f"Both {names} were filmed from the feet; the second clip must be from the side or at"
            " a slant."
        )
    bars = list(dict.fromkeys(bar_in(clip) for clip in ordered))
    if len(bars) > 1:
        raise OptionError(
            f"The clips were measured with different bars, a {bars[0].words} and a {bars[1].words};"
            " a set has one, so give the same for all clips with --bar."
        )
    return ordered


def _in_one_space(
    clips: Sequence[SetResult], syncs: Sequence[Sync], config: PairConfig
) -> list[ClipInSet]:
    """Clips with what puts them into the set's time and space."""
    factors, rel_sds = arms3d.combine_scales(
        [1.0, *(one.scale for one in syncs)],
        [_own_scale(clip) for clip in clips],
        config.heights_apart_rel_sd,
    )
    lags = [0.0, *(one.lag_s for one in syncs)]
    lifts = [0.0, *(factors[0] * one.offset_m for one in syncs)]
    parts = zip(clips, lags, factors.tolist(), lifts, rel_sds.tolist(), strict=True)
    return [ClipInSet(*of_one) for of_one in parts]


def _own_scale(clip: SetResult) -> float:
    """Relative standard uncertainty of a clip's own vertical lengths."""
    return float(clip.calibration["scale_rel_sd"] or 0.0)


def _tilt_sd_deg(clip: SetResult) -> float:
    return float(clip.calibration["tilt_sd_deg"] or 0.0)


def _advice(
    arms: arms3d.Arms3d,
    scale_rel_sd: float,
    profile: LifterProfile,
    config: PairConfig,
    notes: list[Note],
) -> tuple[pd.DataFrame, list[str]]:
    try:
        build = advice.build_of(arms, scale_rel_sd, profile, config.advice)
    except OptionError as error:
        notes.append(Note("no_advice", "warning", f"No grip was worked out: {error}"))
        return pd.DataFrame(), []
    table = advice.options(build, profile, config.advice)
    return table, advice.in_words(table, profile, config.advice)


def _notes(clips: Sequence[SetResult], syncs: Sequence[Sync], reps: pd.DataFrame) -> list[Note]:
    notes = []
    for sync in syncs:
        if sync.verdict == AMBIGUOUS:
            notes.append(Note("sync_ambiguous", "warning", sync.reason))
        if abs(sync.scale - 1) > 0.03:
            notes.append(
                Note(
                    "scales_differ",
                    "warning",
                    f"The clips' scales differ by {100 * abs(sync.scale - 1):.1f} %; check the"
                    " plate's diameter given for each.",
                )
            )
    lone = (reps["n_clips"] == 1).sum()
    if lone:
        notes.append(
            Note("reps_unmatched", "info", f"{lone} of the repetitions are in the first clip only.")
        )
    for result in clips:
        for note in result.notes:
            if note.severity == "warning":
                notes.append(
                    Note(note.code, "warning", f"{result.view.capitalize()} clip: {note.text}")
                )
    return notes


@dataclass(frozen=True)
class ClipOptions:
    """What is given for both clips; for a result folder only what it does not hold itself."""

    plate_mm: float | None = None
    load_kg: float | None = None
    stature_m: float | None = None
    bar: Bar | None = None


def read_or_analyse(
    given: Path, view: str, options: ClipOptions, progress: Progress = quiet
) -> SetResult:
    """Result of a clip, or of a result folder.

    Parameters
    ----------
    given : Path
        A clip, or a folder written by `store.write_results`.
    view : {'auto', 'front', 'side', 'oblique'}
    options : ClipOptions
        A plate's diameter or a bar that differs from a folder's measures it again from its
        detections.
    progress : callable, optional

    Returns
    -------
    SetResult
    """
    config = AnalysisConfig(load_kg=options.load_kg, stature_m=options.stature_m)
    if options.bar is not None:
        config = with_bar(config, options.bar)
    if not given.is_dir():
        return analyse(
            given, view=view, plate_mm=options.plate_mm, config=config, progress=progress
        )
    result = read_results(given)
    other_plate = options.plate_mm not in (None, result.options["plate_mm"])
    if other_plate or options.bar not in (None, bar_in(result)):
        again = config_of(result)
        if options.bar is not None:
            again = with_bar(again, options.bar)
        if options.plate_mm is not None and other_plate:
            calibration = replace(again.calibration, plate_mm=options.plate_mm)
            again = replace(again, calibration=calibration, plate_given=True)
        with known_only_by_form(given):
            result = remeasure(result, again)
    for name in ("load_kg", "stature_m"):
        if getattr(options, name) is not None:
            result.options[name] = getattr(options, name)
    return result
