"""The result of a set, and the folder it is written to: whole or not at all.

A result folder holds `summary.json` (described by `assets/summary.schema.json`), one CSV file for
each table, `manifest.json` with what each file hashes to, and whatever other artefacts the caller
hands over (the report, the annotated clip, still frames). It is built under a temporary name beside
the target and renamed into place.
"""

from __future__ import annotations

import dataclasses
import errno
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pandas as pd

from barpath.analysis.corrections import Corrections, corrections_text, parse_corrections
from barpath.analysis.setresult import Note, SetResult
from barpath.errors import OptionError, OutputError
from barpath.ground.files import (
    MANIFEST_FILE,
    damaged,
    read_json,
    read_manifest,
    staged_folder,
    verify,
    write_manifest,
)
from barpath.ground.names import told_name
from barpath.ground.sheets import csv_bytes, read_csv
from barpath.ground.view import told, view_of

if TYPE_CHECKING:
    from barpath.clip.frames import ClipInfo

SCHEMA_NAME = "barpath-summary"
SCHEMA_VERSION = 1
SUMMARY_FILE = "summary.json"
CORRECTIONS_FILE = "corrections.json"
TABLE_FILES: Mapping[str, str] = {
    "reps": "reps.csv",
    "measures": "measures.csv",
    "trajectory": "trajectory.csv",
    "phases": "phases.csv",
    "track": "track.csv",
    "camera": "camera.csv",
    "pose": "pose.csv",
    "arms": "arms.csv",
    "draws": "draws.csv",
}
LATER_TABLES = ("arms", "draws")
"""Tables that folders of earlier versions lack."""

_ARTEFACT_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*\.(html|mp4|png|jpg)")
_TEXT_COLUMN = re.compile(
    r"(.*_)?(state|quality|reason|variant|side|phase|kind|unit|measure|cut|short_of|moment)(_tracked)?$"
)

Artefact = bytes | str | np.ndarray | Path | Callable[[Path], object]


def plain(value: Any) -> Any:
    """Turn a value into what strict JSON can hold.

    Parameters
    ----------
    value : object
        Scalars, containers, arrays, data frames, dataclasses, paths.

    Returns
    -------
    object
        None, bool, int, float, str, list or dict. NaN and infinities become None; a path becomes
        its last component, since the folders above it are nobody else's business.

    Examples
    --------
    >>> plain({"a": np.float32("nan"), "b": (np.int64(3), Path("/home/me/clip.mp4"))})
    {'a': None, 'b': [3, 'clip.mp4']}
    """
    match value:
        case None | bool() | str():
            return value
        case np.generic():
            return plain(value.item())
        case int():
            return value
        case float():
            return value if np.isfinite(value) else None
        case Path():
            return told_name(value.name)
        case pd.DataFrame():
            return [plain(row) for row in value.to_dict("records")]
        case np.ndarray() | pd.Series():
            return plain(value.tolist())
        case Mapping():
            return {str(key): plain(item) for key, item in value.items()}
        case list() | tuple() | set() | frozenset():
            return [plain(item) for item in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if pd.api.types.is_scalar(value) and pd.isna(value):
        return None
    return str(value)


def summary(result: SetResult, files: Sequence[str] = ()) -> dict[str, Any]:
    """Build the content of `summary.json`.

    Parameters
    ----------
    result : SetResult
        The set.
    files : sequence of str
        Names of the files in the result folder.

    Returns
    -------
    dict
        Only what strict JSON can hold; described by `assets/summary.schema.json`.
    """
    words = ("kind", "touch_and_go", "cut", "short_of")
    times = [c for c in result.reps.columns if c.endswith("_s") or c in words]
    times = [c for c in times if c not in set(result.measures.get("measure", ()))]
    reps = []
    for row in result.reps.to_dict("records"):
        measured = (
            result.measures[result.measures["rep"] == row["rep"]].drop(columns="rep")
            if len(result.measures)
            else result.measures
        )
        reps.append({"rep": row["rep"], **{c: row[c] for c in times}, "measures": measured})
    kinds = result.reps["kind"].value_counts().to_dict() if "kind" in result.reps else {}
    return plain(
        {
            "schema": SCHEMA_NAME,
            "schema_version": SCHEMA_VERSION,
            "source_name": result.source_name,
            "clip": _clip(result.info),
            "view": result.view,
            "view_source": result.view_source,
            "options": result.options,
            "calibration": result.calibration,
            "rep_counts": {k: kinds.get(k, 0) for k in ("complete", "partial", "failed")},
            "reps": reps,
            "notes": result.notes,
            "versions": result.versions,
            "files": sorted(files),
        }
    )


def write_results(
    result: SetResult,
    folder: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    artefacts: Mapping[str, Artefact] | None = None,
) -> Path:
    """Write a result folder, whole or not at all.

    Parameters
    ----------
    result : SetResult
        The set.
    folder : path-like
        Target; parents are made as needed. It must not exist unless `overwrite`.
    overwrite : bool
        Replace an existing folder, provided it is empty or holds nothing but an earlier result.
    artefacts : mapping of file name to content, optional
        Further files (`report.html`, `annotated.mp4`, `*.png`, `*.jpg`), written in the order
        given: bytes, text, an RGB image, a path to copy from, or a function that is given the path
        to write. A function may read what came before it, beside its own path.

    Returns
    -------
    pathlib.Path
        The folder.

    Raises
    ------
    OutputError
        The folder exists and may not be replaced, or cannot be written.
    """
    artefacts = artefacts or {}
    for name in artefacts:
        if not _ARTEFACT_NAME.fullmatch(name):
            raise ValueError(f"{name!r} is not a name for a file of a result folder")
    check = partial(check_target, overwrite=overwrite)
    with staged_folder(folder, check) as (staging, target):
        for name, content in artefacts.items():
            _write_artefact(staging / name, content)
        for attribute, name in TABLE_FILES.items():
            (staging / name).write_bytes(csv_bytes(getattr(result, attribute)))
        files = [*artefacts, *TABLE_FILES.values(), SUMMARY_FILE]
        if result.corrections:
            files.append(CORRECTIONS_FILE)
            (staging / CORRECTIONS_FILE).write_text(corrections_text(result.corrections), "utf-8")
        told = summary(result, [*files, MANIFEST_FILE])
        text = json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False)
        (staging / SUMMARY_FILE).write_text(text + "\n", encoding="utf-8", errors="replace")
        write_manifest(staging, files)
    return target


def check_target(target: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Check, before any work is done, that a result may be written to a folder.

    Parameters
    ----------
    target : path-like
        The folder.
    overwrite : bool
        Whether an earlier result or an empty folder may be replaced.

    Raises
    ------
    OutputError
        It exists and may not be replaced.
    """
    target = Path(target)
    if not (target.exists() or target.is_symlink()):
        return
    if not target.is_dir():
        raise OutputError(f"'{target}' is a file, so no result folder can be written there.")
    if not overwrite:
        raise OutputError(
            f"'{target}' exists already; choose another folder, or allow overwriting."
        )
    present = {entry.name for entry in target.iterdir()}
    if not present:
        return
    foreign = present - _own_files(target)
    if foreign:
        raise OutputError(
            f"'{target}' is not replaced, because it holds something that is not part of an "
            f"earlier result: '{min(foreign)}'."
        )


def read_results(folder: str | os.PathLike[str]) -> SetResult:
    """Read a result folder back.

    Parameters
    ----------
    folder : path-like
        A folder written by `write_results`.

    Returns
    -------
    SetResult
        As written, but numbers in tables carry nine significant digits, and of the clip only its
        description is kept: the path is the file's name, `times_s` the times of the track.

    Raises
    ------
    OutputError
        The folder is no result folder, was written by a newer version, or is damaged: a file is not
        what its manifest says, or, in a folder written before there were manifests, has not the
        form of one that is whole.
    """
    from barpath.clip.frames import ClipInfo
    from barpath.clip.lens import Lens

    folder = Path(folder)
    data = _read_summary(folder)
    has_corrections = CORRECTIONS_FILE in data["files"]
    needed = [SUMMARY_FILE, *(n for n in TABLE_FILES.values() if n in data["files"])]
    if not verify(folder, [*needed, *([CORRECTIONS_FILE] if has_corrections else [])]) and (
        MANIFEST_FILE in data["files"]
    ):
        raise damaged(folder, MANIFEST_FILE, "it is missing")
    tables = {
        attribute: _read_table(folder, name, data["view"])
        for attribute, name in TABLE_FILES.items()
        if attribute not in LATER_TABLES or name in data["files"]
    }
    for attribute in LATER_TABLES:
        tables.setdefault(attribute, pd.DataFrame())
    _check_together(folder, data, tables)
    try:
        corrections = Corrections()
        if has_corrections:
            corrections = parse_corrections((folder / CORRECTIONS_FILE).read_text("utf-8"))
    except (OSError, UnicodeError, OptionError) as error:
        raise damaged(folder, CORRECTIONS_FILE) from error
    try:
        clip = {f.name: data["clip"].get(f.name, f.default) for f in dataclasses.fields(ClipInfo)}
        clip = {n: None if v is dataclasses.MISSING else v for n, v in clip.items()}
        clip["path"] = Path(clip["path"] or data["source_name"])
        clip["warnings"] = tuple(clip["warnings"] or ())
        if (lens := clip["lens"]) is not None:
            clip["lens"] = Lens(float(lens["bend"]), float(lens["sd"]), int(lens["n_structures"]))
        clip["times_s"] = tables["track"]["time_s"].to_numpy(float)
        if clip["fps_nominal"] is None:
            clip["fps_nominal"] = np.nan
        return SetResult(
            source_name=data["source_name"],
            info=ClipInfo(**clip),
            view=data["view"],
            view_source=data["view_source"],
            options=data["options"],
            calibration=data["calibration"],
            notes=[Note(**note) for note in data["notes"]],
            versions=data["versions"],
            corrections=corrections,
            **tables,
        )
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise damaged(folder, SUMMARY_FILE) from error


@contextmanager
def known_only_by_form(folder: str | os.PathLike[str]) -> Iterator[None]:
    """Say that a folder is damaged when what was read from it makes no sense further on.

    Only of a folder without a manifest, of which nobody can tell whether it is as it was written.

    Raises
    ------
    OutputError
        The block failed on such a folder.
    """
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        if MANIFEST_FILE in (names := _own_files(Path(folder))) or not names:
            raise
        raise OutputError(
            f"The folder '{folder}' is damaged, or of a version that cannot be read any more."
        ) from error


def check_whole(folder: Path) -> None:
    """Check that a result folder is as it was written.

    Raises
    ------
    OutputError
        It is damaged, or no result folder.
    """
    if not verify(folder):
        read_results(folder)


_SUMMARY_FORM: Mapping[str, type | tuple[type, ...]] = {
    "source_name": str,
    "clip": dict,
    "view": str,
    "view_source": str,
    "options": dict,
    "calibration": dict,
    "rep_counts": dict,
    "reps": list,
    "notes": list,
    "versions": dict,
    "files": list,
}
_CLIP_NUMBERS = ("width_px", "height_px", "n_frames", "duration_s", "fps")
_NUMBER, _MAYBE = (int, float), (int, float, type(None))
# What measuring again takes from a result.
_NEEDED: Mapping[str, Mapping[str, type | tuple[type, ...]]] = {
    "options": {
        "plate_mm": _NUMBER,
        "plate_given": bool,
        "load_kg": _MAYBE,
        "upper_arm_m": _MAYBE,
        "stature_m": _MAYBE,
        "note": str,
        "find_joints": bool,
    },
    "calibration": {
        "scene_roll_deg": _MAYBE,
        "scene_roll_sd_deg": _MAYBE,
        "scene_pitch_deg": _MAYBE,
        "scene_pitch_sd_deg": _MAYBE,
        "scene_lines": _NUMBER,
        "px_per_m": _NUMBER,
        "scale_rel_sd": _MAYBE,
        "head_direction": str,
    },
}
# And what results lack that are older.
_NEWER: Mapping[str, Mapping[str, type | tuple[type, ...]]] = {
    "calibration": {"scene_focal_px": _MAYBE, "scene_focal_rel_sd": _MAYBE},
}
# What every table must hold; pose, arms and draws may be empty.
_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "reps.csv": ("rep", "kind", "touch_and_go", "start_s", "touch_s", "press_s", "lockout_s"),
    "measures.csv": (
        *("rep", "measure", "side", "value", "unit", "sd", "u95", "quality", "reason"),
    ),
    "trajectory.csv": ("frame", "time_s", "x_m", "y_m", "x_smooth_m", "y_smooth_m", "sd_m"),
    "phases.csv": ("time_s", "phase"),
    "track.csv": ("frame", "time_s"),
    "camera.csv": ("frame", "time_s", "m00", "m01", "m02", "m10", "m11", "m12", "static"),
    "pose.csv": (),
    "arms.csv": (),
    "draws.csv": (),
}
_PLATE_COLUMNS = ("x_px", "y_px", "major_px", "minor_px", "angle_deg", "sd_px", "state")


def _read_summary(folder: Path) -> dict[str, Any]:
    path = folder / SUMMARY_FILE
    try:
        data = read_json(path)
    except (FileNotFoundError, NotADirectoryError) as error:
        if SUMMARY_FILE in (read_manifest(folder) or {}):
            raise damaged(folder, SUMMARY_FILE, "it is missing") from error
        raise OutputError(f"'{folder}' cannot be read as a result folder.") from error
    except (OSError, ValueError) as error:
        raise damaged(folder, SUMMARY_FILE) from error
    if not isinstance(data, dict) or data.get("schema") != SCHEMA_NAME:
        raise OutputError(f"'{folder}' is not a result folder.")
    version = data.get("schema_version")
    if isinstance(version, int) and version > SCHEMA_VERSION:
        raise OutputError(f"'{folder}' was written by a newer version of barpath.")
    for name, kind in _SUMMARY_FORM.items():
        if not isinstance(data.get(name), kind):
            raise damaged(folder, SUMMARY_FILE, f"its '{name}' is not what it must be")
    if told(data["view"]) is None:
        raise damaged(folder, SUMMARY_FILE, "its 'view' is not what it must be")
    for part, needed in _NEEDED.items():
        for name, kind in needed.items():
            if not isinstance(data[part].get(name, data), kind):
                raise damaged(folder, SUMMARY_FILE, f"its '{part}' lack '{name}'")
    for part, newer in _NEWER.items():
        for name, kind in newer.items():
            if not isinstance(data[part].get(name), kind):
                raise damaged(folder, SUMMARY_FILE, f"its '{name}' is not what it must be")
    numbers = (data["clip"].get(name) for name in _CLIP_NUMBERS)
    if not all(isinstance(n, int | float) and not isinstance(n, bool) for n in numbers):
        raise damaged(folder, SUMMARY_FILE, "its clip is not described")
    return data


def _read_table(folder: Path, name: str, view: str) -> pd.DataFrame:
    try:
        table = read_csv(folder / name, lambda column: bool(_TEXT_COLUMN.fullmatch(column)))
    except FileNotFoundError as error:
        raise damaged(folder, name, "it is missing") from error
    except (OSError, ValueError) as error:
        raise damaged(folder, name) from error
    columns = _COLUMNS[name]
    if name == TABLE_FILES["track"]:
        shows = view_of(view)
        ends = tuple(f"{end}{axis}_px" for end in shows.ends for axis in "xy")
        columns += ends if shows.both_ends else _PLATE_COLUMNS
    if not set(columns) <= set(table.columns) or (columns and not len(table)):
        raise damaged(folder, name, "columns or rows are missing")
    for column in table.columns if len(table) else ():
        if not pd.api.types.is_numeric_dtype(table[column]) and not _TEXT_COLUMN.fullmatch(column):
            raise damaged(folder, name, f"its '{column}' holds what is no number")
    return table


def _check_together(
    folder: Path, data: Mapping[str, Any], tables: Mapping[str, pd.DataFrame]
) -> None:
    """Tables that must be of one length: a file cut at the end of a line is found out by it."""
    n_frames = len(tables["track"])
    for name in ("camera", "trajectory", "phases"):
        if len(tables[name]) != n_frames:
            short = name if len(tables[name]) < n_frames else "track"
            raise damaged(folder, TABLE_FILES[short], "rows are missing")
    if len(tables["reps"]) != len(data["reps"]):
        raise damaged(folder, TABLE_FILES["reps"], "rows are missing")
    told = [rep.get("measures") if isinstance(rep, dict) else None for rep in data["reps"]]
    lists = [part for part in told if isinstance(part, list)]
    if len(lists) == len(told) and sum(map(len, lists)) != len(tables["measures"]):
        raise damaged(folder, TABLE_FILES["measures"], "rows are missing")


def _clip(info: ClipInfo) -> dict[str, Any]:
    """Fields of the clip's description, without the reader's own and the long list of times."""
    fields = {f.name: getattr(info, f.name) for f in dataclasses.fields(info)}
    if info.lens is not None:
        fields["lens"] = dataclasses.asdict(info.lens)
    return {
        name: value
        for name, value in fields.items()
        if not name.startswith("_") and not isinstance(value, np.ndarray)
    }


def _write_artefact(path: Path, content: Artefact) -> None:
    match content:
        case bytes():
            path.write_bytes(content)
        case str():
            path.write_text(content, encoding="utf-8", errors="replace")
        case Path():
            shutil.copyfile(content, path)
        case np.ndarray():
            options = [cv2.IMWRITE_JPEG_QUALITY, 92] if path.suffix == ".jpg" else []
            ok, data = cv2.imencode(path.suffix, cv2.cvtColor(content, cv2.COLOR_RGB2BGR), options)
            if not ok:
                raise ValueError(f"the image for {path.name} cannot be encoded")
            path.write_bytes(data.tobytes())
        case _:
            content(path)
            if not path.is_file():
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path.name)


def _own_files(folder: Path) -> set[str]:
    """Names of the files in `folder` that its summary or manifest says were written with it."""
    names: set[str] = set()
    with suppress(OSError, ValueError, KeyError, TypeError):
        data = read_json(folder / SUMMARY_FILE)
        if data["schema"] == SCHEMA_NAME:
            names |= {str(n) for n in data["files"]}
    with suppress(OutputError):
        told = read_manifest(folder) or {}
        always = {n for a, n in TABLE_FILES.items() if a not in LATER_TABLES}
        if {SUMMARY_FILE, *always} <= set(told):
            names |= {*told, MANIFEST_FILE}
    return {n for n in names if (folder / n).is_file()}
