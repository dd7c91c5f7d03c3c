"""The main job on the demo recordings, from single swings to four players over some weeks.

`make demo` runs this. It analyses the three sessions kept here, sets a strike beside a rehearsal,
then makes a dozen more sessions and four players' weeks from seeds (into recordings/generated/,
not kept in the repository), tells where each player stands, and puts the page up on them. Without a
terminal the page is only asked for once, and the demo ends by itself.
"""

from __future__ import annotations

import contextlib
import json
import os
import statistics
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
KEPT = ("monday-wrist", "tuesday-club", "thursday-glove")


def unhurried(*words: str, capture: bool = False) -> str:
    """Run the command as a user would; stop where it fails."""
    done = subprocess.run(
        [sys.executable, "-m", "unhurried", *words],
        check=False,
        text=True,
        encoding="utf-8",
        stdout=subprocess.PIPE if capture else None,
    )
    if done.returncode != 0:
        sys.exit(done.returncode)
    return done.stdout or ""


def median(values: list[float | None], form: str) -> str:
    """Median of what was measured, or a dash."""
    known = [v for v in values if v is not None]
    return format(statistics.median(known), form) if known else "-"


def main() -> None:
    """Analyse everything."""
    print("Simulated sessions of an evening group in an indoor net (see recordings/README.md).\n")
    for name in KEPT:
        print(f"$ unhurried analyze recordings/{name}", flush=True)
        unhurried("analyze", str(HERE / name))
        print(flush=True)
    first = f"recordings/{KEPT[0]}#3"
    print(f"$ unhurried analyze {first}", flush=True)
    unhurried("analyze", f"{HERE / KEPT[0]}#3")

    folder = HERE / "generated"
    print("\nA dozen more, made from seeds into recordings/generated/ ...\n", flush=True)
    subprocess.run([sys.executable, str(HERE / "make.py"), "--more", str(folder)], check=True)
    print(f"{'session':<26} swings strikes  back ms  down ms  turn  peak")
    for path in sorted(p for p in folder.iterdir() if (p / "session.json").exists()):
        swings = json.loads(unhurried("analyze", "--json", str(path), capture=True))["swings"]
        print(
            f"{path.name[:25]:<26}{len(swings):>7}{sum(s['strike'] is True for s in swings):>8}"
            f"{median([s['backswing_ms'] for s in swings], '.0f'):>9}"
            f"{median([s['downswing_ms'] for s in swings], '.0f'):>9}"
            f"{median([s['turn_deg'] for s in swings], '.0f'):>6}"
            f"{median([s['peak_rate_dps'] for s in swings], '.0f'):>6}",
            flush=True,
        )
    print("\nMedians; turn in deg and peak in deg/s, of the segment that carries the sensor.\n")
    compared = [f"recordings/{KEPT[0]}#{k}" for k in (3, 5)]
    print(f"$ unhurried compare {' '.join(compared)}", flush=True)
    unhurried("compare", *(f"{HERE / KEPT[0]}#{k}" for k in (3, 5)))
    players(folder / "players")


def players(folder: Path) -> None:
    """Make four players' weeks, say where each stands, and put the page up."""
    from recordings.players import PEOPLE, make_demo_library

    print(
        "\nFour players' weeks, made from seeds into recordings/generated/players/ ...", flush=True
    )
    home = folder / "home"
    make_demo_library(home, folder)
    shown = os.path.relpath(home)
    asked = [("story", person.name) for person in PEOPLE]
    for words in [*asked, ("plan", PEOPLE[0].name)]:
        print(f"\n$ unhurried {' '.join(words)} --home {shown}", flush=True)
        unhurried(*words, "--home", str(home))
    if sys.stdin.isatty() and sys.stdout.isatty():
        print(f"\n$ unhurried review --home {shown}", flush=True)
        with contextlib.suppress(KeyboardInterrupt):
            unhurried("review", "--home", str(home))
    else:
        # Nobody there to end it: see that every screen comes, and end.
        print(f"\n$ unhurried review --check --home {shown}", flush=True)
        unhurried("review", "--check", "--port", "0", "--home", str(home))
    print(
        "\nNext: your own recording, `unhurried analyze FILE.csv`; or a sensor, `unhurried scan`;\n"
        f"the page again, `unhurried review --home {shown}`."
    )


if __name__ == "__main__":
    # As a script its own folder is what Python looks in; its name is that of a package.
    sys.path.insert(0, str(HERE.parent))
    main()
