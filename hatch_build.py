"""Builds the manual into the package: a wheel holds the site that *Help* opens."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PLACE = "review/manual"


def build(root: Path, place: Path) -> None:
    """Build the manual of a checkout.

    Parameters
    ----------
    root : Path
        The checkout.
    place : Path
        Folder for the site; one that is there is replaced.

    Raises
    ------
    RuntimeError
        Sphinx had something to say; the message is what.
    """
    cache = root / ".cache" / "docs"
    shutil.rmtree(place, ignore_errors=True)
    words = ["-q", "-W", "--keep-going", "-E", "-d", str(cache), "-b", "html"]
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", *words, str(root / "docs"), str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"the manual can't be built:\n{done.stdout}{done.stderr}")
    for name in (".buildinfo", "objects.inv"):
        (place / name).unlink(missing_ok=True)


class ManualHook(BuildHookInterface):  # type: ignore[type-arg]
    """Builds the manual before a wheel is made, also for an editable install."""

    def initialize(self, _version: str, build_data: dict[str, Any]) -> None:
        """Build it, and say that it belongs into the wheel though git doesn't keep it."""
        if self.target_name != "wheel":
            return
        root = Path(self.root)
        build(root, root / PLACE)
        build_data["artifacts"].append(f"/{PLACE}/")
