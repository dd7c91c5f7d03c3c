"""The way in for what is zipped: what it refuses, and that nothing is written before."""

from __future__ import annotations

import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from library.errors import BundleError
from library.zip_door import MOST_FILES, unpack_file, zip_opened

Fill = Callable[[zipfile.ZipFile], None]


def made(path: Path, fill: Fill) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        fill(archive)
    return path


def link(archive: zipfile.ZipFile) -> None:
    info = zipfile.ZipInfo("recordings/x/imu.npy")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    archive.writestr(info, "/etc/passwd")


def many(archive: zipfile.ZipFile) -> None:
    for k in range(MOST_FILES + 1):
        archive.writestr(f"{k}", b"")


def twice(archive: zipfile.ZipFile) -> None:
    for _ in range(2):
        archive.writestr("a", b"1")


@pytest.mark.parametrize(
    ("fill", "why"),
    [
        (lambda a: a.writestr("../../x", b"1"), "leads elsewhere"),
        (lambda a: a.writestr("/etc/x", b"1"), "leads elsewhere"),
        (lambda a: a.writestr("a/../x", b"1"), "leads elsewhere"),
        (lambda a: a.writestr("C:\\x", b"1"), "leads elsewhere"),
        (lambda a: a.writestr("a\x1b[2J", b"1"), "leads elsewhere"),
        (lambda a: a.writestr("a" * 600, b"1"), "leads elsewhere"),
        (lambda a: a.writestr("imu.npy", b"\0" * 30_000_000), "over 100 times"),
        (link, "holds a link"),
        (many, "too many files"),
    ],
)
def test_what_is_refused(tmp_path: Path, fill: Fill, why: str) -> None:
    path = made(tmp_path / "x.zip", fill)
    with pytest.raises(BundleError, match=why), zip_opened(path):
        raise AssertionError("it was opened")


def test_a_name_twice_and_what_is_no_zip_are_refused(tmp_path: Path) -> None:
    with pytest.warns(UserWarning, match="Duplicate"):
        path = made(tmp_path / "x.zip", twice)
    with pytest.raises(BundleError, match="one twice"), zip_opened(path):
        pass
    path.write_bytes(path.read_bytes()[:40])
    with pytest.raises(BundleError, match="not a whole zip"), zip_opened(path):
        pass


def test_no_more_is_unpacked_than_the_list_says(tmp_path: Path) -> None:
    path = made(tmp_path / "x.zip", lambda a: a.writestr("a", b"12345678" * 1000))
    with zip_opened(path) as archive, (tmp_path / "out").open("xb") as target:
        archive.getinfo("a").file_size = 10
        with pytest.raises(BundleError, match="damaged"):
            unpack_file(archive, "a", target, path)


def test_a_zip_larger_than_it_may_be_is_refused_by_its_list(tmp_path: Path) -> None:
    path = made(tmp_path / "x.zip", lambda a: a.writestr("a", b"1" * 5000))
    with pytest.raises(BundleError, match="larger than"), zip_opened(path, most_bytes=4000):
        pass
    with pytest.raises(BundleError, match="too many"), zip_opened(path, most_files=0):
        pass
