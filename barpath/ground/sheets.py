"""CSV as we write it and read it back.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, and text
from outside must not become one. Such a cell is written with an apostrophe before it, and read back
without.

References
----------
RFC 4180 for the form. The apostrophe is common practice, no source.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

# The full-width forms are taken for the plain ones by some spreadsheets.
_FORMULA = r"\s*[=+\-@＝＋－＠\t\r]"
_TO_GUARD = re.compile(rf"'*{_FORMULA}")
_GUARDED = re.compile(rf"'+{_FORMULA}")
# From pandas 3.1 on numbers are always read to the last digit, and to ask for it is deprecated.
_ASKED = tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1)
_EXACT: dict[str, Any] = {"float_precision": "round_trip"} if _ASKED else {}


def guarded(text: str) -> str:
    """Text as a spreadsheet may have it.

    Examples
    --------
    >>> guarded("=1+1"), guarded("wide"), guarded("'=1+1")
    ("'=1+1", 'wide', "''=1+1")
    """
    return f"'{text}" if _TO_GUARD.match(text) else text


def unguarded(text: str) -> str:
    """What `guarded` was given.

    Examples
    --------
    >>> unguarded(guarded("-5")), unguarded("it's")
    ('-5', "it's")
    """
    return text[1:] if _GUARDED.match(text) else text


def csv_bytes(table: pd.DataFrame) -> bytes:
    """A table as CSV, UTF-8: nine significant digits, lines end in a line feed.

    Parameters
    ----------
    table : DataFrame
        Text that UTF-8 cannot hold is written with question marks.
    """
    safe = table.rename(columns=lambda name: guarded(str(name)))
    worded = [c for c, dtype in safe.dtypes.items() if not pd.api.types.is_numeric_dtype(dtype)]
    for name in worded:
        column = safe[name].astype(object)
        safe[name] = column.map(lambda v: guarded(v) if isinstance(v, str) else v)
    returns = any(
        "\r" in cell for name in worded for cell in [name, *safe[name]] if isinstance(cell, str)
    )
    # A carriage return alone ends a line for many readers, and is quoted only if all text is.
    quoting = csv.QUOTE_NONNUMERIC if returns else csv.QUOTE_MINIMAL
    text = safe.to_csv(index=False, float_format="%.9g", lineterminator="\n", quoting=quoting)
    return text.encode("utf-8", "replace")


def read_csv(path: Path, text: Callable[[str], bool] | None = None) -> pd.DataFrame:
    """Read a table back.

    Parameters
    ----------
    path : Path
    text : callable, optional
        Tells by its name whether a column holds text, which is empty where nothing is said; all do
        if it is not given.

    Returns
    -------
    DataFrame
        The other columns as pandas takes them.

    Raises
    ------
    OSError
        It cannot be read.
    ValueError
        It is no table, or not as `csv_bytes` writes one: a line is short or the last has no end.
    """
    data = path.read_bytes()
    if data in (b"", b"\n"):
        if not data:
            raise ValueError("it is empty")
        return pd.DataFrame()
    if not data.endswith(b"\n"):
        raise ValueError("it ends within a line")
    text_of = data.decode("utf-8")
    lines = csv.reader(io.StringIO(text_of, newline=""), strict=True)
    try:
        head = next(lines)
        short = next((n for n, line in enumerate(lines, 2) if len(line) != len(head)), None)
    except csv.Error as error:
        raise ValueError(f"it is no table ({error})") from error
    if short is not None:
        raise ValueError(f"its line {short} is not whole")
    columns = [unguarded(name) for name in head]
    if len(set(columns)) != len(columns):
        raise ValueError("two of its columns have one name")
    words = [name for name in columns if text is None or text(name)]
    table = pd.read_csv(
        io.StringIO(text_of),
        **_EXACT,
        header=0,
        names=columns,
        dtype=dict.fromkeys(words, str),
        keep_default_na=False,
        na_values={name: ["", "nan", "NaN"] for name in columns if name not in words},
        index_col=False,
    )
    for name in words:
        table[name] = table[name].map(unguarded).astype(object)
    return table
