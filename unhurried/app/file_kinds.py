"""What a file is that somebody adds: found by looking into it, never by its name alone."""

from __future__ import annotations

import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from sensor.errors import CsvError, SensorError
from sensor.recording.column_guess import guess_columns
from sensor.recording.layout import IMU_FILE
from sensor.recording.likeness import FILM, likeness

Kind = Literal["bundle", "backup", "recordings", "table", "balls", "film", "nothing"]

BACKUP_MANIFEST: Final = "backup.json"
_LOOKED_AT: Final = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What a file is.

    Attributes
    ----------
    kind : {"bundle", "backup", "recordings", "table", "balls", "film", "nothing"}
    text : str
        The same in a line.
    either : bool
        A table that could be samples of a sensor or ball results.
    """

    kind: Kind
    text: str
    either: bool = False


def look_at(path: Path) -> Looked:
    """Say what a file is.

    Parameters
    ----------
    path : Path

    Raises
    ------
    OSError
        It cannot be read.
    """
    with path.open("rb") as file:
        start = file.read(_LOOKED_AT)
    if not start.strip():
        return Looked(kind="nothing", text="It is empty: the copy may have failed.")
    if start.startswith(b"PK"):
        return _zip(path)
    like = likeness(path, start)
    if like == FILM:
        return Looked(kind="film", text="A film.")
    if like is not None:
        # What stands after the colon is for a terminal.
        return Looked(kind="nothing", text=f"It looks like {like.partition(':')[0]}.")
    return _table(path, start)


def _zip(path: Path) -> Looked:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError, NotImplementedError, ValueError):
        return Looked(kind="nothing", text="It is a zip that is not whole: copy it once more.")
    if "manifest.json" in names:
        return Looked(kind="bundle", text="Sessions that somebody sent.")
    if BACKUP_MANIFEST in names:
        return Looked(kind="backup", text="A backup.")
    if any(name.rpartition("/")[2] == IMU_FILE for name in names):
        return Looked(kind="recordings", text="A zip with recordings.")
    if any(name.startswith("xl/") for name in names):
        return Looked(kind="nothing", text="A workbook: save the sheet as 'CSV UTF-8'.")
    return Looked(kind="nothing", text="A zip without a recording in it.")


def _table(path: Path, start: bytes) -> Looked:
    from library.ball_results import read_first, read_header
    from library.errors import LibraryError
    from library.result_columns import suggest_map

    sensor, balls, why = 0, 0, ""
    try:
        guess = guess_columns(path)
        sensor = sum(bool(one.title) for one in guess.columns if one.ours != "time_s")
    except CsvError as error:
        why = error.problem
    except SensorError:
        pass
    try:
        map_text = suggest_map(read_header(path), read_first(path))
        balls = sum(not part.strip().startswith("time=") for part in map_text.split(",") if part)
    except LibraryError:
        pass
    if sensor >= 4 and sensor > balls:
        return Looked(kind="table", text="A sensor’s samples.", either=balls > 0)
    if balls:
        return Looked(kind="balls", text="What the ball did.", either=sensor > 0)
    if sensor:
        return Looked(kind="table", text="A sensor’s samples, as it seems.", either=True)
    try:
        readable = bool(read_header(path))
    except LibraryError:
        readable = False
    if readable and not why and (b"," in start or b";" in start):
        return Looked(kind="table", text="A table whose titles say nothing known.", either=True)
    text = f"It {why}." if why.startswith(("is ", "has ")) else ""
    if why and not text:
        text = f"{why[0].upper()}{why[1:]}."
    return Looked(kind="nothing", text=text or "It is nothing that can be added.")
