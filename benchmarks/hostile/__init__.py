"""Nothing that arrives can stop it: mutated recordings, bundles, homes, tables and requests.

Each case is made from the run's seed, its kind and its number, so one that fails is made again by
``python -m benchmarks.hostile --seed SEED --only KIND:NUMBER``. A case fails where a command says
"internal error", prints a traceback or an unclean character, takes over 60 s or 1 GB, ends by a
signal or without a word, changes what was recorded, or leaves a good recording out of the library.

Linux only: children are forked from a warm process.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from benchmarks.hostile.children import MOST_MB, MOST_S, warm
from benchmarks.hostile.kinds import KINDS, Case, Trial
from benchmarks.hostile.requests import request_cases
from benchmarks.hostile.stock import Stock, World, make_stock

__all__ = ["SEED", "SHARES", "cases", "run", "tables"]

SEED: Final = 940_000
SHARES: Final = {"recordings": 600, "bundles": 400, "homes": 400, "csv": 300, "requests": 300}
"""Cases by kind of a whole run: 2,000."""


def _anew(stock: Stock, world: World) -> None:
    """Put the world back as it was."""
    if world.root.exists():
        shutil.rmtree(world.root)
    shutil.copytree(stock.world, world.root, symlinks=True)


def _some(stock: Stock, kind: str, numbers: Sequence[int], seed: int) -> Iterator[Case]:
    """Do the cases of one kind."""
    world = World(stock.root / "world")
    if kind == "requests":
        _anew(stock, world)
        yield from request_cases(stock, world, list(numbers), seed)
        return
    for number in numbers:
        case = Case(kind, number)
        _anew(stock, world)
        rng = random.Random(f"{seed}/{kind}/{number}")
        case.done = ascii(KINDS[kind](Trial(case, stock, world), rng))[1:-1]
        yield case


def _work(part: int, parts: int, counts: dict[str, int], seed: int, out: str) -> None:
    """Do each ``parts``-th case, in a folder of its own; one line of JSON a case."""
    warm()
    with tempfile.TemporaryDirectory(prefix="hostile-") as folder, Path(out).open("a") as file:
        stock = make_stock(Path(folder) / "stock")
        for kind, count in counts.items():
            numbers = range(part, count, parts)
            for case in _some(stock, kind, numbers, seed) if numbers else ():
                row = {name: getattr(case, name) for name in Case.__slots__}
                file.write(json.dumps(row) + "\n")
                file.flush()


def cases(counts: dict[str, int], seed: int, *, workers: int = 1) -> list[Case]:
    """Do cases, in so many processes.

    Parameters
    ----------
    counts : dict of str to int
        By kind.
    seed : int
    workers : int

    Raises
    ------
    RuntimeError
        A process didn't come to its end: the benchmark itself is at fault.
    """
    # Each is a process of its own from the start: children are forked from one without threads.
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory(prefix="hostile-out-") as folder:
        outs = [str(Path(folder) / f"{part}.jsonl") for part in range(workers)]
        running = [
            context.Process(target=_work, args=(part, workers, counts, seed, out))
            for part, out in enumerate(outs)
        ]
        for process in running:
            process.start()
        for process in running:
            process.join()
        if any(process.exitcode for process in running):
            raise RuntimeError("the benchmark itself failed, see above")
        lines = [line for out in outs for line in Path(out).read_text().splitlines()]
    return [Case(**json.loads(line)) for line in lines]


def again(kind: str, number: int, seed: int, keep: Path | None = None) -> Case:
    """Do one case again; with ``keep`` its world is left in that folder."""
    warm()
    with tempfile.TemporaryDirectory(prefix="hostile-") as folder:
        stock = make_stock(Path(folder) / "stock")
        (case,) = (one for one in _some(stock, kind, [number], seed) if one.number == number)
        if keep is not None:
            with contextlib.suppress(OSError, shutil.Error):
                shutil.copytree(stock.root / "world", keep, symlinks=True)
        return case


def run(
    *,
    quick: bool = False,
    shift: int = 0,
    only: dict[str, int] | None = None,
    workers: int | None = None,
) -> dict[str, Any]:
    """Run the benchmark.

    Parameters
    ----------
    quick : bool
        A tenth of it, on seeds of its own.
    shift : int
        Other seeds.
    only : dict of str to int, optional
        Other numbers of cases, by kind.
    workers : int, optional
        Processes; by default one a processor, two at most.
    """
    seed = SEED + shift + (1 if quick else 0)
    counts = only or {kind: n // (10 if quick else 1) for kind, n in SHARES.items()}
    done = cases(counts, seed, workers=workers or min(2, os.cpu_count() or 1))
    kinds = {}
    for kind in counts:
        own = [case for case in done if case.kind == kind]
        kinds[kind] = {
            "cases": len(own),
            "failed": sum(bool(case.faults) for case in own),
            "worst_s": round(max((case.seconds for case in own), default=0.0), 1),
            "worst_mb": round(max((case.megabytes for case in own), default=0.0)),
        }
    failures = [
        {"kind": case.kind, "number": case.number, "done": case.done, "faults": case.faults}
        for case in done
        if case.faults
    ]
    return {"seed": seed, "kinds": kinds, "failures": failures}


def tables(results: dict[str, Any]) -> str:
    """Return the results as Markdown: counts by kind, then what failed."""
    lines = [
        f"Seed {results['seed']}. Nothing may take over {MOST_S:.0f} s or {MOST_MB:.0f} MB, "
        "nor fail in any way that is no error's one line.",
        "",
        "| kind | cases | failed | longest, s | most memory, MB |",
        "|---|---|---|---|---|",
    ]
    for kind, row in results["kinds"].items():
        lines.append(
            f"| {kind} | {row['cases']} | {row['failed']} | {row['worst_s']} | {row['worst_mb']} |"
        )
    if results["failures"]:
        sorts = Counter(
            fault.partition(":")[0] for one in results["failures"] for fault in one["faults"]
        )
        lines += ["", "Failed: " + ", ".join(f"{n} x {sort}" for sort, n in sorts.most_common())]
        for one in results["failures"]:
            lines += ["", f"- `{one['kind']}:{one['number']}` {one['done']}"]
            lines += [f"  - {fault}" for fault in one["faults"][:6]]
    return "\n".join(lines)
