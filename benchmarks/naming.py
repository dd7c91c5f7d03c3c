"""Ball or not: fits the tables that name a swing, and judges them on other seeds.

``python -m benchmarks.naming --fit`` draws the populations (`benchmarks.struck`), fits the trees
(`benchmarks.boosting`) and writes `analysis/swing/strike_tables.py` with what it was made from.
``python -m benchmarks --only naming`` prints what they do on other seeds: whether the probability
means what it says, how often a swing is named wrongly with certainty, and how many stay unclear.
"""

from __future__ import annotations

import argparse
import datetime
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.swing.naming import (
    AHEAD_FIGURES,
    CERTAIN_P,
    SEEN_FIGURES,
    STRIKE_FIGURES,
    Evidence,
    name_strike,
)
from analysis.swing.trees import Trees
from benchmarks.boosting import BoostParams, boost, sums
from benchmarks.fitting import calibrate
from benchmarks.intervals import upper_bound
from benchmarks.report import table
from benchmarks.struck import RECOMMENDED, Rows, draw_motion, drawn, rows_of, usual_sensor
from simulation.motion.action import MOUNTS, Mount

Array = npt.NDArray[np.float64]

__all__ = ["CHOICE", "FIT", "TEST", "fit", "run", "tables"]

FIT = 7_100_000
CHOICE = 7_500_000
TEST = 8_100_000
"""First seeds, a hundred thousand a mount: what is fitted on, what calibrates it and tells how much
to fit, and what it is judged on. Disjoint, and from those of all other benchmarks."""
FIT_MOTIONS = {"wrist": 650, "glove": 450, "club": 450, "trunk": 550}
CHOICE_MOTIONS = 100
SENSORS = 4

MODULE = Path(__file__).resolve().parents[1] / "analysis" / "swing" / "strike_tables.py"
CACHE = Path(__file__).resolve().parents[1] / ".cache" / "bench"

STRIKE_TREES = BoostParams(trees=100, questions=5, rate=0.2)
SEEN_TREES = BoostParams(trees=40, questions=3, rate=0.2)
AHEAD_TREES = BoostParams(trees=30, questions=3, rate=0.2)


TREES_A_LINE = 4
FOLDS = 4


# -- fit ------------------------------------------------------------------------------------------


def kept(label: str, make: Callable[[], Rows]) -> Rows:
    """Take rows from the cache, or make and keep them."""
    CACHE.mkdir(parents=True, exist_ok=True)
    path = CACHE / f"naming-{label}.npz"
    if not path.exists():
        part = path.with_name(path.stem + ".part.npz")
        np.savez_compressed(part, rows=make())
        part.replace(path)
    with np.load(path) as data:
        return np.asarray(data["rows"])


def _columns(rows: Rows, names: tuple[str, ...]) -> Array:
    return np.asarray(rows["figures"][:, [STRIKE_FIGURES.index(name) for name in names]])


def _probability(table_: Trees, x: Array) -> Array:
    a, b = table_.calibration
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(a + b * sums(table_, x), -30.0, 30.0))))


def _fitted(
    names: tuple[str, ...],
    fit_on: tuple[Array, Array, npt.NDArray[np.int64]],
    choice: tuple[Array, Array],
    params: BoostParams,
) -> Trees:
    """Grow on the one; calibrate on the other, and on motions of the one that were left out."""
    x, y, seeds = fit_on
    grown = boost(names, x, y, np.ones(len(y)), params)
    z, truth = [sums(grown, choice[0])], [choice[1]]
    for k in range(FOLDS):
        out = seeds % FOLDS == k
        part = boost(names, x[~out], y[~out], np.ones(int((~out).sum())), params)
        z.append(sums(part, x[out]))
        truth.append(y[out])
    a, b = calibrate(np.concatenate(z), np.concatenate(truth), np.ones(sum(map(len, z))))
    return Trees(
        names=names,
        constant=grown.constant,
        trees=grown.trees,
        calibration=(round(a, 4), round(b, 4)),
    )


def fit_mount(rows: Rows, choice: Rows) -> dict[str, Trees]:
    """Fit the three tables of a mount."""
    strike = _fitted(
        STRIKE_FIGURES,
        (rows["figures"], rows["ball"].astype(float), rows["seed"]),
        (choice["figures"], choice["ball"].astype(float)),
        STRIKE_TREES,
    )

    # Would a ball have been seen? Of balls, whether they would be called strikes.
    def seen(one: Rows) -> tuple[Rows, Array]:
        balls = one[one["ball"]]
        return balls, (_probability(strike, balls["figures"]) >= CERTAIN_P).astype(float)

    balls, was = seen(rows)
    other, other_was = seen(choice)
    return {
        "strike": strike,
        "seen": _fitted(
            SEEN_FIGURES,
            (_columns(balls, SEEN_FIGURES), was, balls["seed"]),
            (_columns(other, SEEN_FIGURES), other_was),
            SEEN_TREES,
        ),
        "ahead": _fitted(
            AHEAD_FIGURES,
            (balls["ahead"], was, balls["seed"]),
            (other["ahead"], other_was),
            AHEAD_TREES,
        ),
    }


def write_module(tables_: dict[str, dict[str, Trees]], counts: dict[str, tuple[int, int]]) -> None:
    """Write `strike_tables.py` whole."""
    today = f"{datetime.datetime.now(tz=datetime.UTC):%Y-%m-%d}"
    lines = [
        "# fmt: off",
        "# ruff: noqa: E501",
        '"""Tables that name a swing, fitted by ``python -m benchmarks.naming --fit``; '
        "don't edit.",
        "",
        f"Made on {today} from simulated swings of three models, as wide as people are, half of",
        "them at a ball, felt by sensors of all ranges, rates and filters (`benchmarks.struck`);",
        f"grown on seeds from {FIT} on, calibrated on those left out in turn and on {CHOICE} on:",
        "",
        *(f"{mount}: {a} swings and {b}" for mount, (a, b) in counts.items()),
        '"""',
        "",
        "from analysis.swing.trees import Trees",
        "",
    ]
    for name in ("strike", "seen", "ahead"):
        lines.append(f"{name.upper()} = {{")
        for mount, mine in tables_.items():
            one = mine[name]
            lines += [f'    "{mount}": Trees(', f"        names={one.names!r},"]
            lines += [f"        constant={one.constant!r},", "        trees=("]
            for k in range(0, len(one.trees), TREES_A_LINE):
                some = one.trees[k : k + TREES_A_LINE]
                lines.append("            " + " ".join(f"{tree!r}," for tree in some))
            lines += ["        ),", f"        calibration={one.calibration!r},", "    ),"]
        lines += ["}", ""]
    MODULE.write_text("\n".join(lines), encoding="utf-8")


def fit() -> None:
    """Draw, fit and write."""
    by_mount: dict[str, tuple[Rows, Rows]] = {}
    for k, mount in enumerate(MOUNTS):
        at = 100_000 * k
        by_mount[mount] = (
            kept(f"fit-{mount}", partial(drawn, mount, FIT + at, FIT_MOTIONS[mount], SENSORS)),
            kept(f"choice-{mount}", partial(drawn, mount, CHOICE + at, CHOICE_MOTIONS, SENSORS)),
        )
    by_mount["unknown"] = (
        np.concatenate([rows for rows, _ in by_mount.values()]),
        np.concatenate([rows for _, rows in by_mount.values()]),
    )
    made = {mount: fit_mount(*rows) for mount, rows in by_mount.items()}
    for name, (_, choice) in by_mount.items():
        p = _probability(made[name]["strike"], choice["figures"])
        sure = (p >= CERTAIN_P) | (p <= 1.0 - CERTAIN_P)
        wrong = sure & ((p > 0.5) != choice["ball"])
        print(name, f"unclear {100 * (1 - sure.mean()):.1f} %, wrong {100 * wrong.mean():.2f} %")
    write_module(made, {mount: (len(a), len(b)) for mount, (a, b) in by_mount.items()})


# -- what they do on other seeds ------------------------------------------------------------------

TEST_MOTIONS = 100
USUAL_MOTIONS = 60
RANGE_MOTIONS = 16
FAST_MOTIONS = 40
FAST_DPS = 2500.0
RATES_HZ = (200.0, 400.0, 800.0)
GYR_DPS = (500.0, 1000.0, 2000.0, 4000.0)
ACC_G = (8.0, 16.0, 32.0, 64.0)


def _named(rows: Rows) -> tuple[Array, Array]:
    """Probability of each row, and what it is called: 1, 0 or NaN."""
    p, called = [], []
    for row in rows:
        figures = dict(zip(STRIKE_FIGURES, row["figures"].tolist(), strict=True))
        here = Evidence(figures=figures, shock=None, short=bool(row["short"]))
        one = name_strike(here, str(row["mount"]))
        p.append(np.nan if one.p is None else one.p)
        called.append(np.nan if one.strike is None else float(one.strike))
    return np.array(p), np.array(called)


def _counts(rows: Rows) -> dict[str, int]:
    """How many, how many unclear, and how many named wrongly with certainty."""
    _, called = _named(rows)
    wrong = ~np.isnan(called) & ((called > 0.5) != rows["ball"])
    return {"n": len(rows), "unclear": int(np.isnan(called).sum()), "wrong": int(wrong.sum())}


def _usual(
    mount: Mount, seeds: range, *, ranges: tuple[tuple[float, float], ...], fast: float = 0.0
) -> Rows:
    """Draw swings felt by usual sensors of some ranges."""
    parts = []
    for k, seed in enumerate(seeds):
        motion = draw_motion(seed, mount, least_peak_dps=fast)
        rng = np.random.default_rng([seed, 2])
        rate_hz = RATES_HZ[k % len(RATES_HZ)]
        sensors = [usual_sensor(rng, gyr_dps=g, acc_g=a, rate_hz=rate_hz) for g, a in ranges]
        parts.append(rows_of(motion, sensors, rng))
    return np.concatenate(parts)


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Judge the tables on seeds of their own.

    Parameters
    ----------
    quick : bool
        A fifth of the motions.
    shift : int
        Added to the seeds, while developing.
    """
    part = 5 if quick else 1
    wide: list[Rows] = []
    usual: dict[str, dict[str, int]] = {}
    grid: dict[str, dict[str, dict[str, int]]] = {}
    every = tuple((gyr, acc) for gyr in GYR_DPS for acc in ACC_G)
    for k, mount in enumerate(MOUNTS):
        base = TEST + shift + 100_000 * k
        wide.append(drawn(mount, base, TEST_MOTIONS // part, SENSORS))
        start = base + 20_000
        rows = _usual(
            mount, range(start, start + USUAL_MOTIONS // part), ranges=(RECOMMENDED[mount],) * 3
        )
        mats = rows["kind"] == "brushed"
        usual[mount] = _counts(rows)
        usual[f"{mount}, without mats"] = _counts(rows[~mats])
        start = base + 40_000
        rows = _usual(mount, range(start, start + RANGE_MOTIONS // part), ranges=every)
        grid[mount] = {
            f"{gyr:g} / {acc:g}": _counts(rows[(rows["gyr_dps"] == gyr) & (rows["acc_g"] == acc)])
            for gyr, acc in every
        }
    start = TEST + shift + 260_000
    fast = _usual(
        "club",
        range(start, start + FAST_MOTIONS // part),
        ranges=((2000.0, 16.0),) * 3,
        fast=FAST_DPS,
    )
    rows = np.concatenate(wide)
    p, _ = _named(rows)
    known = ~np.isnan(p)
    tenth = np.minimum((10.0 * p[known]).astype(int), 9)
    ball = rows["ball"][known]
    return {
        "tenths": [
            {
                "n": int((tenth == k).sum()),
                "said": float(p[known][tenth == k].mean()) if (tenth == k).any() else None,
                "balls": int(ball[tenth == k].sum()),
            }
            for k in range(10)
        ],
        "wide": {mount: _counts(rows[rows["mount"] == mount]) for mount in MOUNTS}
        | {"missing samples": _counts(rows[~np.isin(rows["missing"], ("none", "packets"))])},
        "usual": usual,
        "fast": _counts(fast),
        "grid": grid,
    }


def _share(count: int, of: int) -> str:
    return f"{100.0 * count / max(of, 1):.1f} % (at most {100.0 * upper_bound(count, of):.1f})"


def tables(result: dict[str, Any]) -> str:
    """Markdown."""
    lines = [
        [
            f"{k / 10:g}-{(k + 1) / 10:g}",
            str(one["n"]),
            "-" if one["said"] is None else f"{100.0 * one['said']:.1f} %",
            f"{100.0 * one['balls'] / max(one['n'], 1):.1f} %",
        ]
        for k, one in enumerate(result["tenths"])
    ]
    parts = [
        "### Does `strike_p` mean what it says? (any sensor, damaged ones too)",
        table(["strike_p", "swings", "said on average", "balls among them"], lines),
    ]
    lines = [
        [
            f"{what}: {name}",
            str(one["n"]),
            _share(one["unclear"], one["n"]),
            f"{one['wrong']}: {_share(one['wrong'], one['n'])}",
        ]
        for what, group in (
            ("any sensor", result["wide"]),
            ("ranges of README", result["usual"]),
            (f"club over {FAST_DPS:g} deg/s", {"2000 deg/s, 16 g": result["fast"]}),
        )
        for name, one in group.items()
    ]
    head = ["", "swings", "unclear", "named wrongly with certainty"]
    parts += ["### Named", table(head, lines)]
    for mount, cells in result["grid"].items():
        lines = [
            [f"{gyr:g} deg/s"]
            + [
                f"{100.0 * one['unclear'] / max(one['n'], 1):.0f} % ({one['wrong']} wrong)"
                for one in (cells[f"{gyr:g} / {acc:g}"] for acc in ACC_G)
            ]
            for gyr in GYR_DPS
        ]
        parts += [
            f"### Unclear by ranges: {mount} (200-800 Hz, the chip's own filter)",
            table(["", *(f"{acc:g} g" for acc in ACC_G)], lines),
        ]
    return "\n\n".join(parts)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m benchmarks.naming")
    parser.add_argument("--fit", action="store_true", required=True, help="write the tables anew")
    parser.parse_args()
    fit()
    sys.exit(0)
