"""Files as an attacker, a failing disk or a slip of the hand would leave them, the same each time.

Each changes one file of a good recording or home. A value stands in for itself; ``TEXT`` ones are
written as they are.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

DEEP: Final = "[" * 200_000
BIG: Final = "1" + "0" * 400
SURROGATE: Final = '"\\ud800"'
OSC_52: Final = "\x1b]52;c;aGk=\x07"
"""Writes the clipboard of a terminal that lets it."""
LATEST: Final = "9999-12-31T23:59:59.999999+00:00"
EARLIEST: Final = "0001-01-01T00:00:00+14:00"
AT: Final = "2026-05-01T18:30:00.000000+00:00"

Change = Callable[[Path], None]


def _write(path: Path, text: str | bytes) -> None:
    path.unlink(missing_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))


def session_text(key: str, raw: str) -> Change:
    """Put a raw JSON text in the place of a key's value."""

    def change(folder: Path) -> None:
        path = folder / "session.json"
        document = json.loads(path.read_text("utf-8"))
        document[key] = "@@"
        _write(path, json.dumps(document).replace('"@@"', raw))

    return change


def session_value(**values: Any) -> Change:
    def change(folder: Path) -> None:
        path = folder / "session.json"
        _write(path, json.dumps({**json.loads(path.read_text("utf-8")), **values}))

    return change


def marker(raw: str) -> Change:
    def change(folder: Path) -> None:
        path = folder / "markers.jsonl"
        _write(path, path.read_bytes() + raw.encode() + b"\n")

    return change


def said(swing: Mapping[str, Any] | None = None, **more: Any) -> Change:
    def change(folder: Path) -> None:
        recording = json.loads((folder / "session.json").read_text("utf-8"))["id"]
        document = {"version": 1, "recording": recording, "swings": {"100": swing or {}}, **more}
        _write(folder / "annotations.json", json.dumps(document))

    return change


def whole(name: str, text: str | bytes) -> Change:
    return lambda folder: _write(folder / name, text)


def item(value: Any, at: str = AT) -> dict[str, Any]:
    return {"value": value, "at": at}


REFUSED: Final[Mapping[str, Change]] = {
    "a rate of 1e308": session_text("nominal_rate_hz", "1e308"),
    "a rate of 400 digits": session_text("nominal_rate_hz", BIG),
    "a rate of 1e999": session_text("nominal_rate_hz", "1e999"),
    "a rate that is no number": session_text("nominal_rate_hz", "NaN"),
    "half a surrogate pair as player": session_text("player", SURROGATE),
    "half a surrogate pair as bytes": session_text("player", '"\ud800"'),
    "a list as player": session_value(player=["a"]),
    "a number as club": session_value(club=7),
    "a blank player": session_value(player="   "),
    "an unseen player": session_value(player="\u200b\u2060"),
    "a player of 300 characters": session_value(player="x" * 300),
    "a player of a million characters": session_value(player="x" * 1_000_000),
    "a player that speaks to the terminal": session_value(player=f"Ida{OSC_52}"),
    "a club on two lines": session_value(club="7\niron"),
    "an id of 100,000 characters": session_value(id="a" * 100_000),
    "an id that is a path": session_value(id="../../outside"),
    "an id that is none": session_value(id=""),
    "a start at the beginning of time": session_value(start=EARLIEST),
    "a start at the end of time": session_value(start=LATEST),
    "a start in the future that no offset survives": session_value(start="9999-12-31T23:00-14:00"),
    "a range of 1e300": session_value(gyr_range_dps=1e300),
    "a scale of 1e300": session_value(gyr_dps_per_count=1e300),
    "a delay of 1e300": session_value(gyr_delay_ms=1e300),
    "a sensor nested without end": session_text("sensor", f'{{"a": {"[" * 500}{"]" * 500}}}'),
    "a sensor with a number of 400 digits": session_text("sensor", f'{{"serial": {BIG}}}'),
    "an unknown word of 1e999": session_text("later", "1e999"),
    "brackets without end": whole("session.json", DEEP),
    "objects without end": whole("session.json", '{"a":' * 100_000),
    "nothing": whole("session.json", b""),
    "zeros": whole("session.json", b"\0" * 4096),
    "40 MB of spaces": whole("session.json", b" " * 40_000_000),
    "Latin-1": whole("session.json", b'{"player": "Zo\xeb"}'),
    "words nested without end": whole("annotations.json", DEEP),
    "a word at the beginning of time": said({"note": item("x", EARLIEST)}),
    "a word at the end of time": said({"note": item("x", LATEST)}),
    "a carry of 1e30": said({"result": item({"carry_m": 1e30})}),
    "a word about sample 2^64-1": said(swings={str(2**64 - 1): {"note": item("x")}}),
    "a word about a sample of 5,000 digits": said(swings={"9" * 5000: {"note": item("x")}}),
    "a player's name in words that is none": said({"player": item(["a"])}),
    "a blank name in words": said({"player": item(" ")}),
    "events of 1e300": said({"events": item({"top_seq": 1e300})}),
    "a note of a million characters": said({"note": item("x" * 1_000_000)}),
    "a tag that is a number": said({"tags": item([7])}),
    "a felt that is a list": said({"felt": item({"time": ["rushed"]})}),
    "a segment's player that is a list": said(segments={"5": item({"player": ["a"]})}),
    "an identity that is an object": said(identities={"Ida": item({"id": 1})}),
    "a clip of 1e300 seconds": said(
        session={
            "clips": item(
                {
                    "a1": {
                        "name": "a.mp4",
                        "why": "x",
                        "sure": True,
                        "by_hand": False,
                        "duration_s": 1e300,
                        "frame_rate_hz": None,
                        "offset_s": None,
                        "offset_u_s": None,
                        "seq": None,
                    }
                }
            )
        }
    ),
    "words that are a list": whole("annotations.json", "[]"),
    "words that are binary": whole("annotations.json", b"\xff\xfe\0"),
    "40 MB of words": whole("annotations.json", b" " * 40_000_000),
    "markers of 40 MB": whole("markers.jsonl", b"\n" * 40_000_000),
}
"""Recordings that can't be taken in: each is one line."""

PASSED_OVER: Final[Mapping[str, Change]] = {
    "a marker at 2^64-1": marker('{"kind": "note", "seq": 18446744073709551615, "text": "x"}'),
    "a marker at 1e999": marker('{"kind": "note", "seq": 1e999, "text": "x"}'),
    "a marker without a kind": marker('{"kind": null, "seq": 1}'),
    "a segment's player that is a list": marker('{"kind": "segment", "seq": 1, "player": ["a"]}'),
    "a segment's club that is a number": marker('{"kind": "segment", "seq": 1, "club": 7}'),
    "a segment of a blank player": marker('{"kind": "segment", "seq": 1, "player": "  "}'),
    "a segment of half a surrogate": marker(
        f'{{"kind": "segment", "seq": 1, "player": {SURROGATE}}}'
    ),
    "a segment's ball that is text": marker('{"kind": "segment", "seq": 1, "ball": "yes"}'),
    "a note that is a list": marker('{"kind": "note", "seq": 1, "text": ["a"]}'),
    "a note of 400 digits": marker(f'{{"kind": "note", "seq": 1, "text": {BIG}}}'),
    "a marker nested without end": marker(DEEP),
    "a marker that is binary": lambda folder: _write(
        folder / "markers.jsonl", b"\xff\xfe\0\n" + b"\0" * 1000
    ),
}
"""Recordings that are taken in, with a warning about a line of their markers."""

HOMES: Final[Mapping[str, tuple[str, str | bytes]]] = {
    "sources nested without end": ("sources.json", DEEP),
    "sources that are a list": ("sources.json", "[]"),
    "sources that are numbers": ("sources.json", '{"folders": [7]}'),
    "sources of a later version": ("sources.json", '{"version": 99, "folders": []}'),
    "sources with a NUL": ("sources.json", '{"folders": ["/a\\u0000b"]}'),
    "sources of half a surrogate": ("sources.json", f'{{"folders": [{SURROGATE}]}}'),
    "sources that aren't text": ("sources.json", b"\xff\xfe"),
    "settings nested without end": ("settings.json", DEEP),
    "settings that are a list": ("settings.json", '{"settings": []}'),
    "settings of text versions": ("settings.json", '{"version": "x", "settings": {}}'),
    "a player nested without end": ("players/00000000-0000-4000-8000-000000000001.json", DEEP),
    "a player without anything": ("players/00000000-0000-4000-8000-000000000001.json", "{}"),
    "a player at the end of time": (
        "players/00000000-0000-4000-8000-000000000001.json",
        json.dumps(
            {
                "version": 1,
                "id": "00000000-0000-4000-8000-000000000001",
                "name": "Ida",
                "at": LATEST,
            }
        ),
    ),
    "a player of a blank name": (
        "players/00000000-0000-4000-8000-000000000001.json",
        json.dumps(
            {"version": 1, "id": "00000000-0000-4000-8000-000000000001", "name": " ", "at": AT}
        ),
    ),
    "a player who was told without end": (
        "players/00000000-0000-4000-8000-000000000001.json",
        json.dumps(
            {
                "version": 1,
                "id": "00000000-0000-4000-8000-000000000001",
                "name": "Ida",
                "at": AT,
                "told": [[]] * 501,
            }
        ),
    ),
    "a player who was told what no rule says": (
        "players/00000000-0000-4000-8000-000000000001.json",
        json.dumps(
            {
                "version": 1,
                "id": "00000000-0000-4000-8000-000000000001",
                "name": "Ida",
                "at": AT,
                "told": [
                    {
                        "club": None,
                        "mount": "wrist",
                        "session": "s1",
                        "sessions": 1,
                        "version": "2",
                        "at": AT,
                        "words": [{"about": "stage", "word": "\u001b[2J\n"}],
                    }
                ],
            }
        ),
    ),
    "a player that isn't text": (
        "players/00000000-0000-4000-8000-000000000001.json",
        b"\xff\xfe\0",
    ),
}
"""Homes in which a file has to be mended by a person: one line says which."""

HARMLESS_HOMES: Final[Mapping[str, tuple[str, str | bytes]]] = {
    "identities nested without end": ("identities.jsonl", DEEP + "\n"),
    "identities that are lists": ("identities.jsonl", '[]\n{"recording": [], "name": 3}\n'),
    "identities that are binary": ("identities.jsonl", b"\xff\xfe\0\n"),
    "deleted players nested without end": ("deleted.jsonl", DEEP + "\n"),
    "a sensor nested without end": ("sensors/a7-31.json", DEEP),
    "a sensor of 400 digits": ("sensors/a7-31.json", f'{{"calibrations": {BIG}}}'),
    "a sensor at the end of time": (
        "sensors/a7-31.json",
        json.dumps({"calibrations": [{"key": "a7-31", "made_at": LATEST, "gyr_scale_u": 0.01}]}),
    ),
}
"""Homes that keep no recording out."""
