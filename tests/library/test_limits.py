"""What a coach caps: kept in the player's file, and obeyed by drills."""

from __future__ import annotations

import dataclasses
import json
from datetime import date
from pathlib import Path

import pytest
from library_data import analyzed, make_recording

from feedback.drill_plan import OWN_FULL, usual_sets
from library.allowed import allowed
from library.catalogue import Library
from library.limits import LimitsRecord, capped, left_out_too, newer, said
from library.players import Player, ReferenceRecord, Registry, player_from
from review.page.requests import DrillRequest, SessionRequest
from sensor.recording.schema import SchemaError
from unhurried.app.drill_start import ready_drill
from unhurried.app.errors import CommandError
from unhurried.cli import run

SOFT = LimitsRecord(turn_share=0.8, swings_day=15, why="left hip", at="2026-05-01T10:00:00+00:00")


def swings_of(home: Path, who: Player, **drill: object) -> int:
    asked = SessionRequest(
        player=who.name,
        player_id=who.id,
        mount="wrist",
        drill=DrillRequest(**drill),  # type: ignore[arg-type]
    )
    return ready_drill(home, asked).plan.repeats


# -- in the player's file -------------------------------------------------------------------------


def test_limits_come_back_from_the_players_file(tmp_path: Path) -> None:
    registry = Registry(tmp_path)
    who = registry.add("Ida")
    assert not who.limits.any
    registry.save(dataclasses.replace(who, limits=SOFT))
    again = Registry(tmp_path).find("Ida")
    assert again.limits == SOFT
    assert again.limits.words == "turn at most 80 % of full, at most 15 swings a day, left hip"
    # A file of before, which says nothing of them.
    document = json.loads((tmp_path / "players" / f"{who.id}.json").read_text())
    del document["limits"]
    assert player_from(document).limits == LimitsRecord()


@pytest.mark.parametrize(
    "wrong", [{"turn_share": 0.1}, {"turn_share": 1.2}, {"swings_day": 0}, {"swings_day": 5000}]
)
def test_impossible_limits_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(SchemaError):
        LimitsRecord(**wrong)  # type: ignore[arg-type]


def test_of_two_copies_what_was_said_last_counts() -> None:
    later = LimitsRecord(swings_day=40, at="2026-06-01T10:00:00+00:00")
    assert newer(SOFT, later) == newer(later, SOFT) == later
    assert newer(SOFT, LimitsRecord()) == SOFT
    # Said at once on two machines: the stricter one.
    both = dataclasses.replace(SOFT, turn_share=None, swings_day=10)
    assert newer(SOFT, both).turn_share == 0.8
    assert newer(SOFT, both).swings_day == 10
    # What isn't changed keeps its time.
    assert said(SOFT, dataclasses.replace(SOFT, at=None)) == SOFT
    assert said(SOFT, dataclasses.replace(SOFT, swings_day=9)).at != SOFT.at


def test_the_players_of_two_bundles_are_merged_with_their_limits() -> None:
    one = Player(id="00000000-0000-4000-8000-000000000001", name="Ida", limits=SOFT)
    other = dataclasses.replace(one, limits=LimitsRecord(), note="newer in all else")
    assert one.merged(other).limits == other.merged(one).limits == SOFT


# -- obeyed ---------------------------------------------------------------------------------------


def test_a_capped_turn_is_what_the_bell_goes_by() -> None:
    assert capped(130.0, 145.0, LimitsRecord()) == (130.0, 145.0)
    full, upper = capped(130.0, 145.0, SOFT)
    # 80 % of 130 is 104: nobody is asked to go there, and past it is past full.
    assert upper == pytest.approx(104.0)
    assert full == pytest.approx(98.8)
    assert capped(None, None, SOFT) == (None, None)
    assert capped(130.0, 100.0, LimitsRecord(turn_share=0.95))[1] == 100.0


def test_a_drill_obeys_the_limits_and_says_so(tmp_path: Path) -> None:
    registry = Registry(tmp_path)
    who = registry.add("Ida")
    assert swings_of(tmp_path, who) == 20
    registry.save(dataclasses.replace(who, child=True))
    assert swings_of(tmp_path, who) == 12
    registry.save(dataclasses.replace(who, limits=SOFT))
    asked = SessionRequest(
        player="Ida",
        player_id=who.id,
        mount="wrist",
        drill=DrillRequest(full_turn_deg=130.0, backswing_ms=800.0),
    )
    ready = ready_drill(tmp_path, asked)
    assert ready.plan.blocks == usual_sets(fewer=True)
    assert ready.plan.reference.upper_turn_deg == pytest.approx(104.0)
    assert any("turn at most 80 % of full" in text for text in ready.told)
    # A full turn that was asked for is a share of nothing: it is capped by the player's own.
    own = ReferenceRecord(
        club=None,
        mount="wrist",
        swings=(),
        bounds={"turn_deg": (120.0, 140.0)},
        approved_by="Coach",
    )
    registry.save(dataclasses.replace(who, limits=SOFT).with_reference(own))
    for full, wanted in ((None, 98.8), (98.8, 98.8), (90.0, 90.0), (200.0, 98.8)):
        drill = DrillRequest(full_turn_deg=full)
        found = ready_drill(tmp_path, dataclasses.replace(asked, drill=drill)).plan.reference
        assert found.full_turn_deg == pytest.approx(wanted), full
        assert found.upper_turn_deg == pytest.approx(104.0)
    # Also sets that were asked for.
    assert swings_of(tmp_path, who, blocks=("rehearsal", "ball"), repeats=20) == 15
    registry.save(dataclasses.replace(who, limits=LimitsRecord(swings_day=5)))
    assert swings_of(tmp_path, who) == 5


def test_todays_swings_count_and_then_there_is_no_drill(tmp_path: Path) -> None:
    home = tmp_path / "home"
    day = date.today().isoformat()
    with Library(home) as library:
        path = make_recording(
            tmp_path / "s1", 1, player="Ida", club="driver", start=f"{day}T10:00:00+02:00"
        )
        library.put(analyzed(path, 6))
        who = library.player("Ida")
        swung = len(library.swings(player=who.id, excluded=True))
        assert swung > 0
        limits = LimitsRecord(swings_day=swung + 4)
        library.change_player(who.id, lambda one: dataclasses.replace(one, limits=limits))
        assert allowed(library, who.id).swings_left == 4
        assert allowed(library, who.id).swings(10) == 4
    assert swings_of(home, who) == 4
    with Library(home) as library:
        limits = LimitsRecord(swings_day=swung)
        library.change_player(who.id, lambda one: dataclasses.replace(one, limits=limits))
    with pytest.raises(CommandError, match=f"no drill for Ida today: at most {swung} a day"):
        swings_of(home, who)


def test_limits_are_set_at_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(tmp_path)]
    arguments = ["library", "player", "Ida", *home]
    assert run([*arguments, "--new", "--most-turn", "80", "--limits-why", "left hip"]) == 0
    assert "turn at most 80 % of full, left hip" in " ".join(capsys.readouterr().out.split())
    assert run([*arguments, "--most-swings", "30"]) == 0
    assert Registry(tmp_path).find("Ida").limits.swings_day == 30
    assert run([*arguments, "--most-turn", "0", "--most-swings", "0"]) == 0
    assert not Registry(tmp_path).find("Ida").limits.any
    assert run([*arguments, "--most-turn", "10"]) == 2


def test_a_drill_of_its_own_stops_at_the_players_own_full(tmp_path: Path) -> None:
    who = Registry(tmp_path).add("Ida")
    asked = SessionRequest(
        player="Ida", player_id=who.id, mount="wrist", drill=DrillRequest(own_full=True)
    )
    ready = ready_drill(tmp_path, asked)
    assert ready.plan.blocks == OWN_FULL
    assert any("stop at your own full" in text for text in ready.told)


def test_a_sound_is_left_out_of_the_drill(tmp_path: Path) -> None:
    registry = Registry(tmp_path)
    who = registry.add("Ida")
    home = ["--home", str(tmp_path)]
    assert run(["library", "player", "Ida", "--without", "bell", *home]) == 0
    limits = registry.find("Ida").limits
    assert limits.words == "without the full bell"
    asked = SessionRequest(player="Ida", player_id=who.id, mount="wrist", drill=DrillRequest())
    assert ready_drill(tmp_path, asked).plan.without == {"bell"}
    # It is no reason for fewer swings.
    assert ready_drill(tmp_path, asked).plan.repeats == 20
    assert left_out_too(limits, "top").without == ("bell", "top")
    assert run(["library", "player", "Ida", "--without", "none", *home]) == 0
    assert not registry.find("Ida").limits.any
