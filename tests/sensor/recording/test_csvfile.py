"""CSV in and out: exact units, plain messages, and the same recording either way."""

from __future__ import annotations

import math
import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensor.errors import (
    ColumnMapError,
    CsvError,
    RateTooHighError,
    RateTooLowError,
    RecordingError,
    RecordingExistsError,
)
from sensor.recording import csvfile, csvlines, reader, soundrows
from sensor.recording.csvfile import import_csv, read_csv, write_csv
from sensor.recording.csvlines import COLUMNS, Column, parse_column_map
from sensor.recording.layout import COUNTS_DTYPE
from sensor.recording.opening import open_recording
from sensor.recording.session import Session
from sensor.recording.stamplines import clean_rate_hz
from sensor.recording.writer import RecordingWriter
from words.units import G_N_M_S2

HEADER = ",".join(COLUMNS)


def motion(n: int = 400, rate_hz: float = 200.0, seed: int = 0) -> np.ndarray:
    """(n, 7) plausible samples: gravity, a little movement, whole microseconds."""
    rng = np.random.default_rng(seed)
    table = np.column_stack(
        [
            np.arange(n) / rate_hz,
            rng.normal(0.0, 0.2, (n, 2)),
            rng.normal(9.81, 0.2, n),
            rng.normal(0.0, 3.0, (n, 3)),
        ]
    )
    return np.round(table, 6)


def text_of(table: np.ndarray, header: str = HEADER) -> str:
    lines = [",".join(f"{value:.9g}" for value in row) for row in table.tolist()]
    return "\n".join([header, *lines]) + "\n"


@pytest.fixture
def csv(tmp_path: Path) -> Callable[..., Path]:
    def write(content: str | bytes, name: str = "swings.csv") -> Path:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


# -- what is in it -----------------------------------------------------------------------------


def test_a_csv_file_reads_like_a_recording(csv: Callable[..., Path]) -> None:
    table = motion()
    path = csv(text_of(table))
    with open_recording(path, mount="club", hand="left", gyr_range_dps=500.0) as recording:
        assert recording.path == path
        assert recording.rate_hz == 200.0
        assert recording.n_samples == 400
        assert recording.lost_samples == 0
        assert recording.warnings == []
        assert recording.session.mount == "club"
        assert recording.segment_at(0).handedness == "left"
        assert recording.session.extra["imported_from"] == "swings.csv"
        block = recording.read()
        np.testing.assert_array_equal(block.seq, np.arange(400))
        np.testing.assert_allclose(block.time_s, table[:, 0], atol=1e-9)
        np.testing.assert_array_equal(block.acc_m_s2, table[:, 1:4].astype(np.float32))
        np.testing.assert_array_equal(block.gyr_dps, table[:, 4:].astype(np.float32))
        assert block.acc_m_s2.dtype == np.float64


def test_import_makes_the_same_recording_and_leaves_the_csv(
    csv: Callable[..., Path], tmp_path: Path
) -> None:
    table = np.delete(motion(), [100, 101, 250], axis=0)
    path = csv(text_of(table))
    before = path.read_bytes(), path.stat().st_mtime_ns
    told: list[int] = []
    session = import_csv(
        path,
        tmp_path / "rec",
        mount="wrist",
        hand="right",
        player="Ida",
        club="7 iron",
        progress=told.append,
    )
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert sum(told) == path.stat().st_size
    with read_csv(path) as direct, open_recording(tmp_path / "rec") as kept:
        assert kept.session == session
        assert kept.segment_at(0).player == "Ida"
        assert kept.session.club == "7 iron"
        assert kept.gaps == direct.gaps
        assert [gap.missing for gap in kept.gaps] == [2, 1]
        for name in ("seq", "time_s", "acc_m_s2", "gyr_dps"):
            np.testing.assert_array_equal(getattr(kept.read(), name), getattr(direct.read(), name))


@pytest.mark.parametrize("decimal", [",", "."])
def test_semicolons_between_the_columns_and_decimal_commas_are_read(
    csv: Callable[..., Path], decimal: str
) -> None:
    text = text_of(motion())
    other = csv(text.replace(",", ";").replace(".", decimal), "other.csv")
    with read_csv(csv(text)) as one, read_csv(other) as two:
        for name in ("seq", "time_s", "acc_m_s2", "gyr_dps"):
            np.testing.assert_array_equal(getattr(one.read(), name), getattr(two.read(), name))


def test_the_id_of_a_csv_file_follows_from_its_content(csv: Callable[..., Path]) -> None:
    one = read_csv(csv(text_of(motion()), "one.csv")).session.id
    assert read_csv(csv(text_of(motion()), "copy.csv")).session.id == one
    assert read_csv(csv(text_of(motion(seed=1)), "other.csv")).session.id != one


@settings(max_examples=12, deadline=None)
@given(
    order=st.permutations(range(9)),
    mark=st.booleans(),
    ends=st.sampled_from(["\n", "\r\n"]),
    seed=st.integers(0, 99),
)
def test_any_order_more_columns_bom_and_line_ends(
    tmp_path_factory: pytest.TempPathFactory, order: list[int], mark: bool, ends: str, seed: int
) -> None:
    table = motion(60, seed=seed)
    names = [*COLUMNS, "note", " temp "]
    rows = [
        [*(f"{v:.9g}" for v in row), f'"a, ""{i}"""', ""] for i, row in enumerate(table.tolist())
    ]
    lines = [",".join(cells[i] for i in order) for cells in [names, *rows]]
    path = tmp_path_factory.mktemp("c") / "x.csv"
    path.write_bytes((b"\xef\xbb\xbf" if mark else b"") + (ends.join(lines) + ends).encode())
    block = read_csv(path).read()
    np.testing.assert_array_equal(block.gyr_dps, table[:, 4:].astype(np.float32))
    np.testing.assert_allclose(block.time_s, table[:, 0], atol=1e-9)


def test_blank_lines_spaces_and_a_comma_at_the_end_are_harmless(csv: Callable[..., Path]) -> None:
    table = motion(60)
    text = text_of(table).replace("\n", "\n\n").replace(",", ", ")
    assert read_csv(csv(text)).n_samples == 60
    lines = text_of(table).splitlines()
    trailing = "\n".join([lines[0], *(line + "," for line in lines[1:])])
    assert read_csv(csv(trailing)).n_samples == 60


def test_long_files_are_read_in_pieces(
    csv: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    table = np.delete(motion(5000), [2000, 2001, 3000], axis=0)
    path = csv(text_of(table))
    whole = read_csv(path).read()
    monkeypatch.setattr(csvlines, "PIECE", 512)
    pieces = read_csv(path).read()
    np.testing.assert_array_equal(pieces.seq, whole.seq)
    np.testing.assert_array_equal(pieces.acc_m_s2, whole.acc_m_s2)
    np.testing.assert_allclose(pieces.time_s, whole.time_s, atol=1e-9)
    broken = text_of(table).splitlines()
    broken[4000] = broken[3999]
    with pytest.raises(CsvError, match="line 4001"):
        read_csv(csv("\n".join(broken)))


# -- units -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "unit", "factor"),
    [
        ("time_s", "s", 1.0),
        ("time_s", "ms", 1e3),
        ("time_s", "us", 1e6),
        ("time_s", "ns", 1e9),
        ("acc_x_m_s2", "m/s2", 1.0),
        ("acc_y_m_s2", "g", 1.0 / 9.80665),
        ("acc_z_m_s2", "mg", 1000.0 / 9.80665),
        ("gyr_x_deg_s", "deg/s", 1.0),
        ("gyr_z_deg_s", "rad/s", math.pi / 180.0),
    ],
)
def test_units_are_exact(csv: Callable[..., Path], column: str, unit: str, factor: float) -> None:
    table = motion(200)
    index = COLUMNS.index(column)
    given_table = table.copy()
    given_table[:, index] *= factor
    lines = [",".join(repr(v) for v in row) for row in given_table.tolist()]
    header = HEADER.replace(column, "theirs")
    path = csv("\n".join([header, *lines]))
    block = read_csv(path, column_map=f"{column}=theirs:{unit}").read()
    got = np.column_stack([block.time_s, block.acc_m_s2, block.gyr_dps])
    np.testing.assert_allclose(got[:, 0], table[:, 0], atol=1e-9)
    np.testing.assert_allclose(got[:, 1:], table[:, 1:], rtol=1e-7, atol=1e-12)


def test_stamps_since_1970_keep_their_digits(csv: Callable[..., Path], tmp_path: Path) -> None:
    table = motion(400)
    lines = [
        f"{1_790_000_000_000_000_001 + 5_000_000 * i}," + ",".join(map(repr, row[1:]))
        for i, row in enumerate(table.tolist())
    ]
    path = csv("\n".join([HEADER.replace("time_s", "t"), *lines]))
    import_csv(path, tmp_path / "rec", column_map="time_s=t:ns")
    kept = np.load(tmp_path / "rec" / "imu.npy")["time_s"]
    np.testing.assert_allclose(kept, table[:, 0], rtol=1e-15, atol=1e-15)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("time_s", "form"),
        ("time_s=", "form"),
        ("speed=v", "'speed' is not a column"),
        ("time_s=t:h", "'h' is not a unit for time_s: choose from s, ms, us, ns"),
        ("acc_x_m_s2=a:deg/s", "choose from m/s2, g, mg"),
        ("time_s=a, time_s=b", "given twice"),
    ],
)
def test_a_wrong_map_is_told(text: str, says: str) -> None:
    with pytest.raises(ColumnMapError, match=says):
        parse_column_map(text)


def test_a_map_is_read_as_it_is_written() -> None:
    assert parse_column_map(" time_s = t (ms) : ms ,gyr_x_deg_s=gx:rad/s, acc_x_m_s2=ax,") == {
        "time_s": Column("t (ms)", "ms"),
        "gyr_x_deg_s": Column("gx", "rad/s"),
        "acc_x_m_s2": Column("ax", "m/s2"),
    }


@pytest.mark.parametrize(
    ("header", "map_says"),
    [
        (
            "t,ax,ay,az,gx,gy,gz",
            "time_s=t, acc_x_m_s2=ax, acc_y_m_s2=ay, acc_z_m_s2=az, gyr_x_deg_s=gx, "
            "gyr_y_deg_s=gy, gyr_z_deg_s=gz",
        ),
        (
            "timestamp_ms,AccX (g),AccY (g),AccZ (g),GyrX,GyrY,GyrZ",
            "time_s=timestamp_ms:ms, acc_x_m_s2=AccX (g):g, acc_y_m_s2=AccY (g):g, "
            "acc_z_m_s2=AccZ (g):g, gyr_x_deg_s=GyrX, gyr_y_deg_s=GyrY, gyr_z_deg_s=GyrZ",
        ),
        (
            "time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,wx_rad_s,wy_rad_s,wz_rad_s",
            "gyr_x_deg_s=wx_rad_s:rad/s, gyr_y_deg_s=wy_rad_s:rad/s, gyr_z_deg_s=wz_rad_s:rad/s",
        ),
        (
            "Time,accelerometer_x,accelerometer_y,accelerometer_z,gyroscope_x,gyroscope_y,gyroscope_z",
            "time_s=Time, acc_x_m_s2=accelerometer_x, acc_y_m_s2=accelerometer_y, "
            "acc_z_m_s2=accelerometer_z, gyr_x_deg_s=gyroscope_x, gyr_y_deg_s=gyroscope_y, "
            "gyr_z_deg_s=gyroscope_z",
        ),
    ],
)
def test_other_names_get_the_map_that_would_do(
    csv: Callable[..., Path], header: str, map_says: str
) -> None:
    table = motion(100)
    if "ms" in map_says.split(",")[0]:
        table[:, 0] *= 1000.0
    if ":g" in map_says:
        table[:, 1:4] /= G_N_M_S2
    if "rad/s" in map_says:
        table[:, 4:] *= math.pi / 180.0
    path = csv(text_of(table, header))
    with pytest.raises(CsvError) as caught:
        read_csv(path)
    assert str(caught.value).endswith(f'try --map "{map_says}"')
    # The hint works as it is.
    recording = read_csv(path, column_map=map_says)
    assert recording.rate_hz == 200.0
    assert np.median(recording.read().acc_m_s2[:, 2]) == pytest.approx(9.81, abs=0.1)
    assert np.std(recording.read().gyr_dps) == pytest.approx(3.0, rel=0.2)


@pytest.mark.parametrize("header", ["t,ax,ay,az,p,q,r", "t,ax,a_x,az,gx,gy,gz", "a,b,c,d,e,f,g"])
def test_names_that_cannot_be_guessed_are_listed(csv: Callable[..., Path], header: str) -> None:
    with pytest.raises(CsvError) as caught:
        read_csv(csv(text_of(motion(20), header)))
    assert f"the file has {', '.join(header.split(','))}; tell which is which" in str(caught.value)


def test_a_mapped_column_that_is_not_there_is_named(csv: Callable[..., Path]) -> None:
    with pytest.raises(ColumnMapError, match="no column clock"):
        read_csv(csv(text_of(motion(20))), column_map="time_s=clock:ms")


# -- rates -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("measured", "clean"),
    [
        (199.97, 200.0),
        (201.0, 200.0),
        (202.0, 202.0),
        (104.05, 104.0),
        (49.8, 50.0),
        (833.0, 830.0),
        (51.95, 52.0),
        (102.4, 102.4),
        (197.34567, 197.35),
        (406.0, 406.0),
        (100.5, 100.0),
    ],
)
def test_clean_rates(measured: float, clean: float) -> None:
    assert clean_rate_hz(measured) == clean


def test_fifty_hertz_is_enough_and_less_is_not(csv: Callable[..., Path]) -> None:
    assert read_csv(csv(text_of(motion(100, 50.0)))).rate_hz == 50.0
    for rate_hz in (49.0, 25.0):
        with pytest.raises(RateTooLowError, match=r"too few to time a swing.*at 50 Hz or more"):
            read_csv(csv(text_of(motion(100, rate_hz))))


def test_times_in_ms_taken_for_seconds_get_a_hint(csv: Callable[..., Path]) -> None:
    table = motion(100)
    table[:, 0] *= 1000.0
    with pytest.raises(
        RateTooLowError, match=r'if the times are in ms, use --map "time_s=time_s:ms"'
    ):
        read_csv(csv(text_of(table)))


# -- uneven sampling ---------------------------------------------------------------------------


def uneven(seed: int = 0) -> np.ndarray:
    """A slow wave, sampled with steps of 0.5 to 1.5 periods of 100 Hz, 50 ms missing."""
    rng = np.random.default_rng(seed)
    time_s = np.round(np.cumsum(rng.uniform(0.005, 0.015, 3000)), 6)
    time_s -= time_s[0]
    time_s[1500:] += 0.05
    wave = np.sin(2.0 * np.pi * time_s)
    still = np.zeros_like(time_s)
    return np.column_stack([time_s, wave, still, still + 9.8, 100 * wave, still, still])


def test_uneven_samples_are_interpolated_but_never_across_a_gap(
    csv: Callable[..., Path], tmp_path: Path
) -> None:
    table = uneven()
    path = csv(text_of(table))
    import_csv(path, tmp_path / "rec")
    for source in (path, tmp_path / "rec"):
        with open_recording(source) as recording:
            (warning,) = recording.warnings
            assert "uneven" in warning
            rate = recording.rate_hz
            assert rate == pytest.approx(100.0, rel=0.02)
            block = recording.read()
            np.testing.assert_array_equal(
                np.concatenate([b.seq for b in recording.blocks(97)]), block.seq
            )
            np.testing.assert_allclose(block.time_s, block.seq / rate, atol=1e-12)
            # Linear interpolation of a 1 Hz wave over steps of at most 22 ms: h^2 w^2 / 8.
            np.testing.assert_allclose(
                block.acc_m_s2[:, 0], np.sin(2 * np.pi * block.time_s), atol=2.5e-3
            )
            assert recording.n_samples == len(block.seq)
            before, after = table[1499, 0], table[1500, 0]
            inside = (block.time_s > before) & (block.time_s < after)
            assert not inside.any()
            gap = max(recording.gaps, key=lambda gap: gap.missing)
            assert gap.start_s <= before < after <= gap.start_s + gap.duration_s
            assert recording.lost_samples >= 5
            part = recording.read(2000, 2010)
            np.testing.assert_array_equal(part.seq, np.arange(2000, 2011))
            np.testing.assert_array_equal(
                part.acc_m_s2, block.acc_m_s2[np.searchsorted(block.seq, part.seq)]
            )


def test_interpolation_does_not_depend_on_pieces(
    csv: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Samples about the grid points, and exactly on one where pieces of 100 samples meet.
    off = np.random.default_rng(0).uniform(-0.4, 0.4, 3000)
    off[[0, 99]] = 0.0
    table = uneven()
    table[:, 0] = np.round((np.arange(3000) + off) / 100.0, 6)
    path = csv(text_of(table))
    whole = read_csv(path)
    assert whole.rate_hz == 100.0
    assert "uneven" in whole.warnings[0]
    block = whole.read()
    assert block.acc_m_s2[99, 0] == np.float32(table[99, 1])
    monkeypatch.setattr(soundrows, "PIECE", 100)
    monkeypatch.setattr(reader, "PIECE", 100)
    pieces = read_csv(path)
    assert pieces.n_samples == whole.n_samples
    np.testing.assert_array_equal(pieces.read().seq, block.seq)
    np.testing.assert_array_equal(pieces.read().acc_m_s2, block.acc_m_s2)
    for first in range(0, 2900, 7):
        inside = (block.seq >= first) & (block.seq <= first + 7)
        part = pieces.read(first, first + 7)
        np.testing.assert_array_equal(part.seq, block.seq[inside])
        np.testing.assert_array_equal(part.acc_m_s2, block.acc_m_s2[inside])


def test_a_late_stamp_now_and_then_is_not_uneven(csv: Callable[..., Path]) -> None:
    table = motion(2000)
    table[:, 0] += np.random.default_rng(1).normal(0.0, 0.05 / 200.0, 2000)
    recording = read_csv(csv(text_of(table)))
    assert recording.warnings == []
    assert recording.lost_samples == 0
    error = recording.read().time_s - np.arange(2000) / 200.0
    assert np.std(error) < 0.1 * 0.05 / 200.0


# -- time stamps that are not the samples' own ---------------------------------------------------


def moving(n: int = 6000, rate_hz: float = 200.0, seed: int = 0) -> np.ndarray:
    """(n, 7) swings of a sort: rates up to 1500 deg/s within 0.1 s, over a sensor's noise."""
    table = motion(n, rate_hz, seed)
    table[:, 4:] *= 0.05
    table[:, 1:4] = (table[:, 1:4] - [0.0, 0.0, 9.81]) * 0.2 + [0.0, 0.0, 9.81]
    for at_s in np.arange(2.0, n / rate_hz - 1.0, 3.0):
        since = (table[:, 0] - at_s) / 0.1
        table[:, 4] += 1500.0 * np.exp(-(since**2))
        table[:, 5] += 400.0 * since * np.exp(-(since**2))
        table[:, 1] += 60.0 * np.exp(-(since**2))
    return table


def with_times(table: np.ndarray, time_s: np.ndarray, digits: int = 9) -> str:
    # All digits of the values: they must come back to the last bit.
    lines = [
        ",".join([f"{time:.{digits}f}", *(repr(value) for value in row[1:])])
        for time, row in zip(time_s.tolist(), table.tolist(), strict=True)
    ]
    return "\n".join([HEADER, *lines]) + "\n"


@pytest.mark.parametrize("rate_hz", [50.0, 200.0, 800.0])
@pytest.mark.parametrize("jitter", [0.3, 0.8])
@pytest.mark.parametrize("how", ["in order", "in order, ms", "out of order"])
def test_jittered_stamps_of_even_samples_are_straightened(
    csv: Callable[..., Path], rate_hz: float, jitter: float, how: str
) -> None:
    table = moving(2500 if rate_hz < 100.0 else 8000, rate_hz)
    period_s = 1.0 / rate_hz
    off_s = np.random.default_rng(1).normal(0.0, jitter * period_s, len(table))
    time_s = table[:, 0] + off_s
    if how != "out of order":
        time_s = np.maximum.accumulate(time_s)
    with read_csv(csv(with_times(table, time_s, 3 if "ms" in how else 9))) as recording:
        assert recording.rate_hz == pytest.approx(rate_hz, rel=2e-3)
        assert recording.lost_samples == 0
        block = recording.read()
        np.testing.assert_array_equal(block.gyr_dps, table[:, 4:].astype(np.float32))
        assert recording.period_s == pytest.approx(period_s, rel=2e-3)
        assert abs(recording.period_s - period_s) < 4.0 * recording.period_u_s
        error_s = block.time_s - table[:, 0]
        (warning,) = recording.warnings
        time_s = np.round(time_s, 3) if "ms" in how else time_s
        told_ms = float(warning.split("jitter by ")[1].split(" ms")[0])
        assert told_ms == pytest.approx(1e3 * float(np.std(time_s - table[:, 0])), rel=0.1, abs=0.1)
        assert "straight lines" in warning
        assert recording.time_u_s > 0.0
        assert np.std(error_s) < 1.5 * recording.time_u_s
        assert np.abs(error_s - np.median(error_s)).max() < 0.6 * period_s


def test_lost_samples_are_found_under_the_jitter(csv: Callable[..., Path]) -> None:
    table = moving()
    rng = np.random.default_rng(2)
    kept = np.ones(len(table), bool)
    kept[rng.choice(np.arange(100, 5900), 15, replace=False)] = False
    kept[3000:3500] = False
    time_s = np.maximum.accumulate(table[:, 0] + rng.normal(0.0, 2.5e-3, len(table)))
    with read_csv(csv(with_times(table[kept], time_s[kept]))) as recording:
        assert recording.lost_samples == int((~kept).sum())
        error = recording.read().seq - np.flatnonzero(kept)
        # The place of a lost sample is off by a few where nothing moves, and none is missed.
        assert np.mean(error != 0) < 0.02
        assert np.abs(error).max() <= 1
        assert max(gap.missing for gap in recording.gaps) == pytest.approx(500, abs=1)


@pytest.mark.parametrize("size", [2, 4, 16])
@pytest.mark.parametrize("apart_s", [0.0, 1e-4])
def test_samples_that_share_stamps_are_even(
    csv: Callable[..., Path], size: int, apart_s: float
) -> None:
    table = moving()[: 6000 // size * size]
    rng = np.random.default_rng(3)
    packets = len(table) // size
    there = np.ones(packets, bool)
    there[[200, 201, 299]] = False
    arrival_s = (np.arange(packets) + 1) * size / 200.0 + rng.exponential(0.0025 * size, packets)
    arrival_s = np.maximum.accumulate(arrival_s)
    time_s = np.repeat(arrival_s, size) + np.tile(np.arange(size) * apart_s, packets)
    rows = np.repeat(there, size)
    with read_csv(csv(with_times(table[rows], np.maximum.accumulate(time_s[rows])))) as recording:
        assert recording.rate_hz == 200.0
        assert recording.lost_samples == 3 * size
        (warning,) = recording.warnings
        assert f"share time stamps by about {size}" in warning
        block = recording.read()
        np.testing.assert_array_equal(block.gyr_dps, table[rows, 4:].astype(np.float32))
        error_s = block.time_s - (table[rows, 0] - table[0, 0])
        assert abs(recording.period_s * 200.0 - 1.0) < 4.0 * recording.period_u_s * 200.0
        assert np.abs(error_s - np.median(error_s))[block.seq < 190 * size].max() < 3e-3


def test_lines_that_are_there_twice_are_taken_once(csv: Callable[..., Path]) -> None:
    table = moving(2000)
    again = np.random.default_rng(4).integers(0, 2000, 60)
    twice = np.sort(np.append(np.arange(2000), again))
    with read_csv(csv(with_times(table[twice], table[twice, 0]))) as recording:
        assert recording.n_samples == 2000
        assert recording.lost_samples == 0
        assert recording.warnings == ["some lines are there twice: each is taken once"]
        np.testing.assert_array_equal(recording.read().gyr_dps, table[:, 4:].astype(np.float32))


def sampled_at(time_s: np.ndarray) -> np.ndarray:
    """The motion of `moving`, sampled at these times."""
    fine = moving(40_000, 1000.0)
    rows = [time_s, *(np.interp(time_s, fine[:, 0], fine[:, k]) for k in range(1, 7))]
    return np.column_stack(rows)


@pytest.mark.parametrize("kind", ["about a grid", "a walk"])
def test_stamps_that_are_true_are_believed(csv: Callable[..., Path], kind: str) -> None:
    rng = np.random.default_rng(5)
    if kind == "a walk":
        time_s = np.cumsum(rng.uniform(0.6, 1.4, 7000)) / 200.0
    else:
        time_s = (1.0 + np.arange(7000) + rng.uniform(-0.4, 0.4, 7000)) / 200.0
    path = csv(with_times(sampled_at(time_s), time_s))
    with read_csv(path) as recording:
        (warning,) = recording.warnings
        assert "uneven" in warning
        assert "interpolated" in warning
        block = recording.read()
        due = sampled_at(block.time_s + time_s[0])
        # Linear interpolation, against the motion at those times: 1500 deg/s within 0.1 s.
        assert np.abs(block.gyr_dps[:, 0] - due[:, 4]).max() < 15.0
        assert block.gyr_dps[:, 0].max() == pytest.approx(due[:, 4].max(), rel=0.01)


def test_stamps_that_are_half_true_are_refused(csv: Callable[..., Path], tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    true_s = (1.0 + np.arange(7000) + rng.uniform(-0.4, 0.4, 7000)) / 200.0
    said_s = np.maximum.accumulate(true_s + rng.uniform(-0.4, 0.4, 7000) / 200.0)
    path = csv(with_times(sampled_at(true_s), said_s))
    for read in (read_csv, lambda path: import_csv(path, tmp_path / "rec")):
        with pytest.raises(RecordingError, match="the motion fits neither them nor even sampling"):
            read(path)
    assert not (tmp_path / "rec").exists()


def test_a_clock_that_drifts_is_followed(csv: Callable[..., Path]) -> None:
    n = np.arange(7000)
    time_s = (n + 0.01 * n**2 / 7000.0) / 200.0
    with read_csv(csv(with_times(sampled_at(time_s), time_s))) as recording:
        assert recording.lost_samples == 0
        assert "the sample rate changes" in recording.warnings[0]
        block = recording.read()
        due = sampled_at(block.time_s)
        assert np.abs(block.gyr_dps[:, 0] - due[:, 4]).max() < 15.0


@pytest.mark.parametrize(("first", "then"), [(1, 2), (2, 1), (2, 3)])
def test_a_rate_that_changes_for_good_is_refused(
    csv: Callable[..., Path], first: int, then: int
) -> None:
    time_s = np.cumsum(np.repeat([first / 400.0, then / 400.0], 3000))
    with pytest.raises(CsvError, match=r"the rate changes at about .* s after the first sample"):
        read_csv(csv(with_times(sampled_at(time_s), time_s)))


# -- times in another unit -----------------------------------------------------------------------


@pytest.mark.parametrize("wrong", ["ms", "us", "ns"])
@pytest.mark.parametrize("rate_hz", [50.0, 200.0, 800.0])
def test_times_in_seconds_taken_for_less_are_refused_with_the_unit(
    csv: Callable[..., Path], tmp_path: Path, wrong: str, rate_hz: float
) -> None:
    path = csv(text_of(motion(400, rate_hz)))
    with pytest.raises(RateTooHighError, match="if the times are in s, leave out --map"):
        read_csv(path, column_map=f"time_s=time_s:{wrong}")
    with pytest.raises(RateTooHighError, match="more than any motion sensor takes"):
        import_csv(path, tmp_path / "rec", column_map=f"time_s=time_s:{wrong}")
    assert not (tmp_path / "rec").exists()


def test_times_in_ms_taken_for_us_name_the_ms(csv: Callable[..., Path]) -> None:
    table = motion(400)
    table[:, 0] *= 1000.0
    header = HEADER.replace("time_s", "t")
    with pytest.raises(RateTooHighError, match=r'in ms, use --map "time_s=t:ms"'):
        read_csv(csv(text_of(table, header)), column_map="time_s=t:us")
    # Where no unit would do, none is named.
    table[:, 0] *= 1e-9
    with pytest.raises(RateTooHighError, match=r"in another unit$"):
        read_csv(csv(text_of(table, header)), column_map="time_s=t")


# -- extreme files -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("times", "says"),
    [
        (np.append(np.arange(50) / 200.0, 1e300), r"line 52: the time is 1e\+300, which cannot be"),
        (np.append(np.arange(50) / 200.0, 1e9), r"line 52: time leaps, to 1000000000 s after"),
        (np.append(-1.7e308, np.arange(50) / 200.0), r"line 2: the time is -1\.7e\+308, which"),
        (np.ones(20_000), r"line 3: the time 1 s is there twice"),
        (np.append(np.zeros(60), np.arange(60) / 200.0), r"motion fits neither them nor even"),
        (np.arange(50) * 1e-310, r"more than any motion sensor takes"),
        (np.arange(50) * 1e15, r"too few to time a swing"),
    ],
)
def test_extreme_times_are_one_line(csv: Callable[..., Path], times: np.ndarray, says: str) -> None:
    table = motion(len(times))
    lines = [
        ",".join([f"{time:.17g}", *map(repr, row[1:])])
        for time, row in zip(times.tolist(), table.tolist(), strict=True)
    ]
    path = csv("\n".join([HEADER, *lines]))
    with pytest.raises(RecordingError, match=says):
        read_csv(path)


def test_a_file_of_thousands_of_columns_is_refused(csv: Callable[..., Path]) -> None:
    more = [f"c{i}" for i in range(20_000)]
    line = ",".join(["0.1"] * 20_007)
    path = csv("\n".join([HEADER + "," + ",".join(more), *[line] * 20]))
    with pytest.raises(CsvError, match=r"line 1: there are 20007 columns, .*keep the seven"):
        read_csv(path)


def test_a_wide_file_is_read_in_bounded_pieces(csv: Callable[..., Path]) -> None:
    table = np.hstack([motion(900), np.zeros((900, 600))])
    header = HEADER + "," + ",".join(f"c{i}" for i in range(600))
    path = csv(text_of(table, header))
    tracemalloc.start()
    try:
        recording = read_csv(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert recording.n_samples == 900
    assert peak < 100e6


def test_a_line_of_megabytes_is_refused(csv: Callable[..., Path]) -> None:
    with pytest.raises(CsvError, match="line 1: the line is longer than a megabyte"):
        read_csv(csv("x" * 3_000_000))
    text = text_of(motion(50)) + "1" * 3_000_000
    with pytest.raises(CsvError, match=r"the line is longer than a megabyte"):
        read_csv(csv(text))


# -- units that cannot be ----------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "factor"), [("g", 1.0 / G_N_M_S2), ("mg", 1000.0 / G_N_M_S2)])
def test_gravity_tells_the_unit(csv: Callable[..., Path], unit: str, factor: float) -> None:
    table = motion()
    table[:, 1:4] *= factor
    table[::7, 4:] *= 100.0
    path = csv(text_of(table))
    with pytest.raises(CsvError, match=rf"looks like {unit}: use --map") as caught:
        read_csv(path)
    hint = str(caught.value).split('--map "')[1].rstrip('"')
    rest = np.median(np.linalg.norm(read_csv(path, column_map=hint).read().acc_m_s2, axis=1))
    assert rest == pytest.approx(9.8, abs=0.2)


def test_gravity_that_is_off_is_told(csv: Callable[..., Path], tmp_path: Path) -> None:
    table = motion()
    table[:, 1:4] *= 0.5
    path = csv(text_of(table))
    (warning,) = read_csv(path).warnings
    assert "at rest is 4.9 m/s2 where gravity gives 9.8" in warning
    import_csv(path, tmp_path / "rec")
    assert open_recording(tmp_path / "rec").warnings == [warning]


def test_a_swing_in_radians_is_refused(csv: Callable[..., Path]) -> None:
    table = motion(2000)
    table[:, 4:] *= math.pi / 180.0
    table[500:540, 1] = 60.0
    table[500:540, 4] = 12.0
    path = csv(text_of(table))
    with pytest.raises(CsvError, match="looks like rad/s: use --map") as caught:
        read_csv(path)
    hint = str(caught.value).split('--map "')[1].rstrip('"')
    assert read_csv(path, column_map=hint).warnings == []


def test_a_map_to_a_column_that_is_not_there_lists_those_that_are(csv: Callable[..., Path]) -> None:
    with pytest.raises(ColumnMapError, match=r"no column nope: the file has time_s, acc_x_m_s2, "):
        read_csv(csv(text_of(motion(50))), column_map="time_s=nope:ms")


def test_knocks_at_snail_rates_may_be_radians(csv: Callable[..., Path]) -> None:
    table = motion(2000)
    table[500:600:2, 1] = 60.0
    table[500:600, 4] = 20.0
    (warning,) = read_csv(csv(text_of(table))).warnings
    assert "looks like rad/s" in warning
    assert "gyr_x_deg_s=gyr_x_deg_s:rad/s" in warning
    table[500:600, 4] = 900.0
    assert read_csv(csv(text_of(table))).warnings == []


# -- bad files ---------------------------------------------------------------------------------


def with_line(number: int, text: str) -> str:
    lines = text_of(motion(50)).splitlines()
    lines[number - 1] = text
    return "\n".join(lines) + "\n"


GOOD = "0.05,0.1,0.2,9.8,1.0,2.0,3.0"

BAD: dict[str, tuple[str | bytes, str]] = {
    "empty": (b"", r"x\.csv: is empty"),
    "blank": (b"\xef\xbb\xbf\r\n \n", r"is empty"),
    "header only": (HEADER + "\n", r"holds a header but no samples"),
    "one sample": (HEADER + "\n" + GOOD + "\n", r"only one sample"),
    "no header": (text_of(motion(9)).split("\n", 1)[1], r"line 1: there is no header: put time_s,"),
    "missing column": (
        text_of(motion(9)).replace("gyr_z_deg_s", "temperature"),
        r"line 1: there is no column gyr_z_deg_s",
    ),
    "twice": (
        text_of(motion(9)).replace("gyr_z_deg_s", "gyr_y_deg_s"),
        r"line 1: the column 'gyr_y_deg_s' is there twice",
    ),
    "semicolons, and commas and points in the numbers": (
        text_of(motion(9)).replace(",", ";").replace("0.005", "0,005"),
        r"line 1: .*separated by semicolons",
    ),
    "semicolons, and a number with two commas": (
        with_line(12, GOOD).replace(",", ";").replace(".", ",").replace("9,8;", "9,800,1;"),
        r"line 12: acc_z_m_s2 is '9,800,1', not a number",
    ),
    "tabs": (text_of(motion(9)).replace(",", "\t"), r"line 1: .*separated by tabs"),
    "decimal commas": (
        HEADER + "\n" + "\n".join(f"0,{i:03d},0,1,0,1,9,8,1,1,2,0,3,0" for i in range(9)),
        r"line 2: there are 14 values, but the header has 7: if the numbers have decimal commas",
    ),
    "text": (with_line(12, GOOD.replace("9.8", "up")), r"line 12: acc_z_m_s2 is 'up', not a num"),
    "text time": (with_line(12, GOOD.replace("0.05", "now")), r"line 12: time_s is 'now', not a"),
    "true": (with_line(12, GOOD.replace("9.8", "True")), r"line 12: acc_z_m_s2 is 'True', not a"),
    "underscore": (with_line(12, GOOD.replace("9.8", "1_0")), r"line 12: acc_z_m_s2 is '1_0'"),
    "nan": (with_line(12, GOOD.replace("9.8", "NaN")), r"line 12: acc_z_m_s2 is 'NaN', not a num"),
    "inf": (with_line(12, GOOD.replace("2.0", "inf")), r"line 12: gyr_y_deg_s is 'inf', not a num"),
    "no number": (with_line(12, GOOD.replace("9.8", "")), r"line 12: acc_z_m_s2 is empty"),
    "huge": (with_line(12, GOOD.replace("9.8", "1e300")), r"line 12: acc_z_m_s2 is 1e300, which"),
    "overflow": (with_line(12, GOOD.replace("9.8", "1e999")), r"line 12: acc_z_m_s2 is '1e999'"),
    "nan time": (with_line(12, GOOD.replace("0.05", "nan")), r"line 12: time_s is 'nan', not a"),
    "short": (with_line(12, "0.05,1,2"), r"line 12: there are 3 values, but the header has 7"),
    "word": (with_line(12, "stop"), r"line 12: there are 1 value, but the header has 7"),
    "long": (with_line(12, GOOD + ",5"), r"line 12: there are 8 values, but the header has 7"),
    "cut": (text_of(motion(50))[:-20], r"line 51: there are [1-6] values, but the header has 7"),
    "backwards": (with_line(12, "0.01,0,0,9.8,0,0,0"), r"line 12: time goes backwards, to 0\.01"),
    "repeated": (with_line(12, "0.045,0,0,9.8,0,0,0"), r"line 12: the time 0\.045 s is there twic"),
    "slow": (text_of(motion(99, 20.0)), r"x\.csv: 20 samples a second are too few"),
    "latin-1": (text_of(motion(9)).encode() + b"#\xe4\xf6\n", r"line 11|not UTF-8"),
    "latin-1 header": (b"zeit_\xe4," + text_of(motion(9)).encode(), r"line 1: is not UTF-8 text"),
    "utf-16": (text_of(motion(9)).encode("utf-16"), r"is not text: save it as 'CSV UTF-8'"),
    "workbook": (b"PK\x03\x04" + bytes(200), r"looks like a workbook or archive"),
    "numpy": (b"\x93NUMPY\x01\x00" + bytes(200), r"looks like a numpy file"),
    "open quote": (with_line(12, '"' + GOOD), r"line (12|51)|not sound CSV"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_told_in_one_line_and_nothing_is_made(
    csv: Callable[..., Path], tmp_path: Path, name: str
) -> None:
    content, says = BAD[name]
    path = csv(content, "x.csv")
    before = path.read_bytes(), path.stat().st_mtime_ns
    with pytest.raises((CsvError, RateTooLowError), match=says) as caught:
        read_csv(path)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))
    with pytest.raises((CsvError, RateTooLowError), match=says):
        import_csv(path, tmp_path / "rec")
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.csv"]


def test_the_line_is_counted_with_blank_and_quoted_lines(csv: Callable[..., Path]) -> None:
    lines = text_of(motion(20), HEADER + ",note").splitlines()
    lines[1:] = [line + ',"two\nlines"' for line in lines[1:]]
    lines.insert(5, "")
    lines[10] = lines[10].replace("0.0", "x.", 1)
    text = "\n".join(lines)
    path = csv(text)
    bad_line = next(i for i, line in enumerate(text.split("\n"), 1) if "x." in line)
    with pytest.raises(CsvError) as caught:
        read_csv(path)
    # A record is named by the line it ends on.
    assert caught.value.line == bad_line + 1


def test_a_folder_is_no_csv_file(tmp_path: Path) -> None:
    with pytest.raises(CsvError, match="is a folder: name a CSV file"):
        import_csv(tmp_path, tmp_path / "out")
    with pytest.raises(CsvError, match="cannot be read: No such file"):
        import_csv(tmp_path / "no.csv", tmp_path / "out")


def test_a_file_without_permission(
    csv: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = csv(text_of(motion(20)))

    def refuse(self: Path, *_: Any, **__: Any) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(CsvError, match="permission denied"):
        import_csv(path, tmp_path / "out")


def test_existing_output_is_kept_unless_replaced_whole(
    csv: Callable[..., Path], tmp_path: Path
) -> None:
    good = csv(text_of(motion(50)), "good.csv")
    bad = csv(with_line(40, "x"), "bad.csv")
    import_csv(good, tmp_path / "rec")
    made = {file.name: file.read_bytes() for file in (tmp_path / "rec").iterdir()}
    with pytest.raises(RecordingExistsError):
        import_csv(good, tmp_path / "rec")
    with pytest.raises(CsvError):
        import_csv(bad, tmp_path / "rec", overwrite=True)
    assert {file.name: file.read_bytes() for file in (tmp_path / "rec").iterdir()} == made
    import_csv(good, tmp_path / "rec", overwrite=True, mount="club")
    assert open_recording(tmp_path / "rec").session.mount == "club"
    assert sorted(os.listdir(tmp_path)) == ["bad.csv", "good.csv", "rec"]  # noqa: PTH208


# -- out ---------------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6), step=st.sampled_from([1, 3]))
def test_out_and_in_again_keeps_every_count(
    tmp_path_factory: pytest.TempPathFactory, seed: int, step: int
) -> None:
    rng = np.random.default_rng(seed)
    folder = tmp_path_factory.mktemp("c")
    rows = np.zeros(200, COUNTS_DTYPE)
    rows["seq"] = np.arange(200) + np.where(np.arange(200) > 90, step, 0)
    for axis in COUNTS_DTYPE.names[1:]:
        rows[axis] = rng.integers(-32768, 32768, 200)
    gyr_scale, acc_scale = rng.uniform(0.001, 0.2, 2)
    session = Session.new(
        nominal_rate_hz=200.0, gyr_dps_per_count=gyr_scale, acc_m_s2_per_count=acc_scale
    )
    with RecordingWriter(folder / "rec", session) as out:
        out.append(None, rows)
    with open_recording(folder / "rec") as recording:
        assert write_csv(folder / "out.csv", recording) == 200
    back = read_csv(folder / "out.csv")
    np.testing.assert_array_equal(back.read().seq, rows["seq"])
    for axis, scale, values in (
        ("ay", acc_scale, back.read().acc_m_s2[:, 1]),
        ("gz", gyr_scale, back.read().gyr_dps[:, 2]),
    ):
        np.testing.assert_array_equal(np.rint(values / scale), rows[axis])
        np.testing.assert_allclose(values, rows[axis] * scale, rtol=1e-7)


def test_floats_come_out_as_they_went_in(csv: Callable[..., Path], tmp_path: Path) -> None:
    table = motion(300)
    with read_csv(csv(text_of(table))) as recording:
        write_csv(tmp_path / "out.csv", recording)
    got = np.loadtxt(tmp_path / "out.csv", delimiter=",", skiprows=1)
    np.testing.assert_array_equal(got[:, 1:].astype(np.float32), table[:, 1:].astype(np.float32))
    np.testing.assert_allclose(got[:, 0], table[:, 0], atol=1e-9)
    assert (tmp_path / "out.csv").read_text().startswith(HEADER + "\n")


def test_a_span_is_cut_out_with_its_times(csv: Callable[..., Path], tmp_path: Path) -> None:
    with read_csv(csv(text_of(motion(400)))) as recording:
        write_csv(tmp_path / "out.csv", recording, first_s=0.5, last_s=0.6)
        got = np.loadtxt(tmp_path / "out.csv", delimiter=",", skiprows=1)
        np.testing.assert_allclose(got[:, 0], np.arange(100, 121) / 200.0, atol=1e-9)
        write_csv(tmp_path / "all.csv", recording, first_s=-3.0, last_s=99.0)
        assert len(np.loadtxt(tmp_path / "all.csv", delimiter=",", skiprows=1)) == 400


def test_a_csv_file_is_written_whole_or_not_at_all(
    csv: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "out.csv").write_text("mine")
    with read_csv(csv(text_of(motion(50)))) as recording:
        with pytest.raises(RecordingExistsError, match="--overwrite"):
            write_csv(tmp_path / "out.csv", recording)
        monkeypatch.setattr(csvfile, "csv_lines", lambda _: (_ for _ in ()).throw(OSError(28, "x")))
        with pytest.raises(RecordingError, match="disk is full"):
            write_csv(tmp_path / "out.csv", recording, overwrite=True)
        assert (tmp_path / "out.csv").read_text() == "mine"
        monkeypatch.undo()
        write_csv(tmp_path / "out.csv", recording, overwrite=True)
    assert len((tmp_path / "out.csv").read_text().splitlines()) == 51
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out.csv", "swings.csv"]
    with pytest.raises(RecordingError, match="does not exist"):
        write_csv(tmp_path / "no" / "out.csv", recording)
    (tmp_path / "folder").mkdir()
    with pytest.raises(RecordingExistsError, match="is a folder"):
        write_csv(tmp_path / "folder", recording, overwrite=True)


@pytest.mark.parametrize("digits", [400, 100_000])
def test_a_number_of_very_many_digits_is_refused_and_not_shown_whole(
    tmp_path: Path, digits: int
) -> None:
    rows = [f"{k / 200:.6f},0,0,9.8,0,0,0" for k in range(400)]
    rows[300] = f"1.5,0,0,9.8,0,0,{'1' * digits}"
    (tmp_path / "a.csv").write_text("\n".join([",".join(COLUMNS), *rows]))
    with pytest.raises(CsvError, match=r"gyr_z_deg_s is '1+\.\.\.', not a number") as told:
        import_csv(tmp_path / "a.csv", tmp_path / "rec")
    assert len(str(told.value)) < 400
    assert not (tmp_path / "rec").exists()
