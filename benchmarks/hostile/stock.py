"""What is sound, before anything is mutated: recordings, a home, a bundle, CSV files."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from benchmarks.hostile.children import Ran, command
from simulation.procedure import ProcedureSpec, simulate_procedure

__all__ = ["Stock", "World", "make_stock"]

LAUNCHES: Final = (
    "Ball,Club,Carry (yd),Ball Speed (mph),Time\n"
    "1,7 iron,151.2,108.4,18:30:12\n2,7 iron,148.9,107.0,18:30:40\n"
)
"""Ball results as a table; the numbers are invented."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """Where the sound things are, and how they are known.

    Attributes
    ----------
    root : Path
    world : Path
        What every case begins with: ``home`` and ``recordings``, at the place where cases run.
    ids : tuple of str
        Recordings of the home.
    players : tuple of str
        Their players' names.
    """

    root: Path
    world: Path
    ids: tuple[str, ...]
    players: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class World:
    """The folders of one case."""

    root: Path

    @property
    def home(self) -> Path:
        """The home, with the good recordings in its library."""
        return self.root / "home"

    @property
    def recordings(self) -> Path:
        """The good recordings."""
        return self.root / "recordings"

    @property
    def came(self) -> Path:
        """Where what has come from outside is put."""
        return self.root / "came"


def make_stock(root: Path) -> Stock:
    """Make all that is to be mutated.

    Parameters
    ----------
    root : Path
        A new folder; its ``world`` is where the cases are to run, since a library knows where its
        recordings are.

    Raises
    ------
    RuntimeError
        A sound command failed: nothing could be told from hostile ones.
    """
    world = World(root / "world")
    for folder in (world.home, world.recordings, world.came, root / "stock"):
        folder.mkdir(parents=True)

    def run(*words: str) -> Ran:
        ran = command(root, *words)
        if ran.code:
            raise RuntimeError(f"{' '.join(words)}: {ran.err}")
        return ran

    at = str(world.home)
    ida, ben = world.recordings / "ida", world.recordings / "ben"
    run("simulate", str(ida), "--swings", "1", "--seed", "5", "--player", "Ida", "--only-full")
    run("simulate", str(ben), "--swings", "1", "--seed", "9", "--player", "Ben", "--mount", "club")
    stock = root / "stock"
    for name, seed in (("counts", "12"), ("other", "13")):
        words = ("--swings", "1", "--seed", seed, "--player", "Eva", "--only-full")
        run("simulate", str(stock / name), *words, *(("--csv",) if name == "counts" else ()))
    run("import", str(stock / "counts.csv"), str(stock / "floats"), "--mount", "wrist")
    (stock / "launches.csv").write_text(LAUNCHES, encoding="utf-8")
    run("library", "add", "--home", at, "--workers", "1", str(world.recordings))
    run("library", "player", "Ida", "--note", "an invented player", "--home", at)
    run("felt", f"{ida}#1", "--time", "rushed", "--home", at)
    run("results", "add", f"{ida}#1", "--carry-m", "140", "--home", at)
    run("settings", "units=imperial", "--home", at)
    simulate_procedure(ProcedureSpec(), seed=3).write(stock / "table")
    run("calibrate", "--from", str(stock / "table"), "--home", at)
    run("calibrate", "--from", str(stock / "table"), "--home", at, "--out", str(stock / "one.json"))
    # The bundle comes from another home: what it holds is new here, but for one recording.
    other = str(root / "other")
    shutil.copytree(ida, stock / "ida")
    run("library", "add", "--home", other, "--workers", "1", str(stock / "other"))
    run("library", "add", "--home", other, "--workers", "1", str(stock / "ida"))
    run("felt", f"{stock / 'other'}#1", "--turn", "full", "--home", other)
    both = (str(stock / "other"), str(stock / "ida"))
    more = ("--message", "two swings", "--home", other)
    run("bundle", "make", str(stock / "two.zip"), *both, *more)
    listed = json.loads(run("library", "list", "--json", "--home", at).out)
    kept = root / "kept"
    shutil.copytree(world.root, kept)
    return Stock(
        root=root,
        world=kept,
        ids=tuple(sorted(row["id"] for row in listed["sessions"])),
        players=tuple(sorted(row["name"] for row in listed["players"])),
    )
