"""Ball results: units exact, clocks' offset found, and nothing guessed."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from library.ball_results import doubts, read_header, read_rows
from library.column_maps import recall_map, remember_map
from library.errors import LibraryError, ResultsError
from library.result_columns import FIELDS, UNITS, parse_map, suggest_map, title_doubts
from library.result_matching import FIT_S, Match, ResultRow, Strike, match_by_order, match_by_time
from sensor.recording.vocabulary import RESULT_FIELDS

START = "2026-05-01T18:30:00+02:00"
BEGIN_S = datetime.fromisoformat(START).timestamp()


def test_units_are_exact() -> None:
    # Outside check: CODATA's table in scipy; the values are those of NIST SP 811, appendix B.8.
    assert UNITS["speed"]["mph"] == 0.44704 == pytest.approx(constants.mph, rel=1e-15)
    assert UNITS["speed"]["km/h"] == pytest.approx(constants.kmh, rel=1e-15)
    assert UNITS["speed"]["ft/s"] == 0.3048 == pytest.approx(constants.foot, rel=1e-15)
    assert UNITS["length"]["yd"] == 0.9144 == pytest.approx(constants.yard, rel=1e-15)
    assert UNITS["length"]["ft"] == 0.3048 == pytest.approx(constants.foot, rel=1e-15)
    assert UNITS["point"]["in"] == pytest.approx(constants.inch * 1e3, rel=1e-15)
    assert UNITS["angle"]["rad"] == pytest.approx(1.0 / constants.degree, rel=1e-15)


def test_every_result_has_a_name_in_a_map() -> None:
    assert {field for field, _ in FIELDS.values()} == set(RESULT_FIELDS)


def test_typed_units_are_the_same_factors() -> None:
    from unhurried.commands.results import _TYPED

    factors = {"-mph": 0.44704, "-yd": 0.9144}
    for option, field, factor, _ in _TYPED:
        assert field in RESULT_FIELDS
        assert factor == next((f for end, f in factors.items() if option.endswith(end)), 1.0)


def write(path: Path, *lines: str) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


# -- reading -------------------------------------------------------------------------------------


def test_a_file_is_read_in_the_units_that_are_kept(tmp_path: Path) -> None:
    file = write(
        tmp_path / "x.csv",
        "Shot,Time,Club Speed,Carry,Side,Ball",
        ",,[mph],[yd],[yd],",
        "1,18:31:05,90,150,3.5 L,range",
        "2,6:32:10 PM,,-,,",
        "3,2026-05-01T18:33:00,100,160,R 2,=new",
    )
    columns = parse_map(
        "time=Time, club-speed=Club Speed:mph, carry=carry:yd, offline=#5:yd, other=Ball",
        read_header(file),
    )
    rows, told = read_rows(file, columns)
    assert told == ["line 2 is passed over: it holds words ([mph], [yd], [yd])"]
    assert rows[0].values == {
        "club_speed_m_s": 90 * 0.44704,
        "carry_m": 150 * 0.9144,
        "offline_m": -3.5 * 0.9144,
        "other": {"Ball": "range"},
    }
    assert rows[1].values == {}
    assert [row.line for row in rows] == [3, 4, 5]
    assert rows[0].time == timedelta(hours=18, minutes=31, seconds=5)
    assert rows[1].time == timedelta(hours=18, minutes=32, seconds=10)
    assert rows[2].time == datetime(2026, 5, 1, 18, 33)
    assert rows[2].values["offline_m"] == 2 * 0.9144


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path) -> None:
    file = write(tmp_path / "x.csv", "Carry;Total", "150,5;160", "1.5;2")
    rows, _ = read_rows(file, parse_map("carry=Carry:m, total=Total:m", read_header(file)))
    assert [row.values["carry_m"] for row in rows] == [150.5, 1.5]


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("far,1", r"line 3: 'far' in 'Carry' isn't a number"),
        ("nan,1", "isn't a number"),
        ("1e999,1", "isn't a number"),
        ("1_0,1", "isn't a number"),
        ("150,5,1", "line 3: has more cells than the header"),
    ],
)
def test_a_cell_that_is_no_number_is_told_with_its_line(
    tmp_path: Path, line: str, told: str
) -> None:
    file = write(tmp_path / "x.csv", "Carry,Total", "150,160", line)
    with pytest.raises(ResultsError, match=told):
        read_rows(file, parse_map("carry=Carry:m", read_header(file)))


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"", "is empty"),
        (b"Carry\n", "holds no results"),
        (b'Carry\n"1\n', "is not a table"),
        (bytes(range(1, 9)) * 10, r"there is no column|is not a table"),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path: Path, data: bytes, told: str) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data)

    def read() -> None:
        read_rows(path, parse_map("carry=Carry:m", read_header(path)))

    with pytest.raises(ResultsError, match=told):
        read()


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("carry=Carry", "say the unit of 'carry'"),
        ("carry=Carry:mph", "say the unit of 'carry'.* m, yd, ft"),
        ("carry=Flight:m", "no column 'Flight': the file has 'Carry', 'Speed', 'speed'"),
        ("carry=#9:m", "no column #9: there are 3"),
        ("club-speed=SPEED:mph", "several columns are called 'SPEED': say #2 or #3"),
        ("height=Carry:m", "no 'height'"),
        ("carry", "must be NAME=COLUMN:UNIT"),
        ("carry=Carry:m, carry=Carry:m", "there twice"),
        ("time=Carry", "names no result"),
        ("", "names no result"),
    ],
)
def test_a_map_that_does_not_fit_is_told(text: str, told: str) -> None:
    with pytest.raises(ResultsError, match=told):
        parse_map(text, ["Carry", "Speed", "speed"])


def test_a_map_is_suggested_from_titles_but_units_are_not_made_up() -> None:
    header = ["Date", "Club Head Speed (mph)", "Ball Speed", "Carry Distance [yd]", "Attack (deg)"]
    assert suggest_map(header) == (
        "time=Date, club-speed=Club Head Speed (mph):mph, ball-speed=Ball Speed:?, "
        "carry=Carry Distance [yd]:yd, attack=Attack (deg):deg"
    )
    with pytest.raises(ResultsError, match="say the unit of 'ball-speed'"):
        parse_map(suggest_map(header), header)
    assert suggest_map(["a, b carry"]) == "carry=#1:?"


def test_a_map_is_remembered_for_files_with_the_same_header(tmp_path: Path) -> None:
    header = ["Carry", "Total"]
    assert recall_map(tmp_path, header) is None
    remember_map(tmp_path, header, parse_map("carry=Carry:yd", header))
    remember_map(tmp_path, ["X"], parse_map("total=X:m", ["X"]))
    found = recall_map(tmp_path, header)
    assert found is not None
    assert found.text == "carry=Carry:yd"
    assert recall_map(tmp_path, ["Total", "Carry"]) is None
    (tmp_path / "result-columns.json").write_text("{", encoding="utf-8")
    with pytest.raises(LibraryError, match="is broken"):
        recall_map(tmp_path, header)


# -- which is which ------------------------------------------------------------------------------


def strikes_at(*seconds: float, kind: str = "strike") -> list[Strike]:
    return [
        Strike(number=k, seq=1000 * k, at_s=BEGIN_S + at, kind=kind, peak_rate_dps=1000.0)
        for k, at in enumerate(seconds, start=1)
    ]


def row_at(line: int, seconds: float | None, carry_m: float = 100.0) -> ResultRow:
    time = None if seconds is None else datetime.fromisoformat(START) + timedelta(seconds=seconds)
    return ResultRow(line=line, values={"carry_m": carry_m}, time=time)


def pairs_of(match: Match) -> list[tuple[int, int]]:
    return [(row.line, strike.number) for row, strike in match.pairs]


@given(
    st.floats(-5000, 5000),
    st.lists(st.floats(14, 90), min_size=5, max_size=14),
    st.sets(st.integers(0, 13), max_size=2),
    st.randoms(use_true_random=False),
)
def test_the_clocks_offset_is_found(
    offset_s: float, waits: list[float], lost: set[int], random: object
) -> None:
    rng = np.random.default_rng(getattr(random, "randint")(0, 2**31))  # noqa: B009 - untyped
    # Uneven waits, as at a range; even ones fit several offsets and are refused (see below).
    ats = np.cumsum(np.array(waits) + rng.uniform(0, 25, len(waits)))
    strikes = strikes_at(*ats)
    kept = [k for k in range(len(ats)) if k not in lost]
    rows = [row_at(k + 2, ats[k] + offset_s + rng.uniform(-0.5, 0.5)) for k in kept]
    try:
        match, refused = match_by_time(rows, strikes, START), ""
    except ResultsError as error:
        match, refused = None, str(error)
    if match is None:
        # Allowed where it really could be another, never a wrong match.
        assert "could be" in refused or len(kept) < 3
        return
    assert match.offset_s == pytest.approx(offset_s, abs=FIT_S)
    assert pairs_of(match) == [(k + 2, k + 1) for k in kept]
    assert {s.number for s in match.strikes_left} == {k + 1 for k in lost if k < len(ats)}


def test_even_waits_could_be_anything_and_are_asked() -> None:
    strikes = strikes_at(*(30.0 * k for k in range(1, 9)))
    rows = [row_at(k, 30.0 * k) for k in range(1, 6)]
    with pytest.raises(ResultsError, match=r"could be .* or .*--offset-s"):
        match_by_time(rows, strikes, START)
    told = match_by_time(rows, strikes, START, offset_s=0.0)
    assert pairs_of(told) == [(k, k) for k in range(1, 6)]


def test_too_few_pairs_tell_no_offset() -> None:
    with pytest.raises(ResultsError, match="too few to tell"):
        match_by_time([row_at(2, 10.0), row_at(3, 55.0)], strikes_at(12.0, 80.0), START)
    assert pairs_of(
        match_by_time([row_at(2, 13.0)], strikes_at(12.0, 80.0), START, offset_s=0.0)
    ) == [(2, 1)]
    with pytest.raises(ResultsError, match="no result lies within"):
        match_by_time([row_at(2, 40.0)], strikes_at(12.0, 80.0), START, offset_s=0.0)


def test_times_of_day_and_seconds_are_understood() -> None:
    strikes = strikes_at(20.0, 65.0, 140.0, 171.0)
    begin = timedelta(hours=18, minutes=30)
    clock = [
        ResultRow(line=k, values={"carry_m": 1.0}, time=begin + timedelta(seconds=60 + at))
        for k, at in enumerate((20, 65, 140, 171))
    ]
    assert match_by_time(clock, strikes, START).offset_s == pytest.approx(60.0)
    seconds = [
        ResultRow(line=k, values={"carry_m": 1.0}, time=at - 15.0)
        for k, at in enumerate((20.0, 65.0, 140.0, 171.0))
    ]
    assert match_by_time(seconds, strikes, START).offset_s == pytest.approx(-15.0)


def test_by_order_an_empty_line_leaves_its_strike_without() -> None:
    strikes = [*strikes_at(10, 20, 30), *strikes_at(5, kind="rehearsal")[:0]]
    rows = [row_at(2, None), ResultRow(line=3, values={}), row_at(4, None)]
    match = match_by_order(rows, strikes)
    assert pairs_of(match) == [(2, 1), (4, 3)]
    assert [row.line for row in match.rows_left] == [3]


def test_by_order_other_numbers_are_asked_about() -> None:
    strikes = strikes_at(10, 20, 30)
    rows = [row_at(2, None), row_at(3, None)]
    with pytest.raises(ResultsError, match="2 results and 3 shots: say which swings"):
        match_by_order(rows, strikes)
    assert pairs_of(match_by_order(rows, strikes, swings=[1, 3])) == [(2, 1), (3, 3)]
    with pytest.raises(ResultsError, match="no swing #7"):
        match_by_order(rows, strikes, swings=[1, 7])
    unclear = [*strikes, *(Strike(number=9, seq=9, at_s=0.0, kind="unclear", peak_rate_dps=None),)]
    with pytest.raises(ResultsError, match="and 1 unclear swings"):
        match_by_order(rows, unclear)


def test_numbers_in_the_file_are_taken_at_their_word() -> None:
    rows = [ResultRow(line=2, values={"carry_m": 1.0}, swing=3)]
    assert pairs_of(match_by_order(rows, strikes_at(10, 20, 30))) == [(2, 3)]
    with pytest.raises(ResultsError, match="names a swing twice"):
        match_by_order([rows[0], rows[0]], strikes_at(10, 20, 30))
    with pytest.raises(ResultsError, match="no swing #3"):
        match_by_order(rows, strikes_at(10))


# -- can that be? --------------------------------------------------------------------------------


def test_plain_numbers_raise_no_doubt() -> None:
    # A forearm at 1000 deg/s and a club head at 38 m/s (85 mph): 2.2 m.
    good = {"club_speed_m_s": 38.0, "ball_speed_m_s": 50.0, "carry_m": 130.0, "offline_m": -8.0}
    assert doubts([(good, 1000.0)] * 3, "wrist") == []
    assert doubts([(good, None)], None) == []


@pytest.mark.parametrize("mount", ["wrist", "glove", "club"])
def test_a_speed_in_the_wrong_unit_is_noticed_against_the_rate(mount: str) -> None:
    rate = {"wrist": 1000.0, "glove": 1150.0, "club": 2000.0}[mount]
    right = {"club_speed_m_s": 38.0}
    assert doubts([(right, rate)] * 3, mount) == []
    # 38 m/s is 137 km/h: typed as if it were m/s.
    wrong = {"club_speed_m_s": 137.0}
    assert any("another unit" in line for line in doubts([(wrong, rate)] * 3, mount))
    slow = {"club_speed_m_s": 38.0 * 0.3048}
    assert any("too low" in line for line in doubts([(slow, rate)] * 3, mount))


def test_a_speed_is_compared_with_the_player_s_other_sessions() -> None:
    own = [
        ({"club_speed_m_s": 0.045 * rate}, rate) for rate in (960.0, 1000.0, 1040.0, 980.0, 990.0)
    ]
    assert doubts([({"club_speed_m_s": 43.0}, 950.0)], "wrist", own=own) == []
    # mph taken for km/h: 96 mph is 43 m/s, and would be kept as 27 m/s, which a wrist could be.
    wrong = {"club_speed_m_s": 43.0 * 0.44704**-1 / 3.6}
    assert doubts([(wrong, 950.0)], "wrist") == []
    (line,) = doubts([(wrong, 950.0)], "wrist", own=own)
    assert "0.63 times what it is in 5 results of this player's other sessions" in line
    # Too little to compare with, or nothing measured: no doubt is made up.
    assert doubts([(wrong, 950.0)], "wrist", own=own[:4]) == []
    assert doubts([(wrong, None)], "wrist", own=own) == []


def test_one_slow_ball_is_no_other_unit_but_three_are_asked_about() -> None:
    own = [({"ball_speed_m_s": 60.0}, 1000.0)] * 6
    slow = ({"ball_speed_m_s": 37.0}, 1000.0)
    assert doubts([slow], "wrist", own=own) == []
    assert any("the ball's speed" in line for line in doubts([slow] * 3, "wrist", own=own))


def test_a_speed_is_compared_with_what_it_would_replace() -> None:
    before = [{"club_speed_m_s": 43.0}, {}]
    new = [({"club_speed_m_s": 26.7}, None), ({"club_speed_m_s": 27.0}, None)]
    (line,) = doubts(new, None, before=before)
    assert "kept of the same swings is 43.0 m/s, and it would be 26.7 m/s" in line
    assert doubts([({"club_speed_m_s": 42.0}, None), new[1]], None, before=before) == []


def test_a_unit_in_the_title_is_held_against_the_map() -> None:
    header = ["Head speed (mph)", "Carry", "Toe in mm"]
    asked = parse_map("club-speed=Head speed (mph):km/h, carry=Carry:yd, strike-toe=#3:mm", header)
    (line,) = title_doubts(asked)
    assert "the column 'Head speed (mph)' says mph itself, and the map says km/h" in line
    assert title_doubts(parse_map("club-speed=#1:mph, strike-toe=#3:in", header)) == []


def test_a_clock_is_suggested_by_its_title_or_by_its_look() -> None:
    assert suggest_map(["Clock", "Carry (m)"]) == "time=Clock, carry=Carry (m):m"
    assert suggest_map(["When", "Carry (m)"], ["18:30:05", "150"]) == "carry=Carry (m):m, time=When"
    assert suggest_map(["Time of flight", "Carry (m)"], ["6.1", "150"]) == "carry=Carry (m):m"
    assert suggest_map(["Kind", "Carry (m)"], ["x:y", "150"]) == "carry=Carry (m):m"


@pytest.mark.parametrize(
    ("titles", "first", "time"),
    [
        (["Date", "Time", "Carry (m)"], ["2026-05-01", "18:30:05", "150"], "Time"),
        (["Date", "Clock", "Carry (m)"], ["01/05/2026", "6:30:05 PM", "150"], "Clock"),
        (["Date", "Time", "Carry (m)"], ["2026-05-01", "12.5", "150"], "Time"),
        (["Date", "Time", "Carry (m)"], [], "Time"),
        (["Time", "Date", "Carry (m)"], ["6.1", "2026-05-01 18:30:05", "150"], "Date"),
        (["Date", "Carry (m)"], ["2026-05-01 18:30:05", "150"], "Date"),
    ],
)
def test_of_a_date_and_a_time_the_one_with_the_time_of_day_is_proposed(
    titles: list[str], first: list[str], time: str
) -> None:
    assert f"time={time}" in suggest_map(titles, first).split(", ")


def test_ball_and_club_in_different_units_are_noticed() -> None:
    mixed = {"club_speed_m_s": 38.0, "ball_speed_m_s": 22.0}
    assert any("same unit" in line for line in doubts([(mixed, None)], None))


def test_numbers_out_of_this_world_are_named_with_their_unit() -> None:
    (line,) = doubts([({"carry_m": 420.0}, None)], None)
    assert "carry of 420 m is outside of 0 to 350" in line
    (line,) = doubts([({"attack_deg": 60.0}, None)], None)
    assert "attack of 60 deg" in line
    (line,) = doubts([({"club_speed_m_s": 95.0}, None)], None)
    assert "club speed of 95 m/s" in line
