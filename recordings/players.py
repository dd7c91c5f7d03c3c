"""Make the demo players: a few weeks of four invented people, and a library of them.

    python recordings/players.py FOLDER            recordings in FOLDER, the library in FOLDER/home

**These recordings are simulated**, as all in this folder; see README.md. Who they are is written in
`unhurried/app/invented_people.py`. Runs of the same version make the same recordings, and what is
there already is passed over.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

if __name__ == "__main__":
    # As a script its own folder is what Python looks in; its name is that of a package.
    sys.path[0] = str(Path(__file__).resolve().parents[1])

from unhurried.app.invented import make_demo_library
from unhurried.app.invented_people import PEOPLE

__all__ = ["PEOPLE", "make_demo_library"]


def main() -> int:
    """Make the demo library."""
    parser = argparse.ArgumentParser(description="Make the demo players' recordings and library.")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--home", type=Path, help="for the library (default: FOLDER/home)")
    options = parser.parse_args()

    def progress(what: str, share: float) -> None:
        print(f"{what}: {100 * share:.0f} %", file=sys.stderr, flush=True)

    make_demo_library(options.home or options.folder / "home", options.folder, progress)
    return 0


if __name__ == "__main__":
    sys.exit(main())
