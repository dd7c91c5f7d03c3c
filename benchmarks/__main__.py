"""``python -m benchmarks``: run the benchmarks and print their tables as Markdown."""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from analysis.swing.results import ANALYSIS_VERSION

PARTS = (
    "budgets",
    "accuracy",
    "invented",
    "recognition",
    "live_turn",
    "naming",
    "stress",
    "speed",
    "calibration",
    "holes",
    "compare",
    "own_strikes",
    "sensor_calibration",
    "link_decode",
    "timebase",
    "stamps",
    "link",
    "evidence",
    "answers",
    "lesson",
    "library",
    "cluster",
    "sound",
    "page",
    "live_page",
    "live_lesson",
    "share",
    "clip",
    "hostile",
    "lines",
)
"""Modules of this folder; one is imported only when it is run, for not all need the same parts."""
RESULTS = Path(__file__).resolve().parent / "results"


def main() -> int:
    """Run what is asked for, write the results and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a fraction, on seeds of its own")
    parser.add_argument("--only", choices=PARTS, action="append", help="one part (repeatable)")
    parser.add_argument(
        "--seed-shift", type=int, default=0, metavar="N", help="other seeds, while developing"
    )
    arguments = parser.parse_args()
    trial = arguments.quick or arguments.seed_shift
    # What was run for a quick look doesn't take the place of the figures in the manual.
    path = RESULTS / ("trial.json" if trial else "latest.json")
    results: dict[str, Any] = {}
    if arguments.only and path.exists():
        results = json.loads(path.read_text(encoding="utf-8"))
    results |= {
        "quick": arguments.quick,
        "seed_shift": arguments.seed_shift,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "machine": platform.machine(),
    }
    for name in arguments.only or PARTS:
        part = importlib.import_module(f"benchmarks.{name}")
        start = time.monotonic()
        print(f"{name} ...", end=" ", file=sys.stderr, flush=True)
        results[name] = part.run(quick=arguments.quick, shift=arguments.seed_shift)
        took = time.monotonic() - start
        results[name]["took_s"] = round(took, 1)
        # Parts of one file may be of different days.
        results[name]["analysis_version"] = ANALYSIS_VERSION
        if hasattr(part, "SEEDS"):
            results[name]["first_seed"] = part.SEEDS + arguments.seed_shift
        print(f"{took:.0f} s", file=sys.stderr)
        print(
            f"## {name.replace('_', ' ').capitalize()}\n\n{part.tables(results[name])}\n",
            flush=True,
        )
    RESULTS.mkdir(parents=True, exist_ok=True)
    part_file = path.with_suffix(".part")
    part_file.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    part_file.replace(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
