"""Tables of words and numbers as CSV that no spreadsheet takes for formulas."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any, Final

# "CSV Injection" of OWASP, the wide forms too; a tab or a line end before one hides it.
_FORMULA: Final = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
_BREAKS: Final = ("\t", "\r", "\n")


def safe(value: Any) -> Any:
    """Return a table's cell that no spreadsheet takes for a formula, nor for two.

    Words that begin with ``= + - @``, a tab or a line end get an apostrophe before them, and a
    bare carriage return, which ends a line for some, becomes a line feed, which is quoted; numbers
    stay numbers.
    """
    if not isinstance(value, str):
        return value
    if value.startswith(_BREAKS) or value.lstrip().startswith(_FORMULA):
        value = f"'{value}"
    return value.replace("\r\n", "\n").replace("\r", "\n")


def table_text(header: Iterable[str], rows: Iterable[Iterable[Any]]) -> str:
    """Return a table as CSV text; None is an empty cell.

    Parameters
    ----------
    header : iterable of str
    rows : iterable of iterable
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow("" if value is None else safe(value) for value in row)
    return text.getvalue()
