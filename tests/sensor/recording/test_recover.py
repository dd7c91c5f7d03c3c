"""Recovery: all that is sound, and a true account of the rest."""

from __future__ import annotations

import contextlib
import json
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sensor.errors import RecordingError, RecordingExistsError, RecordingLockedError
from sensor.recording.layout import COUNTS_DTYPE, FLOAT_DTYPE, PACKET_DTYPE
from sensor.recording.npyfile import npy_header
from sensor.recording.opening import open_recording
from sensor.recording.recover import Hole, SessionFacts, recover
from sensor.recording.session import Session
from sensor.recording.soundrows import good_rows
from sensor.recording.writer import RecordingWriter

HEADER = len(npy_header(COUNTS_DTYPE, 0))
ROW = COUNTS_DTYPE.itemsize
SESSION = Session.new(
    nominal_rate_hz=200.0, gyr_dps_per_count=0.07, acc_m_s2_per_count=0.005, mount="club"
)


def make(folder: Path, seq: Any) -> np.ndarray:
    rows = np.zeros(len(seq), COUNTS_DTYPE)
    rows["seq"] = seq
    for number, axis in enumerate(COUNTS_DTYPE.names[1:]):
        rows[axis] = 100 * number + np.arange(len(seq)) % 50 + 1
    packets = np.zeros(len(rows) // 8, PACKET_DTYPE)
    packets["first_seq"] = rows["seq"][::8][: len(packets)]
    packets["count"] = 8
    packets["arrival_ns"] = (packets["first_seq"] + 8) * 5_000_000
    with RecordingWriter(folder, SESSION) as out:
        out.append(packets, rows)
        out.mark("note", seq=int(rows["seq"][0]), text="before")
        out.mark("note", seq=int(rows["seq"][-1]), text="after")
    return rows


def damage(file: Path, spans: list[tuple[int, int]], cut: int | None = None) -> bytes:
    data = bytearray(file.read_bytes())
    for first, end in spans:
        data[first:end] = bytes(max(0, end - first))
    data = data[:cut]
    file.unlink()
    file.write_bytes(data)
    return bytes(data)


def rows_span(first: int, end: int) -> tuple[int, int]:
    return HEADER + ROW * first, HEADER + ROW * end


def state(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {f.name: (f.read_bytes(), f.stat().st_mtime_ns) for f in folder.iterdir()}


def test_nothing_lost_is_said_so(tmp_path: Path) -> None:
    rows = make(tmp_path / "rec", range(80))
    before = state(tmp_path / "rec")
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert state(tmp_path / "rec") == before
    assert report.lines() == ["80 samples (0.4 s) kept", "nothing was lost"]
    np.testing.assert_array_equal(np.load(tmp_path / "out" / "imu.npy"), rows)
    with open_recording(tmp_path / "rec") as old, open_recording(tmp_path / "out") as new:
        assert new.session.id == old.session.id
        assert new.session.extra["recovered_from"] == "rec"
        assert new.markers == old.markers
        assert new.period_s == old.period_s
        assert new.warnings == old.warnings


def test_holes_become_marked_gaps(tmp_path: Path) -> None:
    rows = make(tmp_path / "rec", [*range(50), *range(60, 110)])
    file = tmp_path / "rec" / "imu.npy"
    # Two holes of whole rows, one that takes parts of two rows, and a row cut short at the end.
    spans = [rows_span(10, 20), rows_span(70, 72), (HEADER + 30 * ROW + 4, HEADER + 31 * ROW + 8)]
    damage(file, spans, cut=HEADER + 99 * ROW + 7)
    before = state(tmp_path / "rec")
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert state(tmp_path / "rec") == before
    kept = np.load(tmp_path / "out" / "imu.npy")
    # Row 30 lost its channels and row 31 its number: what is left of either is no sample.
    sound = np.setdiff1d(np.arange(99), [*range(10, 20), 70, 71, 30, 31])
    np.testing.assert_array_equal(kept["seq"], rows["seq"][sound])
    assert report.holes == (
        Hole(after_seq=9, missing=10),
        Hole(after_seq=29, missing=2),
        Hole(after_seq=79, missing=2),
    )
    assert report.lost_samples == 14
    assert report.damaged_rows == 14
    assert report.cut_bytes == 7
    text = "\n".join(report.lines())
    assert "14 samples (0.07 s) lost in 3 holes" in text
    assert "10 samples (0.05 s) after sample 9" in text
    assert "written in part" in text
    with open_recording(tmp_path / "out") as new:
        gaps = [(m.seq, m.fields["missing"]) for m in new.markers if m.kind == "gap"]
        assert gaps == [(9, 10), (29, 2), (79, 2)]
        # The old gap is one as well, but not one that damage made.
        assert (49, 10) in [(gap.after_seq, gap.missing) for gap in new.gaps]
        assert not any("damaged" in text for text in new.warnings)


@settings(max_examples=25, deadline=None)
@example(spans=[(0, 1)], cut=HEADER + 120 * ROW)
@given(
    spans=st.lists(st.tuples(st.integers(0, 120), st.integers(1, 40)), max_size=4),
    cut=st.integers(HEADER, HEADER + 120 * ROW),
)
def test_every_sound_row_is_kept_and_every_lost_one_told(
    tmp_path_factory: pytest.TempPathFactory, spans: list[tuple[int, int]], cut: int
) -> None:
    folder = tmp_path_factory.mktemp("r")
    rows = make(folder / "rec", range(1, 121))
    good = np.ones(120, bool)
    for first, length in spans:
        good[first : first + length] = False
    good[(cut - HEADER) // ROW :] = False
    damage(
        folder / "rec" / "imu.npy",
        [rows_span(first, min(120, first + length)) for first, length in spans],
        cut=cut,
    )
    if not good.any():
        with pytest.raises(RecordingError, match="no sound sample"):
            recover(folder / "rec", folder / "out")
        return
    report = recover(folder / "rec", folder / "out")
    np.testing.assert_array_equal(np.load(folder / "out" / "imu.npy"), rows[good])
    assert report.kept_samples == good.sum()
    at_end = (cut - HEADER) // ROW
    inside = np.flatnonzero(good)
    lost_inside = 0 if not len(inside) else int((~good[inside[0] : inside[-1]]).sum())
    assert report.lost_samples == lost_inside
    assert report.lost_samples + report.edge_rows + report.kept_samples == at_end


def test_a_zeroed_header_is_no_obstacle(tmp_path: Path) -> None:
    rows = make(tmp_path / "rec", range(200))
    damage(tmp_path / "rec" / "imu.npy", [(0, HEADER + 5 * ROW)])
    damage(tmp_path / "rec" / "packets.npy", [(0, 4096)])
    with pytest.raises(RecordingError):
        open_recording(tmp_path / "rec")
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert report.kept_samples == 195
    assert report.edge_rows == 5
    assert "up to 5 samples" in "\n".join(report.lines())
    np.testing.assert_array_equal(np.load(tmp_path / "out" / "imu.npy"), rows[5:])
    assert open_recording(tmp_path / "out").n_samples == 195


def test_damaged_packets_and_markers_are_left_out(tmp_path: Path) -> None:
    make(tmp_path / "rec", range(400))
    offset = len(npy_header(PACKET_DTYPE, 0))
    size = PACKET_DTYPE.itemsize
    file = tmp_path / "rec" / "packets.npy"
    damage(file, [(offset + 10 * size, offset + 14 * size)])
    stale = bytearray(file.read_bytes())
    stale[offset + 20 * size : offset + 22 * size] = stale[offset : offset + 2 * size]
    file.write_bytes(stale)
    damage(tmp_path / "rec" / "markers.jsonl", [(0, 5)])
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert report.damaged_packets == 6
    assert any("1 damaged line in markers.jsonl" in text for text in report.lines())
    kept = np.load(tmp_path / "out" / "packets.npy")
    assert len(kept) == 44
    assert np.all(np.diff(kept["first_seq"]) > 0)
    assert [m.fields["text"] for m in open_recording(tmp_path / "out").markers] == ["after"]


@pytest.mark.parametrize("how", ["gone", "foreign"])
def test_useless_packets_do_not_stop_it(tmp_path: Path, how: str) -> None:
    make(tmp_path / "rec", range(400))
    file = tmp_path / "rec" / "packets.npy"
    file.unlink()
    if how == "foreign":
        file.write_bytes(b"hello" * 100)
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert report.kept_samples == 400
    assert any("packet" in text for text in report.warnings)


def test_annotations_and_truth_come_along(tmp_path: Path) -> None:
    make(tmp_path / "rec", range(80))
    tags = {"value": ["good"], "at": "2026-05-01T18:30:00.000000+00:00"}
    notes = {"version": 1, "recording": SESSION.id, "swings": {"7": {"tags": tags}}}
    (tmp_path / "rec" / "annotations.json").write_text(json.dumps(notes))
    (tmp_path / "rec" / "truth.json").write_text("[]")
    recover(tmp_path / "rec", tmp_path / "out")
    assert open_recording(tmp_path / "out").annotations["swings"] == notes["swings"]
    assert (tmp_path / "out" / "truth.json").read_text() == "[]"


def test_what_cannot_be_recovered_is_told(tmp_path: Path) -> None:
    make(tmp_path / "rec", range(80))
    with pytest.raises(RecordingError, match="another folder"):
        recover(tmp_path / "rec", tmp_path / "rec", overwrite=True)
    (tmp_path / "there").mkdir()
    with pytest.raises(RecordingExistsError, match="--overwrite"):
        recover(tmp_path / "rec", tmp_path / "there")
    with pytest.raises(RecordingError, match="not a folder"):
        recover(tmp_path / "rec" / "imu.npy", tmp_path / "out")
    with pytest.raises(RecordingError, match="not a recording"):
        recover(tmp_path / "there", tmp_path / "out")
    with (
        RecordingWriter(tmp_path / "live", SESSION),
        pytest.raises(RecordingLockedError, match="being recorded"),
    ):
        recover(tmp_path / "live", tmp_path / "out")
    (tmp_path / "rec" / "imu.npy").unlink()
    with pytest.raises(RecordingError, match="cannot be read"):
        recover(tmp_path / "rec", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_row_with_an_absurd_number_is_damage(tmp_path: Path) -> None:
    rows = make(tmp_path / "rec", range(80))
    rows["seq"][40] = 2**55
    file = tmp_path / "rec" / "imu.npy"
    file.unlink()
    np.save(file, rows)
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert report.kept_samples == 79
    assert report.holes == (Hole(after_seq=39, missing=1),)


@pytest.mark.parametrize("n", [0, 40])
def test_without_a_sound_sample_there_is_nothing_to_recover(tmp_path: Path, n: int) -> None:
    make(tmp_path / "a", np.arange(40))
    damage(tmp_path / "a" / "imu.npy", [rows_span(0, 40)], cut=HEADER + ROW * n)
    before = state(tmp_path / "a")
    with pytest.raises(RecordingError, match="holds no sound sample: there is nothing to recover"):
        recover(tmp_path / "a", tmp_path / "b")
    assert state(tmp_path / "a") == before
    assert [path.name for path in tmp_path.iterdir()] == ["a"]


# -- torn rows ---------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(start=st.integers(20 * ROW, 60 * ROW), length=st.integers(ROW, 20 * ROW))
def test_a_row_zeroed_from_its_middle_is_no_sample(
    tmp_path_factory: pytest.TempPathFactory, start: int, length: int
) -> None:
    folder = tmp_path_factory.mktemp("r")
    rows = make(folder / "rec", range(1, 121))
    before = rows.tobytes()
    after = before[:start] + bytes(length) + before[start + length :]
    whole = [
        n for n in range(120) if before[n * ROW : (n + 1) * ROW] == after[n * ROW : (n + 1) * ROW]
    ]
    damage(folder / "rec" / "imu.npy", [(HEADER + start, HEADER + start + length)])
    recover(folder / "rec", folder / "out")
    kept = np.load(folder / "out" / "imu.npy")
    # What is kept is as it was written; at most one sound row with a zero at its end goes too.
    np.testing.assert_array_equal(kept, rows[kept["seq"] - 1])
    assert set(kept["seq"] - 1) <= set(whole)
    assert len(whole) - len(kept) <= 1
    with open_recording(folder / "rec") as damaged:
        np.testing.assert_array_equal(damaged.read().seq, kept["seq"])


def test_a_last_row_whose_sector_never_came_is_no_sample(tmp_path: Path) -> None:
    make(tmp_path / "rec", range(1, 181))
    file = tmp_path / "rec" / "imu.npy"
    # The first row that a sector begins in, at least two channels before its end.
    n = next(n for n in range(100, 180) if 4 <= (HEADER + ROW * (n + 1)) % 512 <= 12)
    end = HEADER + ROW * (n + 1)
    damage(file, [(end - end % 512, end)], cut=end)
    report = recover(tmp_path / "rec", tmp_path / "out")
    assert report.kept_samples == n
    assert report.damaged_rows == 1
    # A closed recording may well end with nothing turning.
    rows = np.load(tmp_path / "out" / "imu.npy")
    rows[-1:][["gx", "gy", "gz"]] = 0
    with RecordingWriter(tmp_path / "still", SESSION) as out:
        out.append(None, rows)
    assert recover(tmp_path / "still", tmp_path / "all").kept_samples == n


# -- a lost session.json -----------------------------------------------------------------------

FACTS = SessionFacts(gyr_dps_per_count=0.07, acc_m_s2_per_count=0.005)


def lose(folder: Path, how: str) -> None:
    file = folder / "session.json"
    file.chmod(0o644)
    if how == "missing":
        file.unlink()
    else:
        file.write_bytes({"zeroed": bytes(600), "cut": b'{"format_version": 1, "id"'}[how])


def still(folder: Path, n: int = 4000, rate_hz: float = 201.3, **fields: Any) -> None:
    """A recording at rest, with packets that measure its rate."""
    rng = np.random.default_rng(0)
    rows = np.zeros(n, COUNTS_DTYPE)
    rows["seq"] = np.arange(n)
    for axis in COUNTS_DTYPE.names[1:]:
        rows[axis] = rng.integers(-20, 20, n)
    rows["az"] += 1961
    packets = np.zeros(n // 8, PACKET_DTYPE)
    packets["first_seq"] = np.arange(0, n, 8)
    packets["count"] = 8
    packets["ticks"] = -1
    packets["arrival_ns"] = 10**12 + np.rint((packets["first_seq"] + 8) / rate_hz * 1e9)
    session = Session.new(
        nominal_rate_hz=200.0,
        gyr_dps_per_count=0.07,
        acc_m_s2_per_count=0.005,
        gyr_range_dps=2000.0,
        mount="club",
        sensor={"model": "m"},
        **fields,
    )
    with RecordingWriter(folder, session) as out:
        out.append(packets, rows)
        out.mark("segment", seq=10, player="Ida", club="7 iron")


@pytest.mark.parametrize("how", ["missing", "zeroed", "cut"])
def test_a_lost_session_is_made_anew_like_another_one(tmp_path: Path, how: str) -> None:
    still(tmp_path / "rec")
    still(tmp_path / "twin", gyr_delay_ms=2.5)
    with open_recording(tmp_path / "rec") as recording:
        old, block = recording.session, recording.read()
    tags = {"value": ["good"], "at": "2026-05-01T18:30:00.000000+00:00"}
    notes = {"version": 1, "recording": old.id, "swings": {"7": {"tags": tags}}}
    (tmp_path / "rec" / "annotations.json").write_text(json.dumps(notes))
    lose(tmp_path / "rec", how)
    before = state(tmp_path / "rec")
    report = recover(
        tmp_path / "rec", tmp_path / "out", facts=SessionFacts(like=tmp_path / "twin", hand="left")
    )
    assert state(tmp_path / "rec") == before
    with open_recording(tmp_path / "out") as new:
        assert new.session.id not in (old.id, "")
        assert new.session.gyr_delay_ms == 2.5
        assert new.session.mount == "club"
        assert new.session.handedness == "left"
        assert new.session.sensor == {"model": "m"}
        assert new.segment_at(11).player == "Ida"
        np.testing.assert_array_equal(new.read().gyr_dps, block.gyr_dps)
        np.testing.assert_array_equal(new.read().time_s, block.time_s)
        assert new.annotations["swings"] == notes["swings"]
        assert new.warnings == []
    text = "\n".join(report.lines())
    assert f"session.json is {'missing' if how == 'missing' else 'broken'}" in text
    assert "new id" in text
    assert "taken from twin" in text
    assert "accelerometer's range" in text
    assert "goes on with the new id" in text


def test_a_lost_session_is_never_guessed(tmp_path: Path) -> None:
    still(tmp_path / "rec")
    lose(tmp_path / "rec", "missing")
    with pytest.raises(RecordingError, match=r"--like, or give --gyr-dps-per-count and --acc-m-s2"):
        recover(tmp_path / "rec", tmp_path / "out")
    # A range is no scale.
    with pytest.raises(RecordingError, match="the scale of the samples"):
        recover(tmp_path / "rec", tmp_path / "out", facts=SessionFacts(gyr_range_dps=2000.0))
    report = recover(tmp_path / "rec", tmp_path / "out", facts=FACTS)
    text = "\n".join(report.lines())
    assert "the rate is as measured, 201.3 Hz" in text
    assert "the mount" in text
    with open_recording(tmp_path / "out") as new:
        assert 1.0 / new.period_s == pytest.approx(201.3, rel=1e-4)
        assert new.session.mount is None
    (tmp_path / "rec" / "packets.npy").unlink()
    with pytest.raises(RecordingError, match="give --rate"):
        recover(tmp_path / "rec", tmp_path / "b", facts=FACTS)
    assert not (tmp_path / "b").exists()
    with pytest.raises(RecordingError, match=r"session\.json is whole"):
        recover(tmp_path / "out", tmp_path / "b", facts=FACTS)


def test_a_scale_that_gravity_denies_is_doubted(tmp_path: Path) -> None:
    still(tmp_path / "rec")
    lose(tmp_path / "rec", "missing")
    facts = SessionFacts(gyr_dps_per_count=0.07, acc_m_s2_per_count=0.01)
    report = recover(tmp_path / "rec", tmp_path / "out", facts=facts)
    assert any("at rest is 19.6 m/s2" in line for line in report.lines())


def test_imported_samples_need_nothing_but_their_stamps(tmp_path: Path) -> None:
    rows = np.zeros(2000, FLOAT_DTYPE)
    rows["seq"] = np.arange(2000)
    rows["time_s"] = np.arange(2000) / 100.0
    rows["az"] = 9.8
    session = Session.new(nominal_rate_hz=100.0, sample_kind="float")
    with RecordingWriter(tmp_path / "rec", session) as out:
        out.append(None, rows)
    lose(tmp_path / "rec", "cut")
    recover(tmp_path / "rec", tmp_path / "out")
    with open_recording(tmp_path / "out") as new:
        assert new.rate_hz == 100.0
        assert new.n_samples == 2000


@pytest.mark.parametrize("last_seq", [None, 0, 4_000])
def test_a_piece_that_is_all_hole_has_no_sound_row(last_seq: int | None) -> None:
    good = good_rows(np.zeros(1_000, COUNTS_DTYPE), last_seq)
    assert good is not None
    assert not good.any()


def test_numbers_at_the_end_of_their_kind_are_damage(tmp_path: Path) -> None:
    rows = np.ones(10, COUNTS_DTYPE)
    rows["seq"] = np.iinfo(np.int64).min
    # A warning of numpy's would be an error here.
    good = good_rows(rows, None)
    assert good is not None
    assert not good.any()


def test_days_between_two_samples_take_no_memory(tmp_path: Path) -> None:
    rows = np.zeros(4_000, FLOAT_DTYPE)
    rows["seq"] = np.arange(4_000)
    rows["az"] = 9.8
    # Not even, so that the samples are interpolated; then a pause of three years.
    rows["time_s"] = np.cumsum(np.random.default_rng(3).uniform(0.002, 0.02, 4_000))
    rows["time_s"][2_000:] += 9e7
    session = Session.new(nominal_rate_hz=90.0, mount="wrist", sample_kind="float")
    with RecordingWriter(tmp_path / "a", session) as out:
        out.append(None, rows)
    tracemalloc.start()
    try:
        with contextlib.suppress(RecordingError), open_recording(tmp_path / "a") as recording:
            blocks = list(recording.blocks())
            assert sum(len(block.seq) for block in blocks) < 10_000
        assert tracemalloc.get_traced_memory()[1] < 50_000_000
    finally:
        tracemalloc.stop()
