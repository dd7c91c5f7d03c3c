"""The one reader: what it lets through, and the one line that it says else."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import hostile_files
import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta

from sensor.errors import NewerFormatError, RecordingError
from sensor.recording.schema import (
    MOST_DEPTH,
    Name,
    SchemaError,
    Seq,
    Text,
    check,
    check_version,
    convert,
    free,
    instant,
    one_of,
    parse_json,
    parse_toml,
    plain_reading,
    read_json,
)


class Inner(msgspec.Struct, forbid_unknown_fields=True):
    kind: Annotated[str, one_of("a", "b")]
    at: Seq = 0


class Outer(msgspec.Struct):
    items: Annotated[list[Inner], Meta(max_length=3)]
    name: Name | None = None
    share: Annotated[float, Meta(gt=0, le=1)] = 0.5
    pairs: dict[Name, tuple[float, float]] = {}


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({}, "'items' is missing"),
        ([], "it must be an object, not a list"),
        ({"items": {}}, "'items' must be a list of up to 3, each an object, not an object"),
        ({"items": [{"kind": "c"}]}, "'items[0].kind' must be one of a, b, not 'c'"),
        ({"items": [{"kind": ["a"]}]}, "'items[0].kind' must be one of a, b, not a list"),
        ({"items": [{"kin": "a"}]}, "'items[0].kin' is not known here: is kind meant?"),
        ({"items": [{"kind": "a", "x": 1}]}, "'items[0].x' is not known here; there are kind, at"),
        ({"items": [{"kind": "a", "at": 2**64 - 1}]}, "'items[0].at' must be the number of a"),
        ({"items": [{"kind": "a"}] * 4}, "'items' must be a list of up to 3"),
        ({"items": [], "name": " "}, "'name' must be a name of 1 to 200 characters, not blank"),
        ({"items": [], "name": 7}, "not 7"),
        ({"items": [], "share": 0}, "'share' must be a number over 0, up to 1, not 0"),
        ({"items": [], "share": True}, "not true"),
        ({"items": [], "pairs": {"x": [1]}}, "'pairs' must be 2 values"),
        ({"items": [], "pairs": {"": [1, 2]}}, "'pairs' has a name in it that isn't one"),
    ],
)
def test_a_misfit_is_one_line_that_names_the_place(document: Any, told: str) -> None:
    with pytest.raises(SchemaError) as caught:
        parse_json(json.dumps(document).encode(), Outer)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    "name", ["Ida", "Zoë", "山田 花子", "O'Neill-Å", "👩‍👧", "x" * 200, "مريم"]
)
def test_names_of_people_are_names(name: str) -> None:
    assert convert(name, Name) == name


@pytest.mark.parametrize(
    "name",
    ["", " ", "\u200b", "\t", "a\nb", "a\rb", "\x1b[2J", "a\x00", "\x9d", "\ud800", "x" * 201,
     "a\u2028b", "\ufeff\u2060"],
)  # fmt: skip
def test_what_nobody_can_read_is_no_name(name: str) -> None:
    with pytest.raises(SchemaError):
        convert(name, Name)


def test_a_note_may_have_lines_and_nothing_else() -> None:
    assert convert("one\n\ttwo\r\n", Text)
    for text in ("\x1b]52;c;aGk=\x07", "  \n", "\udfff", "x" * 10_001):
        with pytest.raises(SchemaError):
            convert(text, Text)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), 10**400, -1e300])
def test_no_number_is_out_of_its_bounds(number: float) -> None:
    with pytest.raises(SchemaError):
        convert(number, Annotated[float, Meta(ge=-1e9, le=1e9)])
    if not isinstance(number, float) or number != -1e300:
        with pytest.raises(SchemaError):
            free({"a": [number]})


@pytest.mark.parametrize(
    "text", ["1970-01-01T00:00:00+00:00", "2026-05-01T18:30+02:00", "2199-12-31T23:59:59.999999Z"]
)
def test_times_survive_every_offset(text: str) -> None:
    from datetime import timedelta, timezone

    for hours in (-14, 14):
        instant(text).astimezone(timezone(timedelta(hours=hours))).isoformat()
    instant(text).timestamp()


@pytest.mark.parametrize(
    "text",
    [hostile_files.EARLIEST, hostile_files.LATEST, "2026-05-01T18:30", "soon", "", "2026-02-30"],
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(SchemaError, match="must be"):
        instant(text)


def test_depth_is_counted_before_any_parser_sees_it() -> None:
    inside = b"[" * MOST_DEPTH + b"]" * MOST_DEPTH
    assert parse_json(inside, list[Any])
    for data in (b"[" + inside + b"]", b"[" * 200_000, b'{"a":' * 200_000):
        with pytest.raises(SchemaError, match="nested more than 32 deep"):
            parse_json(data, Any)
        with pytest.raises(SchemaError, match="nested more than 32 deep"):
            parse_toml(b"x = " + data)


def test_brackets_in_words_are_no_depth() -> None:
    words = "[" * 1000 + '\\" ]{' + "{" * 1000
    assert parse_json(json.dumps({"a": words, "b": [words]}).encode(), dict[str, Any])["a"] == words
    toml = f"a = '{words}'\nb = '''\n{words}'''\nc = 1 # {words}\nd = \"{'[' * 100}\\\"\"\n"
    assert parse_toml(toml.encode())["a"] == words


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for parse in (lambda: parse_json(data, Outer), lambda: parse_toml(data)):
        with contextlib.suppress(SchemaError):
            parse()


def test_a_later_version_is_told_before_anything_else() -> None:
    with pytest.raises(SchemaError, match="reads up to 1: update unhurried"):
        check_version({"version": 2, "anything": object()}, 1)
    for wrong in (0, -1, True, "1", 1.5):
        with pytest.raises(SchemaError, match="'version' must be a whole number from 1 on"):
            check_version({"version": wrong}, 1)
    with pytest.raises(SchemaError, match="'version' is missing"):
        check_version({}, 1)


def test_a_file_that_is_too_large_or_none_is_refused_unread(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_bytes(b" " * 2000)
    with pytest.raises(RecordingError, match="larger than"):
        read_json(tmp_path / "a.json", Outer, RecordingError, most=1000)
    with pytest.raises(RecordingError, match="is no plain file"):
        read_json(tmp_path, Outer, RecordingError)
    with pytest.raises(FileNotFoundError):
        read_json(tmp_path / "none.json", Outer, RecordingError)


def test_each_room_s_own_error_says_where_and_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    with (
        pytest.raises(RecordingError, match=r"a\.json: is broken: 'name' must be.*; mend it"),
        plain_reading(path, RecordingError, remedy="mend it"),
    ):
        convert({"items": [], "name": ""}, Outer)
    with (
        pytest.raises(NewerFormatError),
        plain_reading(path, RecordingError, newer=NewerFormatError),
    ):
        check_version({"version": 9}, 1)


@dataclass(frozen=True, kw_only=True)
class Dressed:
    name: Name
    inner: tuple[Inner, ...] = ()

    def __post_init__(self) -> None:
        check(self)


def test_what_is_made_here_is_held_against_the_same_schema() -> None:
    assert convert({"name": "Ida", "inner": [{"kind": "a"}]}, Dressed).inner == (Inner(kind="a"),)
    with pytest.raises(SchemaError, match="'name' must be a name"):
        Dressed(name="\n")
    with pytest.raises(SchemaError, match=r"'inner\[0\]' must be an object"):
        Dressed(name="Ida", inner=("a",))  # type: ignore[arg-type]
