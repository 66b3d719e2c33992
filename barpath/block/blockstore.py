"""The table of a training block: one row a repetition over all sessions, and its exports.

Columns, in this order (`SCHEMA_VERSION` grows when one changes its meaning or goes):

- who, when, what: `lifter`, `date` (ISO text), `session` (lifter and date), `set_id` (the set;
  clips of one set from two cameras share it), `clip`, `clip_sha256`, `view`, `technique`, `pair`,
  `load_kg`, `plate_mm`, `bar`, then the sheet's own further columns as text; of a set measured from
  several clips together, `view` is ``"pair"``, and `clip` and `clip_sha256` name all of them,
  joined by ``" + "`` and ``"+"``;
- the repetition: `rep`, `kind`, `touch_and_go`, `cut`, and its times `start_s` … `end_s`;
- for each measure of `catalogue.CATALOGUE` (and `_left`, `_right` where each arm has one):
  `name` (NaN when missing), `name_u95` half width of its 95 % interval, `name_common_u95` the part
  of that half width which all repetitions of the clip share, `name_quality`, and `name_reason`.

Text is never null: what was not given is ``""``. Numbers that are not known are NaN in pandas and
null in Parquet.
"""

from __future__ import annotations

import io
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from barpath.analysis.kept import bar_in
from barpath.analysis.setresult import SetResult
from barpath.errors import OutputError
from barpath.ground.equipment import POWER_BAR
from barpath.ground.files import (
    MANIFEST_FILE,
    damaged,
    find_file,
    read_json,
    read_manifest,
    read_manifest_quietly,
)
from barpath.ground.sheets import read_csv
from barpath.ground.uncertainty import coverage_factor
from barpath.lift.catalogue import CATALOGUE

SCHEMA_NAME = "barpath-block-reps"
SCHEMA_VERSION = 2
TABLE_FILE = "reps.parquet"
BLOCK_FILE = "block.json"
BLOCK_NAME = "barpath-block"
SEVERAL = "pair"
"""View of a set that was measured from several clips together."""

LABELS = ("lifter", "date", "session", "set_id", "clip", "clip_sha256", "view", "technique", "pair")
NUMBERS = ("load_kg", "plate_mm")
BAR = "bar"
REP_TEXT = ("kind", "cut")
REP_TIMES = (
    "start_s",
    "touch_s",
    "press_s",
    "peak1_s",
    "sticking_start_s",
    "sticking_end_s",
    "lockout_s",
    "end_s",
)
MEASURE_ENDS = ("", "_u95", "_common_u95", "_quality", "_reason")
_OWN_ENDS = MEASURE_ENDS[1:]


def measure_columns() -> list[str]:
    """Names of the measures in the table, in the order of the catalogue.

    Examples
    --------
    >>> "grip_width_m" in measure_columns(), "forearm_lean_deg_left" in measure_columns()
    (True, True)
    """
    return [
        f"{spec.name}{side}"
        for spec in CATALOGUE.values()
        for side in (("_left", "_right") if spec.per_side else ("",))
    ]


def measure_of(column: str) -> tuple[str, str]:
    """Measure and side that a column of the table stands for.

    Examples
    --------
    >>> measure_of("forearm_lean_deg_left"), measure_of("pause_s")
    (('forearm_lean_deg', 'left'), ('pause_s', ''))
    """
    for side in ("left", "right"):
        name = column.removesuffix(f"_{side}")
        if name != column and name in CATALOGUE and CATALOGUE[name].per_side:
            return name, side
    return column, ""


def rep_rows(result: SetResult) -> list[dict[str, Any]]:
    """Rows of the table for one measured clip, without the labels of the block's sheet.

    Parameters
    ----------
    result : SetResult

    Returns
    -------
    list of dict
        One a repetition; NaN as None, so that JSON holds them exactly.
    """
    factor = coverage_factor()
    by_rep: dict[int, dict[str, Any]] = {}
    for row in result.measures.itertuples():
        name = f"{row.measure}_{row.side}" if row.side else row.measure
        by_rep.setdefault(int(row.rep), {}).update(
            {
                name: _number(row.value),
                f"{name}_u95": _number(row.u95),
                f"{name}_common_u95": _number(factor * getattr(row, "sd_common", math.nan)),
                f"{name}_quality": row.quality,
                f"{name}_reason": row.reason,
            }
        )
    rows = []
    for rep in result.reps.to_dict("records"):
        times = {name: _number(rep.get(name)) for name in REP_TIMES}
        text = {name: str(rep.get(name, "")) for name in REP_TEXT}
        rows.append(
            {"rep": int(rep["rep"]), "view": result.view}
            | text
            | {"touch_and_go": bool(rep.get("touch_and_go", False))}
            | times
            | by_rep.get(int(rep["rep"]), {})
        )
    return rows


def _number(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None


def table_of(rows: Iterable[Mapping[str, Any]], extra: Sequence[str] = ()) -> pd.DataFrame:
    """Build the table from rows of `rep_rows` joined with their labels.

    Parameters
    ----------
    rows : iterable of mapping
    extra : sequence of str
        Further label columns of the sheet.

    Returns
    -------
    DataFrame
        All columns of the schema, sorted by lifter, date, set, clip and repetition. A measure that
        a row lacks altogether has quality ``"missing"``.

    Examples
    --------
    >>> table = table_of([{"lifter": "Ada", "rep": 1, "pause_s": 0.5, "pause_s_u95": 0.1}])
    >>> table[["lifter", "rep", "pause_s", "grip_width_m_quality"]].values.tolist()
    [['Ada', 1, 0.5, 'missing']]
    """
    frame = pd.DataFrame(list(rows))
    known = measure_columns()
    own = [c.removesuffix("_u95") for c in frame.columns if c.endswith("_u95")]
    names = known + [n for n in own if n not in known and not n.endswith("_common")]
    text = [*LABELS, BAR, *extra, *REP_TEXT]
    columns: dict[str, Any] = {}
    n = len(frame)

    def given(name: str) -> pd.Series:
        return frame[name] if name in frame else pd.Series([None] * n, dtype=object)

    for name in (*LABELS, *NUMBERS, BAR, *extra, "rep", *REP_TEXT, "touch_and_go", *REP_TIMES):
        if name in text:
            columns[name] = _text(given(name), "")
        elif name == "rep":
            columns[name] = given(name).astype("int64")
        elif name == "touch_and_go":
            columns[name] = given(name).fillna(False).astype(bool)
        else:
            columns[name] = given(name).astype("float64")
    for name in names:
        for end in ("", "_u95", "_common_u95"):
            columns[f"{name}{end}"] = given(f"{name}{end}").astype("float64")
        columns[f"{name}_quality"] = _text(given(f"{name}_quality"), "missing")
        columns[f"{name}_reason"] = _text(given(f"{name}_reason"), "")
    table = pd.DataFrame(columns)
    return table.sort_values(
        ["lifter", "date", "set_id", "clip", "rep"], kind="stable", ignore_index=True
    )


def _text(column: pd.Series, default: str) -> pd.Series:
    return column.astype(object).where(column.notna(), default).astype("str")


def table_bytes(table: pd.DataFrame) -> bytes:
    """The table as Parquet: the same bytes for the same table and library.

    Text is dictionary-encoded; the schema's name and version are in the file's metadata.
    """
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    fields = [
        pa.field(f.name, pa.string() if pa.types.is_large_string(f.type) else f.type)
        for f in arrow.schema
    ]
    own = {b"schema": SCHEMA_NAME.encode(), b"schema_version": str(SCHEMA_VERSION).encode()}
    arrow = arrow.cast(pa.schema(fields)).replace_schema_metadata(own)
    buffer = io.BytesIO()
    pq.write_table(arrow, buffer, compression="zstd")
    return buffer.getvalue()


def read_table(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read a block's table.

    Parameters
    ----------
    path : path-like
        The Parquet file, or the block's folder.

    Returns
    -------
    DataFrame
        As `table_of` gives it.

    Raises
    ------
    OutputError
        There is none, it is damaged, or a newer version wrote it.
    """
    path = Path(path)
    if path.is_dir() or (path.name == TABLE_FILE and is_block(path.parent)):
        path = block_file(path if path.is_dir() else path.parent, TABLE_FILE)
    if not path.is_file():
        raise OutputError(f"There is no block table at '{path}'; run 'barpath block' first.")
    try:
        arrow = pq.read_table(path)
        metadata = arrow.schema.metadata or {}
        version = int(metadata.get(b"schema_version", b"0"))
        table = arrow.to_pandas()
    except (OSError, ValueError, pa.ArrowException) as error:
        raise OutputError(f"'{path}' cannot be read as a Parquet table.") from error
    if metadata.get(b"schema", b"") != SCHEMA_NAME.encode():
        raise OutputError(f"'{path}' is not the table of a training block.")
    if version > SCHEMA_VERSION:
        raise OutputError(f"'{path}' was written by a newer version of barpath.")
    needed = {*LABELS, *NUMBERS, *REP_TEXT, *REP_TIMES, "rep", "touch_and_go"}
    if not needed <= set(table.columns):
        raise OutputError(f"'{path}' is damaged: columns are missing.")
    if BAR not in table:
        # Tables that are older than the option have power bars only.
        table.insert(table.columns.get_loc(NUMBERS[-1]) + 1, BAR, POWER_BAR.name)
    return table


def is_block(folder: Path) -> bool:
    """Whether a folder is the folder of a block."""
    try:
        return read_json(folder / BLOCK_FILE)["name"] == BLOCK_NAME
    except (OSError, ValueError, KeyError, TypeError):
        return {TABLE_FILE, BLOCK_FILE} <= set(read_manifest_quietly(folder))


def block_file(folder: Path, name: str) -> Path:
    """Where one of a block's tables lies, as it was written.

    Parameters
    ----------
    folder : Path
        The block's folder.
    name : str
        A table's name.

    Returns
    -------
    Path
        There need be no file where the block tells of none.

    Raises
    ------
    OutputError
        The table is damaged.
    """
    hashes = read_manifest(folder)
    if hashes is not None:
        return find_file(folder, name) if name in hashes else folder / name
    with suppress(OSError, ValueError, KeyError, TypeError):
        if MANIFEST_FILE in read_json(folder / BLOCK_FILE)["files"]:
            raise damaged(folder, MANIFEST_FILE, "it is missing")
    return folder / name


def read_list(folder: Path, name: str, columns: Sequence[str]) -> pd.DataFrame | None:
    """Read one of a block's lists, such as that of its clips; all text.

    Parameters
    ----------
    folder : Path
        The block's folder.
    name : str
        A CSV file's name.
    columns : sequence of str
        That it must have.

    Returns
    -------
    DataFrame or None
        None when there is none.

    Raises
    ------
    OutputError
        It is damaged.
    """
    try:
        table = read_csv(block_file(folder, name))
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError) as error:
        raise damaged(folder, name) from error
    if not set(columns) <= set(table.columns):
        raise damaged(folder, name, "columns are missing")
    return table


def measures_in(table: pd.DataFrame) -> list[str]:
    """Measure columns of a table, the catalogue's first and in its order."""
    known = measure_columns()
    present = [c.removesuffix("_quality") for c in table.columns if c.endswith("_quality")]
    order = {name: k for k, name in enumerate(known)}
    return sorted(present, key=lambda name: order.get(name, len(order)))


def usable(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Complete repetitions that the clip does not cut: those that measures are compared over."""
    return ((table["kind"] == "complete") & (table["cut"] == "")).to_numpy()


def n_clips(table: pd.DataFrame) -> int:
    """How many clips stand behind a table.

    Examples
    --------
    >>> n_clips(pd.DataFrame({"clip_sha256": ["a1+b2", "a1+b2", "c3"]}))
    3
    """
    return len({own for told in table["clip_sha256"].unique() for own in told.split("+")})


def best_view(
    set_code: NDArray[np.int64],
    clip_code: NDArray[np.int64],
    held: NDArray[np.bool_],
    u95: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Which rows stand for their set in one measure, where two cameras filmed it.

    Parameters
    ----------
    set_code, clip_code : ndarray of int, shape (n,)
        Set and clip of each row.
    held : ndarray of bool, shape (n,)
        Rows that hold a value.
    u95 : ndarray, shape (n,)

    Returns
    -------
    ndarray of bool, shape (n,)
        Rows that hold a value and come from the clip of the set whose median u95 is least, so that
        no repetition counts twice.

    Examples
    --------
    >>> one = np.ones(4, bool)
    >>> best_view(np.zeros(4, int), np.array([0, 0, 1, 1]), one, np.array([2., 2., 1., 1.]))
    array([False, False,  True,  True])
    """
    part = pd.DataFrame({"set": set_code[held], "clip": clip_code[held], "u95": u95[held]})
    medians = part.groupby(["set", "clip"])["u95"].median().reset_index()
    best = medians.sort_values(["set", "u95", "clip"]).drop_duplicates("set")["clip"]
    chosen = np.zeros(int(clip_code.max(initial=-1)) + 1, bool)
    chosen[best.to_numpy()] = True
    return held & chosen[clip_code]


def trc_text(result: SetResult, file_name: str) -> str:
    """A clip's bar path as TRC, the plain marker format that OpenSim and others read.

    The axes are right-handed: X toward the lifter's head, Y up, Z to the right as seen from the
    feet. A side view knows X and Y, a front view Y and Z; the third is 0, for the path is that in
    the plane of the view. Where the head's place is unknown X grows toward the picture's right. A
    front view also has the height of both ends of the bar, where its axis meets the inner faces of
    the plates, placed half the distance between those to either side. Frames without a position are
    left blank.

    Parameters
    ----------
    result : SetResult
    file_name : str
        Named in the header.

    Returns
    -------
    str
        Metres; the frames' own times, so that a varying frame rate is kept.

    References
    ----------
    OpenSim documentation, "Marker (.trc) Files": five header lines, tabs, coordinates by marker
    (from memory).
    """
    path = result.trajectory
    n = len(path)
    zero = np.zeros(n)
    x, y = path["x_smooth_m"].to_numpy(float), path["y_smooth_m"].to_numpy(float)
    if result.shows.both_ends:
        markers = {"bar_middle": (zero, y, x)}
        half_m = bar_in(result).inner_faces_m / 2
        for name, sign in (("bar_left", 1.0), ("bar_right", -1.0)):
            if f"{name[4:]}_y_m" in path:
                markers[name] = (zero, path[f"{name[4:]}_y_m"].to_numpy(float), x + sign * half_m)
    else:
        markers = {"bar": (x, y, zero)}
    rate = f"{result.info.fps:.6g}"
    fields = "DataRate CameraRate NumFrames NumMarkers Units OrigDataRate OrigDataStartFrame"
    head = [
        f"PathFileType\t4\t(X/Y/Z)\t{file_name}",
        "\t".join([*fields.split(), "OrigNumFrames"]),
        "\t".join([rate, rate, str(n), str(len(markers)), "m", rate, "1", str(n)]),
        "\t".join(["Frame#", "Time", *(f"{name}\t\t" for name in markers)]).rstrip(),
        "\t\t" + "\t".join(f"{a}{k}" for k in range(1, len(markers) + 1) for a in "XYZ"),
        "",
    ]
    lines = []
    for k, time_s in enumerate(path["time_s"].to_numpy(float)):
        cells = [str(k + 1), f"{time_s:.6f}"]
        for point in markers.values():
            at = [float(axis[k]) for axis in point]
            cells += [f"{v:.6f}" for v in at] if np.isfinite(at).all() else ["", "", ""]
        lines.append("\t".join(cells))
    return "\n".join([*head, *lines]) + "\n"
