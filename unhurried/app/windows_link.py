"""A shortcut of Windows, a ``.lnk``, byte by byte.

By [MS-SHLLINK], Shell Link (.LNK) Binary File Format, Microsoft's published description: a header,
the target as a list of items, the same as a path, and texts. What the items of a list look like
isn't published there; they are as the Shell writes them (from memory), and read back by a parser
that isn't ours.
"""

from __future__ import annotations

import struct
import uuid
from pathlib import PureWindowsPath
from typing import Final

_LINK: Final = uuid.UUID("00021401-0000-0000-c000-000000000046")
_COMPUTER: Final = uuid.UUID("20d04fe0-3aea-1069-a2d8-08002b30309d")

_HAS_LIST, _HAS_INFO, _HAS_NAME = 0x01, 0x02, 0x04
_HAS_FOLDER, _HAS_ARGUMENTS, _UNICODE = 0x10, 0x20, 0x80
_SMALL_IN_THE_BAR: Final = 7
"""How its window begins: SW_SHOWMINNOACTIVE."""
_FILE, _FOLDER = 0x20, 0x10
"""Attributes, as files have them."""
_FIXED_DRIVE: Final = 3
LONGEST: Final = 32_000
"""Characters of a text."""


def windows_link(target: str, arguments: str, *, about: str) -> bytes:
    """Return a shortcut that starts a program.

    Parameters
    ----------
    target : str
        The program, with its drive: ``C:\\\\...``.
    arguments : str
        As on a command line.
    about : str
        What is shown of it.

    Raises
    ------
    ValueError
        The program lies on no drive, or a text is too long.
    """
    path = PureWindowsPath(target)
    if len(path.drive) != 2 or not path.root or len(path.parts) < 2:
        raise ValueError(f"{target}: isn't on a drive of this computer")
    flags = _HAS_LIST | _HAS_INFO | _HAS_NAME | _HAS_FOLDER | _HAS_ARGUMENTS | _UNICODE
    header = struct.pack("<I16sII24xIIIHHII", 0x4C, _LINK.bytes_le, flags, _FILE, 0, 0,
                         _SMALL_IN_THE_BAR, 0, 0, 0, 0)  # fmt: skip
    texts = b"".join(map(_text, (about, str(path.parent), arguments)))
    return header + _list(path) + _info(str(path)) + texts + bytes(4)


def _text(text: str) -> bytes:
    """StringData, 2.4: the number of UTF-16 units, and these."""
    data = text.encode("utf-16-le", "surrogatepass")
    if len(data) > 2 * LONGEST:
        raise ValueError("the text is too long for a shortcut")
    return struct.pack("<H", len(data) // 2) + data


def _list(path: PureWindowsPath) -> bytes:
    """LinkTargetIDList, 2.2: this computer, the drive, and what lies in what."""
    items = [b"\x1f\x50" + _COMPUTER.bytes_le, b"/" + path.anchor.encode("ascii").ljust(22, b"\0")]
    names = path.parts[1:]
    items += [_entry(name, folder=place < len(names)) for place, name in enumerate(names, 1)]
    data = b"".join(struct.pack("<H", len(one) + 2) + one for one in items) + bytes(2)
    return struct.pack("<H", len(data)) + data


def _entry(name: str, *, folder: bool) -> bytes:
    """One folder or file: its name in ASCII, and behind it the whole of it."""
    plain = name.encode("ascii", "replace") + b"\0"
    plain += b"\0" * (len(plain) % 2)
    kind, attributes = (0x31, _FOLDER) if folder else (0x32, _FILE)
    start = struct.pack("<BBIIH", kind, 0, 0, 0, attributes) + plain
    long = name.encode("utf-16-le", "surrogatepass") + bytes(2)
    size = 20 + len(long) + 2
    # Its offset counts from the item's size, which stands before all of this.
    more = struct.pack("<HHIIIHH", size, 3, 0xBEEF0004, 0, 0, 0x14, 0) + long
    return start + more + struct.pack("<H", len(start) + 2)


def _info(path: str) -> bytes:
    """LinkInfo, 2.3: the target as a path of a fixed drive, in ASCII and whole."""
    volume = struct.pack("<IIII", 0x11, _FIXED_DRIVE, 0, 0x10) + b"\0"
    plain = path.encode("ascii", "replace") + b"\0"
    long = path.encode("utf-16-le", "surrogatepass") + bytes(2)
    at_volume = 0x24
    at_plain = at_volume + len(volume)
    at_rest = at_plain + len(plain)
    at_long = at_rest + 1
    at_long_rest = at_long + len(long)
    size = at_long_rest + 2
    head = struct.pack("<9I", size, 0x24, 1, at_volume, at_plain, 0, at_rest, at_long, at_long_rest)
    return head + volume + plain + b"\0" + long + bytes(2)
