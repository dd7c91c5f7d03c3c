"""`unhurried compare` on the demo sessions, whose truth is known, from the disk to the words."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.image import imread

from analysis.evidence.compare import COMPARED, ENDS_AT_IMPACT
from unhurried.cli import run

DEMO = Path(__file__).resolve().parents[3] / "recordings"
MONDAY, TUESDAY, THURSDAY = (
    DEMO / name for name in ("monday-wrist", "tuesday-club", "thursday-glove")
)
# Swings of monday-wrist by player and kind, as the session was made.
SOLVEIG = {"rehearsal": [1, 2, 5, 6, 16, 19], "strike": [3, 4, 7, 17, 18, 20]}


def done(capsys: pytest.CaptureFixture[str], *arguments: object, code: int = 0) -> str:
    """Run the command; its output, or the one line of an error."""
    assert run(["compare", *map(str, arguments)]) == code
    text = capsys.readouterr()
    if code == 0:
        return text.out
    assert text.out == ""
    (line,) = text.err.splitlines()
    assert line.startswith("unhurried: ")
    assert "internal error" not in line
    return line


def document(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict[str, Any]:
    def refuse(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    out = done(capsys, *arguments, "--json")
    result: dict[str, Any] = json.loads(out, parse_constant=refuse)
    return result


def rows_of(doc: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["measure"]: row for row in doc["measures"]}


def truth(recording: Path) -> list[dict[str, Any]]:
    """True swings with the measures that are compared."""
    out = []
    swings = json.loads((recording / "truth.json").read_text())["swings"]
    for one in swings:
        if not one["counts_as_swing"]:
            continue
        back, down = one["top_s"] - one["takeaway_s"], one["impact_s"] - one["top_s"]
        out.append(
            {
                **one,
                "swing_ms": 1e3 * (back + down),
                "backswing_ms": 1e3 * back,
                "downswing_ms": 1e3 * down,
                "tempo_ratio": back / down,
            }
        )
    return out


def copy_of(recording: Path, folder: Path, *, club: str | None = None) -> Path:
    """Another recording with the same data."""
    shutil.copytree(recording, folder)
    for name, change in (("session.json", {"id": "another"}), ("markers.jsonl", {})):
        file = folder / name
        file.chmod(0o644)
        lines = [file.read_text()] if name == "session.json" else file.read_text().splitlines()
        changed = []
        for line in lines:
            value = {**json.loads(line), **change}
            if club is not None and "club" in value:
                value["club"] = club
            changed.append(json.dumps(value))
        file.write_text("\n".join(changed) + "\n")
    return folder


class TestPair:
    @pytest.mark.parametrize(("a", "b"), [(3, 5), (3, 4), (8, 9), (14, 15), (1, 19)])
    def test_intervals_hold_the_true_differences(
        self, a: int, b: int, capsys: pytest.CaptureFixture[str]
    ) -> None:
        true = truth(MONDAY)
        rows = rows_of(document(capsys, f"{MONDAY}#{a}", f"{MONDAY}#{b}"))
        assert list(rows) == list(COMPARED)
        for name, row in rows.items():
            if row["outcome"] is None:
                continue
            difference = true[b - 1][name] - true[a - 1][name]
            # Fixed cases, so a margin of one more u: it isn't for these few to prove the 95 %.
            assert row["low"] - row["u"] <= difference <= row["high"] + row["u"], name
            if row["outcome"] == "different":
                assert np.sign(row["difference"]) == np.sign(difference)

    def test_what_comes_first_is_a_plain_sentence(self, capsys: pytest.CaptureFixture[str]) -> None:
        out = done(capsys, f"{MONDAY}#3", f"{MONDAY}#5")
        a, b, empty, first = out.splitlines()[:4]
        assert a == "A: monday-wrist #3, Solveig, 7 iron, shot"
        assert b == "B: monday-wrist #5, Solveig, 7 iron, practice swing"
        assert empty == ""
        assert first.startswith("The backswing took longer in the practice swing, by ")
        text = " ".join(out.split())
        assert "the forearm turned further in the practice swing, by " in text
        assert "the forearm rotated faster in the shot, by " in text
        assert "not what caused it" in text
        assert "two swings, not about what the player usually does" in text

    def test_swapping_the_sides_swaps_the_sentence(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        a, b = f"{TUESDAY}#1", f"{TUESDAY}#5"
        there, back = document(capsys, a, b), document(capsys, b, a)
        assert re.search(r"\bA took longer", there["sentences"][0])
        swapped = [
            re.sub(r"\b[AB]\b", lambda found: {"A": "B", "B": "A"}[found[0]], text)
            for text in back["sentences"]
        ]
        assert swapped == there["sentences"]
        for name, row in rows_of(there).items():
            assert rows_of(back)[name]["difference"] == -row["difference"]
            assert rows_of(back)[name]["outcome"] == row["outcome"]

    def test_a_strike_and_a_rehearsal_are_not_timed_alike(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        doc = document(capsys, f"{MONDAY}#3", f"{MONDAY}#5")
        for name, row in rows_of(doc).items():
            assert (row["reason"] == "rules") == (name in ENDS_AT_IMPACT)
            assert (row["low"] is None) == (name in ENDS_AT_IMPACT)
        assert doc["judged"] == 3
        out = " ".join(done(capsys, f"{MONDAY}#3", f"{MONDAY}#5").split())
        assert "A practice swing ends where the turn is back at its least" in " ".join(out.split())

    def test_where_the_longer_one_was(self, capsys: pytest.CaptureFixture[str]) -> None:
        doc = document(capsys, f"{TUESDAY}#3", f"{TUESDAY}#4")
        at = doc["longer_at_shorter_impact"]
        true = truth(TUESDAY)
        assert at["longer"] == "b"
        assert not at["going_back"]
        assert at["after_ms"] == pytest.approx(true[2]["swing_ms"], abs=15.0)
        # A rotation that gains speed evenly has gone (t / T)^2 of its way: only a rough likeness.
        share = (at["after_ms"] - true[3]["backswing_ms"]) / true[3]["downswing_ms"]
        assert share**3 < at["share"] < share
        assert at["low"] < at["share"] < at["high"]
        assert re.search(
            r"When A met the ball, \d+ ms after takeaway, B, started at the same moment, had come "
            r"\d+ % of its way down to the ball",
            doc["sentences"][1],
        )

    def test_it_is_not_said_where_the_two_took_equally_long(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        close = document(capsys, f"{MONDAY}#3", f"{MONDAY}#4")
        assert abs(rows_of(close)["swing_ms"]["difference"]) < 2.0 * rows_of(close)["swing_ms"]["u"]
        assert close["longer_at_shorter_impact"] is None
        assert len(close["sentences"]) == 1

    def test_two_hands_and_two_players_are_said(self, capsys: pytest.CaptureFixture[str]) -> None:
        out = " ".join(done(capsys, f"{MONDAY}#3", f"{MONDAY}#10").split())
        assert "A is right-handed, B left-handed" in out
        assert "Two players" in out

    def test_another_recording_with_another_club(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        again = copy_of(TUESDAY, tmp_path / "again", club="driver")
        out = " ".join(done(capsys, f"{TUESDAY}#3", f"{again}#3").split())
        assert "Different clubs: A 5 iron, B driver" in out
        assert "It isn't known that both were measured by the same sensor" in out
        rows = rows_of(document(capsys, f"{TUESDAY}#3", f"{again}#3"))
        # The same swing in both: nothing may differ.
        assert all(row["difference"] == 0.0 for row in rows.values())
        assert all(row["outcome"] != "different" for row in rows.values())


class TestSets:
    def test_a_player_who_hurries_with_a_ball(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Solveig's strikes were made with 0.87 of the backswing's time and 0.90 of the turn."""
        doc = document(capsys, MONDAY, "--by", "kind", "--player", "solveig")
        assert doc["a"]["swings"] == SOLVEIG["rehearsal"]
        assert doc["b"]["swings"] == SOLVEIG["strike"]
        rows = rows_of(doc)
        back, turn = rows["backswing_ms"], rows["turn_deg"]
        assert back["outcome"] == turn["outcome"] == "different"
        assert back["low"] <= (0.87 - 1.0) * back["a"] <= back["high"]
        assert turn["low"] <= (0.90 - 1.0) * turn["a"] <= turn["high"]
        assert rows["swing_ms"]["reason"] == "rules"
        assert doc["sentences"][0].startswith(
            "Today: the backswing took longer in the practice swings, by "
        )
        assert doc["scope"] == "today"
        assert "On other days" in doc["sentences"][1] or "other days" in doc["sentences"][1]

    def test_a_player_who_does_not(self, capsys: pytest.CaptureFixture[str]) -> None:
        rows = rows_of(document(capsys, MONDAY, "--by", "kind", "--player", "Tomas"))
        for name in ("backswing_ms", "turn_deg"):
            assert rows[name]["outcome"] != "different"
            assert rows[name]["low"] <= 0.0 <= rows[name]["high"]

    def test_rehearsals_timed_by_own_strikes_are_compared_to_the_end(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        arguments = (MONDAY, "--by", "kind", "--player", "Solveig", "--own-strikes")
        doc = document(capsys, *arguments)
        assert doc["judged"] == 7
        assert doc["a"]["impact_timed_by"] == doc["b"]["impact_timed_by"] == "ball"
        true = truth(MONDAY)
        # The motion model passes the ball's place at a time of its own schedule.
        rehearsals = [
            1e3 * (true[k - 1]["pass_s"] - true[k - 1]["takeaway_s"]) for k in SOLVEIG["rehearsal"]
        ]
        strikes = [true[k - 1]["swing_ms"] for k in SOLVEIG["strike"]]
        row = rows_of(doc)["swing_ms"]
        assert row["outcome"] == "different"
        assert row["low"] <= np.mean(strikes) - np.mean(rehearsals) <= row["high"]
        out = " ".join(done(capsys, *arguments).split())
        assert "Today: the practice swings took longer, by " in out
        assert "as at the player's own shots" in out

    def test_the_strikes_of_the_other_side_count_as_own(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        doc = document(capsys, f"{MONDAY}#5", f"{MONDAY}#3", "--own-strikes")
        assert doc["judged"] == 7
        assert doc["longer_at_shorter_impact"]["longer"] == "a"

    def test_the_spread_within_is_told(self, capsys: pytest.CaptureFixture[str]) -> None:
        rows = rows_of(document(capsys, MONDAY, "--by", "kind", "--player", "Solveig"))
        true = truth(MONDAY)
        for letter, kind in (("a", "rehearsal"), ("b", "strike")):
            values = [true[k - 1]["turn_deg"] for k in SOLVEIG[kind]]
            assert rows["turn_deg"][f"spread_{letter}"] == pytest.approx(
                np.std(values, ddof=1), rel=0.25
            )

    def test_before_with_after_takes_one_kind_and_says_so(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        after = copy_of(TUESDAY, tmp_path / "after")
        doc = document(capsys, TUESDAY, after)
        assert doc["a"]["kind"] == doc["b"]["kind"] == "strike"
        assert not doc["shared_clock"]
        assert all(row["difference"] == 0.0 for row in doc["measures"])
        assert all(row["outcome"] != "different" for row in doc["measures"])
        # Two recordings are two days: alike as they are, nobody can tell that they are so by habit.
        assert doc["scope"] == "days"
        assert doc["sentences"][0].startswith("From day to day: ")
        assert doc["spread_days"]["backswing_ms"] == 15.0
        out = done(capsys, TUESDAY, after)
        assert "7 other swings left out (--kind)" in " ".join(out.split())
        doc = document(capsys, TUESDAY, after, "--kind", "rehearsal")
        assert doc["a"]["kind"] == doc["b"]["kind"] == "rehearsal"

    def test_named_swings_are_a_set(self, capsys: pytest.CaptureFixture[str]) -> None:
        doc = document(capsys, f"{MONDAY}#1-2,5,6", f"{MONDAY}#8,9,11")
        assert doc["a"]["swings"] == [1, 2, 5, 6]
        assert doc["b"]["swings"] == [8, 9, 11]
        # The sensor went from one player to the other.
        assert doc["scope"] == "days"

    def test_fewer_than_three_are_not_judged(self, capsys: pytest.CaptureFixture[str]) -> None:
        out = done(capsys, f"{MONDAY}#1-2", f"{MONDAY}#8,9,11")
        text = " ".join(out.split())
        assert "Nothing is judged: there are too few swings." in text
        assert "fewer than 3 swings on a side; A has 2, B 3" in text
        assert "different" not in out.split("\n\n")[2]

    def test_swings_without_a_number_are_counted(self, capsys: pytest.CaptureFixture[str]) -> None:
        """#12 has lost samples at its takeaway."""
        out = done(capsys, MONDAY, "--by", "player", "--kind", "strike")
        assert "6 of 7 in B" in " ".join(out.split())
        rows = rows_of(document(capsys, MONDAY, "--by", "player", "--kind", "strike"))
        assert (rows["swing_ms"]["n_a"], rows["swing_ms"]["n_b"]) == (6, 6)
        assert (rows["turn_deg"]["n_a"], rows["turn_deg"]["n_b"]) == (6, 7)


class TestOptions:
    def test_margins_are_shown_and_editable(self, capsys: pytest.CaptureFixture[str]) -> None:
        pair = (f"{TUESDAY}#3", f"{TUESDAY}#4")
        assert "swing time 30 ms, backswing 30 ms" in " ".join(done(capsys, *pair).split())
        rows = rows_of(document(capsys, *pair, "--margin", "swing=80, peak_rate_dps=10%"))
        assert rows["swing_ms"]["margin"] == 80.0
        assert rows["swing_ms"]["outcome"] == "same"
        mean = (rows["peak_rate_dps"]["a"] + rows["peak_rate_dps"]["b"]) / 2.0
        assert rows["peak_rate_dps"]["margin"] == pytest.approx(0.1 * mean)
        assert rows["turn_deg"]["margin"] == 5.0

    def test_fewer_measures_tell_finer(self, capsys: pytest.CaptureFixture[str]) -> None:
        pair = (f"{TUESDAY}#3", f"{TUESDAY}#4")
        all_of = document(capsys, *pair)
        only = document(capsys, *pair, "--measures", "turn")
        assert (all_of["judged"], only["judged"]) == (7, 1)
        alone, together = (rows_of(one)["turn_deg"] for one in (only, all_of))
        assert alone["high"] - alone["low"] <= together["high"] - together["low"]
        assert alone["level"] == pytest.approx(0.95)

    def test_the_parts_of_a_difference_are_shown(self, capsys: pytest.CaptureFixture[str]) -> None:
        arguments = (MONDAY, "--by", "kind", "--player", "Solveig")
        plain = done(capsys, *arguments)
        out = done(capsys, *arguments, "--budget")
        assert out.startswith(plain.rstrip("\n"))
        shown = out[len(plain) :]
        for source in ("swing to swing", "drift in a session", "ball by session", "in all"):
            assert source in shown
        row = rows_of(document(capsys, *arguments))["turn_deg"]
        assert row["u"] == pytest.approx(sum(p["variance"] for p in row["parts"]) ** 0.5)
        assert row["days"]["u"] > row["u"]

    def test_how_far_days_are_taken_to_lie_apart_is_shown_and_can_be_set(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path))
        arguments = (MONDAY, "--by", "kind", "--player", "Solveig", "--measures", "backswing")
        shown = done(capsys, *arguments, "--budget")
        assert "days taken to lie apart: backswing 15 ms (from memory)" in shown
        before = rows_of(document(capsys, *arguments))["backswing_ms"]
        assert run(["settings", "day_backswing_ms=30"]) == 0
        capsys.readouterr()
        shown = done(capsys, *arguments, "--budget")
        assert "days taken to lie apart: backswing 30 ms (as set)" in shown
        # Within one session days don't count.
        now = rows_of(document(capsys, *arguments))["backswing_ms"]
        assert now["u"] == before["u"]

    @pytest.mark.parametrize("align", ["takeaway", "top", "impact"])
    def test_a_plot_is_drawn(
        self, align: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "pair.png"
        done(capsys, f"{MONDAY}#3", f"{MONDAY}#5", "--plot", file, "--align", align)
        assert imread(file).std() > 0.0
        assert "--overwrite" in done(capsys, f"{MONDAY}#3", f"{MONDAY}#5", "--plot", file, code=1)

    def test_a_plot_of_sets(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        file = tmp_path / "sets.svg"
        done(capsys, MONDAY, "--by", "kind", "--player", "Solveig", "--plot", file)
        assert file.read_text().startswith("<?xml")

    @pytest.mark.parametrize(
        "arguments",
        [
            [f"{MONDAY}#3", f"{MONDAY}#5"],
            [f"{TUESDAY}#1", f"{TUESDAY}#5"],
            [MONDAY, "--by", "kind", "--player", "Solveig"],
            [MONDAY, "--by", "player", "--kind", "strike"],
            [f"{MONDAY}#1-2", f"{MONDAY}#8,9,11"],
            [TUESDAY, "--by", "kind"],
            [THURSDAY, "--by", "kind"],
            ["--help"],
        ],
    )
    def test_fits_80_columns(
        self, arguments: list[Any], capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = done(capsys, *arguments)
        assert max(map(len, out.splitlines())) <= 80
        assert "nan" not in out.lower().split()
        assert "None" not in out

    def test_input_is_left_alone(self, capsys: pytest.CaptureFixture[str]) -> None:
        before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in MONDAY.iterdir()}
        done(capsys, MONDAY, "--by", "kind", "--player", "Solveig")
        assert before == {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in MONDAY.iterdir()}


class TestFaults:
    @pytest.mark.parametrize(
        ("arguments", "code", "words"),
        [
            ([MONDAY, TUESDAY, "--player", "Tomas"], 1, "never compared"),
            ([f"{MONDAY}#1", f"{TUESDAY}#1"], 1, "forearm turn and club turn"),
            ([f"{MONDAY}#3", f"{MONDAY}#3"], 1, "same swing"),
            ([f"{MONDAY}#3", f"{MONDAY}#99"], 1, "no swing #99: 24 swings found"),
            ([f"{MONDAY}#1-5", f"{MONDAY}#5-9"], 1, "#5 would be on both sides"),
            ([MONDAY, "--by", "kind"], 1, "more than one player (Solveig, Tomas)"),
            ([MONDAY, "--by", "kind", "--player", "Nobody"], 1, "Solveig, Tomas"),
            ([TUESDAY, "--by", "player"], 1, "needs two players, there are 1: Tomas"),
            ([TUESDAY, "--by", "kind", "--kind", "strike"], 1, "holds no practice swings"),
            ([TUESDAY, "--by", "kind", "--part"], 1, "holds no practice swings"),
            ([MONDAY], 2, "--by kind"),
            ([MONDAY, MONDAY, "--by", "kind"], 2, "--by is for one recording"),
            ([f"{MONDAY}#3", "--by", "kind"], 2, "more swings than one"),
            ([f"{MONDAY}#3", MONDAY], 2, "one swing is compared with one swing"),
            ([f"{MONDAY}#3", DEMO / "none"], 2, "does not exist"),
            ([f"{MONDAY}#x", f"{MONDAY}#3"], 2, "names no swings"),
            ([f"{MONDAY}#0", f"{MONDAY}#3"], 2, "counted from 1"),
            ([f"{MONDAY}#5-3", f"{MONDAY}#3"], 2, "counted from 1, upwards"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--margin", "turn"], 2, "turn_deg=5"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--margin", "turn=-1"], 2, "above 0"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--margin", "tempo=1"], 2, "no measure 'tempo'"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--measures", ","], 2, "names no measure"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--plot", "a.pdf"], 2, ".png or .svg"),
            ([f"{MONDAY}#3", f"{MONDAY}#4", "--align", "finish"], 2, "--align"),
        ],
    )
    def test_one_line_says_what_and_what_to_do(
        self, arguments: list[Any], code: int, words: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert words in done(capsys, *arguments, code=code)

    def test_where_only_one_mount_is_known(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "tuesday.csv"
        assert run(["export", str(TUESDAY), str(file)]) == 0
        capsys.readouterr()
        assert "--mount" in done(capsys, f"{TUESDAY}#1", f"{file}#1", code=1)
