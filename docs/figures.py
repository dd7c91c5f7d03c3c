"""``python docs/figures.py [RESULTS]``: keep the figures of accuracy that the manual shows.

Reads what ``python -m benchmarks --only accuracy`` wrote (``benchmarks/results/latest.json``, or
RESULTS) and keeps what is shown of it in ``docs/accuracy.json``, with where it comes from.
``docs/write.py`` makes the tables of it, here and in README; ``tests/test_manual.py`` compares.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

HERE: Final = Path(__file__).resolve().parent
KEPT: Final = HERE / "accuracy.json"
RESULTS: Final = HERE.parent / "benchmarks" / "results" / "latest.json"
COMMAND: Final = "python -m benchmarks --only accuracy"

LINES: Final = (
    ("takeaway", "takeaway_ms", "ms", (1.5, 5.0)),
    ("top", "top_ms", "ms", (0.5, 1.5)),
    ("... with a pause over 40 ms: inside it", "in_pause_percent", "%", (100.0, 100.0)),
    ("... from its middle", "pause_ms", "ms", (5.0, 10.0)),
    ("impact of shots", "impact_ms", "ms", (1.5, 4.0)),
    ("turn", "turn_deg", "deg", (0.7, 2.0)),
    ("rotation, not clipped", "rotation_percent", "%", (1.0, 2.0)),
    ("missed", "missed", "", (0.0, 1.0)),
    ("invented", "invented", "", (0.0, 0.0)),
    ("shot or practice swing told apart (not trunk)", "kind_percent", "%", (99.0, 97.0)),
    ("absent numbers (worst measure)", "absent_percent", "%", (2.0, 5.0)),
)
"""What is shown: word, name in the file, unit, and the target by group."""

MORE_IS_BETTER: Final = frozenset({"in_pause_percent", "kind_percent"})
GROUPS: Final = ("easy", "hard")
README_LINES: Final = ("takeaway_ms", "top_ms", "impact_ms", "turn_deg", "rotation_percent")

_SOURCES: Final = {"rotation_percent": ("peak_percent", "mean_abs")} | {
    name: (name, "mean_abs") for name in ("takeaway_ms", "top_ms", "pause_ms", "impact_ms")
}


def taken(results: Mapping[str, Any]) -> dict[str, Any]:
    """Take from the benchmark's results what the manual shows.

    Raises
    ------
    ValueError
        They are of a quick look, or of other seeds than the official ones.
    """
    if results["quick"] or results["seed_shift"]:
        raise ValueError("these are of a quick look, or of other seeds: run the whole")
    found = results["accuracy"]
    out: dict[str, Any] = {
        "command": COMMAND,
        "first_seed": found["first_seed"],
        "analysis_version": found["analysis_version"],
        **{name: results[name] for name in ("python", "numpy", "scipy")},
    }
    for group in GROUPS:
        both = {finder: found[finder][group]["all"] for finder in ("unhurried", "plain")}
        out[group] = {"swings": both["unhurried"]["swings"]}
        out[group] |= {finder: _numbers(one) for finder, one in both.items()}
    return out


def _numbers(found: Mapping[str, Any]) -> dict[str, Any]:
    worst = found["nulls_worst"]
    return {
        **{name: found[source][of] for name, (source, of) in _SOURCES.items()},
        "turn_deg": found["turn_deg"]["mean_abs"],
        "in_pause_percent": found["in_pause"]["percent"],
        "missed": found["missed"],
        "missed_percent": found["missed_percent"],
        "invented": found["invented"],
        "kind_percent": found["right"]["percent"],
        "absent_percent": found["nulls_percent"],
        "absent_worst_percent": 0.0 if worst is None else worst[1],
    }


def _digits(value: float, unit: str, name: str) -> str:
    if unit == "%":
        text = f"{value:.1f}".removesuffix(".0") if name in MORE_IS_BETTER else f"{value:.2g}"
    else:
        text = f"{value:.1f}" if value < 9.95 else f"{value:.0f}"
    return f"{text} {unit}".strip()


def _cell(name: str, unit: str, numbers: Mapping[str, Any]) -> str:
    value = numbers[name]
    if value is None:
        return "-"
    if name == "missed":
        share = numbers["missed_percent"]
        return str(value) if not value else f"{value} ({share:.2g} %)"
    if name == "invented":
        return str(value)
    text = _digits(value, unit, name)
    if name == "absent_percent":
        text += f" ({numbers['absent_worst_percent']:.2g} %)"
    return text


def _misses(name: str, target: float, numbers: Mapping[str, Any]) -> bool:
    # Of hard swings a share may be missed, of easy ones none.
    value = numbers["missed_percent" if name == "missed" else name]
    if value is None:
        return False
    return bool(value < target if name in MORE_IS_BETTER else value > target)


def _target(name: str, unit: str, target: float) -> str:
    unit = "%" if name == "missed" and target else unit
    return f"{target:g} {unit}".strip()


def _own(name: str, unit: str, target: float, numbers: Mapping[str, Any]) -> str:
    text = _cell(name, unit, numbers)
    return f"**{text}**" if _misses(name, target, numbers) else text


def table(kept: Mapping[str, Any]) -> str:
    """Return the table of docs/look-up/accuracy.md."""
    heads = ("{} swings at 200-800 Hz", "{} hard swings")
    head = " | ".join(
        f"target | {text.format(kept[group]['swings'])} | plain"
        for text, group in zip(heads, GROUPS, strict=True)
    )
    lines = [f"| | {head} |", "|---|--:|--:|--:|--:|--:|--:|"]
    for word, name, unit, targets in LINES:
        cells = [word]
        for group, target in zip(GROUPS, targets, strict=True):
            own, plain = (kept[group][finder] for finder in ("unhurried", "plain"))
            cells += [_target(name, unit, target), _own(name, unit, target, own)]
            cells.append(_cell(name, unit, plain))
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join([*lines, "", _source(kept)])


def _source(kept: Mapping[str, Any]) -> str:
    """Say by what and of which version these figures are."""
    version = kept["analysis_version"]
    of = f"analysis version {version}" if version else "an earlier analysis, before this was kept"
    return f"By `{kept['command']}`, seeds from {kept['first_seed']} on; {of}."


def rows(kept: Mapping[str, Any]) -> str:
    """Return README's table: five rows, easy beside hard."""
    easy, hard = (kept[group]["swings"] for group in GROUPS)
    lines = [
        f"| | easy: {easy} swings, 200-800 Hz | hard: {hard} swings |",
        "|---|--:|--:|",
    ]
    for word, name, unit, targets in LINES:
        if name in README_LINES:
            cells = [
                _own(name, unit, target, kept[group]["unhurried"])
                for group, target in zip(GROUPS, targets, strict=True)
            ]
            lines.append(f"| {word} | {' | '.join(cells)} |")
    return "\n".join(lines)


def filled(text: str, block: str) -> str:
    """Put a table between the marks of a page."""
    begin, end = "<!-- accuracy: docs/write.py writes this -->", "<!-- accuracy ends -->"
    out, n = re.subn(
        rf"{re.escape(begin)}.*?{re.escape(end)}",
        lambda _: f"{begin}\n\n{block}\n\n{end}",
        text,
        flags=re.DOTALL,
    )
    if n != 1:
        raise ValueError("the page has no place for the table of accuracy, or several")
    return out


def pages() -> dict[Path, str]:
    """Return the pages with these figures, as they have to be."""
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    places = {HERE / "look-up" / "accuracy.md": table, HERE.parent / "README.md": rows}
    return {
        path: filled(path.read_text(encoding="utf-8"), block(kept))
        for path, block in places.items()
    }


def main() -> None:
    """Keep the figures of a run, and write the pages."""
    source = Path(sys.argv[1]) if len(sys.argv) > 1 else RESULTS
    kept = taken(json.loads(source.read_text(encoding="utf-8")))
    KEPT.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
