"""What a file that isn't a recording looks like, and what to do with it instead.

Told by its first bytes, as the formats' own documents give them: PNG (ISO/IEC 15948), JPEG (ITU-T
T.81), GIF89a, PDF (ISO 32000), MP4 and MOV (ISO/IEC 14496-12: ``ftyp`` from the fifth byte on),
Matroska and WebM (RFC 8794: EBML), RIFF (WAVE, AVI), ZIP (APPNOTE 4.3.7), gzip (RFC 1952), C3D (its
second byte is 0x50), SQLite (its file format's magic).
"""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Final

FILM: Final = "a film: 'unhurried clip SESSION FILE' lays it beside a session"
SOUND: Final = "a sound: nothing of a swing can be read from it"
PICTURE: Final = "a picture: nothing of a swing can be read from it"
CAPTURE: Final = "a motion capture: 'unhurried import' makes a recording of it"

_STARTS: Final = (
    (b"\x89PNG\r\n\x1a\n", PICTURE),
    (b"\xff\xd8\xff", PICTURE),
    (b"GIF8", PICTURE),
    (b"%PDF-", "a PDF: give the table behind it, as 'CSV UTF-8'"),
    (b"\x1a\x45\xdf\xa3", FILM),
    (b"\x1f\x8b", "a compressed file: unpack it first"),
    (
        b"SQLite format 3\0",
        "a database: 'unhurried library list' names the sessions in the library",
    ),
    (b"\x93NUMPY", "a numpy file, not CSV: name the folder of the recording"),
)
_RIFF: Final = {b"WAVE": SOUND, b"AVI ": FILM, b"WEBP": PICTURE}
_TEXTS: Final = (
    ((b"<!doctype html", b"<html", b"<?xml"), "a web page: give the table in it, as 'CSV UTF-8'"),
    ((b"{", b"["), "JSON: name the recording's folder, or give its samples as 'CSV UTF-8'"),
)


def likeness(path: Path, start: bytes) -> str | None:
    """Say what a file is, and what to do with it, if that is known and not CSV.

    Parameters
    ----------
    path : path
    start : bytes
        How the file begins.

    Returns
    -------
    str or None
        To go on after "looks like"; None for what may be a CSV file.
    """
    for mark, what in _STARTS:
        if start.startswith(mark):
            return what
    if start[4:8] == b"ftyp":
        return FILM
    if start.startswith(b"RIFF"):
        return _RIFF.get(start[8:12])
    if start.startswith(b"PK"):
        return _in_zip(path)
    if path.suffix.lower() == ".c3d" and start[1:2] == b"\x50":
        return CAPTURE
    text = start[:100].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    return next((what for marks, what in _TEXTS if text.startswith(marks)), None)


def _in_zip(path: Path) -> str:
    """Tell a bundle and a workbook from other archives by the names inside."""
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError, NotImplementedError, ValueError):
        names = []
    if "manifest.json" in names:
        return "a bundle: 'unhurried bundle open FILE' takes it in"
    if any(name.startswith("xl/") for name in names):
        return "a workbook: save the sheet as 'CSV UTF-8'"
    return "a workbook or archive: unpack it, or save the sheet as 'CSV UTF-8'"


def folder_likeness(folder: Path, session_file: str) -> str | None:
    """Say what a folder without a recording is, and what to do; None if that isn't known."""
    try:
        inside = sorted(one.name for one in folder.iterdir())
        sessions = [name for name in inside if (folder / name / session_file).is_file()]
    except OSError:
        return None
    if sessions:
        many = f"{len(sessions)} recordings" if len(sessions) > 1 else "a recording"
        return f"a folder with {many} in it: name one of them, such as {folder / sessions[0]}"
    if "players" in inside or "settings.json" in inside:
        return "a home: 'unhurried library list' names the sessions in it"
    if any(name.endswith(".csv") for name in inside):
        first = next(name for name in inside if name.endswith(".csv"))
        return f"a folder of CSV files: name one of them, such as {folder / first}"
    return None
