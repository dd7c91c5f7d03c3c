"""The practice swing that is typical of a player: whose, of which day, and what is missing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from evidence_data import FREE, Block, add_session

from library.catalogue import Library
from library.errors import NoSuchError
from library.typical import typical_practice_swing

ALL_SHOTS = (Block(n=6, strike=True),)
MEASURES = ("backswing_ms", "turn_deg", "peak_rate_dps")


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "home") as made:
        yield made


def test_it_is_near_the_medians_of_the_swing_s_own_session(
    library: Library, tmp_path: Path
) -> None:
    one = add_session(library, tmp_path, 1, FREE, day="2026-05-01")
    add_session(library, tmp_path, 2, FREE, day="2026-05-08")
    session, number = typical_practice_swing(library, one, 12)
    assert session == one
    table = library.swings(session=one, kind="rehearsal", columns=("number", *MEASURES))
    numbers = [int(n) for n in table["number"]]
    assert number in numbers
    # By each measure it is among the middle half of all; the farthest of the session aren't.
    for measure in MEASURES:
        values = np.asarray(table[measure], dtype=float)
        mine = values[numbers.index(number)]
        off = np.abs(values - np.median(values))
        assert abs(mine - np.median(values)) <= np.quantile(off, 0.75), measure


def test_a_practice_swing_is_not_set_beside_itself(library: Library, tmp_path: Path) -> None:
    one = add_session(library, tmp_path, 1, FREE, day="2026-05-01")
    first = typical_practice_swing(library, one, 12)
    assert typical_practice_swing(library, one, first[1]) != first


def test_without_any_that_day_the_newest_other_day_has_it(library: Library, tmp_path: Path) -> None:
    for number, day in ((1, "2026-05-01"), (2, "2026-05-04")):
        last = add_session(library, tmp_path, number, FREE, day=day)
    # Another club, and another place of the sensor: other swings.
    add_session(library, tmp_path, 3, FREE, day="2026-05-05", club="driver")
    add_session(library, tmp_path, 4, FREE, day="2026-05-06", mount="glove")
    shots = add_session(library, tmp_path, 5, ALL_SHOTS, day="2026-05-07")
    assert typical_practice_swing(library, shots, 2)[0] == last


def test_swings_by_ear_are_not_typical(library: Library, tmp_path: Path) -> None:
    free = add_session(library, tmp_path, 1, FREE, day="2026-05-01")
    drill = (Block(n=6, strike=False, block="1 rehearsal"), Block(n=3, strike=True))
    drilled = add_session(library, tmp_path, 2, drill, day="2026-05-02")
    assert typical_practice_swing(library, drilled, 8)[0] == free


def test_what_is_missing_is_said(library: Library, tmp_path: Path) -> None:
    shots = add_session(library, tmp_path, 1, ALL_SHOTS, day="2026-05-01")
    with pytest.raises(NoSuchError) as none:
        typical_practice_swing(library, shots, 2)
    text = str(none.value)
    assert "no typical practice swing of Ida with the 7 iron" in text
    assert "lead wrist: none yet, and it takes 3" in text
    two = (Block(n=2, strike=False), Block(n=2, strike=True))
    few = add_session(library, tmp_path, 2, two, day="2026-05-02")
    with pytest.raises(NoSuchError, match="only 2 practice swings in one session"):
        typical_practice_swing(library, few, 4)
    with library.annotating(few) as said:
        said.history.clear()
    library.correct_segment(few, 0, player=None)
    with pytest.raises(NoSuchError, match="say who swung"):
        typical_practice_swing(library, few, 1)
