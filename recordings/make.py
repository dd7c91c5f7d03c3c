"""Make the demo sessions: three in this folder, or a dozen more in another.

    python recordings/make.py                  the three, unless they are there already
    python recordings/make.py --again          the three, anew
    python recordings/make.py --more FOLDER    a dozen more in FOLDER, passing over those there

Every session is made from a seed that stands here, so the same program makes the same files.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping
from pathlib import Path

from sensor.errors import SensorError
from sensor.recording.layout import IMU_FILE, TRUTH_FILE
from sensor.recording.session import SESSION_FILE
from simulation.motion.action import Handedness, Mount
from simulation.motion.habit import Habit
from simulation.sessions import PlayerSpec, SessionSpec, simulate_session

Recipe = tuple[SessionSpec, int]

# Strikes are hurried: an eighth less time for the backswing, and a tenth less turn.
HURRIED = Habit(strike_time=0.87, strike_turn=0.90)
# Strikes are as rehearsals are.
EVEN = Habit(strike_time=1.0, strike_turn=1.0)
# A small difference under a large scatter, in few swings: it can't be told.
UNCERTAIN = Habit(strike_time=0.98, strike_turn=0.99, time_sd=0.07, turn_sd=0.05)

DEMO: dict[str, Recipe] = {
    "monday-wrist": (
        SessionSpec(
            mount="wrist",
            players=(
                PlayerSpec(name="Solveig", club="7 iron", habit=HURRIED, model="chain"),
                PlayerSpec(
                    name="Tomas", club="7 iron", handedness="left", habit=EVEN, model="pendulum"
                ),
            ),
            swings=24,
            minutes=None,
            activity=0.2,
            varied=False,
            rehearsals_per_ball=1.0,
            balls_a_turn=(3, 4),
            packet_samples=12,
            start="2026-01-12T19:05:00+01:00",
        ),
        20,
    ),
    "tuesday-club": (
        SessionSpec(
            mount="club",
            players=(
                PlayerSpec(
                    name="Tomas", club="5 iron", handedness="left", habit=EVEN, model="pendulum"
                ),
            ),
            swings=14,
            minutes=None,
            activity=0.3,
            varied=False,
            rehearsals_per_ball=1.0,
            packet_samples=12,
            start="2026-01-13T19:20:00+01:00",
        ),
        2,
    ),
    "thursday-glove": (
        SessionSpec(
            mount="glove",
            players=(PlayerSpec(name="Ameyo", club="driver", habit=UNCERTAIN, model="chain"),),
            swings=11,
            minutes=None,
            activity=0.4,
            rehearsals_per_ball=1.0,
            packet_samples=12,
            start="2026-01-15T18:30:00+01:00",
        ),
        25,
    ),
}

_NAMES = ("Ameyo", "Bruno", "Chiara", "Dov", "Elin", "Farid", "Greta", "Hiro", "Imke", "Jonas")
_CLUBS = ("7 iron", "driver", "9 iron", "5 iron")
_MOUNTS: tuple[Mount, ...] = ("wrist", "club", "trunk", "glove")
_RATES_HZ = (100.0, 200.0, 400.0, 800.0, 200.0, 104.0)
_HANDS: tuple[Handedness, ...] = ("right", "right", "left")
_HABITS = (EVEN, HURRIED, UNCERTAIN, Habit())


def dozen() -> dict[str, Recipe]:
    """Recipes of twelve more sessions: all mounts, several rates, both hands and models."""
    recipes: dict[str, Recipe] = {}
    for k in range(12):
        mount = _MOUNTS[k % 4]
        players = tuple(
            PlayerSpec(
                name=_NAMES[(k + 3 * j) % len(_NAMES)],
                handedness=_HANDS[(k + j) % 3],
                club=_CLUBS[(k // 4 + j) % 4],
                habit=_HABITS[(k + j) % 4],
            )
            for j in range(2 if k % 5 == 4 else 1)
        )
        rate_hz = _RATES_HZ[k % len(_RATES_HZ)]
        spec = SessionSpec(
            mount=mount,
            players=players,
            minutes=3.0,
            rate_hz=rate_hz,
            gyr_range_dps=4000.0 if mount == "club" and k != 1 else 2000.0,
            acc_range_g=(16.0, 32.0, 8.0, 200.0)[k // 3],
            activity=(0.4, 0.7, 1.0)[k % 3],
            varied=k % 4 != 0,
            start=f"2026-02-{k + 2:02d}T18:30:00+01:00",
        )
        if k in (6, 11):
            spec = spec.made_hard()
        recipes[f"{k + 1:02d}-{mount}-{rate_hz:.0f}hz"] = (spec, 100 + k)
    return recipes


def is_whole(folder: Path, seed: int) -> bool:
    """Whether a session of this seed is there with all its files."""
    try:
        truth = json.loads((folder / TRUTH_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    there = all((folder / name).is_file() for name in (SESSION_FILE, IMU_FILE))
    return there and isinstance(truth, dict) and truth.get("seed") == seed


def make(recipes: Mapping[str, Recipe], folder: Path, *, again: bool) -> None:
    """Make the sessions that aren't there yet, or all of them `again`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, (spec, seed) in recipes.items():
        target = folder / name
        if not again and is_whole(target, seed):
            print(f"{target}: there already")
            continue
        began = time.perf_counter()
        made = simulate_session(spec, seed=seed)
        made.write(target, overwrite=True)
        seconds = time.perf_counter() - began
        counted = sum(swing.truth.counts_as_swing for swing in made.truth)
        length_s = len(made.samples) / made.true_rate_hz
        print(f"{target}: {length_s:.0f} s, {counted} swings, made in {seconds:.1f} s")


def main() -> int:
    """Read the options and make the sessions."""
    parser = argparse.ArgumentParser(description="Make the simulated demo sessions.")
    parser.add_argument("--more", type=Path, metavar="FOLDER", help="a dozen more, in FOLDER")
    parser.add_argument("--again", action="store_true", help="also those that are there already")
    options = parser.parse_args()
    try:
        if options.more is not None:
            make(dozen(), options.more, again=options.again)
        else:
            make(DEMO, Path(__file__).resolve().parent, again=options.again)
    except (SensorError, OSError) as error:
        print(f"make.py: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
