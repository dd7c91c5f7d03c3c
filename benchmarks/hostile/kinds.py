"""The kinds of what arrives: one case is one mutation, and the commands that meet it."""

from __future__ import annotations

import hashlib
import io
import json
import os
import random
import shutil
import sqlite3
import stat
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from benchmarks.hostile import mutate
from benchmarks.hostile.children import MOST_S, Ran, command, faults_of
from benchmarks.hostile.stock import Stock, World

__all__ = ["KINDS", "Case"]

RAW: Final = ("session.json", "imu.npy", "packets.npy", "markers.jsonl")
"""Files of a recording that nothing may ever change."""


@dataclass(slots=True)
class Case:
    """One mutation and what became of it.

    Attributes
    ----------
    kind : str
    number : int
        With the run's seed it makes the case again.
    done : str
        The mutation.
    faults : list of str
    seconds, megabytes : float
        The most that one of its commands took.
    """

    kind: str
    number: int
    done: str = ""
    faults: list[str] = field(default_factory=list)
    seconds: float = 0.0
    megabytes: float = 0.0


class Trial:
    """The commands of a case: runs them and writes down what they must not have done."""

    def __init__(self, case: Case, stock: Stock, world: World, most_s: float = MOST_S) -> None:
        self.case = case
        self.stock = stock
        self.world = world
        self.most_s = most_s

    def run(self, *words: str | Path) -> Ran:
        """Run a command with the case's home."""
        texts = [str(word) for word in words]
        ran = command(self.stock.root, *texts, most_s=self.most_s)
        self.case.seconds = max(self.case.seconds, ran.seconds)
        self.case.megabytes = max(self.case.megabytes, ran.megabytes)
        for fault in faults_of(ran):
            shown = " ".join(word if len(word) < 60 else word[:20] + "..." for word in texts)
            said = (ran.err.strip().splitlines() or [""])[-1][:300]
            self.case.faults.append(f"{fault}: unhurried {shown}: {said}")
        return ran

    @property
    def at(self) -> tuple[str, str]:
        """The home, as an option."""
        return "--home", str(self.world.home)

    def wrong(self, text: str) -> None:
        """Write down what is wrong beside the words of a command."""
        self.case.faults.append(text)

    def none_left_out(self, *more: str) -> None:
        """Look whether all good recordings are in the library, and their players."""
        ran = self.run("library", "list", "--json", "--limit", "100", *self.at)
        try:
            listed = json.loads(ran.out)
            ids = {row["id"] for row in listed["sessions"] if not row["missing"]}
            names = {row["name"] for row in listed["players"]}
        except (ValueError, KeyError, TypeError):
            self.wrong(f"library list --json is no list (exit {ran.code})")
            return
        for one in (*self.stock.ids, *more):
            if one not in ids:
                self.wrong(f"a good recording is left out: {one[:8]}")
        for name in self.stock.players:
            if name not in names:
                self.wrong(f"a player is gone: {name}")


def _recording_id(folder: Path) -> str:
    return str(json.loads((folder / "session.json").read_text(encoding="utf-8"))["id"])


def _digest(folder: Path) -> dict[str, bytes]:
    found = {}
    for name in RAW:
        path = folder / name
        if stat.S_ISREG(os.lstat(path).st_mode if os.path.lexists(path) else 0):
            size = path.stat().st_size
            found[name] = (
                hashlib.sha256(path.read_bytes()).digest()
                if size < 50_000_000
                else str(size).encode()
            )
    return found


def _put(path: Path, data: bytes) -> None:
    """Write a file anew, whatever was there."""
    if path.exists():
        path.chmod(0o600)
    path.write_bytes(data)


def _mutated(rng: random.Random, name: str, data: bytes) -> tuple[bytes, str]:
    """Mutate a file by its structure or its bytes."""
    if data and rng.random() < 0.75 and not (name.endswith(".npy") and len(data) <= 256):
        if name.endswith(".json"):
            return mutate.json_text(rng, data.decode("utf-8"))
        if name.endswith(".jsonl"):
            return mutate.jsonl_of(rng, data)
        if name.endswith(".npy"):
            return mutate.npy_of(rng, data)
    return mutate.bytes_of(rng, data)


# -- recordings ----------------------------------------------------------------------------------

_ANNOTATIONS: Final[dict[str, Any]] = {
    "version": 1,
    "recording": "",
    "program_version": "0.1.0",
    "session": {"note": {"value": "windy", "at": "2026-11-30T19:08:06.303281+00:00"}},
    "identities": {},
    "segments": {},
    "swings": {
        "900": {
            "felt": {"value": {"time": "rushed"}, "at": "2026-11-30T19:08:06.303281+00:00"},
            "ball": {"value": {"carry_m": 140.0}, "at": "2026-11-30T19:08:07.303281+00:00"},
        }
    },
    "history": [
        {
            "key": ["swing", "900", "felt"],
            "before": None,
            "after": {"time": "rushed"},
            "at": "2026-11-30T19:08:06.303281+00:00",
        }
    ],
}


def _damage_folder(rng: random.Random, folder: Path) -> str:
    """Do to a recording's folder what no byte in a file says."""
    name = rng.choice(RAW)
    path = folder / name
    way = rng.randrange(9)
    if way == 0:
        path.unlink()
        return f"no {name}"
    if way == 1:
        path.unlink()
        path.mkdir()
        return f"{name} is a folder"
    if way == 2:
        path.unlink()
        target = rng.choice(("/dev/zero", "/etc/passwd", name, "nowhere", "/"))
        path.symlink_to(target)
        return f"{name} leads to {target}"
    if way == 3:
        path.unlink()
        os.mkfifo(path)
        return f"{name} is a pipe"
    if way == 4:
        path.chmod(0o600)
        size = rng.choice((300_000_000, 3_000_000_000))
        os.truncate(path, size)
        return f"{name} of {size} bytes, nearly all holes"
    if way == 5:
        (folder / "loop").symlink_to(folder)
        return "a folder that leads back to itself"
    if way == 6:
        deep = folder
        for k in range(60):
            deep = deep / f"deep{k}"
        deep.mkdir(parents=True)
        shutil.copy(path, deep / name)
        return "sixty folders inside"
    if way == 7:
        (folder / os.fsdecode(b"no utf-8 \xff\xfe \x1b[2J")).write_bytes(b"x")
        return "a file name that is no UTF-8"
    new = folder.with_name(
        rng.choice(("\x1b]0;x\x07", "x" * 250, os.fsdecode(b"\xff"), "a\nb", "-h"))
    )
    folder.rename(new)
    return f"folder called {ascii(new.name)[:30]}"


def _recording(trial: Trial, rng: random.Random) -> str:
    """Damage a recording and take it in, with a good one after it."""
    world, stock = trial.world, trial.stock.root / "stock"
    base = stock / rng.choice(("counts", "floats", "counts", "floats", "table"))
    bad, good = world.came / "1-bad", world.came / "2-good"
    shutil.copytree(base, bad)
    shutil.copytree(stock / "other", good)
    if rng.random() < 0.4:
        said = {**_ANNOTATIONS, "recording": _recording_id(base)}
        (bad / "annotations.json").write_text(json.dumps(said), encoding="utf-8")
    if rng.random() < 0.12:
        done = _damage_folder(rng, bad)
        bad = next((p for p in world.came.iterdir() if p.name != good.name), bad)
    else:
        # JSON is where most readers are.
        names = ["session.json"] * 4 + ["markers.jsonl"] * 3 + ["imu.npy"] * 2 + ["packets.npy"] * 2
        if (bad / "annotations.json").exists():
            names += ["annotations.json"] * 6
        name = rng.choice(names)
        path = bad / name
        data = path.read_bytes() if path.exists() else b""
        data, what = _mutated(rng, name, data)
        _put(path, data)
        done = f"{base.name}/{name}: {what}"
    before = _digest(bad)
    trial.run("library", "add", *trial.at, "--workers", "1", world.came)
    out = world.root / "out"
    choices: list[tuple[str | Path, ...]] = [
        ("info", bad, *trial.at),
        ("info", bad, "--json", *trial.at),
        ("analyze", bad, *trial.at),
        ("analyze", bad, "--json", *trial.at),
        ("analyze", bad, "--csv", *trial.at),
        ("analyze", f"{bad}#1", *trial.at),
        ("export", bad, "-"),
        ("recover", bad, out),
        ("felt", f"{bad}#1", "--time", "rushed", *trial.at),
        ("felt", bad, *trial.at),
        ("results", "list", bad, *trial.at),
        ("story", bad, *trial.at),
        ("compare", f"{bad}#1", f"{good}#1", *trial.at),
        ("calibrate", "--from", bad, *trial.at),
        ("report", bad, out, *trial.at),
        ("bundle", "make", out, bad, *trial.at),
        ("library", "update", *trial.at, "--workers", "1"),
        ("library", "rebuild", *trial.at, "--workers", "1"),
        ("library", "check", *trial.at),
        ("library", "show", bad, *trial.at),
        ("agree", bad, bad / "annotations.json", *trial.at),
    ]
    for words in rng.sample(choices, 2):
        trial.run(*words)
    trial.none_left_out(_recording_id(good))
    if _digest(bad) != before:
        trial.wrong("what was recorded has been changed")
    return done


# -- bundles -------------------------------------------------------------------------------------


def _read_zip(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _rehashed(members: dict[str, bytes]) -> None:
    """Have the manifest say of all files what they are now, as whoever doctors one would."""
    manifest = json.loads(members["manifest.json"])
    manifest["files"] = {
        name: {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in members.items()
        if name != "manifest.json"
    }
    members["manifest.json"] = json.dumps(manifest).encode()


def _zip_of(members: dict[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return file.getvalue()


_NAMES: Final = (
    "../../out.txt",
    "/tmp/out.txt",
    "C:\\out.txt",
    "..\\..\\out.txt",
    "recordings/../../../home/library.db",
    "recordings/x/session.json",
    "a" * 60_000,
    "\x1b]0;x\x07",
    "home/players/x.json",
    "manifest.json/x",
)


def _doctored(rng: random.Random, members: dict[str, bytes]) -> tuple[bytes, str]:
    """Doctor the zip itself."""
    way = rng.randrange(9)
    if way == 0:
        name = rng.choice(_NAMES)
        members[name] = b"out of its place"
        if rng.random() < 0.7:
            _rehashed(members)
        return _zip_of(members), f"a member {name[:40]!r}"
    if way == 1:
        size = rng.choice((50_000_000, 400_000_000))
        name = rng.choice(list(members))
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for one, data in members.items():
                if one != name:
                    archive.writestr(one, data)
            with archive.open(name, "w", force_zip64=True) as out:
                for _ in range(size // 1_000_000):
                    out.write(b" " * 1_000_000)
        return file.getvalue(), f"{name[-20:]} of {size} spaces"
    if way == 2:
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w") as archive:
            for name, data in members.items():
                archive.writestr(name, data)
            name = rng.choice(list(members))
            import warnings

            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                archive.writestr(name, rng.choice((b"", b"{}", members[name])))
        return file.getvalue(), f"{name[-20:]} twice"
    if way == 3:
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w") as archive:
            for name, data in members.items():
                info = zipfile.ZipInfo(name)
                if name.endswith(rng.choice(("session.json", "imu.npy"))):
                    info.external_attr = (stat.S_IFLNK | 0o777) << 16
                    data = b"/etc/passwd"
                archive.writestr(info, data)
        return file.getvalue(), "members that are links"
    if way == 4:
        for k in range(rng.choice((300, 20_000))):
            members[f"recordings/{k}"] = b""
        return _zip_of(members), f"{len(members)} members"
    if way == 5:
        manifest = json.loads(members["manifest.json"])
        manifest["message"] = rng.choice(
            ("x " * 4_500_000, *mutate.ESCAPES, "\n" * 100_000, "\ud800", "é" * 1_000_000)
        )
        members["manifest.json"] = json.dumps(manifest).encode()
        return _zip_of(members), f"a message of {len(manifest['message'])} characters"
    if way == 6:
        whole = bytearray(_zip_of(members))
        at = whole.find(b"PK\x01\x02")
        offset = rng.choice((8, 10, 16, 20, 24, 28, 30, 38, 42))
        whole[at + offset : at + offset + 4] = struct.pack("<I", rng.choice((0, 1, 9, 2**32 - 1)))
        return bytes(whole), f"directory entry, byte {offset}"
    if way == 7:
        return _zip_of(members) * 2, "the zip twice"
    return rng.choice((b"", b"PK", b"PK\x05\x06" + bytes(18), b"\x1f\x8b" + bytes(40))), "no zip"


def _bundle(trial: Trial, rng: random.Random) -> str:
    """Doctor a bundle and open it in a home that knows one of its recordings."""
    world, stock = trial.world, trial.stock.root / "stock"
    members = _read_zip(stock / "two.zip")
    sort = rng.random()
    if sort < 0.6:
        names = [n for n in members if not n.endswith("truth.json")]
        name = rng.choice([*names, *["manifest.json"] * 8])
        members[name], what = _mutated(rng, name, members[name])
        if name != "manifest.json" and rng.random() < 0.9:
            _rehashed(members)
        data, done = _zip_of(members), f"{name[-30:]}: {what}"
    elif sort < 0.7:
        # A player of this home under another name, or another one under that player's.
        manifest = json.loads(members["manifest.json"])
        mine = [
            json.loads(path.read_text(encoding="utf-8"))
            for path in sorted((world.home / "players").glob("*.json"))
        ]
        theirs, own = rng.choice(manifest["players"]), rng.choice(mine)
        way = rng.randrange(4)
        if way == 0:
            theirs["id"] = own["id"]
            theirs["at"] = "2099-01-01T00:00:00+00:00"
        elif way == 1:
            theirs["name"] = own["name"]
        elif way == 2:
            theirs["aliases"] = [own["name"], own["name"].upper()]
        else:
            theirs["id"], theirs["name"] = own["id"], mutate.text_value(rng)
        members["manifest.json"] = json.dumps(manifest).encode()
        data, done = _zip_of(members), f"players, way {way}"
    elif sort < 0.88:
        data, done = _doctored(rng, members)
    else:
        data, done = mutate.bytes_of(rng, (stock / "two.zip").read_bytes())
    path = world.came / "two.zip"
    path.write_bytes(data)
    trial.run("bundle", "open", path, *trial.at)
    for words in rng.sample(
        (
            ("library", "update", *trial.at, "--workers", "1"),
            ("library", "rebuild", *trial.at, "--workers", "1"),
            ("library", "list", *trial.at),
            ("library", "player", "Ida", *trial.at),
            ("story", "Ida", *trial.at),
            ("story", "Eva", *trial.at),
            ("plan", "Ida", *trial.at),
        ),
        2,
    ):
        trial.run(*words)
    trial.none_left_out()
    for outside in (world.root.parent / "out.txt", world.root / "out.txt", Path("/tmp/out.txt")):
        if outside.exists():
            outside.unlink()
            trial.wrong(f"a member got out of its place: {outside.name}")
    return done


# -- homes ---------------------------------------------------------------------------------------


def _damage_database(rng: random.Random, path: Path) -> str:
    """Damage a library by what it holds, or by its bytes."""
    if rng.random() < 0.45:
        data, done = mutate.bytes_of(rng, path.read_bytes())
        path.write_bytes(data)
        return done
    with sqlite3.connect(path) as base:
        base.execute("PRAGMA journal_mode=DELETE")
        found = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        tables = sorted(name for (name,) in base.execute(found))
        table = rng.choice(tables)
        columns = [row[1] for row in base.execute(f'PRAGMA table_info("{table}")')]
        way = rng.randrange(8)
        done = f"{table}, way {way}"
        try:
            if way == 0:
                base.execute("PRAGMA foreign_keys=OFF")
                base.execute(f'DROP TABLE "{table}"')
                done = f"no table {table}"
            elif way == 1:
                version = rng.choice((0, -1, 1, 2**31 - 1))
                base.execute(f"PRAGMA user_version={version}")
                done = f"user_version {version}"
            elif way == 2:
                column = rng.choice(columns)
                base.execute(f'ALTER TABLE "{table}" RENAME COLUMN "{column}" TO "{column}_"')
                done = f"{table} without {column}"
            elif way == 3:
                base.execute(f'DELETE FROM "{table}"')
                done = f"{table} empty"
            elif way == 4:
                base.execute(f'CREATE TABLE other AS SELECT * FROM "{table}"')
                base.execute(f'DROP TABLE "{table}"')
                base.execute(f'ALTER TABLE other RENAME TO "{table}"')
                done = f"{table} without types and keys"
            else:
                column = rng.choice(columns)
                value = rng.choice(
                    ("{", "[" * 200_000, "", "\x1b[2J", "null", -1, 2**63 - 1, 1e308, "a\x00b")
                )
                base.execute(f'UPDATE "{table}" SET "{column}" = ?', (value,))
                done = f"{table}.{column} = {str(value)[:20]!r}"
        except sqlite3.Error as error:
            done = f"{done}: {error}"
        base.commit()
    base.close()
    return done


def _home(trial: Trial, rng: random.Random) -> str:
    """Damage a home, use it, and have its library made anew."""
    world = trial.world
    inside = sorted(
        path
        for path in world.home.rglob("*")
        if path.is_file() and path.suffix in (".json", ".jsonl", ".db")
    )
    # The database is the largest and has the most ways to be damaged.
    path = rng.choice([*inside, *[p for p in inside if p.suffix == ".db"] * 4])
    name = str(path.relative_to(world.home))
    if path.suffix == ".db":
        done = _damage_database(rng, path)
    elif rng.random() < 0.06:
        path.unlink()
        way = rng.randrange(3)
        if way == 0:
            path.mkdir()
        elif way == 1:
            path.symlink_to(path)
        done = ("a folder", "a link to itself", "gone")[way]
    else:
        data, done = _mutated(rng, path.name, path.read_bytes())
        _put(path, data)
    table = trial.stock.root / "stock" / "table"
    ida = world.recordings / "ida"
    for words in rng.sample(
        (
            ("library", "list", *trial.at),
            ("library", "check", *trial.at),
            ("library", "show", ida, *trial.at),
            ("library", "update", *trial.at, "--workers", "1"),
            ("library", "player", "Ida", *trial.at),
            ("library", "player", "Ida", "--note", "new", *trial.at),
            ("library", "export", "Ida", world.root / "ida.zip", *trial.at),
            ("library", "rebuild", *trial.at, "--workers", "1"),
            ("story", "Ida", *trial.at),
            ("plan", "Ida", *trial.at),
            ("reference", "Ida", *trial.at),
            ("settings", *trial.at),
            ("felt", f"{ida}#1", *trial.at),
            ("felt", f"{ida}#1", "--turn", "short", *trial.at),
            ("results", "list", ida, *trial.at),
            ("calibrate", "--show", *trial.at),
            ("analyze", table, *trial.at),
            ("info", ida, *trial.at),
            ("report", "Ida", world.root / "ida.html", *trial.at),
            ("bundle", "make", world.root / "two.zip", ida, *trial.at),
        ),
        3,
    ):
        trial.run(*words)
    trial.run("library", "rebuild", world.recordings, *trial.at, "--workers", "1")
    ran = trial.run("library", "list", "--json", "--limit", "100", *trial.at)
    if ran.code == 0:
        ids = {row["id"] for row in json.loads(ran.out)["sessions"] if not row["missing"]}
        for one in trial.stock.ids:
            if one not in ids:
                trial.wrong(f"a good recording is left out: {one[:8]}")
    else:
        trial.wrong(f"after rebuild: {ran.err.strip()[:300]}")
    return f"{name}: {done}"


# -- CSV -----------------------------------------------------------------------------------------

_HEADERS: Final = (
    b"time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s",
    b"time_s,time_s,acc_x_m_s2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s,gyr_z_deg_s",
    b"t,ax,ay,az,gx,gy,gz",
    b"Time_S,ACC_X_M_S2,acc_y_m_s2,acc_z_m_s2,gyr_x_deg_s,gyr_y_deg_s,gyr_z_deg_s",
    b"\x1b[2J,,,,,,",
    b"",
)
_CELLS: Final = (
    b"nan",
    b"inf",
    b"-inf",
    b"1e308",
    b"1e999",
    b"-1e308",
    b"1" * 400,
    b"9" * 100_000,
    b"",
    b"  ",
    b"1,5",
    b"0x10",
    b'"1.0"',
    b"=1+1",
    b"\x00",
    b"\xff",
    b"1e-400",
    b"1_000",
    b"\xd9\xa1",
)
_MAPS: Final = (
    "time_s=time_s:ms",
    "time_s=time_s:us",
    "time_s=time_s:ns",
    "acc_x_m_s2=acc_x_m_s2:g",
    "gyr_x_deg_s=gyr_x_deg_s:rad/s",
    "time_s=nothing",
    "time_s=time_s:years",
    "time_s",
    "=",
    "\x1b[2J=x",
    "x" * 300,
)


def _times(rng: random.Random, rows: list[list[bytes]]) -> str:
    """Make the times of a table other than they were."""
    way = rng.randrange(10)
    first = float(rows[0][0])
    times = [float(row[0]) for row in rows]
    if way == 0:
        times = [first] * len(times)
    elif way == 1:
        times = times[::-1]
    elif way == 2:
        times = [t + rng.uniform(-0.003, 0.003) for t in times]
    elif way == 3:
        scale = rng.choice((1e3, 1e6, 1e9, 1e-3, 1e-9, 1e300))
        times = [t * scale for t in times]
    elif way == 4:
        add = rng.choice((1.7e9, 1.7e18, -1e6, 1e308))
        times = [t + add for t in times]
    elif way == 5:
        k = rng.randrange(len(times))
        leap = rng.choice((10.0, 1e6, 1e12, -5.0))
        times = [t if j < k else t + leap for j, t in enumerate(times)]
    elif way == 6:
        times = [t for t in times for _ in range(2)][: len(times)]
    elif way == 7:
        times = [first + 10.0 * k for k in range(len(times))]
    elif way == 8:
        times = [first + (t - first) / 1000.0 for t in times]
    else:
        rng.shuffle(times)
    for row, t in zip(rows, times, strict=True):
        row[0] = repr(t).encode()
    return f"times, way {way}"


def _table(rng: random.Random, data: bytes) -> tuple[bytes, str]:
    """Mutate a table of samples."""
    header, *lines = data.split(b"\n")
    lines = [line for line in lines if line]
    way = rng.randrange(14)
    if way == 0:
        new = rng.choice(_HEADERS)
        return b"\n".join([new, *lines]), f"header {new[:40]!r}"
    if way == 1:
        count = rng.choice((300, 20_000))
        more = b"," + b",".join(b"c%d" % k for k in range(count))
        cells = b",1" * count
        few = lines[: rng.choice((3, 60))]
        body = b"\n".join(line + cells for line in few)
        return header + more + b"\n" + body, f"{count} more columns"
    if way in (2, 3, 4):
        rows = [line.split(b",") for line in lines]
        done = _times(rng, rows)
        return b"\n".join([header, *(b",".join(row) for row in rows)]), done
    if way in (5, 6):
        rows = [line.split(b",") for line in lines]
        cell = rng.choice(_CELLS)
        count = rng.choice((1, 1, 5, len(rows) if len(cell) < 1_000 else 1))
        column = rng.randrange(7)
        for k in rng.sample(range(len(rows)), count):
            rows[k][column] = cell
        text = b"\n".join([header, *(b",".join(row) for row in rows)])
        return text, f"{count} cells {cell[:12]!r} in column {column}"
    if way == 7:
        mark = rng.choice((b";", b"\t", b"|", b" ", b",,"))
        return data.replace(b",", mark), f"{mark!r} between columns"
    if way == 8:
        return data.replace(b",", b";").replace(b".", b","), "decimal commas"
    if way == 9:
        codec = rng.choice(("utf-16", "utf-16-le", "utf-32", "utf-8-sig", "cp037"))
        return data.decode().encode(codec), codec
    if way == 10:
        end = rng.choice((b"\r", b"\r\n", b"\n\n", b"\n\r", b"\x00\n"))
        return data.replace(b"\n", end), f"lines end with {end!r}"
    if way == 11:
        count = rng.choice((0, 1, 2, 3, 10))
        return b"\n".join([header, *lines[:count]]), f"{count} rows"
    if way == 12:
        k = rng.randrange(len(lines))
        lines[k] = rng.choice(
            (b'"', b'"' + b"x" * 200_000, b"1,2", b",".join([b"1"] * 5_000), b"\x1b[2J")
        )
        return b"\n".join([header, *lines]), f"line {k} = {lines[k][:10]!r}"
    return mutate.bytes_of(rng, data)


def _csv(trial: Trial, rng: random.Random) -> str:
    """Mutate a CSV file of samples, or of ball results, and read it."""
    world, stock = trial.world, trial.stock.root / "stock"
    path = world.came / "came.csv"
    if rng.random() < 0.2:
        data = (stock / "launches.csv").read_bytes()
        if rng.random() < 0.5:
            cells = data.split(b",")
            k = rng.randrange(len(cells))
            cells[k] = rng.choice(
                (*_CELLS, *(t.encode("utf-8", "surrogatepass") for t in mutate.TEXTS))
            )
            data, done = b",".join(cells), f"cell {k} = {cells[k][:16]!r}"
        else:
            data, done = mutate.bytes_of(rng, data)
        path.write_bytes(data)
        ida = world.recordings / "ida"
        trial.run("results", "import", ida, path, *trial.at)
        keep = ("--map", "carry=Carry (yd):yd", "--keep", "--swings", "1", "--lines", "2")
        trial.run("results", "import", ida, path, *keep, *trial.at)
        trial.run("results", "list", ida, *trial.at)
        trial.none_left_out()
        return f"ball results: {done}"
    if rng.random() < 0.15:
        path = world.came / "one.json"
        data, done = _mutated(rng, path.name, (stock / "one.json").read_bytes())
        path.write_bytes(data)
        trial.run("analyze", stock / "table", "--calibration", path, *trial.at)
        trial.run("info", stock / "table", "--calibration", path, *trial.at)
        return f"calibration: {done}"
    data, done = _table(rng, (stock / "counts.csv").read_bytes())
    path.write_bytes(data)
    options: tuple[str, ...] = ()
    if rng.random() < 0.3:
        options = ("--map", rng.choice(_MAPS))
        done += f"; {options[1][:30]!r}"
    choices: list[tuple[str | Path, ...]] = [
        ("analyze", path, "--json", *options),
        ("analyze", path, *options),
        ("info", path, *options),
        ("export", path, "-", *options),
        ("calibrate", "--from", path, "--as", "x", *trial.at, *options),
    ]
    trial.run(*rng.choice(choices))
    out = world.root / "recordings" / "new"
    player = mutate.text_value(rng) if rng.random() < 0.2 else "Ida"
    if "\x00" in player or "\ud800" in player or player.startswith("-") or len(player) > 100_000:
        # No shell hands these to a program.
        player = "Ida"
    ran = trial.run("import", path, out, "--player", player, *options)
    if ran.code == 0:
        trial.run("library", "update", *trial.at, "--workers", "1")
        trial.none_left_out(_recording_id(out))
    return done


KINDS: Final[dict[str, Callable[[Trial, random.Random], str]]] = {
    "recordings": _recording,
    "bundles": _bundle,
    "homes": _home,
    "csv": _csv,
}
"""Kinds whose cases stand alone; page requests meet one server, see `requests`."""
