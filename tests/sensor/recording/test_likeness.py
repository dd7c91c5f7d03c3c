"""A file that isn't a recording is told for what it looks like, in one line, with what to do.

First bytes are made by the standard library (zip, gzip, sqlite, wave) or as the formats' own
documents give them (PNG ISO/IEC 15948, JPEG ITU-T T.81, MP4 ISO/IEC 14496-12, PDF ISO 32000).
"""

from __future__ import annotations

import gzip
import io
import sqlite3
import wave
import zipfile
from pathlib import Path

import pytest

from sensor.errors import SensorError
from sensor.recording.opening import open_recording


def zipped(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in names:
            archive.writestr(name, "x")
    return out.getvalue()


def sound() -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((1, 2, 8000, 0, "NONE", ""))
        file.writeframes(bytes(80))
    return out.getvalue()


FILES = {
    "x.png": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "a picture"),
    "x.jpg": (b"\xff\xd8\xff\xe0\0\x10JFIF", "a picture"),
    "x.mp4": (b"\0\0\0\x18ftypmp42\0\0\0\0", "a film: 'unhurried clip"),
    "x.mov": (b"\0\0\0\x14ftypqt  \0\0\0\0", "a film"),
    "x.webm": (b"\x1a\x45\xdf\xa3\x01\0\0\0", "a film"),
    "x.wav": (sound(), "a sound"),
    "x.pdf": (b"%PDF-1.7\n", "a PDF"),
    "bundle.zip": (zipped("manifest.json", "a/imu.npy"), "a bundle: 'unhurried bundle open"),
    "x.xlsx": (zipped("[Content_Types].xml", "xl/workbook.xml"), "a workbook: save the sheet"),
    "x.zip": (zipped("a.csv"), "a workbook or archive"),
    "x.csv.gz": (gzip.compress(b"time_s\n"), "a compressed file"),
    "x.c3d": (b"\x02\x50" + bytes(600), "a motion capture: 'unhurried import'"),
    "x.html": (b"<!DOCTYPE html>\n<html></html>", "a web page"),
    "x.json": (b'{"swings": []}\n', "JSON"),
    "letter.txt": (b"Dear Ida\nsee you\n", "text, and samples have time and three"),
    "two.csv": (b"a,b\n1,2\n", "a table of 2 columns"),
}


@pytest.mark.parametrize("name", FILES)
def test_what_it_looks_like_is_said(tmp_path: Path, name: str) -> None:
    content, says = FILES[name]
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(SensorError) as caught:
        open_recording(path)
    assert f"looks like {says}" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert path.read_bytes() == content


def test_a_database_is_told(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "x.sqlite") as base:
        base.execute("create table t (a)")
    base.close()
    with pytest.raises(SensorError, match="looks like a database"):
        open_recording(tmp_path / "x.sqlite")


def test_a_folder_says_what_is_in_it(tmp_path: Path) -> None:
    with pytest.raises(SensorError, match=r"has no session\.json$"):
        open_recording(tmp_path)
    (tmp_path / "b.csv").write_text("a,b\n", encoding="utf-8")
    with pytest.raises(SensorError, match=r"a folder of CSV files: .*b\.csv"):
        open_recording(tmp_path)
    (tmp_path / "settings.json").write_text("{}", encoding="utf-8")
    with pytest.raises(SensorError, match="looks like a home"):
        open_recording(tmp_path)
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "session.json").write_text("{}", encoding="utf-8")
    with pytest.raises(SensorError, match=r"a folder with 2 recordings in it: .*one"):
        open_recording(tmp_path)
