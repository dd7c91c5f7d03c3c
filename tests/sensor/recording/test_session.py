"""`session.json`: whole, plain and strict."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sensor.errors import NewerFormatError, RecordingError
from sensor.recording.session import Session, read_session, write_session

COUNTS: dict[str, Any] = {
    "nominal_rate_hz": 200.0,
    "gyr_dps_per_count": 0.07,
    "acc_m_s2_per_count": 0.005,
}


def document(tmp_path: Path) -> dict[str, Any]:
    folder = tmp_path / "made"
    folder.mkdir()
    write_session(folder, Session.new(**COUNTS))
    loaded: dict[str, Any] = json.loads((folder / "session.json").read_text(encoding="utf-8"))
    return loaded


def put(folder: Path, text: str | bytes) -> None:
    data = text if isinstance(text, bytes) else text.encode()
    (folder / "session.json").write_bytes(data)


def test_what_is_written_is_read(tmp_path: Path) -> None:
    session = Session.new(
        **COUNTS,
        mount="club",
        sensor={"name": "Fühler", "battery_percent": 83, "simulated": True},
        gyr_range_dps=2000.0,
        handedness="left",
        player="Ida",
        extra={"court": 3},
    )
    write_session(tmp_path, session)
    assert read_session(tmp_path) == session
    assert json.loads((tmp_path / "session.json").read_bytes())["format_version"] == 1


def test_unknown_keys_are_kept_and_missing_ones_have_defaults(tmp_path: Path) -> None:
    loaded = document(tmp_path)
    for name in ("mount", "player", "gyr_delay_ms", "program_version"):
        del loaded[name]
    put(tmp_path, json.dumps({**loaded, "weather": "rain"}))
    session = read_session(tmp_path)
    assert session.extra == {"weather": "rain"}
    assert session.mount is None
    assert session.gyr_delay_ms is None
    assert json.loads(session.to_json())["weather"] == "rain"


def test_newer_format_is_refused_by_name(tmp_path: Path) -> None:
    loaded = document(tmp_path)
    put(tmp_path, json.dumps({**loaded, "format_version": 7, "program_version": "9.1"}))
    with pytest.raises(
        NewerFormatError, match=r"format version 7, written by unhurried 9\.1.*update"
    ):
        read_session(tmp_path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"nominal_rate_hz": "fast"}, "nominal_rate_hz"),
        ({"nominal_rate_hz": 0}, "nominal_rate_hz"),
        ({"nominal_rate_hz": float("inf")}, "not JSON"),
        ({"nominal_rate_hz": True}, "nominal_rate_hz"),
        ({"mount": "foot"}, "wrist, glove, club, trunk"),
        ({"mount": ["club"]}, "wrist, glove, club, trunk"),
        ({"handedness": "both"}, "right, left"),
        ({"sample_kind": "bytes"}, "counts, float"),
        ({"gyr_dps_per_count": None}, "gyr_dps_per_count"),
        ({"acc_range_g": -1}, "acc_range_g"),
        ({"gyr_delay_ms": -1}, "gyr_delay_ms"),
        ({"start": "yesterday"}, "'start'"),
        ({"start": "2026-05-01T18:30:00"}, "offset"),
        ({"id": ""}, "'id'"),
        ({"sensor": "blue one"}, "'sensor'"),
        ({"format_version": "one"}, "format_version"),
        ({"format_version": 0}, "format_version"),
    ],
)
def test_a_wrong_field_is_named(tmp_path: Path, change: dict[str, Any], says: str) -> None:
    put(tmp_path, json.dumps({**document(tmp_path), **change}))
    with pytest.raises(RecordingError, match=says) as caught:
        read_session(tmp_path)
    assert "\n" not in str(caught.value)
    assert caught.value.path == tmp_path / "session.json"


@pytest.mark.parametrize("missing", ["id", "start", "nominal_rate_hz", "sample_kind"])
def test_a_missing_field_is_named(tmp_path: Path, missing: str) -> None:
    loaded = document(tmp_path)
    del loaded[missing]
    put(tmp_path, json.dumps(loaded))
    with pytest.raises(RecordingError, match=f"'{missing}' is missing"):
        read_session(tmp_path)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "not JSON"),
        (b'{"format_version": 1, "id"', "not JSON"),
        (b"[1, 2]", "must be an object"),
        (b'{"a": 1}', "no format_version"),
        (b"\xff\xfe{}", "not text"),
        (b"\0" * 400, "not JSON"),
    ],
)
def test_a_broken_file_is_told(tmp_path: Path, data: bytes, says: str) -> None:
    put(tmp_path, data)
    with pytest.raises(RecordingError, match=says):
        read_session(tmp_path)


def test_a_folder_without_it_is_not_a_recording(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="not a recording"):
        read_session(tmp_path)
