"""The report of a pair of clips: one HTML file, tables and a summary, in a folder of its own."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from barpath import plots
from barpath.advice import AdviceConfig
from barpath.errors import OutputError
from barpath.files import (
    MANIFEST_FILE,
    damaged,
    read_json,
    read_manifest_quietly,
    staged_folder,
    verify,
    write_manifest,
)
from barpath.pairset import CATALOGUE, SIDES, PairResult
from barpath.report import (
    _cautions,
    _clean,
    _facts,
    _mark,
    _picture,
    _section,
    _t,
    document,
    stated,
)
from barpath.rules import COLUMNS, REMARKS
from barpath.sheets import csv_bytes, read_csv
from barpath.stacking import ASSUMPTIONS
from barpath.store import check_target, plain

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
    pair: PairResult, folder: str | os.PathLike[str], *, overwrite: bool = False
) -> Path:
    """Write a pair's folder, whole or not at all.

    Parameters
    ----------
    pair : PairResult
    folder : path-like
        Target; it must not exist unless `overwrite`.
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
        (staging / REPORT_FILE).write_text(pair_html(pair), "utf-8", errors="replace")
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
    if not verify(folder):
        try:
            listed = read_json(folder / SUMMARY_FILE)["files"]
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise damaged(folder, SUMMARY_FILE) from error
        if MANIFEST_FILE in listed:
            raise damaged(folder, MANIFEST_FILE, "it is missing")
    try:
        table = read_csv(folder / TABLES["rules"], lambda column: column in _RULE_WORDS)
    except (OSError, ValueError) as error:
        raise damaged(folder, TABLES["rules"]) from error
    numbers = [c for c in COLUMNS if c in table and c not in _RULE_WORDS]
    words = [c for c in numbers if not pd.api.types.is_numeric_dtype(table[c])]
    if set(COLUMNS) - set(table.columns) or words:
        raise damaged(folder, TABLES["rules"])
    return table


_RULE_WORDS = ("item", "rule", "verdict", "unit", "reason", "source")


def pair_html(pair: PairResult) -> str:
    """Write the report of a pair.

    Parameters
    ----------
    pair : PairResult

    Returns
    -------
    str
        A whole HTML document that asks nothing of the network.
    """
    front, side = _clean(pair.front.source_name), _clean(pair.side.source_name)
    versions = ", ".join(f"{name} {version}" for name, version in pair.front.versions.items())
    body = "".join(
        [
            _header(pair, front, side),
            "<main>",
            _glance(pair),
            _what_it_takes(pair),
            _arm_table(pair),
            _pictures(pair),
            _stacking(pair),
            _rules(pair),
            _missing(pair),
            _how(pair),
            _cautions(),
            "</main>",
            f"<footer><p>{_t(versions)}. This file needs no network and sends nothing.</p>"
            "</footer>\n",
        ]
    )
    return document(f"Bench press, front and side: {front}", body)


def _load(pair: PairResult) -> float | None:
    return pair.front.options.get("load_kg") or pair.side.options.get("load_kg")


def _value(value: float, u95: float, unit: str, signed: bool = False) -> str:
    factor, shown = plots.shown_unit(unit)
    if not math.isfinite(value):
        return "–"
    if u95 < 1e-9:
        u95 = math.nan
    text, spread = stated(factor * value, factor * u95)
    if signed and value > 0:
        text = f"+{text}"
    space = "" if shown in ("°", "") else "\u00a0"
    return f"{text}\u00a0±\u00a0{spread}{space}{shown}" if spread else f"{text}{space}{shown}"


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], label: str, caption: str) -> str:
    """Scrolling table; cells are HTML, the first of each row is its heading."""
    top = "".join(f'<th scope="col">{cell}</th>' for cell in head)
    lines = "".join(
        f'<tr><th scope="row">{row[0]}</th>{"".join(f"<td>{c}</td>" for c in row[1:])}</tr>\n'
        for row in rows
    )
    return (
        f'<div class="scroll" role="region" aria-labelledby="{label}" tabindex="0">\n<table>\n'
        f"<caption>{_t(caption)}</caption>\n<thead><tr>{top}</tr></thead>\n<tbody>\n{lines}</tbody>"
        "\n</table>\n</div>\n"
    )


def _header(pair: PairResult, front: str, side: str) -> str:
    count = len(pair.reps)
    about = f"{count} repetition{'' if count == 1 else 's'}"
    load = _load(pair)
    if load:
        about += f", {load:g} kg"
    return (
        '<header>\n<p class="kind">Bench press, one set from the feet and from the side</p>\n'
        f"<h1><bdi>{_t(front)}</bdi> and <bdi>{_t(side)}</bdi></h1>\n<p>{_t(about)}</p>\n"
        "</header>\n"
    )


def _glance(pair: PairResult) -> str:
    sync = pair.sync
    frame = 1.0 / min(pair.front.info.fps, pair.side.info.fps)
    pairs = [
        (
            "One clock",
            _t(
                f"the side clip's clock is {1000 * abs(sync.lag_s):.1f} ±"
                f" {1960 * sync.lag_sd_s:.1f} ms {'ahead of' if sync.lag_s > 0 else 'behind'} the"
                f" front clip's ({sync.lag_sd_s * 1.96 / frame:.2f} of a frame either way)"
            ),
        ),
        ("Match", _t(f"{sync.verdict}; heights agree to {1000 * sync.rms_m:.1f} mm")),
    ]
    if sync.verdict == "sure":
        pairs.append(("Scales", _t(f"differed by {100 * (sync.scale - 1):+.1f} %, now joined")))
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
        pairs.append((CATALOGUE[name].label, _t(", ".join(words) + ", mean of the set")))
    return _section("summary", "The set at a glance", _facts(pairs))


def _what_it_takes(pair: PairResult) -> str:
    if not len(pair.options):
        return ""
    items = "".join(f"<li>{_t(sentence)}</li>\n" for sentence in pair.advice)
    table = pair.options
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
        rows.append([_t(label), *map(_t, cells)])
    rows.append(
        [
            "Grip over biacromial width",
            *(
                _t(_value(row["grip_to_biacromial"], row["grip_to_biacromial_u95"], ""))
                for _, row in table.iterrows()
            ),
        ]
    )
    limit = 100 * AdviceConfig().limit_m
    remarks = [
        "Worked out from this lifter's own segment lengths with the wrist over the elbow seen from"
        " the feet and from the side; half widths of 95 % intervals carry the uncertainty of the"
        " joints, of the scale, of the chest's slope and of how straight the arms lock out."
    ]
    remarks.insert(
        0,
        "Try another grip with a light load first, inside safeties or with a spotter; pain means"
        " stop, and a clinician judges pain.",
    )
    if table["limited"].any():
        remarks.append(f"* held at {limit:.0f} cm between the forefingers.")
    reasons = sorted({r for r in table["reason"] if r and "Held" not in r})
    remarks += reasons
    note = "".join(f'<p class="small">{_t(remark)}</p>' for remark in remarks)
    shown = _table(head, rows, "takes", "Value ± half width of the 95 % interval.")
    title = "What it would take"
    return _section("takes", title, f"<ul>\n{items}</ul>\n{shown}{note}")


def _arm_table(pair: PairResult) -> str:
    table = pair.measures
    reps = sorted(table["rep"].unique())
    rows = []
    for name, spec in CATALOGUE.items():
        for side in ("", *SIDES):
            part = table[(table["measure"] == name) & (table["side"] == side)].set_index("rep")
            if not len(part) or (part["quality"] == "missing").all():
                continue
            unit = plots.shown_unit(spec.unit)[1]
            about = ", ".join(filter(None, [side, unit]))
            cells = []
            for rep in reps:
                if rep not in part.index or part.loc[rep, "quality"] == "missing":
                    cells.append('–<span class="vh"> missing</span>')
                    continue
                row = part.loc[rep]
                factor = plots.shown_unit(spec.unit)[0]
                value, u95 = stated(factor * row["value"], factor * row["u95"])
                cells.append(f'{value} <span class="u">± {u95}</span>{_mark(row["quality"])}')
            rows.append([f'{_t(spec.label)} <span class="unit">{_t(about)}</span>', *cells])
    if not rows:
        return ""
    head = ["Measure", *(f"Rep {int(rep)}" for rep in reps)]
    key = "".join(
        f'<li>{_mark(q)}<span aria-hidden="true">{q}</span></li>' for q in ("good", "fair", "poor")
    )
    return _section(
        "reps",
        "Arms and bar in space, rep by rep",
        _table(head, rows, "reps", "Value ± half width of the 95 % interval, and quality.")
        + f'<ul class="key">{key}<li>– not measured</li></ul>\n',
    )


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


def _pictures(pair: PairResult) -> str:
    parts = [
        _picture(path_picture(pair), "The bar's middle in each press, to scale."),
        _picture(sync_picture(pair), "Both clips on one clock, by the bar's height."),
    ]
    return _section("path", "Bar path in space", f'<div class="plots">{"".join(parts)}</div>')


def _stacking(pair: PairResult) -> str:
    table = pair.stacking
    if not len(table):
        return ""
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
                cells.append(_t(_value(cell["value"], cell["u95"], "m")))
        frontal = part[part["plane"] == "frontal"].set_index("quantity")
        share = frontal.loc["sideways_share"]
        force = frontal.loc["sideways_n"]
        text = f"{_value(100 * share['value'], 100 * share['u95'], '%')}"
        if math.isfinite(force["value"]):
            text = f"{_value(force['value'], force['u95'], 'N')} ({text})"
        cells.append(_t(text))
        rows.append([_t(f"Rep {rep}, {_MOMENTS[moment]}, {side}"), *cells])
    assumptions = "".join(f"<li>{_t(a)}</li>\n" for a in ASSUMPTIONS)
    load = _load(pair)
    if not load:
        assumptions += "<li>No load was given, so forces are shares only.</li>\n"
    shown = _table(
        head,
        rows,
        "stacking",
        "Moment arms of the load in that hand, seen from the feet (outward positive) and from the"
        " side (toward the head positive); sideways force seen from the feet, and as a share of"
        " the load in that hand.",
    )
    text = f"{shown}<h3>What these numbers assume</h3>\n<ul>\n{assumptions}</ul>"
    return _section("stacking", "Joint stacking", text)


def _rules(pair: PairResult) -> str:
    table = pair.rules
    if not len(table):
        return ""
    rows = []
    for row in table.itertuples():
        margin = _value(row.margin, row.u95, row.unit, signed=True)
        rows.append(
            [_t(f"Rep {row.rep}: {row.rule}"), _t(row.verdict), _t(margin), _t(row.reason or "")]
        )
    sources = "".join(f"<li>{_t(s)}</li>\n" for s in dict.fromkeys(table["source"]))
    remarks = "".join(f"<li>{_t(r)}</li>\n" for r in REMARKS)
    shown = _table(
        ["Rule", "Measured", "Margin", "Remark"],
        rows,
        "rules",
        "Margin ± half width of the 95 % interval; positive is within the rule.",
    )
    return _section(
        "rules", "Competition check", f"{shown}<ul>\n{remarks}</ul>\n<ul>\n{sources}</ul>"
    )


def _missing(pair: PairResult) -> str:
    table = pair.measures
    gone = table[table["quality"] == "missing"]
    weak = table[table["quality"] == "poor"]
    content = ""
    for title, part in (("", gone), ("Measured, but poorly", weak)):
        if not len(part):
            continue
        items = ""
        kind = part["reason"].str.replace(r"\d+([.,]\d+)?", "#", regex=True)
        for _, group in part.groupby(kind, sort=False):
            names = ", ".join(dict.fromkeys(CATALOGUE[n].label for n in group["measure"]))
            reps = ", ".join(str(r) for r in sorted(group["rep"].unique()))
            items += (
                f"<li><p>{_t(group['reason'].iloc[0])}</p>"
                f'<p class="small">{_t(names)} – rep {_t(reps)}</p></li>\n'
            )
        heading = f"<h3>{title}</h3>\n" if title else ""
        content += f'{heading}<ul class="reasons">\n{items}</ul>\n'
    if not len(gone):
        content = "<p>Everything that the two views can show together was measured.</p>" + content
    return _section("missing", "What could not be measured, and why", content)


def _how(pair: PairResult) -> str:
    arms = pair.arms
    pairs = [
        ("Front clip", _t(_about(pair.front))),
        ("Side clip", _t(_about(pair.side))),
        ("End seen from the side", _t(f"the lifter's {pair.near or 'unknown'} end")),
        ("Uncertainty of all lengths", _t(f"± {196 * pair.scale_rel_sd:.1f} % (95 %)")),
    ]
    if arms is not None:
        lengths = arms.length_draws_m.std(axis=0)
        for s, side in enumerate(SIDES):
            upper = _value(arms.lengths_m[s, 0], 1.96 * lengths[s, 0], "m")
            fore = _value(arms.lengths_m[s, 1], 1.96 * lengths[s, 1], "m")
            pairs.append((f"{side.capitalize()} arm", _t(f"upper arm {upper}, forearm {fore}")))
        pairs.append(
            (
                "Joints against the pictures",
                _t(f"they differ by {arms.misfit:.1f} times their stated uncertainty"),
            )
        )
    explained = _facts((spec.label, _t(f"{spec.explanation} Source: {spec.source}."))
                       for spec in CATALOGUE.values())  # fmt: skip
    notes = "".join(
        f'<li class="{note.severity}">{_t(note.text)}</li>\n'
        for note in sorted(pair.notes, key=lambda note: note.severity != "warning")
    )
    remarks = f'<h3>Remarks</h3>\n<ul class="remarks">\n{notes}</ul>' if notes else ""
    return _section(
        "how", "How it was measured", f"{_facts(pairs)}{remarks}<h3>The measures</h3>\n{explained}"
    )


def _about(result: Any) -> str:
    info = result.info
    return (
        f"{_clean(result.source_name)}, {info.width_px} × {info.height_px} pixels,"
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
            margin = "" if margin == "–" else f" (margin {margin})".replace("\u00a0", " ")
            reason = f" {row.reason}" if isinstance(row.reason, str) and row.reason else ""
            lines.append(f"  {row.verdict}: {row.rule}{margin}.{reason}")
    sources = dict.fromkeys(table["source"])
    return "\n".join([*lines, *REMARKS, *(f"Rule book: {source}." for source in sources)])
