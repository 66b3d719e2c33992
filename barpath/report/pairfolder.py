"""The folder of a pair of clips: tables, summary and page, written whole, read back and checked."""

from __future__ import annotations

import json
import os
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from barpath.analysis.pairset import PairResult
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
from barpath.lift.rules import COLUMNS, REMARKS
from barpath.lift.stacking import ASSUMPTIONS
from barpath.report.pairpage import load_kg_of, pair_html

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
            "load_kg": load_kg_of(pair),
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
