"""Invented players to look round with: their recordings, and a library of them.

**These recordings are simulated.** What each player does is written in `PEOPLE`. Runs of the same
version make the same recordings, and what is there already is passed over.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import dataclasses
import json
import logging
import os
import shutil
import uuid
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from review.process import spawning
from sensor.recording.layout import TRUTH_FILE
from sensor.recording.session import SESSION_FILE
from unhurried.app.invented_people import PEOPLE, Person
from unhurried.app.invented_visits import RESULTS_MAP, make_session, results_csv

if TYPE_CHECKING:
    from library.catalogue import Library

VERSION: Final = 4
"""Raised when the demo is made in another way: an older one is made anew."""

STAMP_FILE: Final = "demo.json"

FOLDER: Final = "invented"
"""Of the home: where the page puts them."""

Progress = Callable[[str, float], None]

_log = logging.getLogger(__name__)


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


def _make(folder: Path, person: Person, number: int, fresh: bool) -> None:
    """Make one visit's files; runs in a process of its own."""
    made = make_session(person, number)
    if person.with_results:
        results_file(folder, person, number).write_text(
            results_csv(person, made, number), encoding="utf-8"
        )
    if fresh:
        # Whoever was deleted stays deleted, by the ids of the recordings.
        made = dataclasses.replace(
            made, session=dataclasses.replace(made.session, id=str(uuid.uuid4()))
        )
    made.write(session_folder(folder, person, number), overwrite=True)


def _to_make(folder: Path, people: tuple[Person, ...]) -> list[tuple[Person, int]]:
    """Return the visits that aren't there yet; folders are made."""
    (folder / "ball-results").mkdir(parents=True, exist_ok=True)
    older = not _is_stamped(folder / STAMP_FILE, VERSION)
    visits = [(person, number) for person in people for number in range(len(person.visits))]
    jobs = [
        (person, number)
        for person, number in visits
        if older or not _is_whole(session_folder(folder, person, number), person.seed + number)
    ]
    if jobs and older:
        # Written first: if this stops midway, what was made anew isn't made once more.
        for person, number in jobs:
            (session_folder(folder, person, number) / TRUTH_FILE).unlink(missing_ok=True)
        _write_stamp(folder / STAMP_FILE, {"demo": VERSION})
    return jobs


@contextlib.contextmanager
def _making(
    folder: Path, jobs: list[tuple[Person, int]], workers: int, fresh: bool
) -> Iterator[Callable[[Person], None]]:
    """Give what waits until all visits of a person are made; the others are made meanwhile."""
    if workers == 1:

        def here(person: Person) -> None:
            for one, number in jobs:
                if one is person:
                    _make(folder, one, number, fresh)

        yield here
        return
    with concurrent.futures.ProcessPoolExecutor(workers, mp_context=spawning()) as pool:
        made = [(one, pool.submit(_make, folder, one, number, fresh)) for one, number in jobs]

        def wait(person: Person) -> None:
            for one, future in made:
                if one is person:
                    future.result()

        try:
            yield wait
        finally:
            for _, future in made:
                future.cancel()


def make_demo_library(
    home: Path,
    folder: Path,
    progress: Progress = lambda _what, _share: None,
    *,
    workers: int | None = None,
    people: tuple[Person, ...] = PEOPLE,
    fresh: bool = False,
) -> None:
    """Make the demo players' recordings in a folder, and a library of them in a home.

    One player after the other, each whole before the next. What is there already is passed over,
    and what a user added to it stays.

    Parameters
    ----------
    home : Path
        The library's home.
    folder : Path
        For the recordings.
    progress : callable
        Told whose turn it is, and the share of all that is done.
    workers : int, optional
        Processes; by default one a processor.
    people : tuple of Person
    fresh : bool
        Give the recordings ids of their own: they come again after they were deleted.
    """
    from analysis import ANALYSIS_VERSION
    from unhurried.app.ingest import open_library

    home, folder = Path(home).resolve(), Path(folder).resolve()
    stamp = {"demo": VERSION, "analysis": ANALYSIS_VERSION, "folder": str(folder)}
    jobs = _to_make(folder, people)
    stamp_file = home / STAMP_FILE
    kept = _stamp_of(stamp_file)
    if not jobs and {name: kept.get(name) for name in stamp} == stamp:
        return
    anew = kept.get("demo") != VERSION
    ids: dict[str, str] = {}
    workers = min(max(1, len(jobs)), workers or os.cpu_count() or 1)
    with _making(folder, jobs, workers, fresh) as wait, open_library(home) as library:
        library.remember([folder])
        for done, person in enumerate(people):
            progress(f"making {person.name}", done / len(people))
            wait(person)
            ids[person.name] = _put(library, folder, person, anew=anew)
            # Kept at once, so that what is half made can be removed too.
            _write_stamp(stamp_file, {"players": {**kept.get("players", {}), **ids}})
    _write_stamp(stamp_file, {**stamp, "players": ids})
    progress("all are there", 1.0)


def _put(library: Library, folder: Path, person: Person, *, anew: bool) -> str:
    """Take a person's recordings into the library, with what the coach and the device say."""
    from unhurried.app.ingest import analyze_one

    places = [session_folder(folder, person, number) for number in range(len(person.visits))]
    new = [one for one in library.candidates(places) if one.state in ("new", "changed")]
    ours = invented_ids(library.home)
    known = [p for p in library.people.all() if p.known_as(person.name)]
    who: dict[str, str] = {}
    if new and known and not any(p.id in ours for p in known):
        # Somebody real has that name already.
        who = {person.name: library.people.add(person.name).id}
    for candidate in new:
        library.put(analyze_one(candidate.path, library.home), known_as=who)
    session = library.session_at(places[0])
    assert session is not None
    player = next(str(row["player_id"]) for row in library.segments(session.id) if row["player_id"])
    _approve(library, folder, person, player, anew=anew)
    if person.with_results:
        for number in range(len(person.visits)):
            _import_results(library, folder, person, number)
    return player


def _import_results(library: Library, folder: Path, person: Person, number: int) -> None:
    """Lay the ball results beside the swings, as a user would."""
    from library.ball_results import read_header
    from library.result_columns import parse_map
    from unhurried.app.ball_file import keep_match, matched, rows_in
    from unhurried.app.located import Located

    file = results_file(folder, person, number)
    session = library.session_at(session_folder(folder, person, number))
    assert session is not None
    rows, _, timed = rows_in(file, parse_map(RESULTS_MAP, read_header(file)))
    found = Located(session.path, session.id, True)
    match, _ = matched(library, found, file, rows, timed=timed)
    keep_match(library, found, match, file.name)


def _approve(library: Library, folder: Path, person: Person, who: str, *, anew: bool) -> None:
    """Approve a visit's rehearsals as the full turn, as the coach would on the first day."""
    from library.players import ReferenceRecord

    if not person.approved:
        return
    if not anew and library.player(who).reference(person.club, person.mount) is not None:
        return
    seqs: list[tuple[str, int]] = []
    start = ""
    for number in range(person.approved):
        session = library.session_at(session_folder(folder, person, number))
        assert session is not None
        table = library.swings(session=session.id, kind="rehearsal")
        seqs += [(session.id, seq) for seq in table["seq"].tolist()]
        start = session.start
    library.set_reference(
        who,
        ReferenceRecord(
            club=person.club,
            mount=person.mount,
            swings=tuple(seqs),
            approved_by="coach (invented)",
            # The coach looks at the visit when it is over.
            at=(datetime.fromisoformat(start) + timedelta(hours=2)).isoformat(),
        ),
    )


# -- for a while -----------------------------------------------------------------------------------


def _stamp_of(file: Path) -> Mapping[str, Any]:
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def invented_ids(home: Path) -> tuple[str, ...]:
    """Return the ids of the invented players of a home; none where there are none."""
    found = _stamp_of(home / STAMP_FILE).get("players")
    if not isinstance(found, dict):
        return ()
    return tuple(one for one in found.values() if isinstance(one, str))


def remove_invented(library: Library) -> tuple[int, tuple[str, ...]]:
    """Remove the invented players with all that was recorded for them by simulated sensors.

    Parameters
    ----------
    library : Library

    Returns
    -------
    removed : int
    stayed : tuple of str
        Names of those with swings of a real sensor: they stay.
    """
    from library.clips import tidy
    from library.deletion import remove_player
    from library.errors import NoSuchError

    removed, stayed = 0, []
    for one in invented_ids(library.home):
        try:
            player = library.player(one)
        except NoSuchError:
            continue
        if not all(session.simulated for session in library.sessions(player=player.id)):
            stayed.append(player.name)
            continue
        remove_player(library, player.id, raw=True)
        removed += 1
    if not stayed:
        shutil.rmtree(library.home / FOLDER, ignore_errors=True)
        with contextlib.suppress(OSError):
            (library.home / STAMP_FILE).unlink()
        library.forget_source(library.home / FOLDER)
    tidy(library)
    return removed, tuple(stayed)
