"""Writes fitted tables as Python: numbers in rows, figures by the names that they have."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Mapping, Sequence

from analysis.swing.score import Table
from analysis.swing.trees import Trees

__all__ = ["table_lines"]

TREES_A_LINE = 4


def table_lines(
    sorts: Mapping[str, Mapping[str, Table]],
    *,
    named: Mapping[tuple[str, ...], str],
    imports: Sequence[str],
) -> list[str]:
    """Write tables by sort and mount.

    Parameters
    ----------
    sorts : mapping
        Tables by mount, by the name of what they tell.
    named : mapping
        What the tables' lists of figures are called.
    imports : sequence of str
        Where those come from.
    """
    out = [
        *imports,
        "from analysis.swing.trees import Trees",
        "",
        "# fmt: off",
        "# ruff: noqa: E501",
    ]
    for sort, tables in sorts.items():
        out.append(f"{sort.upper()} = {{")
        for mount, one in tables.items():
            out.append(f'    "{mount}": Table(')
            for item in dataclasses.fields(Table):
                value = getattr(one, item.name)
                if isinstance(value, Trees):
                    out += _tree_lines(value, named)
                    continue
                text = named.get(value) if item.name == "names" else None
                out += _row(f"{item.name}={text or repr(value)},", 8)
            out.append("    ),")
        out.append("}")
    return out


def _row(text: str, indent: int) -> list[str]:
    return textwrap.wrap(
        text,
        100,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 4),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _tree_lines(trees: Trees, named: Mapping[tuple[str, ...], str]) -> list[str]:
    out = ["        trees=Trees(", f"            names={named[trees.names]},"]
    out += _row(f"constant={trees.constant!r}, calibration={trees.calibration!r},", 12)
    out.append("            trees=(")
    for k in range(0, len(trees.trees), TREES_A_LINE):
        some = trees.trees[k : k + TREES_A_LINE]
        out.append("                " + " ".join(f"{tree!r}," for tree in some))
    return [*out, "            ),", "        ),"]
