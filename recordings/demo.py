"""The main job on the demo recordings: analyse the three sessions kept here, then a dozen more.

`make demo` runs this. The dozen are made from seeds into recordings/generated/ (not kept in the
repository); of those only the gist is printed.
"""

from __future__ import annotations

import json
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
    print(
        "\nMedians; turn in deg and peak in deg/s, of the segment that carries the sensor.\n"
        "Next: your own recording, `unhurried analyze FILE.csv`; a plot, `--plot swings.png`."
    )


if __name__ == "__main__":
    main()
