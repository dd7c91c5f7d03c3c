"""``python -m benchmarks.hostile``: mutated files and requests, and what they bring about."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from benchmarks import hostile


def main() -> int:
    """Run it, print the table and the failures; 1 where anything failed."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.hostile", description=__doc__)
    parser.add_argument("--seed", type=int, default=hostile.SEED, help="default: %(default)s")
    parser.add_argument("--cases", type=int, default=2000, help="in all; default: %(default)s")
    parser.add_argument("--kind", choices=hostile.SHARES, action="append", help="repeatable")
    parser.add_argument("--workers", type=int, help="processes; default: 2 at most")
    parser.add_argument("--only", metavar="KIND:NUMBER", help="one case, once more")
    parser.add_argument("--keep", type=Path, help="with --only: leave its files in this folder")
    given = parser.parse_args()
    if given.only:
        kind, _, number = given.only.partition(":")
        case = hostile.again(kind, int(number), given.seed, given.keep)
        print(f"{kind}:{number} {case.done}: {case.seconds:.1f} s, {case.megabytes:.0f} MB")
        print("\n".join(f"  {fault}" for fault in case.faults) or "  nothing wrong")
        return int(bool(case.faults))
    shares = {
        kind: n for kind, n in hostile.SHARES.items() if kind in (given.kind or hostile.SHARES)
    }
    whole = sum(shares.values())
    counts = {kind: max(1, round(n * given.cases / whole)) for kind, n in shares.items()}
    results = hostile.run(shift=given.seed - hostile.SEED, only=counts, workers=given.workers)
    print(hostile.tables(results))
    return int(bool(results["failures"]))


if __name__ == "__main__":
    sys.exit(main())
