"""Recovery: all that is sound, and a true account of the rest."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sensor.errors import RecordingError, RecordingExistsError, RecordingLockedError
from sensor.npyfile import npy_header
from sensor.recording import COUNTS_DTYPE, PACKET_DTYPE, RecordingWriter, open_recording
from sensor.recover import Hole, recover
from sensor.session import Session

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
    # Row 30 lost only its channels' last bytes and row 31 its number.
    sound = np.setdiff1d(np.arange(99), [*range(10, 20), 70, 71, 31])
    np.testing.assert_array_equal(kept["seq"], rows["seq"][sound])
    assert report.holes == (
        Hole(after_seq=9, missing=10),
        Hole(after_seq=30, missing=1),
        Hole(after_seq=79, missing=2),
    )
    assert report.lost_samples == 13
    assert report.damaged_rows == 13
    assert report.cut_bytes == 7
    text = "\n".join(report.lines())
    assert "13 samples (0.07 s) lost in 3 holes" in text
    assert "10 samples (0.05 s) after sample 9" in text
    assert "written in part" in text
    with open_recording(tmp_path / "out") as new:
        gaps = [(m.seq, m.fields["missing"]) for m in new.markers if m.kind == "gap"]
        assert gaps == [(9, 10), (30, 1), (79, 2)]
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
    notes = {"version": 1, "recording": SESSION.id, "swings": {"7": {"tags": ["good"]}}}
    (tmp_path / "rec" / "annotations.json").write_text(json.dumps(notes))
    (tmp_path / "rec" / "truth.json").write_text("[]")
    recover(tmp_path / "rec", tmp_path / "out")
    assert open_recording(tmp_path / "out").annotations == notes
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
