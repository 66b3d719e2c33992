"""The page of a pair of clips, and its competition check in words.

Like that of a set it begins with the answer; see `setpage` and `pages`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from barpath.analysis.paircatalogue import CATALOGUE
from barpath.analysis.pairset import PairResult
from barpath.ground.uncertainty import state, state_width
from barpath.lift.advice import AdviceConfig
from barpath.lift.catalogue import shown_unit
from barpath.lift.rules import REMARKS
from barpath.lift.stacking import ASSUMPTIONS
from barpath.report.above import above_caption, above_of, above_picture
from barpath.report.answer import answer
from barpath.report.facts import Facts, facts_of_both, mean_of, whole_reps
from barpath.report.findings import MAX_FINDINGS, REPEATED
from barpath.report.pages import clean, photo, plural, render
from barpath.report.pathplots import small_path_picture
from barpath.report.picture import GRID, INK, RIGHT_COLOUR, WIDTH_IN, Picture, rep_colours, styled
from barpath.report.setpage import CAUTIONS, table_cell
from barpath.space.sights import SIDES

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
        places=" and ".join(dict.fromkeys(clip.filmed for clip in pair.clips)),
        about=_about(pair),
        answer=answer(facts, pair.profile),
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


def facts_of(pair: PairResult) -> Facts:
    """What the pair's answer rests on.

    Parameters
    ----------
    pair : PairResult
    """
    rise = mean_of(pair.measures, whole_reps(pair.reps), "range_of_motion_m")
    return facts_of_both(pair.measures, pair.reps, rise, pair.arms, pair.scale_rel_sd, pair.profile)


def findings(pair: PairResult, limit: int = MAX_FINDINGS) -> list[str]:
    """What changed from the first to the last complete repetition by more than its uncertainty.

    Parameters
    ----------
    pair : PairResult
    limit : int
        At most this many.

    Returns
    -------
    list of str
        The clearest first.
    """
    table = pair.measures
    table = table[table["quality"].isin(["good", "fair"])]
    table = table[table["rep"].isin(whole_reps(pair.reps)) & ~table["measure"].isin(REPEATED)]
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
    return [text for _, text in sorted(said, key=lambda one: -one[0])][:limit]


def _drawings(pair: PairResult, facts: Facts) -> list[tuple[Picture, str]]:
    drawings = []
    above = above_of(pair.arms, facts)
    if above is not None:
        drawings.append((above_picture(above), above_caption(above)))
    path = small_path_picture(pair.side)
    if path is not None:
        caption = "The bar's path from the side, to scale: solid up, dashed down."
        drawings.append((path, caption))
    return drawings


def load_kg_of(pair: PairResult) -> float | None:
    """The load, as given with either clip."""
    return pair.front.options.get("load_kg") or pair.side.options.get("load_kg")


def _about(pair: PairResult) -> str:
    about = plural(len(pair.reps), "repetition")
    load = load_kg_of(pair)
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
        "range_of_motion_m",
        "mean_press_speed_m_s",
        "pause_s",
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


@styled
def sync_picture(pair: PairResult) -> Picture:
    """Draw both clips' bar heights on one clock.

    Parameters
    ----------
    pair : PairResult
    """
    figure = Figure(figsize=(WIDTH_IN, 3.4), layout="constrained")
    axes = figure.add_subplot()
    bar = pair.bar
    axes.plot(bar["time_s"], 100 * bar["y_m"], color=INK, lw=1.6, label="from the feet")
    axes.plot(
        bar["time_s"],
        100 * bar["side_y_m"],
        color=RIGHT_COLOUR,
        lw=1.2,
        ls=(0, (4, 2)),
        label="from the side",
    )
    axes.set_xlabel("time in the front clip (s)")
    axes.set_ylabel("height of the bar (cm)")
    axes.grid(color=GRID, lw=0.5)
    axes.legend(loc="best")
    return Picture(
        figure,
        "Height of the bar over time from both clips on one clock; the curves differ by"
        f" {1000 * pair.sync.rms_m:.1f} millimetres.",
    )


@styled
def path_picture(pair: PairResult) -> Picture:
    """Draw the bar's middle from the side, from the feet and from above.

    Parameters
    ----------
    pair : PairResult
    """
    figure = Figure(figsize=(WIDTH_IN, 4.4), layout="constrained")
    panels = figure.subplots(1, 3)
    views = (
        ("x_m", "y_m", "from the side", "head (cm) →", "height (cm)"),
        ("z_m", "y_m", "from the feet", "lifter's left (cm) →", ""),
        ("z_m", "x_m", "from above", "lifter's left (cm) →", "head (cm) →"),
    )
    colours = rep_colours(len(pair.reps))
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
        axes.grid(color=GRID, lw=0.5)
    panels[0].legend(loc="best")
    return Picture(
        figure,
        "The path of the bar's middle in each press, seen from three directions, each to its own"
        " scale.",
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
    if not load_kg_of(pair):
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
