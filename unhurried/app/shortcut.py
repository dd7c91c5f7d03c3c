"""A shortcut to the program, where this system's people look for one.

Linux: an entry of the menu and of the desktop, by the Desktop Entry Specification 1.5 (tried).
Windows: a ``.lnk`` on the desktop (its bytes are read back by another's parser, not tried on
Windows). macOS: a ``.command`` on the desktop, which Terminal opens (its lines are run by a shell,
not tried on a Mac).
"""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from unhurried.app.errors import CommandError

NAME: Final = "unhurried"
ABOUT: Final = "Measure golf swings"


def program(home: Path | None) -> list[str]:
    """Return the command that opens the page.

    Parameters
    ----------
    home : Path or None
        None: the usual one.
    """
    script = Path(sys.executable).parent / (f"{NAME}.exe" if sys.platform == "win32" else NAME)
    words = [str(script)] if script.is_file() else [sys.executable, "-m", NAME]
    return [*words, "review", *([] if home is None else ["--home", str(home.absolute())])]


def make_shortcut(
    home: Path | None,
    *,
    system: str = sys.platform,
    environment: Mapping[str, str] = os.environ,
) -> list[Path]:
    """Make a shortcut; one that is there is made anew.

    Parameters
    ----------
    home : Path or None
        None: the usual one.
    system : str
        As `sys.platform`.
    environment : mapping

    Returns
    -------
    list of Path
        What was made.

    Raises
    ------
    CommandError
        It cannot be made.
    """
    words = program(home)
    user = Path(environment.get("HOME") or Path.home())
    desktop = user / "Desktop"
    try:
        if system == "win32":
            return [_windows(words, environment)]
        if system == "darwin":
            desktop.mkdir(exist_ok=True)
            return [_written(desktop / f"{NAME}.command", f"#!/bin/sh\nexec {shlex.join(words)}\n")]
        data = environment.get("XDG_DATA_HOME") or str(user / ".local" / "share")
        menu = Path(data) / "applications"
        menu.mkdir(parents=True, exist_ok=True)
        places = [menu, *([desktop] if desktop.is_dir() else [])]
        return [_written(place / f"{NAME}.desktop", _entry(words)) for place in places]
    except OSError as error:
        raise CommandError(f"a shortcut cannot be made here: {error.strerror or error}") from error


def _written(file: Path, text: str) -> Path:
    file.write_text(text, encoding="utf-8")
    file.chmod(0o755)
    return file


def _entry(words: Sequence[str]) -> str:
    """Return an entry of a menu; what stands in `Exec` is quoted as the specification has it."""
    from review.page.app import HERE

    return "\n".join(
        (
            "[Desktop Entry]",
            "Type=Application",
            "Version=1.5",
            f"Name={NAME}",
            f"Comment={ABOUT}",
            f"Exec={' '.join(_quoted(word) for word in words)}",
            f"Icon={HERE / 'static' / 'icon.svg'}",
            "Terminal=false",
            "Categories=Sports;Education;",
            "",
        )
    )


def _quoted(word: str) -> str:
    inner = "".join(f"\\{sign}" if sign in '"`$\\' else sign for sign in word)
    # A backslash is one of the key file's own as well, and % begins a field code.
    return '"' + inner.replace("\\", "\\\\").replace("%", "%%") + '"'


def _windows(words: Sequence[str], environment: Mapping[str, str]) -> Path:
    from unhurried.app.windows_link import windows_link

    file = Path(environment.get("USERPROFILE") or Path.home()) / "Desktop" / f"{NAME}.lnk"
    try:
        data = windows_link(words[0], subprocess.list2cmdline(words[1:]), about=ABOUT)
    except ValueError as error:
        raise CommandError(f"a shortcut cannot be made here: {error}") from error
    file.parent.mkdir(exist_ok=True)
    file.write_bytes(data)
    return file
