"""Tables for people who go on in pandas: those of `Analysis`, `Comparison` and the library."""

from __future__ import annotations

import dataclasses
import types
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

import pandas as pd

from analysis.evidence.compare import Comparison, Row
from analysis.swing.results import INNER, Swing

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from library.rows import SwingTable


_DTYPES = {float: "float64", int: "int64", bool: "boolean", str: "string"}
"""Of a column, by what its field holds: numbers with NaN, booleans and words with NA."""


def swings_frame(swings: Sequence[Swing], recording: Mapping[str, Any]) -> pd.DataFrame:
    """Return one row a swing of a recording, as `unhurried.app.measuring.Analysis` says."""
    rows = pd.Index([swing.index for swing in swings], name="index", dtype="int64")
    columns: dict[str, Any] = {}
    for name, dtype in _columns(Swing, {"index", *INNER}).items():
        values = [getattr(swing, name) for swing in swings]
        if dtype is None:
            values, dtype = [" ".join(map(_code, several or ())) for several in values], "string"
        columns[name] = pd.Series(values, index=rows, dtype=dtype)
    columns["recording_id"] = pd.Series(str(recording["id"]), index=rows, dtype="string")
    frame = pd.DataFrame(columns, index=rows)
    frame.attrs["recording"] = dict(recording)
    return frame


def comparison_frame(comparison: Comparison) -> pd.DataFrame:
    """Return one row a measure, as `unhurried.app.comparing.Comparison` says."""
    rows = comparison.rows
    index = pd.Index([row.measure for row in rows], name="measure", dtype="string")
    columns = {
        name: pd.Series([getattr(row, name) for row in rows], index=index, dtype=dtype)
        for name, dtype in _columns(Row, {"measure", "parts", "days"}).items()
    }
    frame = pd.DataFrame(columns, index=index)
    frame.attrs["comparison"] = {
        name: getattr(comparison, name)
        for name in ("sets", "judged", "shared_clock", "shared_sensor", "scope", "rules")
    }
    return frame


def _columns(kind: type, apart: Collection[str]) -> dict[str, str | None]:
    """Return the type of each column in the order of the fields; None: it holds several values."""
    hints = get_type_hints(kind)
    out = {}
    for item in dataclasses.fields(kind):
        if item.name in apart:
            continue
        hint = hints[item.name]
        choices = get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
        kind = next(kind for kind in choices if kind is not types.NoneType)
        is_word = isinstance(kind, type) and issubclass(kind, str)
        out[item.name] = _DTYPES.get(str if is_word else kind)
    return out


def _code(value: Any) -> str:
    return str(getattr(value, "code", value))


def table_frame(table: SwingTable) -> pd.DataFrame:
    """Return a table of the library's swings, its columns as they are there."""
    return pd.DataFrame(dict(table.columns))
