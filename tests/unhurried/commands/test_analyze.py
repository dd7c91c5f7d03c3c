"""`unhurried analyze` from a recording on the disk to what it prints."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sensor.recording.layout import COUNTS_DTYPE
from sensor.recording.opening import open_recording
from sensor.recording.session import UNKNOWN_DELAY_MS, Session
from sensor.recording.writer import RecordingWriter
from simulation.sessions import simulate_swing
from unhurried.app.measuring import analyze
from unhurried.app.traces import trace_of
from unhurried.cli import run

RECORDING_FIELDS = [
    "id",
    "start",
    "mount",
    "rate_hz",
    "duration_s",
    "lost_samples",
    "short_strokes",
    "analysis_version",
    "knock_visible",
]
SWING_FIELDS = [
    "index",
    "player",
    "handedness",
    "club",
    "intent",
    "takeaway_s",
    "takeaway_s_u",
    "top_s",
    "top_s_u",
    "impact_s",
    "impact_s_u",
    "finish_s",
    "finish_s_u",
    "strike",
    "impact_basis",
    "backswing_ms",
    "backswing_ms_u",
    "downswing_ms",
    "downswing_ms_u",
    "swing_ms",
    "swing_ms_u",
    "tempo_ratio",
    "tempo_ratio_u",
    "turn_deg",
    "turn_deg_u",
    "peak_rate_dps",
    "peak_rate_dps_u",
    "peak_transverse_dps",
    "peak_transverse_dps_u",
    "peak_to_impact_ms",
    "peak_to_impact_ms_u",
    "top_dwell_ms",
    "top_dwell_ms_u",
    "gap_ms",
    "clipped",
    "notes",
    "swing_p",
    "strike_p",
    "pause_ms",
    "pause_ms_u",
    "transition_ms",
    "transition_ms_u",
    "bounds",
    "zero_dps",
]
EVENTS = ("takeaway_s", "top_s", "impact_s", "finish_s")

ACC_SCALE = 16 * 9.80665 / 32768
GYR_SCALE = 2000.0 / 32768
TRUE_RATE_HZ = 200.0
N_SWINGS = 12


def write_session(
    folder: Path, *, swings: int = N_SWINGS, drop_top: int | None = None
) -> list[Any]:
    """Write simulated swings one after another; return the true swings, in recording time.

    `drop_top` is the number of a swing (from 0) that loses 90 ms around its top.
    """
    session = Session(
        id="7e5ec7f8-0000-4000-8000-000000000001",
        start="2025-03-04T18:30:00+01:00",
        nominal_rate_hz=TRUE_RATE_HZ,
        sensor={"name": "test", "simulated": True},
        mount="wrist",
        gyr_range_dps=2000.0,
        acc_range_g=16.0,
        gyr_dps_per_count=GYR_SCALE,
        acc_m_s2_per_count=ACC_SCALE,
        # those of the simulated chip at this rate
        gyr_delay_ms=2.956,
        acc_delay_ms=2.673,
        player="Ida",
        handedness="right",
        club="7 iron",
    )
    truth: list[Any] = []
    with RecordingWriter(folder, session) as writer:
        first = 0
        for k in range(swings):
            part = simulate_swing(
                100 + k,
                strike=k % 2 == 1,
                gyr_range_dps=2000.0,
                mount_quat_wxyz=(0.5, 0.5, 0.5, 0.5),
            )
            if k == swings // 2:
                writer.mark(
                    "segment",
                    seq=first,
                    player="Runa",
                    handedness="left",
                    club="pitching wedge",
                    intent="part",
                )
            rows = np.zeros(len(part.seq), COUNTS_DTYPE)
            rows["seq"] = part.seq + first
            counts = np.hstack([part.acc_m_s2 / ACC_SCALE, part.gyr_dps / GYR_SCALE])
            counts = np.clip(np.round(counts), -32768, 32767)
            for name, column in zip(("ax", "ay", "az", "gx", "gy", "gz"), counts.T, strict=True):
                rows[name] = column
            if drop_top == k:
                top = part.seq_of(part.truth[0].top_s)
                rows = rows[np.abs(part.seq - top) > 9]
            writer.append(None, rows)
            truth.append((first, part.truth[0]))
            first += int(part.seq[-1]) + 1
    return truth


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("analyze") / "evening"
    write_session(folder)
    return folder


@pytest.fixture(scope="module")
def holed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("analyze") / "holed"
    write_session(folder, swings=2, drop_top=1)
    return folder


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A minute of a sensor that lies on a table, as CSV."""
    file = tmp_path_factory.mktemp("analyze") / "still.csv"
    rng = np.random.default_rng(1)
    time_s = np.arange(12000) / 200.0
    values = np.column_stack([time_s, rng.normal([0, 0, 9.81, 0, 0, 0], 0.02, (12000, 6))])
    header = "time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s,gyr_z_deg_s"
    np.savetxt(file, values, fmt="%.4f", delimiter=",", header=header, comments="")
    return file


def document(capsys: pytest.CaptureFixture[str], *arguments: object) -> dict[str, Any]:
    assert run(["analyze", *map(str, arguments), "--json"]) == 0

    def refuse(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    result: dict[str, Any] = json.loads(capsys.readouterr().out, parse_constant=refuse)
    return result


def output(capsys: pytest.CaptureFixture[str], *arguments: object, code: int = 0) -> str:
    assert run(["analyze", *map(str, arguments)]) == code
    text = capsys.readouterr()
    return text.out if code == 0 else text.err


class TestJson:
    def test_fields_are_exactly_those_of_the_design(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        doc = document(capsys, session)
        assert list(doc) == ["schema", "recording", "swings", "candidates"]
        assert doc["schema"] == 1
        assert list(doc["recording"]) == RECORDING_FIELDS
        assert doc["swings"]
        for swing in doc["swings"]:
            assert list(swing) == SWING_FIELDS
            assert all(list(note) == ["code", "text"] for note in swing["notes"])

    def test_swings_are_found_where_they_are(self, session: Path, tmp_path: Path) -> None:
        truth = write_session(tmp_path / "again")
        swings = analyze(tmp_path / "again").swings
        assert [swing.index for swing in swings] == list(range(1, N_SWINGS + 1))
        for swing, (first, true) in zip(swings, truth, strict=True):
            assert swing.top_s == pytest.approx(first / TRUE_RATE_HZ + true.top_s, abs=0.1)
            assert swing.turn_deg == pytest.approx(true.turn_deg, rel=0.05)

    @pytest.mark.parametrize("which", ["session", "holed"])
    def test_a_number_and_its_uncertainty_are_null_together_and_a_note_says_why(
        self, which: str, request: pytest.FixtureRequest, capsys: pytest.CaptureFixture[str]
    ) -> None:
        for swing in document(capsys, request.getfixturevalue(which))["swings"]:
            absent = False
            for name in SWING_FIELDS:
                if f"{name}_u" in SWING_FIELDS:
                    assert (swing[name] is None) == (swing[f"{name}_u"] is None)
                    absent |= swing[name] is None
            assert not absent or swing["notes"]

    def test_a_hole_over_the_top_leaves_it_null(
        self, holed: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        swing = document(capsys, holed)["swings"][1]
        assert swing["top_s"] is None
        assert swing["backswing_ms"] is None
        assert swing["gap_ms"] > 0
        assert "gap_top" in [note["code"] for note in swing["notes"]]

    def test_who_swings_comes_from_the_segment_in_force(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        swings = document(capsys, session)["swings"]
        who = [(s["player"], s["handedness"], s["club"], s["intent"]) for s in swings]
        half = N_SWINGS // 2
        assert who[:half] == [("Ida", "right", "7 iron", None)] * half
        assert who[half:] == [("Runa", "left", "pitching wedge", "part")] * half

    def test_one_swing_is_the_same_as_among_all(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        every = document(capsys, session)["swings"]
        assert document(capsys, f"{session}#3")["swings"] == [every[2]]

    def test_a_csv_file_gives_the_same_as_the_recording(
        self, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "evening.csv"
        assert run(["export", str(session), str(file)]) == 0
        capsys.readouterr()
        ranges = ("--mount", "wrist", "--gyr-range-dps", 2000, "--acc-range-g", 16)
        ours = document(capsys, session)["swings"]
        theirs = document(capsys, file, "--hand", "left", *ranges)["swings"]
        assert len(theirs) == len(ours)
        for a, b in zip(ours, theirs, strict=True):
            assert b["handedness"] == "left"
            # It doesn't keep the filters, and one that isn't known may hide a ball.
            assert b["strike"] == a["strike"] or (b["strike"] is None and not a["strike"])
            for name in ("turn_deg", "peak_rate_dps"):
                # The file rounds its numbers.
                assert b[name] == pytest.approx(a[name], rel=1e-3, abs=1e-3)
            # Nor does it keep the filters' delays: the gyroscope's is then taken for the middle of
            # what it may be, which moves all its events alike; a shock's onset stays.
            shift_ms = 2.956 - UNKNOWN_DELAY_MS
            by_shock = a["impact_basis"] == "shock"
            for name in EVENTS:
                moved_ms = 0.0 if name == "impact_s" and by_shock else shift_ms
                assert 1e3 * (b[name] - a[name]) == pytest.approx(moved_ms, abs=0.05), name
            longer_ms = -shift_ms if by_shock else 0.0
            assert b["swing_ms"] - a["swing_ms"] == pytest.approx(longer_ms, abs=0.05)

    def test_other_columns_by_a_map(
        self, still: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "other.csv"
        file.write_text(still.read_text().replace("time_s", "t", 1))
        assert document(capsys, file, "--map", "time_s=t:s")["swings"] == []
        assert "column" in output(capsys, file, code=1)


class TestTable:
    def test_fits_80_columns(self, session: Path, capsys: pytest.CaptureFixture[str]) -> None:
        for path in (session, f"{session}#1"):
            assert max(map(len, output(capsys, path).splitlines())) <= 80

    def test_long_names_and_hours_fit(self) -> None:
        import dataclasses

        from unhurried.commands.analyze import lines

        with open_recording(self._made) as recording:
            analysis = analyze(recording)
        swings = tuple(
            dataclasses.replace(
                swing,
                index=1000 + k,
                player="Bartholomew the Second",
                club=f"a very long club name {k}\n",
                takeaway_s=36_000.0,
                strike=None if k else False,
                swing_ms=12345.0,
                peak_rate_dps=3999.6,
            )
            for k, swing in enumerate(analysis.swings)
        )
        out = list(lines(dataclasses.replace(analysis, swings=swings), "x" * 200))
        assert max(map(len, out)) <= 80
        assert not any("\n" in line for line in out)

    @pytest.fixture(autouse=True)
    def _keep(self, session: Path) -> None:
        self._made = session

    def test_has_a_line_a_swing_and_a_summary_a_player_and_club(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = output(capsys, session)
        assert f"{N_SWINGS} swings" in out
        assert "forearm turn" in out
        assert "\nIda, 7 iron\n" in out
        assert "\nRuna, pitching wedge, part swings\n" in out
        assert "3 practice swings: backswing 0." in out
        assert "Shots beside practice swings: backswing 0." in out
        assert out.index(" shots: ") < out.index("m:ss") < out.index("\nDetails\n")
        assert "scatter" in out.partition("\nDetails\n")[2]
        assert "sensor on it" in out
        assert "nan" not in out.lower().split()

    @pytest.mark.parametrize(
        ("mount", "words"),
        [("glove", "hand turn"), ("club", "club turn"), ("trunk", "trunk turn")],
    )
    def test_says_what_turns(
        self,
        session: Path,
        mount: str,
        words: str,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        unsaid = tmp_path / "unsaid"
        shutil.copytree(session, unsaid)
        file = unsaid / "session.json"
        file.write_text(json.dumps({**json.loads(file.read_text()), "mount": None}))
        assert words in output(capsys, unsaid, "--mount", mount)

    def test_another_mount_than_the_recording_says_is_refused(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        err = output(capsys, session, "--mount", "club", code=2)
        assert err.count("\n") == 1
        assert "the recording says wrist; leave --mount out" in err
        assert output(capsys, session, "--mount", "wrist") == output(capsys, session)

    def test_a_range_below_the_readings_is_told(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert run(["analyze", str(session), "--gyr-range-dps", "300"]) == 0
        said = [line for line in capsys.readouterr().err.splitlines() if "can't be" in line]
        (line,) = said
        assert "--gyr-range-dps 300 can't be the range, readings go up to" in line
        assert run(["analyze", str(session), "--gyr-range-dps", "2000"]) == 0
        assert "can't be" not in capsys.readouterr().err

    @pytest.mark.parametrize("option", ["--gyr-range-dps", "--acc-range-g"])
    @pytest.mark.parametrize("value", ["nan", "inf", "-inf"])
    def test_a_range_is_a_number(
        self, session: Path, option: str, value: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert run(["analyze", str(session), f"{option}={value}"]) == 2
        assert option in capsys.readouterr().err

    def test_absent_numbers_are_dashes_with_the_reason_below(
        self, holed: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = output(capsys, holed)
        row = next(line for line in out.splitlines() if line.split()[:1] == ["2"])
        assert " - " in row
        assert out.count("#2: samples are missing at the top.") == 1
        assert "where the time of the top is absent" in out
        assert "from the start of the motion" not in out

    def test_no_swings_is_said_and_is_done(
        self, still: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert "No swings found" in output(capsys, still)


class TestDetail:
    def test_tells_each_number_with_its_uncertainty(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = output(capsys, f"{session}#2")
        assert out.count("±") >= 12
        assert "one standard uncertainty" in out
        for word in ("takeaway", "top", "impact", "finish", "forearm turn", "missing"):
            assert f"  {word}" in out
        assert "  sensor at its limit: " in out
        assert "clipped" not in out

    def test_absent_numbers_have_a_note(
        self, holed: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = output(capsys, f"{holed}#2")
        assert "samples are missing at the top." in out

    def test_a_swing_that_is_not_there(
        self, session: Path, still: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert f"no swing #99: {N_SWINGS} swings found" in output(capsys, f"{session}#99", code=1)
        assert "no swing #1: no swings found" in output(capsys, f"{still}#1", code=1)
        assert "counted from 1" in output(capsys, f"{session}#0", code=2)


class TestCsv:
    def test_one_row_a_swing_under_the_names_of_the_json(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        rows = list(csv.DictReader(io.StringIO(output(capsys, session, "--csv"))))
        swings = document(capsys, session)["swings"]
        assert len(rows) == len(swings) == N_SWINGS
        for row, swing in zip(rows, swings, strict=True):
            assert list(row) == SWING_FIELDS
            for name, value in swing.items():
                if name == "notes":
                    assert row[name] == ";".join(note["code"] for note in value)
                elif name == "zero_dps":
                    assert json.loads(row[name]) == value
                elif isinstance(value, list):
                    assert row[name] == ";".join(value)
                elif value is None:
                    assert row[name] == ""
                elif isinstance(value, bool):
                    assert row[name] == str(value).lower()
                elif isinstance(value, float):
                    assert float(row[name]) == value
                else:
                    assert row[name] == str(value)

    def test_no_swings_is_a_header_alone(
        self, still: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert output(capsys, still, "--csv").splitlines() == [",".join(SWING_FIELDS)]


class TestBadUse:
    def test_json_or_csv(self, session: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert "not both" in output(capsys, session, "--json", "--csv", code=2)

    def test_missing_path(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert "does not exist" in output(capsys, tmp_path / "none", code=2)

    def test_unknown_mount(self, session: Path, capsys: pytest.CaptureFixture[str]) -> None:
        output(capsys, session, "--mount", "shoe", code=2)

    @pytest.mark.parametrize("content", ["", "time_s,a,b\n1,2,3\n"])
    def test_a_file_that_is_no_recording(
        self, content: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "bad.csv"
        file.write_text(content)
        error = output(capsys, file, code=1)
        assert len(error.splitlines()) == 1
        assert "Traceback" not in error

    def test_an_empty_folder(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert len(output(capsys, tmp_path, code=1).splitlines()) == 1

    def test_plot_of_another_kind(
        self, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert ".png or .svg" in output(capsys, session, "--plot", tmp_path / "a.pdf", code=2)


class TestPlot:
    def test_a_session_and_a_swing(
        self, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        output(capsys, session, "--plot", tmp_path / "all.png")
        assert (tmp_path / "all.png").read_bytes().startswith(b"\x89PNG\r\n")
        output(capsys, f"{session}#1", "--plot", tmp_path / "one.svg")
        assert "<svg" in (tmp_path / "one.svg").read_text()
        assert sorted(p.name for p in tmp_path.iterdir()) == ["all.png", "one.svg"]

    def test_what_is_there_stays_unless_told_otherwise(
        self, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        file = tmp_path / "one.png"
        file.write_text("mine")
        assert "--overwrite" in output(capsys, f"{session}#1", "--plot", file, code=1)
        assert file.read_text() == "mine"
        output(capsys, f"{session}#1", "--plot", file, "--overwrite")
        assert file.read_bytes().startswith(b"\x89PNG")

    def test_nothing_to_draw(
        self, still: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        output(capsys, still, "--plot", tmp_path / "none.png")
        assert list(tmp_path.iterdir()) == []

    def test_the_curve_agrees_with_the_measures(self, session: Path) -> None:
        with open_recording(session) as recording:
            for swing in analyze(recording).swings:
                trace = trace_of(recording, swing)
                assert swing.top_s is not None
                assert swing.turn_deg is not None
                turn = np.interp(swing.top_s, trace.time_s, trace.turn_deg)
                assert turn == pytest.approx(swing.turn_deg, abs=0.1)
                assert trace.time_s[0] < swing.top_s < trace.time_s[-1]

    def test_the_curve_breaks_where_samples_are_missing(self, holed: Path) -> None:
        with open_recording(holed) as recording:
            trace = trace_of(recording, analyze(recording).swings[1])
        assert 0 < np.isnan(trace.turn_deg).sum() < 20


def test_progress_adds_up(session: Path) -> None:
    steps: list[int] = []
    with open_recording(session) as recording:
        analyze(recording, progress=steps.append)
        assert sum(steps) == recording.n_samples
        assert math.isfinite(recording.duration_s)


class TestBudget:
    def test_every_number_has_its_sources_and_they_make_the_whole(
        self, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        text = output(capsys, f"{session}#2", "--budget")
        assert all(len(line) <= 80 for line in text.splitlines())
        swing = analyze(session).swings[1]
        # "backswing  823.5 ± 3.2 ms  sway at address  3.18", then a line for each further source.
        stated: dict[str, tuple[float, list[float]]] = {}
        for line in text.splitlines():
            head = re.match(r"  (\w[\w ]*?) +[-\d.]+ ± ([\d.]+)", line)
            if head:
                stated[head[1]] = (float(head[2]), [])
            last = re.match(r".* ([\d.]+)$", line)
            if last and stated and re.search("[a-z)]", line):
                stated[list(stated)[-1]][1].append(float(last[1]))
        assert list(stated) == [
            "takeaway",
            "top",
            "impact",
            "finish",
            "backswing",
            "downswing",
            "swing time",
            "ratio",
            "forearm turn",
            "rotation",
            "peak to impact",
            "time at top",
            "pause",
            "change of direction",
        ]
        for word, (u, parts) in stated.items():
            assert u == pytest.approx(math.hypot(*parts), rel=0.1, abs=1e-4), word
        assert stated["swing time"][0] == pytest.approx(swing.swing_ms_u, rel=0.05)
        assert "sway at address" in text
        assert "Absent: across axis." in text

    def test_for_one_swing_only(self, session: Path, capsys: pytest.CaptureFixture[str]) -> None:
        message = output(capsys, session, "--budget", code=2)
        assert message.count("\n") == 1
        assert "#1" in message

    @pytest.mark.parametrize("other", ["--json", "--csv"])
    def test_is_a_table_of_its_own(
        self, other: str, session: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert "--budget" in output(capsys, f"{session}#2", "--budget", other, code=2)

    def test_what_is_absent_is_said_to_be(
        self, holed: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        text = output(capsys, f"{holed}#2", "--budget")
        (line,) = [line for line in text.splitlines() if line.startswith("  Absent:")]
        for word in ("top", "backswing", "downswing", "ratio"):
            assert word in line


def test_why_lists_what_nearly_passed_in_plain_words() -> None:
    from unhurried.app.measuring import Analysis, NearlySwing
    from unhurried.commands.unsure import AGAINST, why_lines

    def told(*candidates: NearlySwing) -> list[str]:
        analysis = Analysis(
            id="x",
            start="2026-01-01T10:00:00+01:00",
            mount="wrist",
            rate_hz=200.0,
            duration_s=60.0,
            lost_samples=0,
            short_strokes=0,
            analysis_version="3",
            swings=(),
            candidates=candidates,
        )
        return list(why_lines(analysis))

    assert told() == ["Nothing else nearly passed for a swing."]
    out = "\n".join(told(NearlySwing(at_s=12.3, swing_p=0.42, why=("hang", "hands"))))
    assert "42 %" in out
    assert "unlike this player's other swings" in out
    assert max(map(len, out.splitlines())) <= 80
    # Every figure of the score has its words.
    from analysis.swing.score import FIGURES

    assert set(FIGURES) | {"hands"} == set(AGAINST)


def test_why_goes_with_the_table_only(tmp_path: Path) -> None:
    from unhurried import cli

    folder = tmp_path / "s"
    write_session(folder, swings=1)
    assert cli.run(["analyze", str(folder), "--why"]) == 0
    assert cli.run(["analyze", str(folder), "--why", "--json"]) == 2
