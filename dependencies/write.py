"""``python dependencies/write.py``: write this folder's lists anew.

- ``lowest.txt``: every lower bound of ``pyproject.toml`` as the version itself, which the tests are
  run with by ``.ci/run`` (pip has no such mode);
- ``locked.txt``: every distribution of this environment that the program or its tests need, with
  the version that the tests passed with; names and versions only;
- ``licences.md``: what each of them says its licence is.

Run it in an environment with the newest versions, after the tests have passed in it.
"""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parent / "pyproject.toml"
LOWEST, LOCKED, LICENCES = (HERE / name for name in ("lowest.txt", "locked.txt", "licences.md"))


def project() -> dict[str, Any]:
    """Return what ``pyproject.toml`` says of the project."""
    found: dict[str, Any] = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]
    return found


def lowest() -> str:
    """Return the constraints that hold every dependency at its lower bound."""
    given = project()
    lines = []
    for text in (*given["dependencies"], *given["optional-dependencies"]["dev"]):
        wanted = Requirement(text)
        bounds = [spec.version for spec in wanted.specifier if spec.operator == ">="]
        if bounds:
            marker = f" ; {wanted.marker}" if wanted.marker else ""
            lines.append(f"{wanted.name}=={bounds[0]}{marker}")
    return "\n".join(sorted(lines, key=str.lower)) + "\n"


def needed(*extras: str) -> dict[str, Distribution]:
    """Return what the project needs in this environment, by name, with what that needs in turn.

    Parameters
    ----------
    *extras : str
        Of the project's own.
    """
    given = project()
    waiting = [Requirement(text) for text in given["dependencies"]]
    for extra in extras:
        waiting += [Requirement(text) for text in given["optional-dependencies"][extra]]
    found: dict[str, Distribution] = {}
    seen: set[tuple[str, frozenset[str]]] = set()
    while waiting:
        wanted = waiting.pop()
        name = canonicalize_name(wanted.name)
        key = (name, frozenset(wanted.extras))
        if key in seen or not (wanted.marker is None or wanted.marker.evaluate({"extra": ""})):
            continue
        seen.add(key)
        try:
            found[name] = distribution(name)
        except PackageNotFoundError:
            raise SystemExit(f"{name} is not installed here: pip install -e '.[dev]'") from None
        for text in found[name].requires or ():
            inner = Requirement(text)
            marks = [{"extra": extra} for extra in ("", *wanted.extras)]
            if inner.marker is None or any(inner.marker.evaluate(mark) for mark in marks):
                inner.marker = None
                waiting.append(inner)
    return dict(sorted(found.items()))


def locked(found: dict[str, Distribution]) -> str:
    """Return the constraints that hold everything at the version that is installed."""
    return "".join(f"{name}=={one.version}\n" for name, one in found.items())


def licence(one: Distribution) -> str:
    """Return the licence in a distribution's own words: its expression, else what it is filed as.

    The fields are those of the core metadata (PEP 639; before it, the trove classifiers).
    """
    metadata = one.metadata
    if "License-Expression" in metadata:
        return metadata["License-Expression"]
    filed = [
        text.rpartition(" :: ")[2]
        for text in metadata.get_all("Classifier") or ()
        if text.startswith("License :: ") and text != "License :: OSI Approved"
    ]
    # Some put the whole text there; its first line is its title.
    said = metadata["License"].strip().splitlines() if "License" in metadata else []
    shown = "; ".join(filed) or (said[0] if said else "")
    return re.sub(r"\s+", " ", shown)[:80] or "not said: see its own files"


def licences() -> str:
    """Return the list of licences, as Markdown."""
    ships = needed()
    more = {name: one for name, one in needed("dev").items() if name not in ships}
    lines = ["# Licences of the dependencies", ""]
    lines += ["As each says itself; written by `python dependencies/write.py`.", ""]
    for title, group in (("What the program needs", ships), ("For its tests alone", more)):
        lines += [f"## {title}", "", "| name | licence |", "|---|---|"]
        lines += [f"| {name} | {licence(one)} |" for name, one in group.items()]
        lines.append("")
    lines += [
        "PyAV's and sounddevice's wheels hold FFmpeg and PortAudio, which have licences of their",
        "own (LGPL or GPL by how FFmpeg was built; MIT). Nothing of any of these is part of this",
        "repository: they are installed beside it.",
    ]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write all three."""
    everything = needed("dev")
    LOWEST.write_text(lowest(), encoding="utf-8")
    LOCKED.write_text(locked(everything), encoding="utf-8")
    LICENCES.write_text(licences(), encoding="utf-8")


if __name__ == "__main__":
    main()
