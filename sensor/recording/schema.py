"""The one reader of everything that comes from a file.

How large a document is, and how deeply nested, is counted before any parser sees it. Then its
types, ranges, lengths, characters and dates are held against the schema of that file: a class
whose fields carry their bounds (`msgspec`), which is the same for what is read, recorded, sent in
a bundle or edited. What has come through here needs no second look.
"""

from __future__ import annotations

import contextlib
import dataclasses
import difflib
import functools
import math
import re
import stat
import tomllib
import typing
from collections.abc import Callable, Hashable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar, overload

import msgspec
import numpy as np
from msgspec import Meta
from msgspec.inspect import type_info

from sensor.errors import SensorError
from sensor.recording.output import describe_os_error
from words.glossary import MOUNTS

T = TypeVar("T")

MOST_BYTES: Final = 16_000_000
"""Of a document: markers of a session of hours are some MB, all else is less. (Chosen here.)"""
MOST_DEPTH: Final = 32
"""Brackets inside of each other: our own documents have at most eight. (Chosen here.)"""
LONGEST_NAME: Final = 200
LONGEST_TEXT: Final = 10_000
"""Characters of one text: a long note, and no book. (Chosen here.)"""
LONGEST_FREE: Final = 100_000
"""Characters of a text that nothing is known of."""
YEARS: Final = (1970, 2199)
"""Sensors' and computers' clocks begin in 1970 (POSIX); every year here survives any offset."""
LAST_INSTANT: Final = datetime(YEARS[1], 12, 30, 23, 59, 59, 999_999, UTC)
"""Of that year in any offset."""
MOST_COUNT: Final = 2**53
"""Whole numbers up to here are exact as floats too (IEEE 754)."""

# Control characters (C0, DEL, C1) and halves of surrogate pairs, which no text in UTF-8 has.
_CONTROL: Final = "\x00-\x1f\x7f-\x9f\ud800-\udfff"
# What takes no room on a screen: marks of direction, joiners, the byte order mark.
_UNSEEN: Final = "\u00ad\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
_NAME: Final = rf"\A(?=[\s\S]*[^\s{_UNSEEN}])[^{_CONTROL}\u2028\u2029]*\Z"
_TEXT: Final = rf"\A(?=[\s\S]*[^\s{_UNSEEN}])(?:[\t\n\r]|[^{_CONTROL}])*\Z"

Name = Annotated[
    str,
    Meta(
        max_length=LONGEST_NAME,
        pattern=_NAME,
        description=f"a name of 1 to {LONGEST_NAME} characters, not blank, on one line",
    ),
]
Text = Annotated[
    str,
    Meta(
        max_length=LONGEST_TEXT,
        pattern=_TEXT,
        description=f"text of 1 to {LONGEST_TEXT:,} characters, not blank",
    ),
]
Word = Annotated[str, Meta(max_length=LONGEST_NAME, description="a short text")]
PlaceName = Annotated[
    str,
    Meta(
        min_length=1,
        max_length=4096,
        pattern=r"\A[^\x00\ud800-\udfff]*\Z",
        description="the name of a file or folder",
    ),
]
Id = Annotated[
    str,
    Meta(
        pattern=r"\A[0-9A-Za-z._:-]{1,100}\Z",
        description="an id of up to 100 letters, digits and dashes",
    ),
]
Number = Annotated[float, Meta(ge=-1e9, le=1e9, description="a number of up to a thousand million")]
Count = Annotated[int, Meta(ge=0, le=MOST_COUNT, description="a whole number, 0 or more")]
Seq = Annotated[int, Meta(ge=-1, le=MOST_COUNT, description="the number of a sample")]


def one_of(*choices: str) -> Meta:
    """Bound a text to some words."""
    words = "|".join(map(re.escape, choices))
    return Meta(pattern=rf"\A(?:{words})\Z", description=f"one of {', '.join(choices)}")


HANDS: Final = ("right", "left")
Hand = Annotated[str, one_of(*HANDS)]
Mount = Annotated[str, one_of(*MOUNTS)]


_VERBS: Final = ("is ", "must ", "has ")


class SchemaError(SensorError, ValueError):
    """A document, or a value, isn't what it must be; ``str(error)`` says it in one line.

    Attributes
    ----------
    key : str
        Where in the document, as ``players[2].name``; empty for the whole.
    problem : str
        What it must be.
    """

    def __init__(self, problem: str, key: str = "") -> None:
        super().__init__(problem, key)
        self.key = key
        self.problem = problem

    def __str__(self) -> str:
        if self.key:
            return f"'{self.key}' {self.problem}"
        return f"it {self.problem}" if self.problem.startswith(_VERBS) else self.problem


class NewerSchemaError(SchemaError):
    """A later version of the program wrote the document."""


# -- values ------------------------------------------------------------------------------------


def instant(text: str, key: str = "") -> datetime:
    """Return the instant that a text means, with its offset; `key` names it in errors.

    Raises
    ------
    SchemaError
        It isn't one, says no offset from UTC, or is of a year that nobody records in.
    """
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise SchemaError(
            "must be a time with its offset, such as 2026-01-15T18:30:00+01:00, not "
            f"'{_short(text)}'",
            key,
        )
    if not YEARS[0] <= at.year <= YEARS[1]:
        raise SchemaError(f"must be of the years {YEARS[0]} to {YEARS[1]}, not {_short(text)}", key)
    return at


def free(value: object, key: str = "") -> None:
    """Check what no schema describes, a sensor's own words say; `key` names it in errors.

    Raises
    ------
    SchemaError
    """
    left = [(value, 0)]
    while left:
        one, depth = left.pop()
        if depth > MOST_DEPTH:
            raise SchemaError(f"is nested more than {MOST_DEPTH} deep", key)
        match one:
            case None | bool():
                pass
            case int():
                if abs(one) >= 2**63:
                    raise SchemaError("has a number that is too large", key)
            case float():
                if not math.isfinite(one):
                    raise SchemaError("has a number that is not finite", key)
            case str():
                if len(one) > LONGEST_FREE or any("\ud800" <= c <= "\udfff" for c in one):
                    raise SchemaError("has a text that is too long, or is no text", key)
            case Mapping():
                left += [(item, depth + 1) for pair in one.items() for item in pair]
            case list() | tuple():
                left += [(item, depth + 1) for item in one]
            case _:
                raise SchemaError("has a value that JSON doesn't know", key)


# -- documents ---------------------------------------------------------------------------------


def read_small(path: Path, *, most: int = MOST_BYTES) -> bytes:
    """Return what a file holds, if it is a plain file of at most so many bytes.

    Raises
    ------
    OSError
    SchemaError
        It is larger, or no file; it isn't read then.
    """
    # A pipe would be waited for without end.
    if not stat.S_ISREG(path.stat().st_mode):
        raise SchemaError("is no plain file")
    with path.open("rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise SchemaError(f"is larger than {most / 1e6:g} MB, which none of ours is")
    return data


def parse_json(data: bytes, schema: type[T], *, most_depth: int = MOST_DEPTH) -> T:
    """Return what a JSON text says, held against its schema.

    Parameters
    ----------
    data : bytes
        UTF-8.
    schema : type
        A class with bounds at its fields; ``dict`` for an object of which nothing is known yet.
    most_depth : int

    Raises
    ------
    SchemaError
    """
    _check_depth(data, _JSON_WORDS, most_depth)
    try:
        document = msgspec.json.decode(data)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        try:
            data.decode("utf-8")
        except UnicodeDecodeError:
            raise SchemaError("is not text") from error
        raise SchemaError("is not JSON") from error
    return convert(document, schema)


def parse_toml(data: bytes, *, most_depth: int = MOST_DEPTH) -> dict[str, Any]:
    """Return what a TOML text says.

    Raises
    ------
    SchemaError
    """
    _check_depth(data, _TOML_WORDS, most_depth)
    try:
        return tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise SchemaError("is not UTF-8 text") from error
    except (ValueError, RecursionError) as error:
        raise SchemaError(f"is not TOML: {error}") from error


def check_version(
    document: Mapping[str, Any], newest: int, *, key: str = "version", default: object = None
) -> None:
    """Refuse a document of a later version; before its schema, which may be another one then.

    Raises
    ------
    NewerSchemaError
    SchemaError
        It says no version.
    """
    version = document.get(key, default)
    if version is None:
        raise SchemaError("is missing", key)
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise SchemaError(f"must be a whole number from 1 on, not {_short(repr(version))}", key)
    if version > newest:
        writer = document.get("program_version")
        by = f", written by unhurried {_short(writer)}" if isinstance(writer, str) else ""
        raise NewerSchemaError(
            f"has {key.replace('_', ' ')} {version}{by}, of which this version of unhurried reads "
            f"up to {newest}: update unhurried"
        )


def read_json(
    path: Path,
    schema: type[T],
    error: Callable[[Path, str], Exception],
    *,
    remedy: str = "use a copy if there is one",
    most: int = MOST_BYTES,
) -> T:
    """Read a JSON file and hold it against its schema.

    Parameters
    ----------
    path : Path
    schema : type
    error : callable
        Makes the error that is raised, of path and problem.
    remedy : str
        What to do about a broken file.
    most : int
        Bytes.

    Raises
    ------
    FileNotFoundError
    Exception
        What `error` makes.
    """
    with plain_reading(path, error, remedy=remedy):
        return parse_json(read_small(path, most=most), schema)


class plain_reading:  # noqa: N801 - a context manager
    """Turn what goes wrong with a file into the one line that its room shows."""

    def __init__(
        self,
        path: Path,
        error: Callable[[Path, str], Exception],
        *,
        remedy: str = "use a copy if there is one",
        newer: Callable[[Path, str], Exception] | None = None,
    ) -> None:
        self._path, self._error, self._remedy = path, error, remedy
        self._newer = newer or error

    def __enter__(self) -> None:
        return

    def __exit__(self, kind: object, error: BaseException | None, traceback: object) -> None:
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            return
        if isinstance(error, NewerSchemaError):
            raise self._newer(self._path, error.problem) from error
        if isinstance(error, SchemaError):
            raise self._error(self._path, f"is broken: {error}; {self._remedy}") from error
        if isinstance(error, OSError):
            text = f"cannot be read: {describe_os_error(error)}"
            raise self._error(self._path, text) from error


# The strings of JSON, so that brackets in them aren't counted; those of TOML, and its remarks.
_JSON_WORDS: Final = re.compile(rb'"[^"\\]*(?:\\.[^"\\]*)*"', re.DOTALL)
_TOML_WORDS: Final = re.compile(
    rb'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"[^"\\\n]*(?:\\.[^"\\\n]*)*"|\'[^\'\n]*\'|\#[^\n]*',
    re.DOTALL,
)


def _check_depth(data: bytes, words: re.Pattern[bytes], most: int) -> None:
    if data.count(b"[") + data.count(b"{") <= most:
        return
    marks = np.frombuffer(words.sub(b"", data), np.uint8)
    steps = np.isin(marks, (0x5B, 0x7B)).astype(np.int8) - np.isin(marks, (0x5D, 0x7D))
    if np.cumsum(steps, dtype=np.int64).max(initial=0) > most:
        raise SchemaError(f"is nested more than {most} deep")


# -- schemas -----------------------------------------------------------------------------------


@overload
def convert(value: object, schema: type[T], key: str = "") -> T: ...
@overload
def convert(value: object, schema: Any, key: str = "") -> Any: ...
def convert(value: object, schema: Any, key: str = "") -> Any:
    """Return a value as its schema has it.

    Raises
    ------
    SchemaError
        The one line that says which part of it isn't what it must be.
    """
    if isinstance(value, np.generic):
        value = value.item()
    try:
        return msgspec.convert(value, schema)
    except msgspec.ValidationError as error:
        raise _told(error, schema, key, value) from error
    except (OverflowError, RecursionError) as error:
        raise SchemaError("is out of all bounds", key) from error


def check(item: Hashable) -> None:
    """Hold a dataclass against its own schema, field by field; for its ``__post_init__``.

    Raises
    ------
    SchemaError
    """
    for name, schema in _hints(type(item)).items():
        convert(getattr(item, name), schema, name)


@contextlib.contextmanager
def inside(key: str) -> Iterator[None]:
    """Name the place in a document that errors inside are about."""
    try:
        yield
    except SchemaError as error:
        raise SchemaError(error.problem, ".".join(filter(None, (key, error.key)))) from error


@functools.cache
def _hints(kind: Any) -> dict[str, Any]:
    hints = typing.get_type_hints(kind, include_extras=True)
    return {item.name: hints[item.name] for item in dataclasses.fields(kind)}


def _told(error: msgspec.ValidationError, schema: Any, key: str, value: object) -> SchemaError:
    """Say in our words what `msgspec` found."""
    text, _, path = str(error).partition(" - at `")
    of_key = path.startswith("key` in `")
    path = path.removeprefix("key` in `").rstrip("`").removeprefix("$")
    where = f"{key}{path.replace('[...]', '')}".lstrip(".")
    inner = error.__cause__
    if isinstance(inner, SchemaError):
        return SchemaError(inner.problem, ".".join(filter(None, (where, inner.key))))
    if isinstance(inner, ValueError):
        return SchemaError(str(inner), where)
    if found := re.fullmatch(r"Object missing required field `(.*)`", text):
        return SchemaError("is missing", ".".join(filter(None, (where, found[1]))))
    steps = re.findall(r"\.{3}|[^.\[\]]+", path)
    if found := re.fullmatch(r"Object contains unknown field `(.*)`", text, re.DOTALL):
        known = [one.encode_name for one in getattr(_at(type_info(schema), steps), "fields", ())]
        near = difflib.get_close_matches(found[1][:100], known, n=1)
        meant = f": is {near[0]} meant?" if near else f"; there are {', '.join(known)}"
        unknown = ".".join(filter(None, (where, _short(found[1]))))
        return SchemaError(f"is not known here{meant}", unknown)
    node = _at(type_info(schema), steps, of_key)
    what = f"must be {words_of(node)}" if node is not None else "isn't what it must be"
    if of_key:
        return SchemaError(f"has a name in it that isn't one: it {what}", where)
    return SchemaError(f"{what}, not {_shown(value, steps)}", where)


def _shown(value: Any, steps: list[str]) -> str:
    """Say what is at a place in a document instead."""
    for step in steps:
        if isinstance(value, Mapping) and step in value:
            value = value[step]
        elif isinstance(value, list | tuple) and step.isdecimal() and int(step) < len(value):
            value = value[int(step)]
        else:
            return "what is there"
    if isinstance(value, str):
        return repr(value) if len(value) <= 40 else f"{value[:37]!r}..."
    if isinstance(value, bool | None):
        return {True: "true", False: "false"}.get(value, "nothing")  # type: ignore[arg-type]
    if isinstance(value, int) and abs(value) >= 10**20:
        return "a number of many digits"
    if isinstance(value, int | float):
        return f"{value:g}" if isinstance(value, float) else str(value)
    return "a list" if isinstance(value, list | tuple) else "an object"


def _at(node: Any, steps: list[str], of_key: bool = False) -> Any:
    """Find the type at a place in a schema; None where several could be meant."""
    inspect = msgspec.inspect
    while isinstance(node, inspect.Metadata):
        if not steps and not of_key:
            return node
        node = node.type
    if isinstance(node, inspect.UnionType):
        if not steps and not of_key:
            return node
        found = [_at(one, steps, of_key) for one in node.types]
        return next((one for one in found if one is not None), None)
    if not steps:
        return getattr(node, "key_type", None) if of_key else node
    step, rest = steps[0], steps[1:]
    if isinstance(node, inspect.StructType | inspect.DataclassType | inspect.TypedDictType):
        field = next((one for one in node.fields if one.encode_name == step), None)
        return None if field is None else _at(field.type, rest, of_key)
    if isinstance(node, inspect.DictType):
        return _at(node.value_type, rest, of_key)
    if isinstance(node, inspect.TupleType):
        items = node.item_types
        return _at(items[int(step)], rest, of_key) if int(step) < len(items) else None
    if hasattr(node, "item_type"):
        return _at(node.item_type, rest, of_key)
    return None


def words_of(node: Any) -> str:
    """Say what a type of a schema lets through."""
    inspect = msgspec.inspect
    match node:
        case inspect.Metadata():
            told = (node.extra_json_schema or {}).get("description")
            return str(told) if told else words_of(node.type)
        case inspect.UnionType():
            one_by_one = [words_of(one) for one in node.types if one != inspect.NoneType()]
            return " or ".join(dict.fromkeys(one_by_one))
        case inspect.LiteralType():
            return f"one of {', '.join(map(str, node.values))}"
        case inspect.IntType() | inspect.FloatType():
            word = "a whole number" if isinstance(node, inspect.IntType) else "a number"
            low, high = (node.ge, node.gt), (node.le, node.lt)
            if node.gt is not None and node.le is not None:
                return f"{word} over {node.gt:g}, up to {node.le:g}"
            lowest = next((n for n in low if n is not None), None)
            highest = next((n for n in high if n is not None), None)
            if lowest is None or highest is None:
                return word
            return f"{word} from {lowest:g} to {highest:g}"
        case inspect.StrType():
            return "text"
        case inspect.BoolType():
            return "true or false"
        case inspect.TupleType():
            return f"{len(node.item_types)} values"
        case inspect.ListType() | inspect.VarTupleType():
            most = node.max_length
            of = words_of(node.item_type)
            return f"a list, each {of}" if most is None else f"a list of up to {most}, each {of}"
        case _:
            return "an object"


def _short(text: str) -> str:
    return text if len(text) <= 60 else f"{text[:57]}..."
