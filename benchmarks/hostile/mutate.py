"""Mutations: what a stranger, a failing disk or a bad network makes of a sound file.

Every function takes a seeded `random.Random` and gives the mutated bytes and what was done, in a
few words. None knows the readers of the program: what is refused, and how, is theirs to decide.
"""

from __future__ import annotations

import copy
import io
import json
import random
import re
import struct
from typing import Any, Final

import numpy as np

__all__ = [
    "ESCAPES",
    "HUGE",
    "LONG_TEXTS",
    "NUMBERS",
    "TEXTS",
    "TIMES",
    "bytes_of",
    "json_text",
    "jsonl_of",
    "npy_of",
    "text_value",
]

ESCAPES: Final = (
    "\x1b]52;c;cm0gLXJm\x07",  # writes to the clipboard (xterm control sequences, OSC 52)
    "\x1b]0;taken\x07",  # the window's title (OSC 0)
    "\x1b[2J\x1b[H",
    "\x9b31m",  # the same as ESC [ in one sign (ECMA-48)
    "a\rb",
    "a\nunhurried: all is well",
    "\u202eevil",  # turns the direction of what follows (Unicode, UAX 9)
    "\u2066x\u2069",
    "\x00",
    "\x7f",
)
FORMULAS: Final = ("=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", " =1")
PATHS: Final = ("../../x", "/etc/passwd", "C:\\x", "\\\\host\\share", "a/b", "CON", ".", "..")
TIMES: Final = (
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59.999999",
    "9999-12-31T23:59:59.999999-14:00",
    "0000-00-00T00:00:00Z",
    "2026-02-30T12:00:00+01:00",
    "2026-01-01",
    "2026-W01-1",
    "1e9",
    "-2026-01-01T00:00:00Z",
    "2026-01-01T00:00:00+99:99",
)
TEXTS: Final = (
    "",
    " ",
    "\u3000",
    "\ud800",
    "\ufffe",
    "é" * 3,
    "%s%n{0}${x}",
    "null",
    "<script>alert(1)</script>",
    "'; drop table sessions; --",
    *ESCAPES,
    *FORMULAS,
    *PATHS,
)
LONG_TEXTS: Final = ("a" * 300, "e\u0301" * 5_000, "x" * 100_000, "/" * 5_000)
NUMBERS: Final = (
    0,
    -1,
    1,
    7,
    255,
    2**31,
    -(2**31) - 1,
    2**53 + 1,
    2**63 - 1,
    2**63,
    2**64 - 1,
    -(2**63),
    10**30,
    0.5,
    -0.0,
    5e-324,
    1e-9,
    1e308,
    -1e308,
)


class Raw(str):
    """JSON that no value of Python stands for, written as it is."""

    __slots__ = ()


HUGE: Final = (
    Raw("1e999"),
    Raw("-1e999"),
    Raw("1" + "0" * 400),
    Raw("NaN"),
    Raw("Infinity"),
    Raw("1" + "0" * 5_000),
    Raw("0." + "0" * 3_000 + "1"),
)
DEEP: Final = (
    Raw("[" * 200_000),
    Raw("[" * 200_000 + "]" * 200_000),
    Raw('{"a":' * 60_000 + "1" + "}" * 60_000),
    Raw("[" * 600 + "]" * 600),
)
CONTAINERS: Final[tuple[Any, ...]] = ([], {}, ["a"], [[1]], {"a": 1}, {"": None}, [None] * 1_000)


def text_value(rng: random.Random) -> str:
    """Return a hostile text."""
    return rng.choice(rng.choice((TEXTS, ESCAPES, TIMES, LONG_TEXTS, TEXTS)))


def value(rng: random.Random, before: Any) -> Any:
    """Return a hostile value for the place of another: mostly of its kind, sometimes of none."""
    if isinstance(before, str) and re.match(r"\d{4}-\d\d-\d\d", before) and rng.random() < 0.6:
        return rng.choice(TIMES)
    if rng.random() < 0.55:
        if isinstance(before, str):
            return text_value(rng)
        if isinstance(before, (int, float)) and not isinstance(before, bool):
            return rng.choice(rng.choice((NUMBERS, HUGE)))
    sort = rng.randrange(7)
    if sort == 0:
        return rng.choice(NUMBERS)
    if sort == 1:
        return rng.choice(HUGE)
    if sort == 2:
        return text_value(rng)
    if sort == 3:
        return copy.deepcopy(rng.choice(CONTAINERS))
    if sort == 4:
        return rng.choice(DEEP)
    if sort == 5:
        return rng.choice((None, True, False))
    return [before] * rng.choice((0, 1, 2, 5_000))


def _places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    if isinstance(node, dict):
        for key, item in node.items():
            found += _places(item, (*path, key))
    elif isinstance(node, list):
        for k, item in enumerate(node[:50]):
            found += _places(item, (*path, k))
    return found


def _shown(thing: Any) -> str:
    text = thing if isinstance(thing, Raw) else ascii(thing)
    return text if len(text) <= 40 else f"{text[:24]}... ({len(text)} characters)"


def dumped(node: Any) -> str:
    """Write JSON with its `Raw` parts as they are; lone surrogates are escaped."""
    raws: list[str] = []

    def marked(item: Any) -> Any:
        if isinstance(item, Raw):
            raws.append(str(item))
            return f"\ue000{len(raws) - 1}\ue001"
        if isinstance(item, dict):
            return {key: marked(value) for key, value in item.items()}
        if isinstance(item, list):
            return [marked(value) for value in item]
        return item

    text = json.dumps(marked(node))
    return re.sub(r'"\\ue000(\d+)\\ue001"', lambda found: raws[int(found[1])], text)


def json_text(rng: random.Random, text: str) -> tuple[bytes, str]:
    """Mutate a JSON document by its structure."""
    document = json.loads(text)
    done = []
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        path = rng.choice(_places(document))
        way = rng.randrange(8)
        if not path:
            if way == 0 and rng.random() < 0.3:
                document = value(rng, document)
                done.append(f"all = {_shown(document)}")
            continue
        parent = document
        for step in path[:-1]:
            parent = parent[step]
        key = path[-1]
        name = "/".join(map(str, path))[-60:]
        if way == 0 and isinstance(parent, dict):
            del parent[key]
            done.append(f"without {name}")
            break
        if way == 1 and isinstance(parent, dict):
            new = rng.choice((*TEXTS, str(2**64), "1e999", "x" * 100_000, "-1"))
            parent[new] = parent.pop(key)
            done.append(f"{name} called {_shown(new)}")
            break
        parent[key] = value(rng, parent[key])
        done.append(f"{name} = {_shown(parent[key])}")
        if isinstance(parent[key], Raw):
            break
    out = dumped(document)
    if rng.random() < 0.05 and isinstance(document, dict) and document:
        key = rng.choice(list(document))
        out = out[:-1] + f", {json.dumps(key)}: {dumped(value(rng, document[key]))}}}"
        done.append(f"{_shown(key)} twice")
    return out.encode(), "; ".join(done) or "written anew"


EXTRA: Final[tuple[dict[str, Any], ...]] = (
    {"kind": "note", "seq": 120, "text": "a word"},
    {"kind": "gap", "seq": 200, "missing": 12, "connection": 0},
    {"kind": "beats", "seq": 300, "ready_seq": 300, "takeaway_seq": 400, "top_seq": 560},
    {"kind": "tone", "seq": 300, "what": "full"},
    {"kind": "tap", "seq": 900, "tap": 1, "swing": 1, "swing_seq": 900, "said": {"time": "slow"}},
    {"kind": "drill", "seq": 0, "drill": "turn", "blocks": [5, 5], "output": "silent"},
    {"kind": "block", "seq": 0, "block": 1, "of": 2, "silent": False},
    {"kind": "drill_swing", "seq": 900, "block": 1, "swing": 1, "full": True},
    {"kind": "felt", "seq": 900, "swing": 1, "time": "rushed"},
    {"kind": "segment", "seq": 600, "player": "Ben", "club": "driver", "intent": "full"},
    {"kind": "wearing", "seq": 5, "code": "upside_down", "ok": False},
    {"kind": "block_outcome", "seq": 1000, "block": 1, "held": 3, "of": 5},
)
"""Markers as the recorder and the drill write them, or nearly so."""


def jsonl_of(rng: random.Random, data: bytes) -> tuple[bytes, str]:
    """Mutate a file of JSON lines: one line by its structure, or lines that come and go."""
    lines = data.splitlines()
    way = rng.randrange(6)
    if way <= 3 or not lines:
        extra = json.dumps(rng.choice(EXTRA))
        if way <= 1 or not lines:
            new, done = json_text(rng, extra)
            lines.insert(rng.randrange(len(lines) + 1), new)
            return b"\n".join(lines) + b"\n", f"a line more: {done}"
        k = rng.randrange(len(lines))
        lines[k], done = json_text(rng, lines[k].decode("utf-8", "replace"))
        return b"\n".join(lines) + b"\n", f"line {k + 1}: {done}"
    if way == 4:
        line = rng.choice((b"", b"{", b"null", b"[]", b"\xff\xfe", b"1" * 100_000, b"\x00" * 64))
        times = rng.choice((1, 3, 20_000)) if len(line) < 100 else 1
        return data + (line + b"\n") * times, f"{times} lines of {line[:8]!r} more"
    times = rng.choice((2, 2_000))
    return data * times, f"all lines {times} times"


def bytes_of(rng: random.Random, data: bytes) -> tuple[bytes, str]:
    """Damage bytes: flips, cuts, zeroed holes, blocks that come twice, rubbish."""
    size = len(data)
    if not size:
        return rng.randbytes(rng.choice((1, 100, 5_000))), "rubbish in an empty file"
    out = bytearray(data)
    way = rng.randrange(8)
    at = rng.randrange(size) if rng.random() < 0.6 else rng.randrange(min(size, 256))
    if way <= 1:
        flips = rng.choice((1, 2, 8, 64))
        for _ in range(flips):
            k = at if flips == 1 else rng.randrange(size)
            out[k] ^= 1 << rng.randrange(8)
        return bytes(out), f"{flips} bits flipped, one at {at}"
    if way == 2:
        return bytes(out[:at]), f"cut off at {at}"
    if way == 3:
        hole = rng.choice((1, 512, 4_096, size))
        out[at : at + hole] = bytes(len(out[at : at + hole]))
        return bytes(out), f"{hole} zeros at {at}"
    if way == 4:
        block = bytes(out[at : at + rng.choice((1, 512, 4_096))])
        out[at:at] = block
        return bytes(out), f"{len(block)} bytes at {at} twice"
    if way == 5:
        rubbish = rng.randbytes(rng.choice((1, 16, 700)))
        out[at : at + len(rubbish)] = rubbish
        return bytes(out), f"{len(rubbish)} bytes of rubbish at {at}"
    if way == 6:
        del out[at : at + rng.choice((1, 7, 4_096))]
        return bytes(out), f"bytes missing at {at}"
    end = rng.randbytes(rng.choice((1, 33))) if rng.random() < 0.5 else bytes(100_000)
    return bytes(out) + end, f"{len(end)} bytes after the end"


def npy_of(rng: random.Random, data: bytes) -> tuple[bytes, str]:
    """Mutate an array's file: its header, or the numbers in it."""
    rows = np.load(io.BytesIO(data), allow_pickle=False)
    if rng.random() < 0.4:
        size = struct.unpack("<H", data[8:10])[0]
        header = data[10 : 10 + size].decode("latin-1")
        body = data[10 + size :]
        new = rng.choice(
            (
                header.replace(f"({len(rows)},", f"({10**15},"),
                header.replace(f"({len(rows)},", "(-5,"),
                header.replace(f"({len(rows)},", f"({len(rows)}, 2,"),
                header.replace(f"({len(rows)},", "(),"),
                header.replace("<i2", "|O"),
                header.replace("<i2", "<f8"),
                header.replace("<i8", ">i8"),
                header.replace("<i2", "<U9999"),
                header.replace("ax", "az"),
                header.replace("False", "True"),
                "{" * 30_000,
                "(" * 500 + ")" * 500,
                "__import__('os')",
                "\xff" * 60,
                "",
            )
        )
        head = data[:6] + bytes((rng.choice((1, 1, 1, 2, 3, 9)), 0))
        raw = new.encode("latin-1")
        length = len(raw) if rng.random() < 0.8 else rng.choice((0, 1, 65_535))
        out = head + struct.pack("<H", min(length, 65_535)) + raw + body
        return out, f"header {new[:50]!r}"
    rows = rows.copy()
    name = rng.choice(rows.dtype.names or ("",))
    way = rng.randrange(8)
    k = rng.randrange(len(rows))
    column = rows[name]
    info = np.iinfo(column.dtype) if column.dtype.kind in "iu" else np.finfo(column.dtype)
    if way == 0:
        column[k] = rng.choice((info.max, info.min))
    elif way == 1:
        column[:] = rng.choice((info.max, info.min, 0))
    elif way == 2:
        rows = rows[::-1].copy()
    elif way == 3:
        column[k:] = column[0]
    elif way == 4 and column.dtype.kind == "f":
        column[k] = rng.choice((np.nan, np.inf, -np.inf, 1e38))
    elif way == 5:
        rows = rows[: rng.choice((0, 1, 2, 3))]
    elif way == 6:
        rows = np.concatenate([rows, rows])
    else:
        steps = np.asarray([rng.randrange(-3, 2**40) for _ in range(len(rows))])
        column[:] = np.clip(steps, info.min, info.max).astype(column.dtype)
    file = io.BytesIO()
    np.save(file, rows, allow_pickle=False)
    return file.getvalue(), f"{name}, way {way}, row {k}"
