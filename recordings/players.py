"""Make the demo players: a few weeks of four invented people, and a library of them.

    python recordings/players.py FOLDER            recordings in FOLDER, the library in FOLDER/home

**These recordings are simulated**, as all in this folder; see README.md. What each player does is
written in `PEOPLE` below. Runs of the same version make the same recordings, and what is there
already is passed over.
"""

from __future__ import annotations

import argparse
import concurrent.futures
import contextlib
import csv
import io
import json
import os
import sys
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from review.process import spawning
from sensor.recording.layout import AXES, COUNTS_DTYPE, TRUTH_FILE
from sensor.recording.session import SESSION_FILE, Session
from simulation.chip import Chip, ChipParams, LinkParams, deliver, draw_unit, low_pass_delay_s
from simulation.film import Film
from simulation.motion.action import Handedness, Model, Mount, SwingTruth
from simulation.motion.activities import random_activity
from simulation.motion.body import Body, BodyParams
from simulation.motion.habit import Habit, Player
from simulation.sessions import SimulatedSession, TrueSwing, grid_rate_hz

VERSION: Final = 4
"""Raised when the demo is made in another way: an older one is made anew."""

RATE_HZ: Final = 200.0
STAMP_FILE: Final = "demo.json"

Progress = Callable[[str, float], None]
Block = tuple[str | None, int, bool]

FREE: Final[tuple[Block, ...]] = (
    (None, 5, False),
    (None, 5, True),
    (None, 4, False),
    (None, 4, True),
)
"""Without feedback: rehearsals and balls in turn."""

FIRST_DRILL: Final[tuple[Block, ...]] = (
    ("rehearsal", 6, False),
    ("silent", 8, False),
    ("silent", 8, True),
)
"""A drill, and the test without sounds after it."""

DRILL: Final[tuple[Block, ...]] = (("retention", 6, True), *FIRST_DRILL)
"""The same on another day: first what was kept, without sounds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One session: when, what a ball changes that day, and the blocks of swings.

    Attributes
    ----------
    start : str
    habit : Habit
    blocks : tuple of (kind, swings, ball)
        Kind of a drill's block, None for free swings.
    """

    start: str
    habit: Habit
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An invented player.

    Attributes
    ----------
    name, handedness, club, mount, model
        As in a recording.
    seed : int
        Makes the player's own swing, the sensor and the sessions.
    own : Habit
        What a ball changes when nothing has been practised: with it the player is drawn.
    visits : tuple of Visit
    taps : float
        Share of strikes after which the player says how it felt.
    true_feel : float
        Share of these answers that say what the swing was; the others say anything.
    lever_m : float
        Club speed over the sensor's peak rate in rad/s, for the ball results.
    with_results : bool
        Whether there is a device that measures the ball.
    approved : int
        Visits of which the coach approved the rehearsals as the full turn; 0: nobody did.
    """

    name: str
    handedness: Handedness
    club: str
    mount: Mount
    model: Model
    seed: int
    own: Habit
    visits: tuple[Visit, ...]
    taps: float
    true_feel: float
    lever_m: float
    with_results: bool
    approved: int


def _weekly(first: str, days: Sequence[int]) -> list[str]:
    begin = datetime.fromisoformat(first)
    return [(begin + timedelta(days=day)).isoformat() for day in days]


HURRIED: Final = Habit(strike_time=0.86, strike_turn=0.88, strike_effort=0.84)
"""At a ball shorter in time, shorter in turn, and slower too: with less turn to speed up in, and
less force."""

LEARNING: Final = (
    # Share of the rehearsals' time, turn and force in strikes, by visit.
    (0.86, 0.88, 0.84),
    (0.86, 0.88, 0.84),
    (0.95, 0.965, 1.03),
    (0.97, 0.98, 1.07),
    (0.98, 0.99, 1.08),
    (0.97, 0.985, 1.08),
    (0.98, 0.99, 1.08),
)
BASELINES: Final = 2


def _learner() -> tuple[Visit, ...]:
    """Two visits without feedback; then drills, after which strikes come near rehearsals."""
    days = _weekly("2026-03-03T18:10:00+01:00", (0, 6, 9, 15, 20, 27, 33))
    visits = []
    for k, (day, (time, turn, effort)) in enumerate(zip(days, LEARNING, strict=True)):
        habit = Habit(strike_time=time, strike_turn=turn, strike_effort=effort)
        blocks = FREE if k < BASELINES else FIRST_DRILL if k == BASELINES else DRILL
        visits.append(Visit(start=day, habit=habit, blocks=blocks))
    return tuple(visits)


def _beginner() -> tuple[Visit, ...]:
    """Short of time and turn at a ball, and nothing practised yet."""
    days = _weekly("2026-04-01T17:20:00+02:00", (0, 5, 9))
    return tuple(Visit(start=day, habit=HURRIED, blocks=FREE) for day in days)


def _long() -> tuple[Visit, ...]:
    """Longer in time and beyond the full turn at a ball, from the first day to the last."""
    days = _weekly("2026-03-05T10:30:00+01:00", (0, 7, 12, 21, 28, 34))
    return tuple(Visit(start=day, habit=UNHURRIED, blocks=FREE) for day in days)


UNHURRIED: Final = Habit(strike_time=1.14, strike_turn=1.09)
SCATTERED: Final = Habit(
    strike_time=0.98,
    strike_turn=0.99,
    strike_effort=1.02,
    time_sd=0.09,
    turn_sd=0.06,
    effort_sd=0.06,
)


def _scattered() -> tuple[Visit, ...]:
    """Swings that scatter widely: little can be told, and nobody approved a reference."""
    days = _weekly("2026-03-08T16:00:00+01:00", (0, 10, 18, 30))
    few: tuple[Block, ...] = ((None, 6, False), (None, 6, True))
    return tuple(Visit(start=day, habit=SCATTERED, blocks=few) for day in days)


PEOPLE: Final = (
    Person(
        name="Runa",
        handedness="right",
        club="7 iron",
        mount="wrist",
        model="chain",
        seed=4101,
        own=HURRIED,
        visits=_learner(),
        taps=0.8,
        true_feel=0.75,
        lever_m=2.1,
        with_results=True,
        approved=1,
    ),
    Person(
        name="Casimir",
        handedness="left",
        club="7 iron",
        mount="wrist",
        model="pendulum",
        seed=4204,
        own=UNHURRIED,
        visits=_long(),
        taps=0.5,
        true_feel=0.5,
        lever_m=2.3,
        with_results=True,
        approved=1,
    ),
    Person(
        name="Mirela",
        handedness="right",
        club="driver",
        mount="glove",
        model="chain",
        seed=4302,
        own=SCATTERED,
        visits=_scattered(),
        taps=0.4,
        true_feel=0.3,
        lever_m=1.9,
        with_results=False,
        approved=0,
    ),
    Person(
        name="Henrike",
        handedness="right",
        club="7 iron",
        mount="wrist",
        model="chain",
        seed=4403,
        own=HURRIED,
        visits=_beginner(),
        taps=0.6,
        true_feel=0.7,
        lever_m=2.1,
        with_results=False,
        approved=1,
    ),
)


# -- one session ---------------------------------------------------------------------------------


def make_session(person: Person, number: int) -> SimulatedSession:
    """Simulate a visit: the same person with the same sensor, strapped on anew."""
    visit = person.visits[number]
    grid_hz = grid_rate_hz(RATE_HZ)
    today, swing_rng, body_rng, link_rng, noise_rng = np.random.default_rng(
        [person.seed, number]
    ).spawn(5)
    params = ChipParams(
        nominal_rate_hz=RATE_HZ,
        rate_error=0.008 + 0.0005 * float(today.standard_normal()),
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        scale_error=True,
    )
    # The player and the sensor's own errors are the same in each visit, its attitude isn't.
    sold = draw_unit(params, np.random.default_rng([person.seed, 7]))
    fresh = draw_unit(params, today)
    unit = replace(
        fresh,
        gyr_matrix=sold.gyr_matrix @ sold.mount.T @ fresh.mount,
        acc_matrix=sold.acc_matrix @ sold.mount.T @ fresh.mount,
    )
    player = Player(
        np.random.default_rng([person.seed, 1]),
        model=person.model,
        mount=person.mount,
        handedness=person.handedness,
        habit=person.own,
    ).with_habit(visit.habit)
    first = random_activity(
        today, mount=person.mount, grid_hz=grid_hz, kind="stand", handedness=person.handedness
    )
    film = Film(
        Chip(params, grid_hz=grid_hz, unit=unit, rng=noise_rng),
        Body(BodyParams(), mount=person.mount, grid_hz=grid_hz, rng=body_rng),
        grid_hz=grid_hz,
        quat_wxyz=first.quat_wxyz[0],
        pos_m=first.pos_m[0],
    )
    film.play(first)
    markers: list[dict[str, Any]] = []
    truth: list[TrueSwing] = []
    usual = _usual(player, person.seed, grid_hz)

    def now() -> int:
        return int(np.ceil(film.now_s * params.true_rate_hz))

    for block, (kind, swings, ball) in enumerate(visit.blocks, start=1):
        markers.append(
            {
                "kind": "segment",
                "seq": now() if markers else 0,
                "player": person.name,
                "handedness": person.handedness,
                "club": person.club,
                "intent": "full",
                "ball": ball,
                "block": None if kind is None else f"{block} {kind}",
            }
        )
        for _ in range(swings):
            action = player.swing(swing_rng, kind="full", strike=ball, grid_hz=grid_hz)
            wait_s = float(np.clip(today.lognormal(np.log(0.9), 0.5), 0.3, 3.0))
            played = film.play(action, slowness=float(today.uniform(0.7, 1.2)), wait_s=wait_s)
            truth += [
                TrueSwing(
                    truth=one,
                    player=person.name,
                    handedness=person.handedness,
                    club=person.club,
                )
                for one in played
            ]
            film.rest(float(today.uniform(0.8, 1.8)))
            if ball and today.random() < person.taps:
                felt = _feel(person, played[-1], usual, today)
                markers.append({"kind": "felt", "seq": now(), **felt})
    film.rest(1.5)
    counts = film.counts()
    delivery = deliver(
        len(counts),
        true_rate_hz=params.true_rate_hz,
        params=LinkParams(packet_samples=8, loss=0.001),
        rng=link_rng,
    )
    seq = np.flatnonzero(delivery.kept)
    samples = np.zeros(len(seq), dtype=COUNTS_DTYPE)
    samples["seq"] = seq
    for column, axis in enumerate(AXES):
        samples[axis] = counts[seq, column]
    own = np.random.default_rng([person.seed, number, 1])
    session = Session(
        id=str(uuid.UUID(bytes=own.bytes(16), version=4)),
        start=visit.start,
        sensor={
            "name": "simulated sensor",
            "model": "simulated",
            "serial": f"SIM-{person.seed}",
            "firmware": "1",
            "battery_percent": int(own.integers(35, 100)),
            "simulated": True,
        },
        mount=person.mount,
        nominal_rate_hz=RATE_HZ,
        gyr_range_dps=params.gyr_range_dps,
        acc_range_g=params.acc_range_g,
        gyr_dps_per_count=params.gyr_dps_per_count,
        acc_m_s2_per_count=params.acc_m_s2_per_count,
        gyr_delay_ms=1000.0 * low_pass_delay_s(params.gyr_cutoff_hz, grid_hz),
        acc_delay_ms=1000.0 * low_pass_delay_s(params.acc_cutoff_hz, grid_hz),
        handedness=person.handedness,
        player=person.name,
        club=person.club,
    )
    return SimulatedSession(
        session=session,
        samples=samples,
        packets=delivery.packets,
        markers=tuple(markers),
        truth=tuple(truth),
        stretches=tuple(film.stretches),
        true_rate_hz=params.true_rate_hz,
        seed=person.seed + number,
    )


def _usual(player: Player, seed: int, grid_hz: float) -> tuple[float, float]:
    """Time of the backswing in s, and turn in deg, of a player's own rehearsals."""
    rng = np.random.default_rng([seed, 5])
    swings = [player.swing(rng, kind="full", strike=False, grid_hz=grid_hz) for _ in range(5)]
    truths = [truth for action in swings for truth in action.swings]
    return (
        float(np.median([_backswing_s(truth) for truth in truths])),
        float(np.median([truth.turn_deg for truth in truths if truth.turn_deg is not None])),
    )


def _backswing_s(truth: SwingTruth) -> float:
    return truth.top_s - truth.takeaway_s


def _feel(
    person: Person, truth: SwingTruth, usual: tuple[float, float], rng: np.random.Generator
) -> dict[str, str]:
    """What a player says of a strike: of this swing as it was, or anything."""
    time = _backswing_s(truth) / usual[0]
    turn = usual[1] if truth.turn_deg is None else truth.turn_deg / usual[1]
    time, turn = (x + 0.015 * float(rng.standard_normal()) for x in (time, turn))
    said_time = "rushed" if time < 0.93 else "slow" if time > 1.07 else "in-time"
    said_turn = "short" if turn < 0.94 else "full"
    if rng.random() > person.true_feel:
        said_time = ("rushed", "in-time", "slow")[int(rng.integers(3))]
        said_turn = ("full", "short")[int(rng.integers(2))]
    well = rng.random() < (0.45 if time < 0.93 else 0.6)
    return {"time": said_time, "turn": said_turn, "strike": "well" if well else "not"}


def results_csv(person: Person, made: SimulatedSession, number: int) -> str:
    """Return what an invented device says of the balls, in mph and yards, by its own clock."""
    rng = np.random.default_rng([person.seed, number, 2])
    ahead_s = 74.0 + 3.0 * number
    begin = datetime.fromisoformat(made.session.start)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["Clock", "Head speed (mph)", "Ball speed (mph)", "Carry (yd)", "Side (yd)"])
    for swing in made.truth:
        truth = swing.truth
        if not truth.strike or truth.impact_s is None or truth.peak_rate_dps is None:
            continue
        if rng.random() < 0.06:
            # Devices miss a shot now and then.
            continue
        club = person.lever_m * np.radians(truth.peak_rate_dps) * (1.0 + 0.02 * rng.normal())
        ball = club * (1.33 + 0.03 * rng.normal())
        carry = 2.9 * ball + 4.0 * rng.normal() - 12.0
        at = begin + timedelta(seconds=truth.impact_s + ahead_s + rng.uniform(0.2, 0.9))
        writer.writerow(
            [
                f"{at:%H:%M:%S}",
                f"{club / 0.44704:.1f}",
                f"{ball / 0.44704:.1f}",
                f"{carry / 0.9144:.0f}",
                f"{8.0 * rng.normal():.0f}",
            ]
        )
    return text.getvalue()


RESULTS_MAP: Final = (
    "time=Clock, club-speed=Head speed (mph):mph, ball-speed=Ball speed (mph):mph, "
    "carry=Carry (yd):yd, offline=Side (yd):yd"
)


# -- all of them ---------------------------------------------------------------------------------


def session_folder(folder: Path, person: Person, number: int) -> Path:
    """Return where a visit's recording is."""
    return folder / f"{person.visits[number].start[:10]}-{person.name.lower()}"


def results_file(folder: Path, person: Person, number: int) -> Path:
    """Return where a visit's ball results are."""
    return folder / "ball-results" / f"{session_folder(folder, person, number).name}.csv"


def _is_whole(target: Path, seed: int) -> bool:
    try:
        truth = json.loads((target / TRUTH_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return (target / SESSION_FILE).is_file() and truth.get("seed") == seed


def _is_stamped(file: Path, version: int) -> bool:
    """Whether this version of the demo made it."""
    try:
        return bool(json.loads(file.read_text(encoding="utf-8")).get("demo") == version)
    except (OSError, ValueError, AttributeError):
        return False


def _write_stamp(file: Path, stamp: dict[str, Any]) -> None:
    file.write_text(json.dumps(stamp) + "\n", encoding="utf-8")


def _make(folder: Path, who: int, number: int) -> None:
    """Make one visit's files; runs in a process of its own."""
    person = PEOPLE[who]
    made = make_session(person, number)
    if person.with_results:
        results_file(folder, person, number).write_text(
            results_csv(person, made, number), encoding="utf-8"
        )
    made.write(session_folder(folder, person, number), overwrite=True)


def make_recordings(folder: Path, progress: Progress, *, workers: int | None = None) -> int:
    """Make the recordings that aren't there yet; return how many were made."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "ball-results").mkdir(exist_ok=True)
    older = not _is_stamped(folder / STAMP_FILE, VERSION)
    jobs = [
        (k, number)
        for k, person in enumerate(PEOPLE)
        for number in range(len(person.visits))
        if older or not _is_whole(session_folder(folder, person, number), person.seed + number)
    ]
    if not jobs:
        return 0
    if older:
        # Written first: if this stops midway, what was made anew isn't made once more.
        for k, number in jobs:
            (session_folder(folder, PEOPLE[k], number) / TRUTH_FILE).unlink(missing_ok=True)
        _write_stamp(folder / STAMP_FILE, {"demo": VERSION})
    workers = min(len(jobs), workers or os.cpu_count() or 1)
    if workers == 1:
        for done, (k, number) in enumerate(jobs, start=1):
            _make(folder, k, number)
            progress("making recordings", done / len(jobs))
        return len(jobs)
    with concurrent.futures.ProcessPoolExecutor(workers, mp_context=spawning()) as pool:
        futures = [pool.submit(_make, folder, k, number) for k, number in jobs]
        for done, future in enumerate(concurrent.futures.as_completed(futures), start=1):
            future.result()
            progress("making recordings", done / len(jobs))
    return len(jobs)


def make_demo_library(
    home: Path,
    folder: Path,
    progress: Progress = lambda _what, _share: None,
    *,
    workers: int | None = None,
) -> None:
    """Make the demo players' recordings in a folder, and a library of them in a home.

    What is there already is passed over, and what a user added to it stays.

    Parameters
    ----------
    home : Path
        The library's home.
    folder : Path
        For the recordings.
    progress : callable
        Told what is being done, and the share of it that is done.
    workers : int, optional
        Processes; by default one a processor.
    """
    from analysis import ANALYSIS_VERSION

    home, folder = Path(home).resolve(), Path(folder).resolve()
    stamp = {"demo": VERSION, "analysis": ANALYSIS_VERSION, "folder": str(folder)}
    made = make_recordings(folder, progress, workers=workers)
    stamp_file = home / STAMP_FILE
    with contextlib.suppress(OSError, ValueError):
        if not made and json.loads(stamp_file.read_text(encoding="utf-8")) == stamp:
            return
    _fill(home, folder, progress, workers, anew=not _is_stamped(stamp_file, VERSION))
    _write_stamp(stamp_file, stamp)


def _fill(home: Path, folder: Path, progress: Progress, workers: int | None, *, anew: bool) -> None:
    from unhurried.app.ingest import analyze_many, open_library

    with open_library(home) as library:
        library.remember([folder])
        todo = [c.path for c in library.candidates([folder]) if c.state in ("new", "changed")]
        for done, (path, analyzed) in enumerate(analyze_many(todo, home, workers=workers), start=1):
            if isinstance(analyzed, str):
                raise RuntimeError(f"{path}: {analyzed}")
            library.put(analyzed)
            progress("measuring", done / len(todo))
        for person in PEOPLE:
            _approve(library, folder, person, anew=anew)
    steps = [(p, n) for p in PEOPLE if p.with_results for n in range(len(p.visits))]
    for done, (person, number) in enumerate(steps, start=1):
        _import_results(home, folder, person, number)
        progress("ball results", done / len(steps))


def _import_results(home: Path, folder: Path, person: Person, number: int) -> None:
    """Lay the ball results beside the swings, as a user would."""
    from unhurried.cli import run

    words = [
        "results",
        "import",
        str(session_folder(folder, person, number)),
        str(results_file(folder, person, number)),
        "--map",
        RESULTS_MAP,
        "--keep",
        "--home",
        str(home),
    ]
    with contextlib.redirect_stdout(io.StringIO()) as said:
        code = run(words)
    if code != 0:
        raise RuntimeError(f"the ball results of {person.name} don't fit: {said.getvalue()}")


def _approve(library: Any, folder: Path, person: Person, *, anew: bool) -> None:
    """Approve a visit's rehearsals as the full turn, as the coach would on the first day."""
    from library.players import ReferenceRecord

    if not person.approved:
        return
    who = library.player(person.name)
    if not anew and library.reference(who.id, person.club, person.mount) is not None:
        return
    seqs: list[tuple[str, int]] = []
    start = ""
    for number in range(person.approved):
        session = library.session_at(session_folder(folder, person, number))
        table = library.swings(session=session.id, kind="rehearsal")
        seqs += [(session.id, seq) for seq in table["seq"].tolist()]
        start = session.start
    library.set_reference(
        who.id,
        ReferenceRecord(
            club=person.club,
            mount=person.mount,
            swings=tuple(seqs),
            approved_by="coach (invented)",
            # The coach looks at the visit when it is over.
            at=(datetime.fromisoformat(start) + timedelta(hours=2)).isoformat(),
        ),
    )


def main() -> int:
    """Make the demo library."""
    parser = argparse.ArgumentParser(description="Make the demo players' recordings and library.")
    parser.add_argument("folder", type=Path, metavar="FOLDER")
    parser.add_argument("--home", type=Path, help="for the library (default: FOLDER/home)")
    options = parser.parse_args()
    last = ""

    def progress(what: str, share: float) -> None:
        nonlocal last
        line = f"{what}: {100 * share:.0f} %"
        if line != last:
            print(line, file=sys.stderr, flush=True)
            last = line

    make_demo_library(options.home or options.folder / "home", options.folder, progress)
    return 0


if __name__ == "__main__":
    sys.exit(main())
