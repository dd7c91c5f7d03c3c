"""``python -m benchmarks``: run the benchmarks and print their tables as Markdown."""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from benchmarks import accuracy, invented, speed

PARTS: dict[str, Any] = {"accuracy": accuracy, "invented": invented, "speed": speed}
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
    results: dict[str, Any] = {
        "quick": arguments.quick,
        "seed_shift": arguments.seed_shift,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "machine": platform.machine(),
    }
    for name in arguments.only or PARTS:
        part = PARTS[name]
        start = time.monotonic()
        print(f"{name} ...", end=" ", file=sys.stderr, flush=True)
        results[name] = part.run(quick=arguments.quick, shift=arguments.seed_shift)
        took = time.monotonic() - start
        results[name]["took_s"] = round(took, 1)
        print(f"{took:.0f} s", file=sys.stderr)
        print(f"## {name.capitalize()}\n\n{part.tables(results[name])}\n", flush=True)
    # What was run for a quick look doesn't take the place of the figures in README.
    trial = arguments.quick or arguments.seed_shift
    path = RESULTS / ("trial.json" if trial else "latest.json")
    RESULTS.mkdir(parents=True, exist_ok=True)
    part_file = path.with_suffix(".part")
    part_file.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    part_file.replace(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
