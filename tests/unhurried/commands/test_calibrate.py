"""`unhurried calibrate`, and what a calibration does to the other commands."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sensor.recording.calibration import Calibration, known_sensors, save_calibration
from sensor.recording.csvfile import write_csv
from sensor.recording.layout import AXES
from sensor.recording.opening import open_recording
from sensor.recording.session import SESSION_FILE
from sensor.recording.writer import RecordingWriter
from simulation.motion.habit import Habit
from simulation.procedure import ProcedureSpec, simulate_procedure
from simulation.sessions import PlayerSpec, SessionSpec, SimulatedSession, simulate_session
from unhurried import cli

Run = Callable[..., tuple[int, str, str]]
KEY = "simulated-sim-0001"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def run(
    capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, home: Path
) -> Run:
    """Run a command in this process, in an empty folder; gives (exit code, stdout, stderr)."""
    del home
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> tuple[int, str, str]:
        capfd.readouterr()
        code = cli.run([str(argument) for argument in arguments])
        sys.stdout.flush()
        out, err = capfd.readouterr()
        return code, out, err

    return call


@pytest.fixture(scope="module")
def ideal() -> SimulatedSession:
    """Swings by a chip without scale error, whose samples a test can spoil as it likes."""
    return simulate_session(
        SessionSpec(
            minutes=None,
            swings=20,
            varied=False,
            activity=0.0,
            scale_error=False,
            model="chain",
            gyr_range_dps=4000.0,
            players=(PlayerSpec(habit=Habit()),),
        ),
        seed=31,
    )


def write_spoilt(
    made: SimulatedSession, folder: Path, *, factor: float, start: str = "2026-03-01T10:00:00+01:00"
) -> None:
    """As a gyroscope would have given them that reads `factor` times too little."""
    samples = made.samples.copy()
    for axis in AXES[3:]:
        samples[axis] = np.rint(samples[axis] / factor)
    document = json.loads(made.session.to_json())
    document.pop("format_version")
    document["sensor"] = {**document["sensor"], "serial": "SIM-0001"}
    document["start"] = start
    session = type(made.session)(**document)
    with RecordingWriter(folder, session) as writer:
        writer.append(made.packets, samples)
        for marker in made.markers:
            writer.mark(**marker)


def turns_of(text: str) -> list[float]:
    return [swing["turn_deg"] for swing in json.loads(text)["swings"]]


def write_procedure(folder: Path, seed: int = 3, **fields: Any) -> None:
    simulate_procedure(ProcedureSpec(**fields), seed=seed).write(folder)


def calibration(**fields: Any) -> Calibration:
    given: dict[str, Any] = {
        "key": KEY,
        "made_at": "2026-01-10T10:00:00+01:00",
        "gyr_matrix": ((1.02, 0.0, 0.0), (0.0, 1.02, 0.0), (0.0, 0.0, 1.02)),
        "gyr_scale_u": 0.003,
        "n_turns": 12,
        **fields,
    }
    return Calibration(**given)


# -- making one --------------------------------------------------------------------------------


def test_from_a_recording(run: Run, tmp_path: Path, home: Path) -> None:
    write_procedure(tmp_path / "table")
    code, out, err = run("calibrate", "--from", "table")
    assert code == 0
    assert err == f"{home / 'sensors' / KEY}.json: written\n"
    assert max(map(len, out.splitlines())) <= 80
    assert out.count("-360\n") == 6
    assert re.search(r"gyro factor +\d\.\d{4} ± 0\.00\d\d", out)
    assert f"Applies by itself to recordings of {KEY}" in " ".join(out.split())
    (kept,) = known_sensors(home)[KEY]
    assert kept.n_positions == 6
    assert kept.n_turns == 12
    assert kept.gyr_scale_u < 0.004
    assert "calibration of simulated-sim-0001" in (home / "log" / "unhurried.log").read_text()
    # Once more: the earlier one stays.
    assert run("calibrate", "--from", "table")[0] == 0
    assert len(known_sensors(home)[KEY]) == 2


def test_positions_alone_keep_the_gyroscopes_part(run: Run, tmp_path: Path, home: Path) -> None:
    old = calibration(made_at="2020-01-10T10:00:00+01:00")
    save_calibration(home, old)
    write_procedure(tmp_path / "table", turns=(90.0, -90.0, 90.0, -90.0))
    code, out, err = run("calibrate", "--from", "table")
    assert code == 0
    assert "turns of about 90 deg were found: say --angle 90" in err
    assert "the gyroscope's calibration of 2020-01-10 10:00 is kept" in err
    assert "The gyroscope's part is that of 2020-01-10 10:00." in out
    assert "Turns:" not in out
    assert max(map(len, out.splitlines())) <= 80
    newest = known_sensors(home)[KEY][-1]
    assert newest.gyr_matrix == old.gyr_matrix
    assert newest.n_positions == 6
    assert newest.made_at > old.made_at


def test_guided_from_a_replay(run: Run, tmp_path: Path, home: Path) -> None:
    """The whole live way: source, decoder, recorder and guide, as fast as they can."""
    write_procedure(tmp_path / "table")
    code, out, err = run("calibrate", "--guided", "--replay", "table", "--record-to", "new")
    assert code == 0, err
    told = [line for line in err.splitlines() if line.startswith(("Position", "That is all"))]
    assert told[0] == "Position 1 of 6 is done. Another face up."
    assert told[-1].startswith("That is all")
    assert "gyro factor" in out
    with open_recording(tmp_path / "new") as recording:
        assert recording.n_samples > 10_000
    assert known_sensors(home)[KEY][0].n_turns == 12


def test_from_csv_needs_a_name(run: Run, tmp_path: Path, home: Path) -> None:
    write_procedure(tmp_path / "table")
    with open_recording(tmp_path / "table") as recording:
        write_csv(tmp_path / "table.csv", recording)
    code, out, err = run("calibrate", "--from", "table.csv")
    assert (code, out) == (1, "")
    assert "doesn't say which sensor it is from: name it with --as NAME" in err
    assert run("calibrate", "--from", "table.csv", "--as", "No Name")[0] == 2
    code, out, err = run("calibrate", "--from", "table.csv", "--as", "phone-1", "--json")
    assert code == 0
    assert json.loads(out)["key"] == "phone-1"
    assert list(known_sensors(home)) == ["phone-1"]


def test_another_name_than_its_own_is_told(run: Run, tmp_path: Path) -> None:
    write_procedure(tmp_path / "table")
    code, _, err = run("calibrate", "--from", "table", "--as", "mine")
    assert code == 0
    assert f"its sensor is {KEY}; kept as mine" in err


def test_to_a_file(run: Run, tmp_path: Path, home: Path) -> None:
    write_procedure(tmp_path / "table")
    assert run("calibrate", "--from", "table", "--out", "c.json")[0] == 0
    assert not home.exists()
    code, _, err = run("calibrate", "--from", "table", "--out", "c.json")
    assert code == 1
    assert "--overwrite" in err
    code, out, _ = run("info", "table", "--calibration", "c.json", "--json")
    assert code == 0
    assert json.loads(out)["calibration"]["key"] == KEY


def test_local_gravity_makes_the_scale_surer(run: Run, tmp_path: Path) -> None:
    write_procedure(tmp_path / "table")

    def scale_u(*more: str) -> float:
        code, out, _ = run("calibrate", "--from", "table", "--out", "c.json", "--overwrite",
                           "--json", *more)  # fmt: skip
        assert code == 0
        return float(json.loads(out)["acc_scale_u"][0])

    assert scale_u("--gravity", "9.8067") < 0.5 * scale_u()


def test_nothing_to_calibrate_from(run: Run, ideal: SimulatedSession, tmp_path: Path) -> None:
    write_spoilt(ideal, tmp_path / "swings", factor=1.0)
    code, out, err = run("calibrate", "--from", "swings")
    assert (code, out) == (1, "")
    assert "no calibration can be made" in err
    assert len(err.splitlines()) == 1
    assert "two seconds" in err


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--from", "table", "--show"],
        ["--from", "absent"],
        ["--sensor", "x", "--show"],
        ["--remove", "No Name"],
        ["--from", "table", "--angle", "10"],
        ["--from", "table", "--gravity", "1"],
    ],
)
def test_bad_use(run: Run, tmp_path: Path, arguments: list[str]) -> None:
    (tmp_path / "table").mkdir()
    code, out, err = run("calibrate", *arguments)
    assert (code, out) == (2, "")
    assert err.startswith("unhurried: ")


def test_help_fits_and_teaches(run: Run) -> None:
    code, out, _ = run("calibrate", "--help")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "six faces" in out
    assert "Examples:" in out


# -- what is kept ------------------------------------------------------------------------------


def test_show_and_remove(run: Run, home: Path) -> None:
    assert "no calibrations are kept" in run("calibrate", "--show")[1]
    save_calibration(home, calibration())
    save_calibration(home, calibration(made_at="2026-02-10T10:00:00+01:00"))
    code, out, _ = run("calibrate", "--show")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "2026-01-10 10:00  earlier" in out
    assert "2026-02-10 10:00  newest" in out
    code, out, _ = run("calibrate", "--remove", KEY)
    assert code == 0
    assert "of 2026-02-10 10:00 is out of use; it stays in the file" in out
    shown = run("calibrate", "--show")[1]
    assert "2026-01-10 10:00  newest" in shown
    assert "2026-02-10 10:00  withdrawn" in shown
    assert [c["withdrawn_at"] is None for c in json.loads(
        run("calibrate", "--show", "--json")[1]
    )[KEY]] == [True, False]  # fmt: skip
    assert run("calibrate", "--remove", KEY)[0] == 0
    code, _, err = run("calibrate", "--remove", KEY)
    assert code == 1
    assert "there is no calibration in use" in err


# -- what it does ------------------------------------------------------------------------------


def test_analyze_applies_it_and_says_so(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "right", factor=1.0)
    write_spoilt(ideal, tmp_path / "low", factor=1.02)
    true = turns_of(run("analyze", "right", "--json")[1])
    low = run("analyze", "low", "--json")
    np.testing.assert_allclose(np.array(turns_of(low[1])) * 1.02, true, rtol=2e-3)
    assert low[2] == ""
    save_calibration(home, calibration())
    code, out, err = run("analyze", "low", "--json")
    assert code == 0
    assert err.splitlines() == [
        f"unhurried: low: calibration applied: {KEY}, 2026-01-10 10:00 (12 turns)"
    ]
    np.testing.assert_allclose(turns_of(out), true, rtol=1e-3)
    with_it, without = (json.loads(text)["swings"][0]["turn_deg_u"] for text in (out, low[1]))
    assert with_it < 0.6 * without
    assert run("analyze", "low", "--json", "--calibration", "none")[1] == low[1]


def test_earlier_recordings_only_by_choice(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "old", factor=1.02, start="2025-12-24T10:00:00+01:00")
    save_calibration(home, calibration())
    assert "none applied; gyro scale known to 2 %" in " ".join(run("info", "old")[1].split())
    code, out, err = run("info", "old", "--calibration", KEY)
    assert (code, err) == (0, "")
    assert f"{KEY}, 2026-01-10 10:00 (12 turns); gyro scale known to 0.3 %" in " ".join(out.split())
    code, _, err = run("analyze", "old", "--calibration", KEY)
    assert code == 0
    assert "calibration applied" in err
    code, out, err = run("analyze", "old", "--calibration", "nobody")
    assert (code, out) == (1, "")
    assert f"there is no calibration of this sensor: in {home / 'sensors'} there are {KEY}" in err


def test_another_range_is_told_not_applied(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "low", factor=1.02)
    save_calibration(home, calibration(gyr_range_dps=1000.0))
    code, _, err = run("analyze", "low")
    assert code == 0
    assert f"--calibration {KEY} applies it all the same" in err
    code, _, err = run("analyze", "low", "--calibration", KEY)
    assert code == 0
    assert "the calibration was made in other ranges of the sensor" in err
    assert "calibration applied" in err


def test_home_option_says_where(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "low", factor=1.02)
    save_calibration(tmp_path / "elsewhere", calibration())
    assert "calibration applied" not in run("analyze", "low")[2]
    assert "calibration applied" in run("analyze", "low", "--home", "elsewhere")[2]
    assert not home.exists()


def test_a_broken_file_in_the_home_stops_nothing(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "low", factor=1.02)
    (home / "sensors").mkdir(parents=True)
    (home / "sensors" / f"{KEY}.json").write_text("{")
    code, _, err = run("analyze", "low")
    assert code == 0
    assert "no calibration applied" in err
    assert "is broken" in err
    assert run("analyze", "low", "--calibration", KEY)[0] == 1


def test_export_and_import_keep_what_the_sensor_read(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    write_spoilt(ideal, tmp_path / "low", factor=1.02)
    assert run("export", "low", "a.csv")[0] == 0
    save_calibration(home, calibration())
    assert run("export", "low", "b.csv")[0] == 0
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert run("import", "b.csv", "back")[0] == 0
    assert (tmp_path / "back" / SESSION_FILE).exists()


def test_clipping_is_still_seen(
    run: Run, tmp_path: Path, home: Path, ideal: SimulatedSession
) -> None:
    """A corrected reading at the stop is under the range; it must count as clipped all the same."""
    write_spoilt(ideal, tmp_path / "plain", factor=1.0)
    with open_recording(tmp_path / "plain") as recording:
        most = max(float(np.abs(block.gyr_dps).max()) for block in recording.blocks())
    samples = ideal.samples.copy()
    stop = round(0.8 * most / (ideal.session.gyr_dps_per_count or 1.0))
    for axis in AXES[3:]:
        samples[axis] = np.clip(samples[axis], -stop, stop)
    document = json.loads(ideal.session.to_json())
    document.pop("format_version")
    document["gyr_range_dps"] = 0.8 * most
    document["sensor"] = {**document["sensor"], "serial": "SIM-0001"}
    document["start"] = "2026-03-01T10:00:00+01:00"
    with RecordingWriter(tmp_path / "rec", type(ideal.session)(**document)) as writer:
        writer.append(ideal.packets, samples)
    small = ((0.97, 0.0, 0.0), (0.0, 0.97, 0.0), (0.0, 0.0, 0.97))
    save_calibration(home, calibration(gyr_matrix=small))

    def clipped(*more: str) -> tuple[list[Any], float]:
        found = json.loads(run("analyze", "rec", "--json", *more)[1])["swings"]
        share = json.loads(run("info", "rec", "--json", *more)[1])["gyr_clipped_share"]
        return [swing["clipped"] for swing in found], share

    with_it, without = clipped(), clipped("--calibration", "none")
    assert any(without[0])
    assert with_it == without


# -- own strikes -------------------------------------------------------------------------------


def test_own_strikes_time_the_rehearsals(run: Run, tmp_path: Path, ideal: SimulatedSession) -> None:
    write_spoilt(ideal, tmp_path / "s", factor=1.0)
    plain = json.loads(run("analyze", "s", "--json")[1])["swings"]
    code, out, err = run("analyze", "s", "--json", "--own-strikes")
    assert code == 0
    timed = json.loads(out)["swings"]
    kinds = {swing["impact_basis"] for swing in timed if swing["strike"] is False}
    assert sum(swing["strike"] is True for swing in plain) >= 5
    assert kinds == {"own_strikes"}
    assert err == ""
    passed = [swing.truth.pass_s for swing in ideal.truth if not swing.truth.strike]
    stretch = (
        ideal.true_rate_hz
        * json.loads(out)["recording"]["duration_s"]
        / (int(ideal.samples["seq"][-1]))
    )
    for before, after in zip(plain, timed, strict=True):
        if after["impact_basis"] != "own_strikes":
            assert before == after
            continue
        error = min(abs(after["impact_s"] / stretch - at) for at in passed if at is not None)
        was = min(abs(before["impact_s"] / stretch - at) for at in passed if at is not None)
        assert error < 0.025 < was
        assert error < 4.0 * after["impact_s_u"]
        shift = 1e3 * (after["impact_s"] - before["impact_s"])
        assert after["swing_ms"] == pytest.approx(before["swing_ms"] + shift, abs=1e-6)
        assert after["downswing_ms"] == pytest.approx(before["downswing_ms"] + shift, abs=1e-6)
        assert after["turn_deg"] == before["turn_deg"]
        assert after["backswing_ms"] == before["backswing_ms"]
    table = run("analyze", "s", "--own-strikes")[1]
    assert "as at the player's own" in " ".join(table.split())


def write_part(
    made: SimulatedSession, folder: Path, *, before: int | None, since: int, mount: str = "wrist"
) -> None:
    """Write some of a session as a recording of its own."""
    document = json.loads(made.session.to_json())
    document.pop("format_version")
    document = {**document, "id": f"{folder.name}-{document['id']}", "mount": mount}
    samples, packets = made.samples, made.packets
    last = int(samples["seq"][-1]) + 1 if before is None else before
    with RecordingWriter(folder, type(made.session)(**document)) as writer:
        writer.append(
            packets[
                (packets["first_seq"] >= since) & (packets["first_seq"] + packets["count"] <= last)
            ],
            samples[(samples["seq"] >= since) & (samples["seq"] < last)],
        )
        for marker in made.markers:
            writer.mark(**{**marker, "seq": since})


def test_strikes_of_another_recording(run: Run, tmp_path: Path, ideal: SimulatedSession) -> None:
    """Two parts of one session: the second has too few strikes, the first lends its own."""
    swings = [swing.truth for swing in ideal.truth]
    # The second part begins with a rehearsal after which few strikes are left.
    after = [sum(later.strike for later in swings[k:]) for k in range(len(swings))]
    first = next(k for k, swing in enumerate(swings) if not swing.strike and after[k] < 5 and k > 0)
    assert after[0] - after[first] >= 5
    cut = int((swings[first].takeaway_s - 1.0) * ideal.true_rate_hz)
    write_part(ideal, tmp_path / "first", before=cut, since=0)
    write_part(ideal, tmp_path / "elsewhere", before=cut, since=0, mount="club")
    write_part(ideal, tmp_path / "second", before=None, since=cut)

    def bases(*more: str) -> tuple[set[str], str]:
        code, out, err = run("analyze", "second", "--json", *more)
        assert code == 0
        return {s["impact_basis"] for s in json.loads(out)["swings"] if s["strike"] is False}, err

    found, err = bases("--own-strikes")
    assert found == {"least_turn"}
    assert "5 are needed" in err
    assert bases("--strikes-of", "first") == ({"own_strikes"}, "")
    found, err = bases("--strikes-of", "elsewhere")
    assert found == {"least_turn"}
    assert "its sensor was on another place" in err
