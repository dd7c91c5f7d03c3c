"""The public API: light to import, documented, and the same figures as the commands'."""

from __future__ import annotations

import dataclasses
import doctest
import inspect
import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

import unhurried
from analysis import AnalysisError, InputError
from analysis.evidence.compare import CompareError, MountsError
from library.errors import LibraryError, NoSuchError
from sensor.errors import RateTooLowError, SensorError
from unhurried.app.ingest import analyze_one, open_library
from unhurried.cli import run

ROOT = Path(__file__).parents[2]
MONDAY = ROOT / "recordings" / "monday-wrist"
TUESDAY = ROOT / "recordings" / "tuesday-club"
THURSDAY = ROOT / "recordings" / "thursday-glove"


@pytest.fixture(scope="module")
def monday() -> unhurried.Analysis:
    return unhurried.analyze(MONDAY)


def document(capsys: pytest.CaptureFixture[str], *arguments: object) -> Any:
    assert run([str(word) for word in arguments]) == 0
    return json.loads(capsys.readouterr().out)


class TestNames:
    def test_importing_it_alone_loads_nothing_large(self) -> None:
        code = "import unhurried, sys; print(*{name.partition('.')[0] for name in sys.modules})"
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
        )
        loaded = set(done.stdout.split())
        assert not loaded & {"numpy", "scipy", "pandas", "matplotlib", "click", "msgspec", "sensor"}

    def test_every_name_is_there_and_no_other(self) -> None:
        for name in unhurried.__all__:
            assert getattr(unhurried, name) is not None
        assert set(unhurried.__all__) <= set(dir(unhurried))
        with pytest.raises(AttributeError, match="no attribute 'analyse'"):
            _ = unhurried.analyse  # type: ignore[attr-defined]

    def test_the_version_is_that_of_the_package(self) -> None:
        assert re.fullmatch(r"\d+\.\d+\.\d+.*", unhurried.__version__)

    def test_the_example_in_the_docstring(self) -> None:
        assert doctest.testmod(unhurried).failed == 0

    def test_docstrings_name_every_parameter(self) -> None:
        functions = [
            unhurried.analyze,
            unhurried.compare,
            unhurried.open_recording,
            unhurried.simulate,
            unhurried.plot.session,
            unhurried.plot.swing,
            unhurried.Analysis.select,
            unhurried.Library.swings,
            unhurried.SwingFinder.feed,
        ]
        for function in functions:
            text = inspect.getdoc(function)
            assert text is not None, function
            section = re.search(r"Parameters\n-+\n(.*?)(\n[A-Z]\w+\n-+\n|\Z)", text, re.DOTALL)
            assert section is not None, function
            named = {
                name.strip()
                for line in re.findall(r"^(\S[^:\n]*) : ", section[1], re.MULTILINE)
                for name in line.split(",")
            }
            due = set(inspect.signature(function).parameters) - {"self"}
            assert named == due, function
            assert "Raises\n---" in text, function
            assert "Returns\n---" in text, function

    def test_classes_have_docstrings_for_what_they_show(self) -> None:
        for kind in (
            unhurried.Analysis,
            unhurried.Comparison,
            unhurried.Library,
            unhurried.SwingFinder,
        ):
            assert inspect.getdoc(kind)
            for name, member in vars(kind).items():
                if not name.startswith("_") and (callable(member) or isinstance(member, property)):
                    assert inspect.getdoc(member), f"{kind.__name__}.{name}"


class TestAnalyze:
    @pytest.mark.parametrize("path", [MONDAY, TUESDAY, THURSDAY], ids=lambda p: p.name)
    def test_it_says_what_the_command_says(
        self, path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        due = document(capsys, "analyze", path, "--json", "--calibration", "none")
        found = unhurried.analyze(path)
        assert json.loads(json.dumps(found.as_dict())) == due
        assert found.recording == due["recording"]

    def test_an_open_recording_is_left_open(self, monday: unhurried.Analysis) -> None:
        with unhurried.open_recording(MONDAY) as recording:
            assert unhurried.analyze(recording).swings == monday.swings
            assert len(recording.read(recording.first_seq, recording.first_seq + 9).seq) == 10
            with pytest.raises(ValueError, match="mount must be said to open_recording"):
                unhurried.analyze(recording, mount="club")

    def test_own_strikes_time_rehearsals(self, monday: unhurried.Analysis) -> None:
        timed = unhurried.analyze(MONDAY, own_strikes=True)
        assert {swing.impact_basis for swing in monday.swings} == {"shock", "least_turn"}
        assert "own_strikes" in {swing.impact_basis for swing in timed.swings}
        elsewhere = unhurried.analyze(MONDAY, strikes_of=[TUESDAY])
        assert any("another place" in text for text in elsewhere.warnings)

    def test_what_cannot_be_read_is_one_line(self, tmp_path: Path) -> None:
        with pytest.raises(SensorError, match="does not exist") as caught:
            unhurried.analyze(tmp_path / "nothing")
        assert "\n" not in str(caught.value)
        with pytest.raises(ValueError, match="mount must be one of"):
            unhurried.analyze(MONDAY, mount="hip")

    def test_select_leaves_what_is_asked_for(self, monday: unhurried.Analysis) -> None:
        strikes = monday.select(kind="strike", player="Solveig")
        assert strikes.swings
        assert all(swing.strike and swing.player == "Solveig" for swing in strikes.swings)
        assert [swing.index for swing in monday.select(index=[3, 1]).swings] == [1, 3]
        assert monday.select(part=True).swings == tuple(
            swing for swing in monday.swings if swing.intent == "part"
        )
        with pytest.raises(KeyError, match=r"^there is no swing #99 among 24$"):
            monday.select(index=[99])

    def test_swings_begun_at_anothers_finish_are_chosen_apart(
        self, monday: unhurried.Analysis
    ) -> None:
        first, second, *_ = monday.swings
        assert first.impact_s is not None
        late = dataclasses.replace(second, takeaway_s=first.impact_s + 0.4)
        rally = dataclasses.replace(monday, swings=(first, late, *monday.swings[2:]))
        assert late.index not in {s.index for s in rally.select(player=late.player).swings}
        assert rally.select(index=[late.index]).swings == (late,)
        assert late in rally.select(player=late.player, back_and_forth=True).swings

    def test_the_summary_is_that_of_the_table(self, monday: unhurried.Analysis) -> None:
        groups = monday.summary()
        assert sum(group.n for group in groups) == len(monday.swings)
        one = groups[0]
        mine = [s for s in monday.swings if s.index in set(one.indices) - set(one.following)]
        spread = one.measures["turn_deg"]
        assert spread is not None
        assert spread.median == pytest.approx(np.median([s.turn_deg for s in mine]))


class TestFrame:
    def test_columns_and_values_are_those_of_the_document(
        self, monday: unhurried.Analysis, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Held together with the JSON of the command, whatever fields are added to it."""
        due = document(capsys, "analyze", MONDAY, "--json", "--calibration", "none")
        frame = monday.to_frame()
        fields = [name for name in due["swings"][0] if name != "index"]
        assert list(frame.columns) == [*fields, "recording_id"]
        assert frame.index.name == "index"
        assert list(frame.index) == [swing["index"] for swing in due["swings"]]
        assert set(frame["recording_id"]) == {due["recording"]["id"]}
        assert frame.attrs["recording"] == due["recording"]
        for swing in due["swings"]:
            for name in fields:
                value, cell = swing[name], frame.loc[swing["index"], name]
                if isinstance(value, list):
                    codes = [v["code"] if isinstance(v, dict) else v for v in value]
                    assert cell == " ".join(map(str, codes)), name
                elif value is None:
                    assert pd.isna(cell), name
                else:
                    assert cell == value, name

    def test_types_do_not_hang_on_the_data(self, monday: unhurried.Analysis) -> None:
        frame = monday.to_frame()
        assert frame["strike"].dtype == "boolean"
        assert frame["turn_deg"].dtype == frame["swing_p"].dtype == np.float64
        assert frame["player"].dtype == frame["notes"].dtype == "string"
        numbers = frame.select_dtypes("float64").columns
        assert {f"{name}_u" for name in ("turn_deg", "top_s", "swing_ms")} <= set(numbers)
        empty = monday.select(index=[]).to_frame()
        assert len(empty) == 0
        assert empty.dtypes.to_dict() == frame.dtypes.to_dict()


class TestSamples:
    def test_samples_of_a_recording_give_its_swings(self) -> None:
        due = unhurried.analyze(THURSDAY)
        with unhurried.open_recording(THURSDAY) as recording:
            block = recording.read()
            samples = unhurried.Samples(
                seq=block.seq,
                time_s=block.time_s,
                acc_m_s2=block.acc_m_s2,
                gyr_dps=block.gyr_dps,
                rate_hz=recording.rate_hz,
                mount=recording.session.mount,
                gyr_range_dps=recording.session.gyr_range_dps,
                acc_range_g=recording.session.acc_range_g,
                gyr_delay_ms=recording.session.gyr_delay_ms,
            )
        found = unhurried.analyze(samples)
        # float32 and a straight line through the times are what differs.
        assert len(found.swings) == len(due.swings)
        for one, other in zip(found.swings, due.swings, strict=True):
            assert one.turn_deg == pytest.approx(other.turn_deg, abs=0.05)
            assert one.top_s == pytest.approx(other.top_s, abs=2e-3)
        assert unhurried.analyze(samples).id == found.id

    def test_what_cannot_be_samples_is_refused(self) -> None:
        three = np.zeros((10, 3))
        for wrong in (
            {"gyr_dps": np.zeros((9, 3))},
            {"acc_m_s2": np.full((10, 3), np.nan)},
            {"seq": np.zeros(10, int)},
            {"seq": np.linspace(0.0, 1.0, 10)},
            {"time_s": np.zeros(10)},
        ):
            with pytest.raises(ValueError, match=next(iter(wrong))):
                unhurried.Samples(
                    **{"acc_m_s2": three, "gyr_dps": three, "rate_hz": 200.0, **wrong}  # type: ignore[arg-type]
                )
        slow = unhurried.Samples(acc_m_s2=three, gyr_dps=three, rate_hz=10.0)
        with pytest.raises(RateTooLowError):
            unhurried.analyze(slow)
        fine = unhurried.Samples(acc_m_s2=three, gyr_dps=three, rate_hz=200.0)
        with pytest.raises(ValueError, match="said to Samples"):
            unhurried.analyze(fine, mount="club")
        assert unhurried.analyze(fine).swings == ()

    def test_simulated_swings_are_found_where_they_are(self) -> None:
        samples, truth = unhurried.simulate(3, swings=4, hurried=True)
        again, _ = unhurried.simulate(3, swings=4, hurried=True)
        assert np.array_equal(samples.gyr_dps, again.gyr_dps)
        found = unhurried.analyze(samples).swings
        due = [one for one in truth if one.counts_as_swing]
        assert len(found) == len(due)
        for one, true in zip(found, due, strict=True):
            for name in ("takeaway_s", "top_s", "impact_s", "turn_deg"):
                u = getattr(one, f"{name}_u")
                assert abs(getattr(one, name) - getattr(true, name)) < 4.0 * u, name

    def test_a_stream_sample_by_sample_is_the_same(self) -> None:
        samples, _ = unhurried.simulate(4, swings=2)
        made = {"rate_hz": samples.rate_hz, "mount": samples.mount}
        whole, drops = unhurried.SwingFinder(**made), unhurried.SwingFinder(**made)  # type: ignore[arg-type]
        at_once = whole.feed(samples.seq, samples.acc_m_s2, samples.gyr_dps) + whole.flush()  # type: ignore[arg-type]
        one_by_one = [found for block in samples.blocks(1) for found in drops.feed(*block)]
        assert one_by_one + drops.flush() == at_once
        assert len(at_once) == 2


class TestCompare:
    def test_sets_and_swings_as_the_command_has_them(
        self, monday: unhurried.Analysis, capsys: pytest.CaptureFixture[str]
    ) -> None:
        due = document(capsys, "compare", f"{MONDAY}#3", f"{MONDAY}#4", "--json")
        found = unhurried.compare(monday.select(index=[3]), monday.select(index=[4]))
        assert not found.sets
        for row in due["measures"]:
            mine = found.row(row["measure"])
            assert mine is not None
            assert (mine.difference, mine.u, mine.outcome) == (
                row["difference"],
                row["u"],
                row["outcome"],
            )

    def test_today_and_from_day_to_day(self, monday: unhurried.Analysis) -> None:
        who = monday.select(player="Solveig", part=False)
        sides = [who.select(kind=kind) for kind in ("rehearsal", "strike")]  # type: ignore[arg-type]
        today, days = (unhurried.compare(*sides, scope=scope) for scope in ("today", "days"))  # type: ignore[arg-type]
        assert unhurried.compare(*sides).rows == today.rows
        near, far = today.row("backswing_ms"), days.row("backswing_ms")
        assert near is not None
        assert far is not None
        assert today.scope == "today"
        assert days.scope == "days"
        assert near.difference == far.difference
        assert near.u is not None
        assert far.u is not None
        assert far.u > near.u

    def test_the_table_is_that_of_the_document(
        self, monday: unhurried.Analysis, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Held together with the JSON of the command, whatever fields are added to it."""
        due = document(capsys, "compare", MONDAY, "--by", "kind", "--player", "Solveig", "--json")
        who = monday.select(player="Solveig", part=False)
        sides = [who.select(kind=kind) for kind in ("rehearsal", "strike")]  # type: ignore[arg-type]
        found = unhurried.compare(*sides)
        frame = found.to_frame()
        assert frame.index.name == "measure"
        assert list(frame.index) == [row["measure"] for row in due["measures"]]
        fields = [n for n in due["measures"][0] if n not in ("measure", "parts", "days")]
        assert list(frame.columns) == fields
        for row in due["measures"]:
            for name in fields:
                cell = frame.loc[row["measure"], name]
                assert pd.isna(cell) if row[name] is None else cell == row[name], name
        assert frame["difference"].dtype == np.float64
        assert frame["n_a"].dtype == np.int64
        assert frame["outcome"].dtype == frame["reason"].dtype == "string"
        assert frame["sign_told"].dtype == "boolean"
        assert frame.attrs["comparison"]["scope"] == "today"
        few = unhurried.compare(monday.select(index=[3]), monday.select(index=[4])).to_frame()
        assert few.dtypes.to_dict() == frame.dtypes.to_dict()

    def test_what_is_never_compared(self, monday: unhurried.Analysis) -> None:
        club = unhurried.analyze(TUESDAY)
        one = monday.select(player="Solveig", kind="strike")
        for wrong, line in (
            ((monday, one), "more than one player"),
            ((one, one), "both sides"),
            ((one, monday.select(index=[])), "no swings in b"),
        ):
            with pytest.raises(CompareError, match=line):
                unhurried.compare(*wrong)
        with pytest.raises(MountsError):
            unhurried.compare(monday.select(index=[1]), club.select(index=[1]))
        other = unhurried.Analysis(
            **{
                name: getattr(one, name)
                for name in unhurried.Analysis.__dataclass_fields__
                if name != "id"
            },
            id="another session",
        )
        with pytest.raises(AnalysisError, match="two sessions"):
            unhurried.compare(one, other, scope="today")
        assert unhurried.compare(one, other).scope == "days"


class TestLibrary:
    @pytest.fixture
    def home(self, tmp_path: Path) -> Path:
        home = tmp_path / "home"
        with open_library(home) as library:
            library.put(analyze_one(MONDAY, home))
        return home

    def test_it_is_read_and_left_as_it_was(self, home: Path) -> None:
        def files() -> dict[str, bytes]:
            return {str(p): p.read_bytes() for p in home.rglob("*") if p.is_file()}

        before = files()
        with unhurried.Library(home) as library:
            names = {player.name for player in library.players()}
            assert {"Solveig", "Tomas"} <= names
            (session,) = library.sessions(player="Solveig")
            table = library.swings(session=session.id, player="Solveig")
            assert len(table) == sum(g.swings for g in library.groups("Solveig"))
            assert table["turn_deg"].dtype == np.float64
            assert library.swing(session.id, 3).swing.index == 3
            assert library.summaries(player="Solveig", measures=("turn_deg",))
            with pytest.raises(NoSuchError):
                library.swings(player="Nobody")
            with pytest.raises(LibraryError):
                library._catalogue.save_player(library._catalogue.player("Solveig"))
        assert files() == before

    def test_where_there_is_none_none_is_made(self, tmp_path: Path) -> None:
        with pytest.raises(LibraryError, match="unhurried library add"):
            unhurried.Library(tmp_path / "home")
        assert not (tmp_path / "home").exists()
        (tmp_path / "file").touch()
        with pytest.raises(LibraryError, match="is not a folder"):
            unhurried.Library(tmp_path / "file")


class TestPlot:
    def test_a_session_and_a_swing(self, monday: unhurried.Analysis) -> None:
        assert len(unhurried.plot.session(monday).axes) == 3
        assert len(unhurried.plot.swing(MONDAY, monday.swings[2]).axes) == 2

    def test_into_a_place_of_ones_own(self, monday: unhurried.Analysis) -> None:
        figure = Figure()
        left, right = figure.subplots(1, 2)
        assert unhurried.plot.session(monday, ax=left) is figure
        assert unhurried.plot.swing(MONDAY, monday.swings[2], ax=right) is figure
        panels = left.child_axes
        assert [len(ax.child_axes) for ax in (left, right)] == [3, 2]
        assert all(panel.get_xlim() == panels[0].get_xlim() for panel in panels)
        assert panels[0].get_ylabel() == "forearm turn (deg)"


class TestOneLineEach:
    def test_what_is_shown_of_a_thing_has_no_arrays(
        self, monday: unhurried.Analysis, tmp_path: Path
    ) -> None:
        a, b = monday.select(index=[3]), monday.select(index=[4])
        samples, _ = unhurried.simulate(1, minutes=0.2)
        with open_library(tmp_path) as library:
            library.put(analyze_one(MONDAY, tmp_path))
        with unhurried.Library(tmp_path) as home, unhurried.open_recording(MONDAY) as recording:
            shown = [repr(one) for one in (monday, a, unhurried.compare(a, b), recording, home)]
        shown.append(repr(samples))
        for text, due in zip(
            shown,
            (
                f"<Analysis of {monday.id}: 24 swings in 302.0 s at 200 Hz, wrist, {monday.start}>",
                f"<Analysis of {monday.id}: 1 swing in 302.0 s at 200 Hz, wrist, {monday.start}>",
                "<Comparison of two swings: 7 measures judged, different: "
                "downswing_ms, peak_rate_dps, tempo_ratio>",
                f"<Recording {str(MONDAY)!r}: 302.0 s at 200 Hz, wrist, 60381 samples>",
                f"<Library {str(tmp_path)!r}>",
                f"<Samples: {len(samples)} at 200 Hz, wrist>",
            ),
            strict=True,
        ):
            assert text == due

    def test_of_sets_it_says_what_the_difference_holds_for(
        self, monday: unhurried.Analysis
    ) -> None:
        who = monday.select(player="Solveig", part=False)
        sides = [who.select(kind=kind) for kind in ("rehearsal", "strike")]  # type: ignore[arg-type]
        assert repr(unhurried.compare(*sides)).startswith("<Comparison of two sets, today: ")
        far = repr(unhurried.compare(*sides, scope="days"))
        assert far.startswith("<Comparison of two sets, from day to day: ")


class TestMisuse:
    """Each of these was an error of Python's own, from deep within."""

    def test_what_is_no_analysis(self, monday: unhurried.Analysis) -> None:
        with pytest.raises(InputError, match=r"^a must be an Analysis, as unhurried.analyze"):
            unhurried.compare(MONDAY, MONDAY)  # type: ignore[arg-type]
        with pytest.raises(AnalysisError, match=r"^b must be an Analysis.*, not NoneType$"):
            unhurried.compare(monday, None)  # type: ignore[arg-type]
        with pytest.raises(AnalysisError, match=r"what unhurried.analyze\(...\) gives, not str"):
            unhurried.plot.session(str(MONDAY))  # type: ignore[arg-type]

    @pytest.mark.parametrize("index", [3, "3", b"3"])
    def test_numbers_of_swings_that_are_no_collection(
        self, monday: unhurried.Analysis, index: Any
    ) -> None:
        with pytest.raises(InputError, match="index is a collection of numbers"):
            monday.select(index=index)

    def test_a_number_that_there_is_not_is_an_error_of_the_analysis(
        self, monday: unhurried.Analysis
    ) -> None:
        with pytest.raises(AnalysisError, match=r"^there is no swing #99 among 24$"):
            monday.select(index=[3, 99])

    def test_a_swing_that_is_none(self, monday: unhurried.Analysis) -> None:
        with pytest.raises(AnalysisError, match=r"one of Analysis.swings, not int"):
            unhurried.plot.swing(MONDAY, 99)  # type: ignore[arg-type]
        with pytest.raises(AnalysisError, match="not Analysis"):
            unhurried.plot.swing(monday, monday.swings[0])  # type: ignore[arg-type]

    @pytest.mark.parametrize("source", [3, np.zeros((10, 6)), None], ids=["int", "array", "None"])
    def test_what_cannot_be_measured(self, source: Any) -> None:
        with pytest.raises(InputError, match=f"or Samples, not {type(source).__name__}"):
            unhurried.analyze(source)
        with pytest.raises(SensorError, match=f"by its path, not by {type(source).__name__}"):
            unhurried.open_recording(source)

    def test_measures_that_are_one_text(self, monday: unhurried.Analysis) -> None:
        one = monday.select(index=[3])
        with pytest.raises(InputError, match=r"measures are several: \['turn_deg'\]"):
            unhurried.compare(one, monday.select(index=[4]), measures="turn_deg")

    def test_a_map_of_columns_that_is_none(self, tmp_path: Path) -> None:
        file = tmp_path / "phone.csv"
        file.write_text(
            "time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s,gyr_z_deg_s\n"
            + "".join(f"{k / 200},0,0,9.8,0,0,0\n" for k in range(400))
        )
        assert unhurried.analyze(file).swings == ()
        for wrong, line in (
            ({"time_s": "t"}, "is one text.*, not dict"),
            ("time=t", "'time' is not a column"),
            ("time_s=clock", "no column clock"),
        ):
            with pytest.raises(SensorError, match=line):
                unhurried.analyze(file, column_map=wrong)  # type: ignore[arg-type]

    def test_samples_of_no_length(self) -> None:
        with pytest.raises(ValueError, match="acc_m_s2 must be of shape"):
            unhurried.Samples(acc_m_s2=3, gyr_dps=3, rate_hz=200.0)  # type: ignore[arg-type]


class TestNonsenseIsRefused:
    """Each of these was taken without a word."""

    def test_another_mount_than_the_recording_says(self) -> None:
        with pytest.raises(SensorError, match="at another place"):
            unhurried.analyze(MONDAY, mount="club")
        assert unhurried.analyze(MONDAY, mount="wrist").mount == "wrist"

    def test_a_place_that_there_is_not(self) -> None:
        with pytest.raises(ValueError, match="mount must be one of wrist"):
            unhurried.SwingFinder(rate_hz=200.0, mount="ankle")
        with pytest.raises(ValueError, match="mount must be one of wrist"):
            unhurried.simulate(1, mount="ankle")
        with pytest.raises(ValueError, match="mount must be one of wrist"):
            unhurried.Samples(
                acc_m_s2=np.zeros((2, 3)), gyr_dps=np.zeros((2, 3)), rate_hz=200.0, mount="ankle"
            )

    @pytest.mark.parametrize("minutes", [-1.0, 0.0, float("nan"), float("inf")])
    def test_a_session_that_would_never_end(self, minutes: float) -> None:
        with pytest.raises(ValueError, match="minutes must be more than 0"):
            unhurried.simulate(1, minutes=minutes)

    def test_a_scope_a_measure_and_a_kind_that_there_are_not(
        self, monday: unhurried.Analysis
    ) -> None:
        a, b = monday.select(index=[3]), monday.select(index=[5])
        with pytest.raises(ValueError, match="scope must be today or days"):
            unhurried.compare(a, b, scope="year")  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="carry can't be compared"):
            unhurried.compare(a, b, measures=("carry",))
        with pytest.raises(ValueError, match="kind must be one of rehearsal"):
            monday.select(kind="putt")  # type: ignore[arg-type]


def test_a_finder_is_as_unsure_of_an_unknown_scale_as_analyze() -> None:
    samples, _ = unhurried.simulate(4, swings=2, rate_hz=200.0)
    finder = unhurried.SwingFinder(rate_hz=200.0, mount=samples.mount, gyr_range_dps=2000.0)
    assert samples.seq is not None
    found = finder.feed(samples.seq, samples.acc_m_s2, samples.gyr_dps) + finder.flush()
    there = unhurried.analyze(samples).swings
    assert len(found) == len(there) > 0
    for one, other in zip(found, there, strict=True):
        assert one.turn_u == pytest.approx(other.turn_deg_u, rel=0.1)
