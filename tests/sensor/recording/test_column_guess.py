"""What the columns of somebody's table are: by titles and numbers, and asked only in doubt."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from sensor.errors import CsvError
from sensor.recording.column_guess import column_map, guess_columns
from sensor.recording.csvfile import import_csv
from sensor.recording.csvlines import COLUMNS
from sensor.recording.opening import open_recording

TIME = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
ACC = {"m/s2": 1.0, "g": 1.0 / 9.80665, "mg": 1000.0 / 9.80665}
GYR = {"deg/s": 1.0, "rad/s": math.pi / 180.0}


def rows(seconds: float = 4.0, peak_dps: float = 900.0) -> np.ndarray:
    """Standing, and one turn; in our units."""
    t = np.arange(0.0, seconds, 0.005)
    out = np.zeros((len(t), 7))
    out[:, 0] = t
    out[:, 3] = 9.81
    out[:, 4] = peak_dps * np.exp(-(((t - 2.0) / 0.1) ** 2)) + 0.3
    return out


def write(path: Path, titles: str, data: np.ndarray, units: tuple[str, str, str]) -> Path:
    factors = np.array([TIME[units[0]], *[ACC[units[1]]] * 3, *[GYR[units[2]]] * 3])
    lines = [titles, *(",".join(f"{x:.9g}" for x in row) for row in data * factors)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_what_a_spreadsheet_writes_with_decimal_commas_is_guessed_and_read(tmp_path: Path) -> None:
    file = write(tmp_path / "x.csv", "t,ax,ay,az,gx,gy,gz", rows(), ("ms", "g", "deg/s"))
    plain = guess_columns(file)
    file.write_text(file.read_text().replace(",", ";").replace(".", ","))
    guess = guess_columns(file)
    assert guess == plain
    assert guess.whole
    chosen = column_map({one.ours: (one.title, one.unit) for one in guess.columns})
    import_csv(file, tmp_path / "out", column_map=chosen)
    with open_recording(tmp_path / "out") as recording:
        np.testing.assert_allclose(recording.read().gyr_dps[:, 0].max(), 900.3, rtol=1e-4)


@pytest.mark.parametrize(
    ("titles", "units"),
    [
        (",".join(COLUMNS), ("s", "m/s2", "deg/s")),
        ("t,ax,ay,az,gx,gy,gz", ("ms", "g", "deg/s")),
        ("timestamp,accel_x,accel_y,accel_z,gyro_x,gyro_y,gyro_z", ("us", "m/s2", "rad/s")),
        ("Time (ms),Acc X (mg),Acc Y (mg),Acc Z (mg),wx,wy,wz", ("ms", "mg", "rad/s")),
        (
            "seconds_elapsed,AccelerationX,AccelerationY,AccelerationZ,GyroX,GyroY,GyroZ",
            ("s", "g", "rad/s"),
        ),
        ("Time_ns,Acc-x,Acc-y,Acc-z,Omega x,Omega y,Omega z", ("ns", "m/s2", "deg/s")),
    ],
)
def test_titles_and_numbers_say_it(
    tmp_path: Path, titles: str, units: tuple[str, str, str]
) -> None:
    data = rows()
    file = write(tmp_path / "x.csv", titles, data, units)
    guess = guess_columns(file)
    assert guess.whole
    assert guess.doubts == ()
    assert [one.title for one in guess.columns] == titles.split(",")
    said = {one.ours: (one.title, one.unit) for one in guess.columns}
    assert [said[f][1] for f in ("time_s", "acc_x_m_s2", "gyr_x_deg_s")] == list(units)
    import_csv(file, tmp_path / "made", column_map=column_map(said))
    with open_recording(tmp_path / "made") as recording:
        block = recording.read(0, recording.n_samples)
        assert block.gyr_dps[:, 0].max() == pytest.approx(900.3, rel=1e-3)
        assert np.median(block.acc_m_s2[:, 2]) == pytest.approx(9.81, rel=1e-3)


def doubts(tmp_path: Path, titles: str, units: tuple[str, str, str], **more: float) -> Mapping:
    guess = guess_columns(write(tmp_path / "x.csv", titles, rows(**more), units))
    return {one.ours: one.doubt for one in guess.columns if one.doubt}


def test_where_a_title_and_the_numbers_differ_it_is_asked(tmp_path: Path) -> None:
    titles = "Time (s),Acc X (g),Acc Y (g),Acc Z (g),wx,wy,wz"
    asked = doubts(tmp_path, titles, ("s", "m/s2", "deg/s"))
    assert set(asked) == {"acc_x_m_s2", "acc_y_m_s2", "acc_z_m_s2"}
    assert "looks like" not in asked["acc_x_m_s2"]
    assert "its numbers look like m/s2: which is it?" in asked["acc_x_m_s2"]


def test_a_rotation_that_could_be_either_is_asked(tmp_path: Path) -> None:
    asked = doubts(tmp_path, "t,ax,ay,az,wx,wy,wz", ("s", "g", "deg/s"), peak_dps=70.0)
    assert asked["gyr_x_deg_s"] == "Which unit has the rotation?"
    assert "acc_x_m_s2" not in asked


def test_a_column_that_is_not_there_is_asked(tmp_path: Path) -> None:
    asked = doubts(tmp_path, "t,ax,ay,az,wx,wy,temperature", ("s", "g", "deg/s"))
    assert asked["gyr_z_deg_s"] == "Which column is rotation z?"


@pytest.mark.parametrize("text", ["", "hello\n", "a,b\n", "\xff\xfe"])
def test_what_is_no_table_is_said(tmp_path: Path, text: str) -> None:
    file = tmp_path / "x.csv"
    file.write_bytes(text.encode("latin-1"))
    with pytest.raises(CsvError):
        guess_columns(file)


def test_a_title_that_can_stand_in_no_map_is_said() -> None:
    with pytest.raises(ValueError, match="comma"):
        column_map({"time_s": ("a,b", "s")})
