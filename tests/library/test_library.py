"""The library: what is put in comes out, is found again, and nothing is lost."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import multiprocessing
import os
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from library_data import (
    RATE_HZ,
    analyzed,
    copy_recording,
    make_recording,
    session_id,
    swing_values,
)
from scipy.stats import median_abs_deviation

from analysis.swing.results import ANALYSIS_VERSION, Swing
from library import database, tables
from library.catalogue import Library
from library.deletion import removal, remove_player
from library.errors import (
    BrokenLibraryError,
    ChoiceError,
    LibraryError,
    NamesakeError,
    NewerLibraryError,
    NoSuchError,
)
from library.health import check
from library.identities import Identities
from library.players import Player, ReferenceRecord
from library.sources import find_recordings
from sensor.errors import RecordingError
from sensor.recording.annotations import FORGOTTEN, change_annotations, read_annotations
from sensor.recording.layout import ANNOTATIONS_FILE

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def library(tmp_path: Path) -> Iterator[Library]:
    with Library(tmp_path / "home") as library:
        yield library


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_recording(tmp_path / "evening")


# -- in and out ----------------------------------------------------------------------------------


def test_a_swing_comes_out_as_it_was_put_in(library: Library, folder: Path) -> None:
    one = analyzed(folder)
    assert library.put(one) == "kept"
    for measured in one.swings:
        detail = library.swing(one.id, seq=measured.span.seq)
        expected = dict(measured.values)
        assert detail.swing.as_dict() == {
            **expected,
            "player": "Ida",
            "club": "7 iron",
            "handedness": "right",
        }
        assert detail.measured.as_dict() == expected
        assert detail.path == folder
        assert library.swing(one.id, number=expected["index"]).seq == measured.span.seq


def test_every_number_of_a_swing_has_a_column() -> None:
    words = {
        "index", "player", "handedness", "club", "intent", "strike", "impact_basis", "clipped",
        "notes", "budget",
    }  # fmt: skip
    numbers = {item.name for item in dataclasses.fields(Swing)} - words - set(tables.APPENDED)
    assert numbers == set(tables.NUMBERS)


def test_what_could_not_be_measured_is_absent_and_not_zero(library: Library, folder: Path) -> None:
    rng = np.random.default_rng(0)
    absent = swing_values(1, rng, impact_s=None, swing_ms=None, swing_ms_u=None)
    one = analyzed(folder, swings=[absent])
    library.put(one)
    assert np.isnan(library.swings(session=one.id)["swing_ms"][0])
    assert next(library.swings(session=one.id).rows())["swing_ms"] is None
    assert library.swing(one.id, number=1).swing.impact_s is None


def test_columns_can_be_asked_for_and_an_unknown_one_is_refused(
    library: Library, folder: Path
) -> None:
    library.put(analyzed(folder))
    table = library.swings(columns=("number", "kind", "turn_deg_u"), kind="strike")
    assert table["number"].tolist() == [2, 4, 6]
    assert set(table["kind"]) == {"strike"}
    assert len(table.where(table["number"] > 2)) == 2
    with pytest.raises(ValueError, match="no column 'colour'"):
        library.swings(columns=("colour",))


def test_players_sessions_and_groups_are_counted(library: Library, tmp_path: Path) -> None:
    for k, (who, club) in enumerate([("Ida", "driver"), ("Ida", "7 iron"), ("Nils", "driver")], 1):
        path = make_recording(
            tmp_path / f"s{k}", k, player=who, club=club, start=f"2026-05-{k:02d}T10:00:00+02:00"
        )
        library.put(analyzed(path, 2 * k))
    ida = library.player("Ida")
    assert [(p.name, p.sessions, p.swings) for p in library.players()] == [
        ("Ida", 2, 6), ("Nils", 1, 6)
    ]  # fmt: skip
    assert [s.id for s in library.sessions(player=ida.id)] == [session_id(2), session_id(1)]
    assert [(g.club, g.swings, g.strikes) for g in library.groups(ida.id)] == [
        ("7 iron", 4, 2), ("driver", 2, 1)
    ]  # fmt: skip
    assert library.clubs(ida.id) == ["7 iron", "driver"]
    assert len(library.swings(player=ida.id, club="driver")) == 2
    assert library.totals()["swings"] == 12
    late = datetime(2026, 5, 2, tzinfo=UTC).timestamp()
    assert {s.id for s in library.sessions(since_s=late)} == {session_id(2), session_id(3)}


def test_an_uncertainty_of_its_own_leaves_out_what_all_swings_share(
    library: Library, folder: Path
) -> None:
    values = swing_values(1, np.random.default_rng(1))
    values["budget"] = {
        "turn_deg": [["noise", 0.3, None], ["sway", 0.4, None], ["scale", 1.3, "sensor"]]
    }
    library.put(analyzed(folder, swings=[values]))
    own = json.loads(library.swings(columns=("own_u",))["own_u"][0])
    assert own["turn_deg"] == pytest.approx(0.5)
    # Of what has no budget nothing is known to be shared.
    assert own["backswing_ms"] == pytest.approx(values["backswing_ms_u"], rel=1e-5)
    assert "peak_transverse_dps" not in own


def test_how_scale_enters_travels_with_each_swing(library: Library, folder: Path) -> None:
    values = swing_values(1, np.random.default_rng(1))
    values["scale_growth"] = {"turn_deg": [120.0, 50.0, 0.0]}
    values["budget"] = {"turn_deg": [["gyroscope's scale", 0.02 * 130.0, "sensor"]]}
    values["swing_p"] = 0.98
    values["bounds"] = ["peak_rate_dps"]
    plain = swing_values(2, np.random.default_rng(2), pause_ms=None, pause_ms_u=None)
    library.put(analyzed(folder, swings=[values, plain]))
    columns = ("scale_growth", "scale_u", "swing_p", "bounds", "pause_ms")
    one, other = library.swings(columns=columns).rows()
    assert json.loads(one["scale_growth"]) == values["scale_growth"]
    assert one["scale_u"] == pytest.approx(0.02)
    assert (one["swing_p"], json.loads(one["bounds"])) == (0.98, ["peak_rate_dps"])
    # What that version didn't measure is absent, not a guess.
    assert all(other[name] is None or np.isnan(other[name]) for name in ("scale_u", "pause_ms"))
    assert other["scale_growth"] is None


def test_a_recording_made_with_a_player_s_id_as_name_is_that_player_s(
    library: Library, tmp_path: Path
) -> None:
    library.put(analyzed(make_recording(tmp_path / "s1", 1)))
    ida = library.player("Ida")
    library.put(analyzed(make_recording(tmp_path / "s2", 2, player=ida.id)))
    assert [(p.name, p.sessions) for p in library.players()] == [("Ida", 2)]


def test_a_name_with_a_comma_is_one_name(library: Library, tmp_path: Path) -> None:
    library.put(analyzed(make_recording(tmp_path / "s", player="Berg, Ida", club="3, 4 or 5")))
    session = library.sessions()[0]
    assert (session.players, session.clubs) == (("Berg, Ida",), ("3, 4 or 5",))


def test_weeks_are_of_the_sessions_own_clock(library: Library, tmp_path: Path) -> None:
    # Half past midnight on a Monday in Auckland is still Sunday in Greenwich.
    path = make_recording(tmp_path / "s", start="2026-05-04T00:30:00+12:00")
    library.put(analyzed(path))
    week = library.volume(library.player("Ida").id)[0]
    year, number, _ = datetime(2026, 5, 4).isocalendar()
    assert (week.period, week.swings) == (f"{year}-W{number}", 6)
    assert library.volume(library.player("Ida").id, by="day")[0].period == "2026-05-04"


def test_summaries_are_medians_and_scaled_deviations(library: Library, folder: Path) -> None:
    one = analyzed(folder, 21, seed=5)
    library.put(one)
    summary = library.summaries(kind="strike", measures=("turn_deg",))[0]
    values = np.array([s.values["turn_deg"] for s in one.swings if s.values["strike"]])
    assert (summary.n, summary.kind) == (10, "strike")
    assert summary.median == pytest.approx(np.median(values))
    # Outside check: scipy's median absolute deviation, scaled to a normal standard deviation.
    assert summary.spread == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-4)
    assert summary.sd == pytest.approx(np.std(values, ddof=1))


# -- what people say -----------------------------------------------------------------------------


def test_words_about_a_swing_are_kept_in_the_file_and_can_be_asked_for(
    library: Library, folder: Path
) -> None:
    one = analyzed(folder)
    library.put(one)
    seq = one.swings[1].span.seq
    library.annotate(
        one.id, seq, tags=["wind"], note="thin", felt={"time": "rushed"}, result={"carry_m": 151.5}
    )
    assert read_annotations(folder).get("swing", seq, "note") == "thin"
    detail = library.swing(one.id, seq=seq)
    assert (detail.tags, detail.notes) == (("wind",), ("thin",))
    assert (detail.felt, detail.result) == ({"time": "rushed"}, {"carry_m": 151.5})
    assert library.tags() == {"wind": 1}
    assert library.swing_tags(one.id) == {seq: ["wind"]}
    assert library.felt()["seq"].tolist() == [seq]
    assert library.results()["carry_m"].tolist() == [151.5]
    assert len(library.swings(tag="wind")) == 1
    for _ in range(4):
        library.undo(one.id)
    assert library.swing(one.id, seq=seq).result is None
    assert library.undo(one.id) is None


def test_an_excluded_swing_counts_in_nothing_but_the_volume(library: Library, folder: Path) -> None:
    one = analyzed(folder)
    library.put(one)
    library.annotate(one.id, one.swings[0].span.seq, excluded="slipped")
    assert len(library.swings(session=one.id)) == 5
    assert len(library.swings(session=one.id, excluded=True)) == 6
    assert library.session(one.id).swings == 5
    assert library.volume(library.player("Ida").id)[0].swings == 6
    assert sum(row["n"] for row in library.session_counts(library.player("Ida").id)) == 5


def test_swings_of_a_player_are_counted_by_session_and_from_a_time_on(
    library: Library, tmp_path: Path
) -> None:
    for number, day, club in ((1, "2026-05-02", "driver"), (2, "2026-05-01", "7 iron")):
        start = f"{day}T10:00:00+00:00"
        path = make_recording(tmp_path / day, number, start=start, club=club)
        library.put(analyzed(path))
    library.tune()
    first, *_, last = rows = library.session_counts(library.player("Ida").id)
    assert {row["session"] for row in rows} == {s.id for s in library.sessions()}
    assert (first["day"], first["club"]) == ("2026-05-01", "7 iron")
    later = library.session_counts(library.player("Ida").id, since_s=last["start_s"])
    assert {row["day"] for row in later} == {"2026-05-02"}
    assert sum(row["n"] for row in later) == 6


def test_a_players_version_changes_with_what_is_said_about_that_player_only(
    library: Library, tmp_path: Path
) -> None:
    one = analyzed(make_recording(tmp_path / "a", 1, player="Ida"))
    library.put(one)
    library.put(analyzed(make_recording(tmp_path / "b", 2, player="Odd")))
    ida, odd = (library.player(name).id for name in ("Ida", "Odd"))
    before = library.player_versions()
    assert library.player_versions() == before
    library.annotate(one.id, one.swings[0].span.seq, tags=["wind"])
    after = library.player_versions()
    assert after[ida] != before[ida]
    assert after[odd] == before[odd]


@pytest.mark.parametrize(
    ("strike", "ball", "said", "kind"),
    [
        (True, None, None, "strike"),
        (False, None, None, "rehearsal"),
        (None, None, None, "unclear"),
        (None, True, None, "strike"),
        (None, False, None, "rehearsal"),
        (True, False, None, "rehearsal"),
        (False, True, None, "rehearsal"),
        (True, None, "rehearsal", "rehearsal"),
        (False, False, "strike", "strike"),
        (True, True, "unclear", "unclear"),
    ],
)
def test_people_s_word_on_what_a_swing_was_overrides(
    library: Library, folder: Path, strike: bool | None, ball: bool | None, said: Any, kind: str
) -> None:
    values = swing_values(1, np.random.default_rng(0), strike=strike)
    one = analyzed(folder, swings=[values], segments=((0, 0.0, {"player": "Ida", "ball": ball}),))
    library.put(one)
    if said:
        library.annotate(one.id, one.swings[0].span.seq, kind=said)
    assert library.swing(one.id, number=1).kind == kind


def test_a_segment_is_corrected_from_a_sample_to_the_next_segment(
    library: Library, folder: Path
) -> None:
    ida, nils = {"player": "Ida", "club": "7 iron"}, {"player": "Nils", "club": "7 iron"}
    one = analyzed(folder, 6, segments=((0, 0.0, ida), (round(45 * RATE_HZ), 45.0, nils)))
    library.put(one)
    library.correct_segment(one.id, round(25 * RATE_HZ), club="driver", intent="part")
    table = library.swings(session=one.id, columns=("number", "player_name", "club", "part"))
    assert list(table["player_name"]) == ["Ida"] * 4 + ["Nils"] * 2
    assert list(table["club"]) == ["7 iron"] * 2 + ["driver"] * 2 + ["7 iron"] * 2
    assert table["part"].tolist() == [0, 0, 1, 1, 0, 0]
    assert [s["corrected"] for s in library.segments(one.id)] == [False, True, False]
    library.correct_segment(one.id, round(25 * RATE_HZ))
    assert set(library.swings(session=one.id, columns=("club",))["club"]) == {"7 iron"}


def test_events_set_by_hand_move_the_times_and_undo_brings_them_back(
    library: Library, folder: Path
) -> None:
    one = analyzed(folder)
    library.put(one)
    swing = one.swings[1]
    at = swing.values["takeaway_s"] + 0.050
    library.annotate(one.id, swing.span.seq, events={"takeaway_seq": at * RATE_HZ})
    detail = library.swing(one.id, seq=swing.span.seq)
    assert detail.corrected == ("takeaway_seq",)
    assert detail.swing.takeaway_s == pytest.approx(at)
    assert detail.swing.backswing_ms == pytest.approx(swing.values["backswing_ms"] - 50.0)
    assert detail.swing.swing_ms == pytest.approx(swing.values["swing_ms"] - 50.0)
    assert detail.swing.downswing_ms == swing.values["downswing_ms"]
    # Nobody could measure the turn anew here, so it is absent, and a note says why.
    assert detail.swing.turn_deg is None
    assert {note.code for note in detail.swing.notes} >= {"by_hand", "turn_not_anew"}
    assert detail.measured.takeaway_s == swing.values["takeaway_s"]
    library.undo(one.id)
    assert library.swing(one.id, seq=swing.span.seq).swing.turn_deg == swing.values["turn_deg"]


def test_the_turn_between_corrected_events_is_measured_anew_where_that_can_be(
    tmp_path: Path, folder: Path
) -> None:
    asked: list[Any] = []

    def remeasure(path: str, values: Any) -> tuple[float, float]:
        asked.append((path, values["top_s"]))
        return 121.5, 1.5

    with Library(tmp_path / "home", remeasure=remeasure) as library:
        one = analyzed(folder)
        library.put(one)
        assert asked == []
        swing = one.swings[0]
        at = swing.values["top_s"] - 0.02
        library.annotate(one.id, swing.span.seq, events={"top_seq": at * RATE_HZ})
        detail = library.swing(one.id, seq=swing.span.seq).swing
        assert (detail.turn_deg, detail.turn_deg_u) == (121.5, 1.5)
        assert asked[0][1] == pytest.approx(at)


def test_what_the_player_said_while_recording_is_of_the_swing_before(
    library: Library, folder: Path
) -> None:
    one = analyzed(folder)
    second = one.swings[1].span.seq
    felt = ((second + 300, {"time": "rushed", "strike": "well"}), (5, {"time": "slow"}))
    library.put(dataclasses.replace(one, felt=felt))
    assert library.swing(one.id, seq=second).felt == {"time": "rushed", "strike": "well"}
    assert len(library.felt()) == 1
    library.annotate(one.id, second, felt={"time": "slow"})
    assert library.swing(one.id, seq=second).felt == {"time": "slow", "strike": "well"}


def test_words_survive_a_new_analysis_that_moves_every_impact(
    library: Library, folder: Path
) -> None:
    one = analyzed(folder)
    library.put(one)
    library.annotate(one.id, one.swings[2].span.seq, note="here")
    moved = [
        {**s.values, "impact_s": s.values["impact_s"] + 0.02} for s in one.swings
    ]  # fmt: skip
    library.put(analyzed(folder, swings=moved))
    notes = [library.swing(one.id, number=k).notes for k in range(1, 7)]
    assert notes == [(), (), ("here",), (), (), ()]
    # And a swing that isn't found any more loses its row, not its words.
    library.put(analyzed(folder, swings=moved[:2]))
    assert library.session(one.id).lost_words == (one.swings[2].span.seq,)
    assert any(finding.kind == "lost_words" for finding in check(library))
    library.put(analyzed(folder, swings=moved))
    assert library.swing(one.id, number=3).notes == ("here",)


# -- who is who ----------------------------------------------------------------------------------


def test_the_same_name_is_the_same_player_unless_told(library: Library, tmp_path: Path) -> None:
    for k in (1, 2, 3):
        path = make_recording(tmp_path / f"s{k}", k)
        library.put(analyzed(path), known_as={"Ida": "Ida Berg"} if k == 3 else None)
    assert [(p.name, p.sessions) for p in library.players()] == [("Ida", 2), ("Ida Berg", 1)]
    # What was told is kept beside the recording, so that it holds in a rebuild.
    assert read_annotations(tmp_path / "s3").identities() == {"Ida": library.player("Ida Berg").id}
    library.put(analyzed(tmp_path / "s3"))
    assert [p.sessions for p in library.players()] == [2, 1]


def test_a_name_that_two_players_have_is_asked_and_not_guessed(
    library: Library, tmp_path: Path
) -> None:
    one = library.people.add("Ida", note="the tall one")
    two = library.people.add("Ida", note="the other one")
    path = make_recording(tmp_path / "s")
    with pytest.raises(NamesakeError, match=r"--as 'Ida=ID'.*the tall one") as caught:
        library.put(analyzed(path))
    assert set(caught.value.ids) == {one.id, two.id}
    assert library.sessions() == []
    library.put(analyzed(path), known_as={"Ida": two.id})
    assert library.sessions(player=two.id) != []
    assert library.sessions(player=one.id) == []


def test_a_renamed_player_is_still_known_by_the_old_name(library: Library, tmp_path: Path) -> None:
    library.put(analyzed(make_recording(tmp_path / "s1", 1)))
    ida = library.player("Ida")
    library.change_player(
        ida.id, lambda p: dataclasses.replace(p, name="Ida Berg", aliases=("Ida",))
    )
    library.put(analyzed(make_recording(tmp_path / "s2", 2)))
    assert [(p.name, p.sessions) for p in library.players()] == [("Ida Berg", 2)]


def test_a_later_namesake_changes_nothing_for_what_is_known(
    library: Library, tmp_path: Path
) -> None:
    one = analyzed(make_recording(tmp_path / "s1", 1))
    library.put(one)
    ida = library.player("Ida")
    seq = one.swings[0].span.seq
    library.save_player(library.people.add("Ida", note="another one"))
    library.annotate(one.id, seq, felt={"time": "rushed"})
    library.put(one)
    assert library.swing(one.id, seq=seq).player == ida.id
    # Also in a library that is made anew from nothing.
    library.close()
    for name in ("library.db", "library.db-wal", "library.db-shm"):
        (library.home / name).unlink(missing_ok=True)
    with Library(library.home) as anew:
        anew.put(one)
        assert [s.players for s in anew.sessions(player=ida.id)] == [("Ida",)]
        # A recording that is new is asked about, as before.
        with pytest.raises(NamesakeError):
            anew.put(analyzed(make_recording(tmp_path / "s2", 2)))
        # What people say counts more than whom it was taken for.
        other = next(p for p in anew.people.all() if p.id != ida.id)
        anew.put(one, known_as={"Ida": other.id})
        assert anew.sessions(player=ida.id) == []


def test_a_library_from_before_identities_were_kept_stays_as_it_is(
    library: Library, tmp_path: Path
) -> None:
    one = analyzed(make_recording(tmp_path / "s1", 1))
    library.put(one)
    (library.home / "identities.jsonl").unlink()
    ida = library.player("Ida")
    library.save_player(library.people.add("Ida"))
    library.put(one)
    assert len(library.sessions(player=ida.id)) == 1


def test_words_that_name_one_of_several_are_refused_before_they_are_kept(
    library: Library, tmp_path: Path
) -> None:
    one = analyzed(make_recording(tmp_path / "s1", 1))
    library.put(one)
    for note in ("tall", "small"):
        library.save_player(library.people.add("Nils", note=note))
    with pytest.raises(NamesakeError):
        library.annotate(one.id, one.swings[0].span.seq, player="Nils")
    assert not (tmp_path / "s1" / ANNOTATIONS_FILE).exists()
    assert check(library) == []


def test_identities_survive_a_line_that_was_cut_off(tmp_path: Path) -> None:
    kept = Identities(tmp_path)
    kept.keep("r1", {"Ida": "a", "Zoë": "b"})
    kept.keep("r1", {"Ida": "a"})
    assert kept.path.read_text(encoding="utf-8").count("\n") == 2
    kept.path.write_bytes(kept.path.read_bytes()[:-9])
    assert Identities(tmp_path).of("r1") == {"Ida": "a"}
    kept.keep("r2", {"Nils": "c"})
    assert Identities(tmp_path).of("r1") == {"Ida": "a"}
    assert Identities(tmp_path).of("r2") == {"Nils": "c"}
    kept.forget("a")
    assert b'"Ida"' not in kept.path.read_bytes()
    assert kept.of("r2") == {"Nils": "c"}


def test_left_and_right_of_one_setting_are_told(library: Library, tmp_path: Path) -> None:
    right, left = ({"player": "Ida", "club": "7 iron", "handedness": h} for h in ("right", "left"))
    library.put(analyzed(make_recording(tmp_path / "s1", 1), 5, segments=((0, 0.0, right),)))
    assert library.mixed_hands() == []
    library.put(analyzed(make_recording(tmp_path / "s2", 2), 3, segments=((0, 0.0, left),)))
    ida = library.player("Ida").id
    (text,) = library.mixed_hands(ida)
    assert text.startswith("Ida, 7 iron, wrist: 5 right-handed swings and 3 left-handed swings")
    assert [f.text for f in check(library) if f.kind == "hands"] == [text]


def test_check_tells_a_date_to_come_and_a_broken_recording_once(
    library: Library, tmp_path: Path
) -> None:
    (tmp_path / "all").mkdir()
    path = make_recording(tmp_path / "all" / "s1", 1, start="2131-05-01T10:00:00+02:00")
    library.put(analyzed(path))
    (tmp_path / "all" / "bad").mkdir()
    (tmp_path / "all" / "bad" / "session.json").write_text("{", encoding="utf-8")
    library.remember([tmp_path])
    findings = check(library)
    assert [f.kind for f in findings] == ["broken", "future"]
    assert "2131-05-01, which is still to come" in findings[1].text


def test_only_folders_are_remembered_and_can_be_forgotten(library: Library, tmp_path: Path) -> None:
    (tmp_path / "all").mkdir()
    (tmp_path / "x.csv").write_text("a", encoding="utf-8")
    with pytest.raises(LibraryError, match="is not a folder"):
        library.remember([tmp_path / "all", tmp_path / "x.csv"])
    assert library.sources() == []
    library.remember([tmp_path / "all"])
    (tmp_path / "all").rmdir()
    (finding,) = check(library)
    assert "library forget" in finding.text
    library.forget_source(tmp_path / "all")
    assert check(library) == []
    with pytest.raises(NoSuchError, match="isn't one of the folders"):
        library.forget_source(tmp_path / "all")


def test_a_player_is_found_by_id_or_unique_name_and_otherwise_listed(library: Library) -> None:
    ida = library.people.add("Ida Berg")
    library.people.add("Nils")
    library.people.add("nils")
    assert library.player(ida.id[:6]) == library.player("ida berg") == ida
    assert library.player("Nils").name == "Nils"
    with pytest.raises(ChoiceError, match="several players"):
        library.player("NILS")
    with pytest.raises(NoSuchError, match="players: Ida Berg, Nils, nils"):
        library.player("Bo")


def test_references_and_plans_are_kept_in_the_players_file(library: Library) -> None:
    ida = library.people.add("Ida")
    library.save_player(ida)
    reference = ReferenceRecord(
        club="driver",
        mount="wrist",
        swings=(("x", 1200),),
        bounds={"turn_deg": (120.0, 140.0)},
        approved_by="coach",
    )
    library.set_reference(ida.id, reference)
    library.save_plan(ida.id, "driver", "wrist", {"step": 1}, {"what": "begun"})
    library.save_plan(ida.id, "driver", "wrist", {"step": 2}, {"what": "moved on"})
    # Its bounds are of the analysis that they were set under.
    kept = dataclasses.replace(reference, version=ANALYSIS_VERSION)
    assert library.player(ida.id).reference("driver", "wrist") == kept
    assert library.player(ida.id).reference("driver", "club") is None
    plan = library.player(ida.id).plan("driver", "wrist")
    assert plan is not None
    assert plan.state == {"step": 2}
    assert [event["what"] for event in plan.history] == ["begun", "moved on"]
    assert len(library.content()["plans"]) == 1


def test_a_player_file_that_is_broken_or_newer_is_told_by_name(library: Library) -> None:
    ida = library.people.add("Ida")
    path = library.people.folder / f"{ida.id}.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"version": 1', '"version": 9'), encoding="utf-8")
    with pytest.raises(NoSuchError, match=r"there is no player 'Ida'.*has version 9"):
        library.player("Ida")
    with pytest.raises(NewerLibraryError, match="has version 9"):
        library.player(ida.id)
    path.write_text(text[:40], encoding="utf-8")
    with pytest.raises(LibraryError, match="is not JSON"):
        library.player("Ida")
    path.write_text(text.replace('"child": false', '"child": "no"'), encoding="utf-8")
    with pytest.raises(LibraryError, match="'child' must be true or false"):
        library.player("Ida")


def test_what_happened_to_a_plan_on_both_sides_comes_together() -> None:
    from library.players import PlanRecord

    base = Player(id=session_id(1), name="Ida", at="2026-01-01T00:00:00.000000+00:00")

    def plan(step: int, at: str, *events: str) -> PlanRecord:
        history = tuple({"at": event, "what": event} for event in events)
        return PlanRecord(
            club=None, mount=None, state={"step": step}, history=history, at=f"{at}T12:00:00+00:00"
        )

    one = base.with_plan(plan(1, "2026-02-02", "2026-01-01", "2026-02-02"))
    two = base.with_plan(plan(2, "2026-02-03", "2026-01-01", "2026-02-03"))
    merged = one.merged(two)
    assert merged.document() == two.merged(one).document()
    (found,) = merged.plans
    assert found.state == {"step": 2}
    assert [event["at"] for event in found.history] == ["2026-01-01", "2026-02-02", "2026-02-03"]


def test_copies_of_a_players_file_merge_to_the_same_from_both_sides() -> None:
    base = Player(id=session_id(1), name="Ida", at="2026-01-01T00:00:00.000000+00:00")
    one = dataclasses.replace(base, name="Ida Berg", at="2026-02-01T00:00:00.000000+00:00")
    bounds = {"turn_deg": (1.0, 2.0)}
    two = base.with_reference(ReferenceRecord(club=None, mount=None, swings=(), bounds=bounds))
    assert one.merged(two).document() == two.merged(one).document()
    assert one.merged(two).name == "Ida Berg"
    assert one.merged(two).known_as("Ida")
    assert len(one.merged(two).references) == 1


# -- found again, checked, deleted ---------------------------------------------------------------


def test_a_moved_recording_is_found_again_and_a_vanished_one_is_told(
    library: Library, tmp_path: Path
) -> None:
    (tmp_path / "all").mkdir()
    library.put(analyzed(make_recording(tmp_path / "all" / "s1", 1)))
    library.put(analyzed(make_recording(tmp_path / "s2", 2)))
    library.remember([tmp_path / "all"])
    assert check(library) == []
    (tmp_path / "all" / "deep").mkdir()
    (tmp_path / "all" / "s1").rename(tmp_path / "all" / "deep" / "renamed")
    shutil.move(tmp_path / "s2", tmp_path.parent / f"{tmp_path.name}-elsewhere")
    kinds = {finding.kind: finding for finding in check(library)}
    assert set(kinds) == {"moved", "missing"}
    assert "its numbers are kept" in kinds["missing"].text
    assert library.path_of(session_id(1)) == tmp_path / "all" / "deep" / "renamed"
    assert library.session(session_id(2)).missing
    assert library.session(session_id(2)).swings == 6
    with pytest.raises(NoSuchError, match="isn't there any more"):
        library.path_of(session_id(2))
    # And when it turns up, adding it from there finds it without measuring anew.
    back = tmp_path.parent / f"{tmp_path.name}-elsewhere"
    (candidate,) = library.candidates([back])
    assert candidate.state == "annotated"
    library.relocate(session_id(2), back)
    assert not library.session(session_id(2)).missing


def test_a_recording_that_is_away_keeps_its_words_in_the_library(
    library: Library, tmp_path: Path
) -> None:
    path = make_recording(tmp_path / "s")
    one = analyzed(path)
    library.put(one)
    seq = one.swings[0].span.seq
    library.annotate(one.id, seq, felt={"time": "slow"})
    path.rename(tmp_path / "away")
    for write in (
        lambda: library.refresh(one.id),
        lambda: library.annotate(one.id, seq, note="x"),
        lambda: library.undo(one.id),
    ):
        with pytest.raises(NoSuchError, match="isn't there any more"):
            write()
    assert library.swing(one.id, seq=seq).felt == {"time": "slow"}


def test_candidates_say_what_is_to_be_done(library: Library, tmp_path: Path) -> None:
    root = tmp_path / "all"
    root.mkdir()
    for k in range(1, 6):
        library.put(analyzed(make_recording(root / f"s{k}", k)))
    make_recording(root / "s6", 6)
    copy_recording(root / "s1", root / "s7-copy")
    with change_annotations(root / "s2") as said:
        said.set("session", "note", value="new")
    old = dataclasses.replace(analyzed(root / "s3"), analysis_version="0")
    library.put(old)
    (root / "s4" / "markers.jsonl").chmod(0o644)
    (root / "s4" / "markers.jsonl").write_text('{"kind": "note", "seq": 1, "text": "x"}\n')
    (root / "s8").mkdir()
    (root / "s8" / "session.json").write_text("{")
    (root / ".s9.part-1").mkdir()
    (root / ".s9.part-1" / "session.json").write_text("{")
    states = {c.path.name: c.state for c in library.candidates([root])}
    assert states == {
        "s1": "same", "s2": "annotated", "s3": "changed", "s4": "changed", "s5": "same",
        "s6": "new", "s7-copy": "elsewhere", "s8": "broken",
    }  # fmt: skip
    assert library.outdated() == [session_id(3)]


def test_a_recording_in_the_making_is_left_alone(library: Library, tmp_path: Path) -> None:
    from sensor.recording.lock import FolderLock

    path = make_recording(tmp_path / "s")
    lock = FolderLock(path)
    try:
        (candidate,) = library.candidates([path])
        assert candidate.state == "open"
        assert "being recorded" in (candidate.problem or "")
    finally:
        lock.release()


def test_deleting_a_player_removes_all_and_a_rebuild_does_not_bring_it_back(
    library: Library, tmp_path: Path
) -> None:
    own = make_recording(tmp_path / "own", 1)
    shared = make_recording(tmp_path / "shared", 2)
    ida, nils = {"player": "Ida", "club": "7 iron"}, {"player": "Nils", "club": "7 iron"}
    both = analyzed(shared, 6, segments=((0, 0.0, ida), (round(45 * RATE_HZ), 45.0, nils)))
    library.put(analyzed(own))
    library.put(both)
    library.annotate(session_id(1), analyzed(own).swings[0].span.seq, note="of Ida")
    library.annotate(session_id(2), both.swings[0].span.seq, note="of Ida")
    library.annotate(session_id(2), both.swings[5].span.seq, note="of Nils")
    player = library.player("Ida")
    touched = removal(library, player.id)
    assert (touched.own, touched.shared, touched.swings) == ((own,), (shared,), 10)
    remove_player(library, player.id)
    assert [p.name for p in library.players()] == ["Nils"]
    assert not (library.people.folder / f"{player.id}.json").exists()
    for path in (own, shared):
        assert "of Ida" not in (path / ANNOTATIONS_FILE).read_text(encoding="utf-8")
    assert "of Nils" in (shared / ANNOTATIONS_FILE).read_text(encoding="utf-8")
    for name in ("library.db", "library.db-wal"):
        file = library.home / name
        assert not file.exists() or b"Ida" not in file.read_bytes()
    assert b"Ida" not in (library.home / "identities.jsonl").read_bytes()
    assert library.put(analyzed(own)) == "forgotten"
    assert library.put(both) == "kept"
    assert [(p.name, p.swings) for p in library.players()] == [("Nils", 2)]
    assert (own / "imu.npy").exists()


def test_raw_recordings_go_only_when_asked_and_never_shared_ones(
    library: Library, tmp_path: Path
) -> None:
    own, strange = make_recording(tmp_path / "own", 1), make_recording(tmp_path / "strange", 2)
    (strange / "letter.txt").write_text("mine")
    library.put(analyzed(own))
    library.put(analyzed(strange))
    player = library.player("Ida")
    with pytest.raises(LibraryError, match=r"holds 'letter.txt'.*not removed"):
        remove_player(library, player.id, raw=True)
    (strange / "letter.txt").unlink()
    remove_player(library, player.id, raw=True)
    assert not own.exists()
    assert not strange.exists()
    assert library.sessions() == []


# -- the database --------------------------------------------------------------------------------


def test_a_library_made_anew_says_the_same(library: Library, tmp_path: Path) -> None:
    paths = [make_recording(tmp_path / f"s{k}", k) for k in (1, 2, 3)]
    for k, path in enumerate(paths):
        library.put(analyzed(path, seed=k))
    library.annotate(session_id(2), analyzed(paths[1], seed=1).swings[0].span.seq, note="x")
    library.set_reference(
        library.player("Ida").id,
        ReferenceRecord(club=None, mount="wrist", swings=(), bounds={"turn_deg": (1.0, 2.0)}),
    )
    before = library.content()
    assert all(before[table] for table in ("players", "sessions", "swings", "summaries", "refs"))
    library.close()
    (library.home / "library.db").unlink()
    with Library(library.home) as again:
        for player in again.people.all():
            again.save_player(player)
        # In another order: what is kept doesn't hang on it.
        for k in (2, 0, 1):
            again.put(analyzed(paths[k], seed=k))
        assert again.content() == before


def test_a_library_of_an_earlier_version_is_brought_up_to_date(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Library(tmp_path / "home") as library:
        library.put(analyzed(folder))
        before = library.content()
    more = ("ALTER TABLE players ADD COLUMN colour TEXT", "CREATE TABLE extra (x INTEGER) STRICT")
    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, more))
    with Library(tmp_path / "home") as library:
        assert library.content()["swings"] == before["swings"]
        assert [row[-1] for row in library.content()["players"]] == [None]
    monkeypatch.undo()
    with pytest.raises(NewerLibraryError, match=r"library.db: has version \d.*update unhurried"):
        Library(tmp_path / "home")


def test_a_migration_that_fails_leaves_the_library_as_it_was(
    tmp_path: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Library(tmp_path / "home") as library:
        library.put(analyzed(folder))
    broken = ("CREATE TABLE extra (x INTEGER) STRICT", "ALTER TABLE nothing ADD COLUMN y TEXT")
    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, broken))
    with pytest.raises(BrokenLibraryError, match="of the version that it says"):
        Library(tmp_path / "home")
    monkeypatch.undo()
    with Library(tmp_path / "home") as library:
        assert library.totals()["swings"] == 6


def test_another_program_s_database_is_not_touched(tmp_path: Path) -> None:
    (tmp_path / "home").mkdir()
    connection = sqlite3.connect(tmp_path / "home" / "library.db")
    connection.execute("CREATE TABLE theirs (x)")
    connection.close()
    before = (tmp_path / "home" / "library.db").read_bytes()
    with pytest.raises(LibraryError, match="another program's database"):
        Library(tmp_path / "home")
    assert (tmp_path / "home" / "library.db").read_bytes() == before


@pytest.mark.parametrize("how", ["words", "page"])
def test_a_damaged_database_is_told_and_put_aside_for_a_rebuild(
    tmp_path: Path, folder: Path, how: str
) -> None:
    home = tmp_path / "home"
    with Library(home) as library:
        library.put(analyzed(folder, 200))
    path = home / "library.db"
    data = bytearray(path.read_bytes())
    if how == "words":
        data[:] = b"this is no database, but it is quite long" * 100
    else:
        data[4096 : 4096 * 40] = bytes(4096 * 39)
    path.write_bytes(data)

    def look() -> None:
        with Library(home) as library:
            library.content()

    with pytest.raises(BrokenLibraryError, match="'unhurried library rebuild' makes it anew"):
        look()
    with Library.anew(home) as library:
        for player in library.people.all():
            library.save_player(player)
        library.put(analyzed(folder, 200))
        assert library.totals()["swings"] == 200
    assert [p for p in home.iterdir() if "damaged" in p.name]


def _put_often(home: Path, folders: list[Path], seconds: float) -> None:
    with Library(home) as library:
        end = time.monotonic() + seconds
        seed = 0
        while time.monotonic() < end:
            for path in folders:
                library.put(analyzed(path, 40, seed=seed))
            seed += 1


def _read_often(home: Path, seconds: float) -> None:
    with Library(home) as library:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for session in library.sessions():
                # A session is there whole or not at all, whatever is being written.
                assert session.swings == 40
                assert len(library.swings(session=session.id)) == 40


def test_two_processes_write_while_others_read(tmp_path: Path) -> None:
    home = tmp_path / "home"
    folders = [make_recording(tmp_path / f"s{k}", k) for k in (1, 2)]
    with Library(home) as library:
        for path in folders:
            library.put(analyzed(path, 40))
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=_put_often, args=(home, [path], 1.0)) for path in folders]
    workers += [context.Process(target=_read_often, args=(home, 1.0))]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert [worker.exitcode for worker in workers] == [0, 0, 0]


def test_kill_9_while_writing_loses_nothing(tmp_path: Path) -> None:
    home = tmp_path / "home"
    folders = [make_recording(tmp_path / f"s{k}", k) for k in (1, 2, 3)]
    with Library(home) as library:
        for path in folders:
            library.put(analyzed(path, 40))
    rng = np.random.default_rng(8)
    # Forked, so that each is in the middle of writing within milliseconds.
    context = multiprocessing.get_context("fork")
    for _ in range(6):
        worker = context.Process(target=_put_often, args=(home, folders, 20.0))
        worker.start()
        time.sleep(float(rng.uniform(0.1, 0.4)))
        assert worker.pid is not None
        os.kill(worker.pid, signal.SIGKILL)
        worker.join()
        assert worker.exitcode == -signal.SIGKILL
        with Library(home) as library:
            assert check(library) == []
            assert [session.swings for session in library.sessions()] == [40, 40, 40]
            assert len(library.swings(columns=("seq",))) == 120


def test_a_full_disk_is_one_line_and_loses_nothing(tmp_path: Path) -> None:
    home, path = tmp_path / "home", make_recording(tmp_path / "s")
    with Library(home) as library:
        library.put(analyzed(path))
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "sys.path.insert(0, sys.argv[3])\n"
        "from library_data import analyzed; from library.catalogue import Library\n"
        "from library.errors import LibraryError\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "with Library(Path(sys.argv[1])) as library:\n"
        "    one = analyzed(Path(sys.argv[2]), 2000)\n"
        "    resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))\n"
        "    try:\n"
        "        library.put(one)\n"
        "    except LibraryError as error:\n"
        "        print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(home), str(path), str(ROOT / "tests" / "shared")],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    assert re.search(r"library\.db: the disk (is full|failed)", done.stdout), done
    with Library(home) as library:
        assert library.totals()["swings"] == 6
        assert check(library) == []


def test_a_home_that_cannot_be_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(LibraryError, match="cannot be made"):
        Library(tmp_path / "file" / "home")


def test_broken_words_beside_a_recording_are_told_and_change_nothing(
    library: Library, folder: Path
) -> None:
    library.put(analyzed(folder))
    (folder / ANNOTATIONS_FILE).write_text("{", encoding="utf-8")
    before = library.content()
    with pytest.raises(RecordingError, match="is not JSON"):
        library.put(analyzed(folder, 3))
    with pytest.raises(RecordingError, match="is not JSON"):
        library.annotate(session_id(1), analyzed(folder).swings[0].span.seq, note="x")
    assert library.content() == before
    assert [finding.kind for finding in check(library)] == ["broken"]


def test_threads_have_connections_of_their_own(library: Library, folder: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    library.put(analyzed(folder))
    with ThreadPoolExecutor(4) as pool:
        counts = list(pool.map(lambda _: len(library.swings()), range(40)))
    assert counts == [6] * 40


def test_recordings_are_found_however_deep_and_a_file_is_refused(tmp_path: Path) -> None:
    make_recording(tmp_path / "a").rename(tmp_path / "b")
    (tmp_path / "x" / "y").mkdir(parents=True)
    (tmp_path / "b").rename(tmp_path / "x" / "y" / "b")
    assert find_recordings(tmp_path) == [tmp_path / "x" / "y" / "b"]
    (tmp_path / "swings.csv").write_text("x")
    with pytest.raises(LibraryError, match="make a recording of a file with 'import'"):
        find_recordings(tmp_path / "swings.csv")


def test_all_sql_is_in_one_module_and_its_tables_in_another() -> None:
    statement = re.compile(
        r"""["'\s](SELECT\s+[\w*.(]+.*\sFROM|INSERT\s+(OR\s+\w+\s+)?INTO|DELETE\s+FROM|"""
        r"""CREATE\s+(UNIQUE\s+)?(TABLE|INDEX)|UPDATE\s+\w+\s+SET)\s""",
        re.DOTALL,
    )

    def holding(pattern: re.Pattern[str]) -> set[str]:
        return {
            path.name
            for room in ("library", "review", "unhurried")
            for path in (ROOT / room).rglob("*.py")
            if pattern.search(path.read_text(encoding="utf-8"))
        }

    assert holding(statement) == {"store.py", "tables.py"}
    # How a connection behaves, and the file's version, are the file's own.
    assert holding(re.compile(r"PRAGMA\s+\w")) == {"database.py", "store.py"}


def test_a_name_is_kept_without_reading_all_others_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads = []
    read = Identities._read
    monkeypatch.setattr(
        Identities, "_read", lambda self, data: reads.append(len(data)) or read(self, data)
    )
    kept, other = Identities(tmp_path), Identities(tmp_path)
    for k in range(20):
        kept.keep(session_id(k), {"Ida": session_id(100)})
    assert len(reads) <= 1
    # Another process sees it all the same, and what that writes is seen here.
    assert other.of(session_id(19)) == {"Ida": session_id(100)}
    other.keep(session_id(20), {"Nils": session_id(101)})
    assert kept.of(session_id(20)) == {"Nils": session_id(101)}


# -- deleted players -----------------------------------------------------------------------------


def test_a_deleted_player_does_not_come_back_with_a_recording_that_was_away(
    tmp_path: Path,
) -> None:
    folder, away = make_recording(tmp_path / "own", 1), tmp_path / "drive" / "own"
    away.parent.mkdir()
    with Library(tmp_path / "home") as library:
        library.put(analyzed(folder))
        seq = analyzed(folder).swings[0].span.seq
        library.annotate(session_id(1), seq, note="a secret of Ida's", player="Ida")
        folder.rename(away)
        remove_player(library, library.player("Ida").id)
        kept = (tmp_path / "home" / "deleted.jsonl").read_text("utf-8")
        assert "Ida" not in kept
        assert "secret" not in kept
        folder = Path(away.rename(folder))
        assert library.put(analyzed(folder)) == "forgotten"
        assert library.people.all() == []
        assert library.sessions() == []
        # As it would have been had it been there: nothing is left of what was said either.
        assert "secret" not in (folder / "annotations.json").read_text("utf-8")
        assert read_annotations(folder).identities() == {"Ida": FORGOTTEN}


def test_of_a_shared_recording_that_was_away_only_the_deleted_player_stays_out(
    tmp_path: Path,
) -> None:
    markers = [{"kind": "segment", "seq": 200, "player": "Nils", "club": "driver"}]
    folder, away = make_recording(tmp_path / "two", 1, markers=markers), tmp_path / "away"
    first = {"player": "Ida", "handedness": None, "club": None, "intent": None}
    segments = ((0, 0.0, first), (4000, 20.0, {**first, "player": "Nils"}))
    with Library(tmp_path / "home") as library:
        library.put(analyzed(folder, segments=segments))
        folder.rename(away)
        remove_player(library, library.player("Ida").id)
        away.rename(folder)
        assert library.put(analyzed(folder, segments=segments)) == "kept"
        assert [player.name for player in library.people.all()] == ["Nils"]
        assert {row["player_name"] for row in library.swings(columns=("player_name",)).rows()} == {
            "Nils"
        }


def test_a_copy_of_a_deleted_player_s_recording_brings_nobody_back(tmp_path: Path) -> None:
    folder = make_recording(tmp_path / "own", 1)
    backup = copy_recording(folder, tmp_path / "backup")
    with Library(tmp_path / "home") as library:
        library.put(analyzed(folder))
        remove_player(library, library.player("Ida").id, raw=True)
        assert library.put(analyzed(backup)) == "forgotten"
        assert library.people.all() == []
        # Who says who it is says so.
        library.put(analyzed(backup), known_as={"Ida": "Isa"})
        assert [player.name for player in library.people.all()] == ["Isa"]


# -- a disk that is read-only ----------------------------------------------------------------------


def test_a_library_on_a_read_only_disk_can_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Library(tmp_path / "home") as library:
        library.put(analyzed(make_recording(tmp_path / "own", 1)))
    connect = sqlite3.connect

    def read_only(name: Any, **options: Any) -> sqlite3.Connection:
        if "immutable=1" in str(name):
            return connect(name, **options)
        if name == ":memory:":
            return connect(name, **options)
        # What SQLite says where it can make no log beside the file.
        error = sqlite3.OperationalError("unable to open database file")
        error.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
        raise error

    monkeypatch.setattr(sqlite3, "connect", read_only)
    with Library(tmp_path / "home") as library:
        assert [session.id for session in library.sessions()] == [session_id(1)]
        with pytest.raises(LibraryError, match="cannot be written"):
            library.refresh(session_id(1))


def test_a_database_that_says_another_version_than_it_has_is_damaged(tmp_path: Path) -> None:
    with Library(tmp_path):
        pass
    with contextlib.closing(sqlite3.connect(tmp_path / "library.db")) as connection:
        connection.execute("PRAGMA user_version = 1")
    with pytest.raises(BrokenLibraryError, match="library rebuild"):
        Library(tmp_path)


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere names of files are text")
def test_a_folder_whose_name_is_no_text_is_refused_in_one_line(
    library: Library, tmp_path: Path
) -> None:
    folder = make_recording(tmp_path / os.fsdecode(b"\xff"))
    with pytest.raises(LibraryError, match="is no text"):
        library.put(analyzed(folder, 3))
    assert library.sessions() == []
