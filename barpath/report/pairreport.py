"""The report of a pair of clips: one HTML file, tables and a summary, in a folder of its own.

Like that of a set it begins with the answer; see `report` and `pages`.
"""

from __future__ import annotations

import json
import math
import os
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barpath.analysis.pairset import CATALOGUE, SIDES, PairResult
from barpath.analysis.store import check_target, plain
from barpath.errors import OutputError
from barpath.ground.files import (
    MANIFEST_FILE,
    damaged,
    read_json,
    read_manifest_quietly,
    staged_folder,
    verify,
    write_manifest,
)
from barpath.ground.sheets import csv_bytes, read_csv
from barpath.ground.uncertainty import state, state_width
from barpath.lift.advice import AdviceConfig
from barpath.lift.catalogue import shown_unit
from barpath.lift.rules import COLUMNS, REMARKS
from barpath.lift.stacking import ASSUMPTIONS
from barpath.report import answer, plots
from barpath.report.pages import clean, photo, plural, render
from barpath.report.report import CAUTIONS, above_caption, table_cell

SCHEMA_NAME = "barpath-pair"
SCHEMA_VERSION = 1
SUMMARY_FILE = "summary.json"
REPORT_FILE = "report.html"
TABLES = {
    "bar": "bar.csv",
    "reps": "reps.csv",
    "joints": "joints.csv",
    "measures": "measures.csv",
    "stacking": "stacking.csv",
    "options": "options.csv",
    "rules": "rules.csv",
}
FILES = (*TABLES.values(), REPORT_FILE, SUMMARY_FILE)

_MOMENTS = {"bottom": "bar on the chest", "sticking": "sticking point"}
_SHOWN_OPTIONS = (
    ("grip_m", "Between the middles of the hands"),
    ("forefinger_spacing_m", "Between the forefingers"),
    ("move_each_hand_m", "Move each hand outward"),
    ("touch_toward_feet_m", "Touch, from the shoulders toward the feet"),
    ("range_of_motion_m", "Range of motion"),
    ("range_change_m", "Change of the range of motion"),
    ("drift_m", "Way toward the head, touch to lockout"),
    ("wrist_inside_elbow_m", "Wrist left inside the elbow"),
)


def summary(pair: PairResult) -> dict[str, Any]:
    """Content of `summary.json`: only what strict JSON can hold.

    Parameters
    ----------
    pair : PairResult
    """
    return plain(
        {
            "schema": SCHEMA_NAME,
            "schema_version": SCHEMA_VERSION,
            "front": pair.front.source_name,
            "side": pair.side.source_name,
            "clips": [clip.source_name for clip in pair.clips],
            "load_kg": _load(pair),
            "sync": pair.sync,
            "near_end": pair.near,
            "scale_rel_sd": pair.scale_rel_sd,
            "joint_misfit": None if pair.arms is None else pair.arms.misfit,
            "reps": pair.reps,
            "measures": pair.measures,
            "stacking": pair.stacking,
            "stacking_assumptions": ASSUMPTIONS,
            "profile": pair.profile,
            "options": pair.options,
            "advice": pair.advice,
            "rules": pair.rules,
            "rules_remarks": REMARKS,
            "notes": pair.notes,
            "versions": pair.front.versions,
            "files": sorted([*FILES, MANIFEST_FILE]),
        }
    )


def write_pair(
    pair: PairResult,
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    bottom: np.ndarray | None = None,
) -> Path:
    """Write a pair's folder, whole or not at all.

    Parameters
    ----------
    pair : PairResult
    folder : path-like
        Target; it must not exist unless `overwrite`.
    bottom : ndarray, optional
        Picture of the bottom (RGB), from `output.bottom_of`.
    overwrite : bool
        Replace an empty folder, or one that holds nothing but an earlier pair's result.

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        The folder exists and may not be replaced, or cannot be written.
    """
    check = partial(check_pair_target, overwrite=overwrite)
    with staged_folder(folder, check) as (staging, target):
        for name, file in TABLES.items():
            (staging / file).write_bytes(csv_bytes(getattr(pair, name)))
        (staging / REPORT_FILE).write_text(pair_html(pair, bottom), "utf-8", errors="replace")
        text = json.dumps(summary(pair), indent=2, ensure_ascii=False, allow_nan=False)
        (staging / SUMMARY_FILE).write_text(text + "\n", "utf-8", errors="replace")
        write_manifest(staging, FILES)
    return target


def check_pair_target(target: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Check, before any work is done, that a pair's result may be written to a folder.

    Raises
    ------
    OutputError
        It exists and may not be replaced.
    """
    target = Path(target).expanduser()
    if overwrite and target.is_dir():
        present = {entry.name for entry in target.iterdir()}
        if present and not is_pair_folder(target):
            raise OutputError(
                f"'{target}' is not replaced, because it is not an earlier result of a pair."
            )
        foreign = present - {*FILES, MANIFEST_FILE}
        if foreign:
            raise OutputError(
                f"'{target}' is not replaced, because it holds something that is not part of an"
                f" earlier result: '{min(foreign)}'."
            )
        return
    check_target(target)


def is_pair_folder(folder: Path) -> bool:
    """Whether a folder holds a pair's result, be it damaged."""
    if set(FILES) <= set(read_manifest_quietly(folder)):
        return True
    try:
        data = read_json(folder / SUMMARY_FILE)
    except (OSError, ValueError):
        return False
    return isinstance(data, dict) and data.get("schema") == SCHEMA_NAME


def read_rules(folder: Path) -> pd.DataFrame:
    """Read the competition check of a pair's folder back.

    Raises
    ------
    OutputError
        The folder is damaged.
    """
    _check(folder)
    table = _table_of(folder, "rules")
    numbers = [c for c in COLUMNS if c in table and c not in _RULE_WORDS]
    words = [c for c in numbers if not pd.api.types.is_numeric_dtype(table[c])]
    if set(COLUMNS) - set(table.columns) or words:
        raise damaged(folder, TABLES["rules"])
    return table


_NEEDED = {
    "measures": ("rep", "measure", "side", "value", "u95", "quality", "reason"),
    "reps": ("rep", "kind", *(f"{name}_s" for name in ("touch", "press", "lockout"))),
    "joints": (),
    "bar": ("time_s", "x_m", "y_m", "z_m"),
}


def read_pair(folder: Path) -> dict[str, pd.DataFrame]:
    """Read measures, repetitions, joints and bar of a pair's folder back.

    Raises
    ------
    OutputError
        The folder is damaged.
    """
    _check(folder)
    tables = {name: _table_of(folder, name) for name in _NEEDED}
    for name, columns in _NEEDED.items():
        if set(columns) - set(tables[name].columns):
            raise damaged(folder, TABLES[name], "columns are missing")
    return tables


def _check(folder: Path) -> None:
    """Hold a folder against its manifest; one that should have one and has none is damaged."""
    if not verify(folder):
        try:
            listed = read_json(folder / SUMMARY_FILE)["files"]
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise damaged(folder, SUMMARY_FILE) from error
        if MANIFEST_FILE in listed:
            raise damaged(folder, MANIFEST_FILE, "it is missing")


def _table_of(folder: Path, name: str) -> pd.DataFrame:
    try:
        return read_csv(folder / TABLES[name], lambda column: column in _WORDS)
    except (OSError, ValueError) as error:
        raise damaged(folder, TABLES[name]) from error


_RULE_WORDS = ("item", "rule", "verdict", "unit", "reason", "source")
_WORDS = (*_RULE_WORDS, "measure", "side", "quality", "moment", "joint", "kind", "read_in")


def pair_html(pair: PairResult, bottom: np.ndarray | None = None) -> str:
    """Write the report of a pair.

    Parameters
    ----------
    pair : PairResult
    bottom : ndarray, optional
        Picture of the bottom (RGB), from `output.bottom_of`.

    Returns
    -------
    str
        A whole HTML document that asks nothing of the network.
    """
    names = [clean(clip.source_name) for clip in pair.clips]
    facts = facts_of(pair)
    head, rows = _arm_table(pair)
    table = pair.measures
    shown = None
    if bottom is not None:
        shown = photo(
            bottom,
            "Both arms with the bar on the chest: forearms, a plumb line through each wrist, and"
            " the elbows' distances from them.",
            "At the touch, as seen from the feet alone: yellow hangs from the wrist, orange is the"
            " elbow's distance from it.",
        )
    return render(
        "pair.html",
        title=f"Bench press, {len(names)} views: {names[0]}",
        names=names,
        places=" and ".join(dict.fromkeys(clip.shows.stood for clip in pair.clips)),
        about=_about(pair),
        answer=answer.answer(facts, pair.profile),
        bottom=shown,
        drawings=_drawings(pair, facts),
        found=findings(pair),
        cautions=CAUTIONS,
        glance=_glance(pair),
        advice=pair.advice,
        takes=_what_it_takes(pair),
        head=head,
        rows=rows,
        paths=[
            (path_picture(pair), "The bar's middle in each press, to scale."),
            (sync_picture(pair), "Both clips on one clock, by the bar's height."),
        ],
        stacking=_stacking(pair),
        rules=_rules(pair),
        missing=_reasons(table[table["quality"] == "missing"]),
        weak=_reasons(table[table["quality"] == "poor"]),
        how=_how(pair),
        notes=sorted(pair.notes, key=lambda note: note.severity != "warning"),
        explained=[
            (spec.label, f"{spec.explanation} Source: {spec.source}.")
            for spec in CATALOGUE.values()
        ],
        versions=", ".join(f"{name} {v}" for name, v in pair.front.versions.items()),
    )


def facts_of(pair: PairResult) -> answer.Facts:
    """What the pair's answer rests on.

    Parameters
    ----------
    pair : PairResult
    """
    rises = [
        answer.mean_of(r.measures, answer.whole_reps(r.reps), "range_of_motion_m")
        for r in (pair.front, pair.side)
    ]
    rise = min(rises, key=lambda known: known.u95 if known else math.inf)
    return answer.facts_of_both(
        pair.measures, pair.reps, rise, pair.arms, pair.scale_rel_sd, pair.profile
    )


def findings(pair: PairResult) -> list[str]:
    """What changed from the first to the last complete repetition by more than its uncertainty.

    Parameters
    ----------
    pair : PairResult

    Returns
    -------
    list of str
        The clearest first.
    """
    table = pair.measures
    table = table[table["quality"].isin(["good", "fair"])]
    table = table[
        table["rep"].isin(answer.whole_reps(pair.reps)) & (table["measure"] != "tuck_deg")
    ]
    said: list[tuple[float, str]] = []
    for (name, side), part in table.groupby(["measure", "side"], sort=False):
        first, last = part.sort_values("rep").iloc[[0, -1]].to_dict("records")
        change, u95 = last["value"] - first["value"], math.hypot(first["u95"], last["u95"])
        if abs(change) > u95:
            label = CATALOGUE[name].label + (f" ({side})" if side else "")
            text = (
                f"{label} went {'up' if change > 0 else 'down'} from"
                f" {_value(first['value'], first['u95'], first['unit'])} on rep {first['rep']} to"
                f" {_value(last['value'], last['u95'], last['unit'])} on rep {last['rep']}."
            )
            said.append((abs(change) / u95, text))
    return [text for _, text in sorted(said, key=lambda one: -one[0])]


def _drawings(pair: PairResult, facts: answer.Facts) -> list[tuple[plots.Picture, str]]:
    drawings = []
    above = answer.above_of(pair.arms, facts)
    if above is not None:
        drawings.append((plots.above_picture(above), above_caption(above)))
    path = plots.small_path_picture(pair.side)
    if path is not None:
        caption = "The bar's path from the side, to scale: solid up, dashed down."
        drawings.append((path, caption))
    return drawings


def _load(pair: PairResult) -> float | None:
    return pair.front.options.get("load_kg") or pair.side.options.get("load_kg")


def _about(pair: PairResult) -> str:
    about = plural(len(pair.reps), "repetition")
    load = _load(pair)
    return f"{about}, {load:g} kg" if load else about


def _value(value: float, u95: float, unit: str, signed: bool = False) -> str:
    factor, shown = shown_unit(unit)
    text = state(factor * value, factor * u95, shown)
    return f"+{text}" if signed and value > 0 else text


def _glance(pair: PairResult) -> list[tuple[str, str]]:
    sync = pair.sync
    frame = 1.0 / min(pair.front.info.fps, pair.side.info.fps)
    lag = state(1000 * abs(sync.lag_s), 1960 * sync.lag_sd_s, "ms")
    pairs = [
        (
            "One clock",
            f"the second clip's clock is {lag} {'ahead of' if sync.lag_s > 0 else 'behind'}"
            f" the first one's ({sync.lag_sd_s * 1.96 / frame:.2f} of a frame either way)",
        ),
        ("Match", f"{sync.verdict}; heights agree to {1000 * sync.rms_m:.1f} mm"),
    ]
    if sync.verdict == "sure":
        pairs.append(("Scales", f"differed by {100 * (sync.scale - 1):+.1f} %, now joined"))
    table = pair.measures
    for name in (
        "elbow_abduction_deg",
        "wrist_over_elbow_m",
        "wrist_ahead_of_elbow_m",
        "touch_toward_hips_m",
        "drift_touch_to_lockout_m",
        "wrist_spacing_m",
    ):
        part = table[(table["measure"] == name) & (table["quality"] != "missing")]
        if not len(part):
            continue
        words = []
        for side, own in part.groupby("side"):
            text = _value(own["value"].mean(), own["u95"].mean(), own["unit"].iloc[0])
            words.append(f"{side} {text}".strip())
        pairs.append((CATALOGUE[name].label, ", ".join(words) + ", mean of the set"))
    return pairs


def _what_it_takes(pair: PairResult) -> dict[str, Any] | None:
    table = pair.options
    if not len(table):
        return None
    head = ["At the bottom, wrists over elbows"]
    for row in table.itertuples():
        now = not math.isfinite(row.tuck_deg)
        head.append("now" if now else f"{row.tuck_deg:.0f}° tuck" + ("*" if row.limited else ""))
    rows = []
    for name, label in _SHOWN_OPTIONS:
        if name == "wrist_inside_elbow_m" and not table["limited"].any():
            continue
        signed = name in ("move_each_hand_m", "range_change_m")
        cells = [_value(row[name], row[f"{name}_u95"], "m", signed) for _, row in table.iterrows()]
        if signed:
            cells[0] = "–"
        rows.append({"label": label, "unit": "", "cells": cells})
    ratio = [
        _value(row["grip_to_biacromial"], row["grip_to_biacromial_u95"], "")
        for _, row in table.iterrows()
    ]
    rows.append({"label": "Grip over biacromial width", "unit": "", "cells": ratio})
    remarks = [
        "Try another grip with a light load first, inside safeties or with a spotter; pain means"
        " stop, and a clinician judges pain.",
        "Worked out from this lifter's own segment lengths with the wrist over the elbow seen from"
        " the feet and from the side; half widths of 95 % intervals carry the uncertainty of the"
        " joints, of the scale, of the chest's slope and of how straight the arms lock out.",
    ]
    if table["limited"].any():
        limit = 100 * AdviceConfig().limit_m
        remarks.append(f"* held at {limit:.0f} cm between the forefingers.")
    remarks += sorted({r for r in table["reason"] if r and "Held" not in r})
    return {"head": head, "rows": rows, "remarks": remarks}


def _arm_table(pair: PairResult) -> tuple[list[str], list[dict[str, Any]]]:
    table = pair.measures
    reps = sorted(table["rep"].unique())
    rows = []
    for name, spec in CATALOGUE.items():
        for side in ("", *SIDES):
            part = table[(table["measure"] == name) & (table["side"] == side)].set_index("rep")
            if not len(part) or (part["quality"] == "missing").all():
                continue
            about = ", ".join(filter(None, [side, shown_unit(spec.unit)[1]]))
            cells = [table_cell(part.loc[rep]) if rep in part.index else None for rep in reps]
            rows.append({"label": spec.label, "unit": about, "cells": cells})
    return ["Measure", *(f"Rep {int(rep)}" for rep in reps)], rows


@plots._styled
def sync_picture(pair: PairResult) -> plots.Picture:
    """Draw both clips' bar heights on one clock.

    Parameters
    ----------
    pair : PairResult
    """
    figure = Figure(figsize=(plots.WIDTH_IN, 3.4), layout="constrained")
    axes = figure.add_subplot()
    bar = pair.bar
    axes.plot(bar["time_s"], 100 * bar["y_m"], color=plots.INK, lw=1.6, label="from the feet")
    axes.plot(
        bar["time_s"],
        100 * bar["side_y_m"],
        color=plots.RIGHT_COLOUR,
        lw=1.2,
        ls=(0, (4, 2)),
        label="from the side",
    )
    axes.set_xlabel("time in the front clip (s)")
    axes.set_ylabel("height of the bar (cm)")
    axes.grid(color=plots.GRID, lw=0.5)
    axes.legend(loc="best")
    return plots.Picture(
        figure,
        "Height of the bar over time from both clips on one clock; the curves differ by"
        f" {1000 * pair.sync.rms_m:.1f} millimetres.",
    )


@plots._styled
def path_picture(pair: PairResult) -> plots.Picture:
    """Draw the bar's middle from the side, from the feet and from above.

    Parameters
    ----------
    pair : PairResult
    """
    figure = Figure(figsize=(plots.WIDTH_IN, 4.4), layout="constrained")
    panels = figure.subplots(1, 3)
    views = (
        ("x_m", "y_m", "from the side", "toward the head (cm)", "height (cm)"),
        ("z_m", "y_m", "from the feet", "to the lifter's left (cm)", ""),
        ("z_m", "x_m", "from above", "to the lifter's left (cm)", "toward the head (cm)"),
    )
    colours = plots.rep_colours(len(pair.reps))
    for axes, (across, up, title, x_label, y_label) in zip(panels, views, strict=True):
        for rep, colour in zip(pair.reps.itertuples(), colours, strict=True):
            if not (math.isfinite(rep.press_s) and math.isfinite(rep.lockout_s)):
                continue
            time = pair.bar["time_s"]
            inside = pair.bar[(time >= rep.press_s) & (time <= rep.lockout_s)]
            axes.plot(
                100 * inside[across], 100 * inside[up], color=colour, lw=1.6, label=f"rep {rep.rep}"
            )
        axes.set_aspect("equal", adjustable="datalim")
        axes.set_title(title)
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
        axes.grid(color=plots.GRID, lw=0.5)
    panels[0].legend(loc="best")
    return plots.Picture(
        figure, "The path of the bar's middle in each press, seen from three directions, to scale."
    )


def _stacking(pair: PairResult) -> dict[str, Any] | None:
    table = pair.stacking
    if not len(table):
        return None
    head = ["", *(f"{joint}, {plane}" for joint in ("Wrist", "Elbow", "Shoulder")
                  for plane in ("feet", "side")), "Sideways force"]  # fmt: skip
    rows = []
    keys = table[["rep", "moment", "side"]].drop_duplicates().itertuples(index=False)
    for rep, moment, side in keys:
        part = table[(table["rep"] == rep) & (table["moment"] == moment) & (table["side"] == side)]
        cells = []
        for joint in ("wrist", "elbow", "shoulder"):
            for plane in ("frontal", "sagittal"):
                cell = part[
                    (part["quantity"] == "moment_arm_m")
                    & (part["joint"] == joint)
                    & (part["plane"] == plane)
                ].iloc[0]
                cells.append(_value(cell["value"], cell["u95"], "m"))
        frontal = part[part["plane"] == "frontal"].set_index("quantity")
        share = frontal.loc["sideways_share"]
        force = frontal.loc["sideways_n"]
        text = _value(100 * share["value"], 100 * share["u95"], "%")
        if math.isfinite(force["value"]):
            text = f"{_value(force['value'], force['u95'], 'N')} ({text})"
        label = f"Rep {rep}, {_MOMENTS[moment]}, {side}"
        rows.append({"label": label, "unit": "", "cells": [*cells, text]})
    assumptions = list(ASSUMPTIONS)
    if not _load(pair):
        assumptions.append("No load was given, so forces are shares only.")
    return {"head": head, "rows": rows, "assumptions": assumptions}


def _rules(pair: PairResult) -> dict[str, Any] | None:
    table = pair.rules
    if not len(table):
        return None
    rows = [
        {
            "label": f"Rep {row.rep}: {row.rule}",
            "unit": "",
            "cells": [
                row.verdict,
                _value(row.margin, row.u95, row.unit, signed=True),
                row.reason or "",
            ],
        }
        for row in table.itertuples()
    ]
    remarks = [*REMARKS, *dict.fromkeys(table["source"])]
    return {"head": ["Rule", "Measured", "Margin", "Remark"], "rows": rows, "remarks": remarks}


def _reasons(table: pd.DataFrame) -> list[dict[str, str]]:
    """Reasons of a part of the measures, those that differ only in a figure together."""
    items = []
    kind = table["reason"].str.replace(r"\d+([.,]\d+)?", "#", regex=True)
    for _, group in table.groupby(kind, sort=False):
        names = ", ".join(dict.fromkeys(CATALOGUE[n].label for n in group["measure"]))
        reps = ", ".join(str(r) for r in sorted(group["rep"].unique()))
        items.append({"reason": group["reason"].iloc[0], "where": f"{names} – rep {reps}"})
    return items


def _how(pair: PairResult) -> list[tuple[str, str]]:
    arms = pair.arms
    pairs = [
        *((f"{clip.view.capitalize()} clip", _clip(clip)) for clip in pair.clips),
        ("End seen from the side", f"the lifter's {pair.near or 'unknown'} end"),
        ("Uncertainty of all lengths", f"± {state_width(196 * pair.scale_rel_sd, '%')} (95 %)"),
    ]
    if arms is not None:
        lengths = arms.length_draws_m.std(axis=0)
        for s, side in enumerate(SIDES):
            upper = _value(arms.lengths_m[s, 0], 1.96 * lengths[s, 0], "m")
            fore = _value(arms.lengths_m[s, 1], 1.96 * lengths[s, 1], "m")
            pairs.append((f"{side.capitalize()} arm", f"upper arm {upper}, forearm {fore}"))
        text = f"they differ by {arms.misfit:.1f} times their stated uncertainty"
        pairs.append(("Joints against the pictures", text))
    return pairs


def _clip(result: Any) -> str:
    info = result.info
    return (
        f"{clean(result.source_name)}, {info.width_px} × {info.height_px} pixels,"
        f" {info.fps:.4g} frames a second"
    )


def rules_text(table: pd.DataFrame) -> str:
    """Competition check as lines for a terminal.

    Parameters
    ----------
    table : DataFrame
        From `rules.check`.
    """
    lines = []
    for rep, part in table.groupby("rep"):
        lines.append(f"Rep {rep}")
        for row in part.itertuples():
            margin = _value(row.margin, row.u95, row.unit, signed=True)
            margin = "" if margin == "–" else f" (margin {margin})"
            reason = f" {row.reason}" if isinstance(row.reason, str) and row.reason else ""
            lines.append(f"  {row.verdict}: {row.rule}{margin}.{reason}")
    sources = dict.fromkeys(table["source"])
    return "\n".join([*lines, *REMARKS, *(f"Rule book: {source}." for source in sources)])
