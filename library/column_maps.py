"""The column maps of ball results that a home remembers, by the header of their files."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final

import msgspec
from msgspec import Meta

from library.errors import LibraryFileError
from library.result_columns import ColumnMap, parse_map
from sensor.errors import RecordingError
from sensor.recording.output import whole_file
from sensor.recording.schema import Text, Word, read_json

MAPS_FILE: Final = "result-columns.json"


def _header_key(header: Sequence[str]) -> str:
    return hashlib.sha256("\x1f".join(header).encode()).hexdigest()


class _Maps(msgspec.Struct):
    maps: Annotated[dict[Word, Text], Meta(max_length=10_000)]


def _maps(home: Path) -> dict[str, str]:
    path = home / MAPS_FILE
    remedy = "move it away, and give --map once more"
    try:
        return read_json(path, _Maps, LibraryFileError, remedy=remedy).maps
    except FileNotFoundError:
        return {}


def recall_map(home: Path, header: Sequence[str]) -> ColumnMap | None:
    """Return the map that was used for files with this header, None if none was."""
    text = _maps(home).get(_header_key(header))
    return None if text is None else parse_map(text, header)


def remember_map(home: Path, header: Sequence[str], columns: ColumnMap) -> None:
    """Keep a map for files with this header.

    Raises
    ------
    LibraryError
    """
    maps = {**_maps(home), _header_key(header): columns.text}
    try:
        with whole_file(home / MAPS_FILE, overwrite=True) as file:
            document = {"version": 1, "maps": maps}
            file.write(json.dumps(document, indent=1, ensure_ascii=False).encode() + b"\n")
    except RecordingError as error:
        raise LibraryFileError(error.path, error.problem) from error
