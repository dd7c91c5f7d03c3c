"""CSV in and out: exact units, plain messages, and the same recording either way."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensor import csvfile, recording
from sensor.csvfile import (
    COLUMNS,
    G_N,
    Column,
    clean_rate_hz,
    import_csv,
    parse_column_map,
    read_csv,
    write_csv,
)
from sensor.errors import (
    ColumnMapError,
    CsvError,
    RateTooLowError,
    RecordingError,
    RecordingExistsError,
)
from sensor.recording import COUNTS_DTYPE, RecordingWriter, open_recording
from sensor.session import Session

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
    monkeypatch.setattr(csvfile, "_PIECE", 512)
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
        table[:, 1:4] /= G_N
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
    with pytest.raises(CsvError, match="no column clock"):
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
    monkeypatch.setattr(recording, "PIECE", 100)
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


# -- units that cannot be ----------------------------------------------------------------------


@pytest.mark.parametrize(("unit", "factor"), [("g", 1.0 / G_N), ("mg", 1000.0 / G_N)])
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
    with pytest.raises(CsvError, match=r"no column nope: the file has time_s, acc_x_m_s2, "):
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
    "semicolons": (text_of(motion(9)).replace(",", ";"), r"line 1: .*separated by semicolons"),
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
    "workbook": (b"PK\x03\x04" + bytes(200), r"is a workbook or archive"),
    "numpy": (b"\x93NUMPY\x01\x00" + bytes(200), r"is a numpy file"),
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
