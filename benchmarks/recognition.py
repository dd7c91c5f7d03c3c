"""Is it found, whoever swings? Fits the recogniser's tables, and judges them on other seeds.

``python -m benchmarks.recognition --fit`` collects the populations (`benchmarks.populations`), fits
the tables (`benchmarks.fitting`) and writes `analysis/swing/score_tables.py` with what it was made
from. ``python -m benchmarks --only recognition`` prints what the finder then does on other seeds.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis import SwingFinder
from analysis.swing.score import FIGURES, OF_THE_PULL, RALLY_FIGURES, Table
from benchmarks import curve, populations
from benchmarks.fitting import RIDGE, Fit, calibrate, fit_table, scores
from benchmarks.intervals import upper_bound
from benchmarks.report import table
from benchmarks.table_module import table_lines
from simulation.motion.action import MOUNTS
from simulation.motion.wide import GENERATORS
from simulation.sessions import SessionSpec, simulate_session

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.void]

MODULE = Path(__file__).resolve().parents[1] / "analysis" / "swing" / "score_tables.py"
SHORT_DEG = 30.0
HARD_SHARE = 0.7
FALSE_AN_HOUR = {"wrist": 1.5, "glove": 1.0, "club": 0.5, "trunk": 1.0, "unknown": 1.5}
"""What the threshold lets through of other motion in the fit, an hour. Less would miss too many:
throws and rackets, of which that motion is full, are hard to tell from swings at the wrist."""
FALSE_RALLY = 0.004
"""Share of what follows a swing that the rally's threshold lets through."""
PEOPLE_FITTED = tuple(f"person {k}" for k in range(1, 8))
"""Of the real shoulder exercises; the other three people, and all of scikit-kinematics, are never
fitted on."""


def columns(rows: Rows, names: tuple[str, ...]) -> Array:
    """Figures of rows by name."""
    return np.asarray(rows["figures"][:, [FIGURES.index(name) for name in names]])


def pulls(names: tuple[str, ...]) -> list[int]:
    """Columns that are unknown with the pull."""
    return [k for k, name in enumerate(names) if name in OF_THE_PULL]


class Data:
    """The candidates of one mount, sorted."""

    def __init__(self, rows: Rows, mount: str) -> None:
        here = (rows["mount"] == mount) | (mount == "unknown")
        mine = rows[here & (rows["impossible"] == "")]
        large = mine["turn_deg"] >= SHORT_DEG
        first = ~mine["rally"]
        self.swings = {
            one: mine[(mine["source"] == one) & (mine["swing"] >= 0) & large & first]
            for one in GENERATORS
        }
        usual = mine[(mine["source"] == "usual") & (mine["swing"] >= 0) & large & first]
        self.usual = {one: usual[usual["kind"] == one] for one in GENERATORS}
        self.others = mine[(mine["swing"] < 0) & large & first]
        self.passes = mine[(mine["swing"] >= 0) & large & ~first & (mine["kind"] == "continuous")]
        self.after = mine[(mine["swing"] < 0) & large & ~first]
        self.shorts = mine[(mine["kind"] == "short") & ~large]
        self.small = mine[(mine["kind"] != "short") & ~large & (mine["swing"] < 0)]


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a mount's table of swings is fitted."""

    ridge: float
    of_trees: float

    def __str__(self) -> str:
        return f"ridge {self.ridge:g}, {100.0 * self.of_trees:.0f} % trees"


WAYS = (Way(ridge=30.0, of_trees=0.0), Way(ridge=30.0, of_trees=0.65))
"""Trees alone missed the least of a model left out, but took a watch at 10 Hz, which nothing was
fitted on, for a swinging one: nothing in them says how far off a figure is, as squares do."""


def fit_swing(data: Data, models: tuple[str, ...], others: Rows, way: Way, seed: int) -> Fit:
    """Fit a mount's table of swings on some of the models."""
    return fit_table(
        FIGURES,
        [columns(data.swings[one], FIGURES) for one in models]
        + [columns(data.usual[one], FIGURES) for one in models if len(data.usual[one])],
        columns(others, FIGURES),
        weight_of_others=_shares(others),
        ridge=way.ridge,
        pull=pulls(FIGURES),
        seed=seed,
        of_trees=way.of_trees,
    )


def _shares(others: Rows) -> Array:
    """Weights by which simulated other motion, which is hardest, makes most of the rest."""
    hard = others["source"] == "other"
    share = np.where(
        hard, HARD_SHARE / max(hard.sum(), 1), (1.0 - HARD_SHARE) / max((~hard).sum(), 1)
    )
    return np.asarray(share)


def folds(rows: Rows) -> Iterator[tuple[Rows, Rows]]:
    """Halve by recordings, both ways."""
    odd = rows["piece"] // 2 % 2 == 1
    yield rows[odd], rows[~odd]
    yield rows[~odd], rows[odd]


def threshold_for(z: Array, rows: Rows, hours: float, mount: str) -> float:
    """Least score that lets through no more than `FALSE_AN_HOUR` of other motion."""
    other = np.sort(z[rows["source"] == "other"])[::-1]
    allowed = math.floor(FALSE_AN_HOUR[mount] * hours)
    top = float(other[allowed]) if len(other) > allowed else 0.0
    return top + 0.05


def left_out(data: Data, way: Way, hours: float, mount: str, seed: int) -> dict[str, Any]:
    """Fit without each model in turn; scores of that model's swings and of unseen other motion."""
    z_swing: dict[str, Array] = {}
    thresholds: dict[str, float] = {}
    z_other: dict[str, Array] = {}
    for one in GENERATORS:
        rest = tuple(m for m in GENERATORS if m != one)
        parts = []
        for train, test in folds(data.others):
            fit = fit_swing(data, rest, train, way, seed)
            parts.append((test, scores(fit, columns(test, FIGURES))))
        unseen = np.concatenate([rows for rows, _ in parts])
        z = np.concatenate([z for _, z in parts])
        thresholds[one] = threshold_for(z, unseen, hours, mount)
        whole = fit_swing(data, rest, data.others, way, seed)
        z_swing[one] = scores(whole, columns(data.swings[one], FIGURES))
        z_other[one] = z
    return {"swing": z_swing, "other": z_other, "threshold": thresholds}


def missed_share(data: Data, out: dict[str, Any]) -> float:
    """Share that a model left out loses at the threshold: models, full and part swings alike."""
    shares = [
        float((z[data.swings[one]["kind"] == kind] < out["threshold"][one]).mean())
        for one, z in out["swing"].items()
        for kind in ("full", "part")
    ]
    return sum(shares) / len(shares)


def judged(out: dict[str, Any]) -> tuple[Array, Array, Array]:
    """Scores, truth and weights of what was left out: models alike, both sorts alike."""
    z, y, w = [], [], []
    for one in GENERATORS:
        for x, truth in ((out["swing"][one], 1.0), (out["other"][one], 0.0)):
            z.append(x)
            y.append(np.full(len(x), truth))
            w.append(np.full(len(x), 1.0 / max(len(x), 1)))
    return np.concatenate(z), np.concatenate(y), np.concatenate(w)


def fit_mount(rows: Rows, mount: str, hours: float, seed: int) -> dict[str, Any]:
    """Choose the way by models left out, then fit all three tables of a mount."""
    data = Data(rows, mount)
    tried = {way: left_out(data, way, hours, mount, seed) for way in WAYS}
    lost = {way: missed_share(data, out) for way, out in tried.items()}
    way = min(lost, key=lambda one: lost[one])
    out = tried[way]
    calibration = calibrate(*judged(out))
    parts = []
    for train, test in folds(data.others):
        fit = fit_swing(data, GENERATORS, train, way, seed)
        parts.append((test, scores(fit, columns(test, FIGURES))))
    unseen = np.concatenate([r for r, _ in parts])
    limit = threshold_for(np.concatenate([z for _, z in parts]), unseen, hours, mount)
    whole = fit_swing(data, GENERATORS, data.others, way, seed)
    missed = {
        one: {
            kind: (
                int((z[data.swings[one]["kind"] == kind] < out["threshold"][one]).sum()),
                int((data.swings[one]["kind"] == kind).sum()),
            )
            for kind in np.unique(data.swings[one]["kind"])
        }
        for one, z in out["swing"].items()
    }
    return {
        "mount": mount,
        "way": way,
        "lost": {str(one): share for one, share in lost.items()},
        "missed_left_out": missed,
        "swing": whole.table(calibration, limit),
        "rally": _rally(data, seed),
        "short": _short(data, seed),
        "counts": {
            **{one: len(data.swings[one]) for one in GENERATORS},
            "others": len(data.others),
            "passes": len(data.passes),
            "after": len(data.after),
            "shorts": len(data.shorts),
            "small": len(data.small),
        },
        "unseen": unseen,
    }


def _rally(data: Data, seed: int) -> Table:
    """What begins in the finish of the last swing: passes back and forth, against all the rest."""
    names = RALLY_FIGURES
    no = np.concatenate((data.after, data.others))
    parts = []
    for train, test in folds(no):
        fit = fit_table(
            names,
            [columns(data.passes, names)],
            columns(train, names),
            ridge=RIDGE,
            pull=pulls(names),
            seed=seed,
        )
        parts.append(scores(fit, columns(test, names)))
    z = np.sort(np.concatenate(parts))[::-1]
    whole = fit_table(
        names,
        [columns(data.passes, names)],
        columns(no, names),
        ridge=RIDGE,
        pull=pulls(names),
        seed=seed,
    )
    yes = scores(whole, columns(data.passes, names))
    both = np.concatenate((yes, z))
    truth = np.concatenate((np.ones(len(yes)), np.zeros(len(z))))
    weight = np.concatenate((np.full(len(yes), 1.0 / len(yes)), np.full(len(z), 1.0 / len(z))))
    limit = max(float(z[math.floor(FALSE_RALLY * len(z))]) + 0.05, 0.0)
    return whole.table(calibrate(both, truth, weight), limit)


def _short(data: Data, seed: int) -> Table:
    """Strokes under 30 deg, against whatever else turns as little."""
    whole = fit_table(
        FIGURES,
        [columns(data.shorts, FIGURES)],
        columns(data.small, FIGURES),
        ridge=RIDGE,
        pull=pulls(FIGURES),
        seed=seed,
    )
    z = scores(whole, columns(data.small, FIGURES))
    return whole.table((0.0, 1.0), max(float(np.quantile(z, 0.98)), 0.0))


def gathered(size: populations.Size, base: int, name: str) -> dict[str, Any]:
    """Simulated candidates, and the real ones that may be fitted on."""
    data = populations.collect(size, base, name)
    real = [
        rows
        for source, person, rows in populations.real_motion()
        if source == "seglearn" and person in PEOPLE_FITTED
    ]
    # Figures don't hang on the mount: at another place the same motion is no swing either.
    exercises = np.concatenate(real)
    everywhere = []
    for mount in MOUNTS:
        here = exercises.copy()
        here["mount"] = mount
        everywhere.append(here)
    data["rows"] = np.concatenate((data["rows"], *everywhere))
    return data


def overlap(rows: Rows) -> list[list[str]]:
    """Of each figure, how far the models' middles lie apart, in the greater of their spreads."""
    lines = []
    for mount in MOUNTS:
        data = Data(rows, mount)
        for k, name in enumerate(FIGURES):
            stats = []
            for one in GENERATORS:
                pick = data.swings[one]["kind"] == "full"
                x = data.swings[one]["figures"][pick, k]
                stats.append((float(np.nanmedian(x)), float(np.nanstd(x))))
            spread = max(sd for _, sd in stats)
            apart = max(m for m, _ in stats) - min(m for m, _ in stats)
            lines.append(
                [mount, name, *(f"{m:.2f} ({sd:.2f})" for m, sd in stats), f"{apart / spread:.1f}"]
            )
    return lines


def write_module(results: list[dict[str, Any]]) -> None:
    """Write `score_tables.py` whole."""
    today = f"{datetime.datetime.now(tz=datetime.UTC):%Y-%m-%d}"
    lines = [
        '"""Tables of the score, fitted by ``python -m benchmarks.recognition --fit``; '
        "don't edit.",
        "",
        f"Made on {today} from seeds {populations.FIT} on:",
        "candidates of simulated swings by three models, as wide as people are, and of usual ones, "
        "of other",
        "motion, and of real shoulder exercises by seven of ten people "
        "(tests/shared/real_data.py).",
        "What each missed of the full and the part swings of a model that it wasn't fitted on:",
        "",
    ]
    for one in results:
        lines.append(
            f"{one['mount']}: {one['way']}; candidates "
            + ", ".join(f"{k} {v}" for k, v in one["counts"].items()).replace(
                ", others", ",\n    others"
            )
        )
        for model, kinds in one["missed_left_out"].items():
            lines.append(
                f"    without {model}: "
                + ", ".join(
                    f"{kind} {kinds[kind][0]} of {kinds[kind][1]}"
                    for kind in ("full", "part")
                    if kind in kinds
                )
            )
    lines += ['"""', ""]
    lines += table_lines(
        {name: {r["mount"]: r[name] for r in results} for name in SORTS},
        named={FIGURES: "FIGURES", RALLY_FIGURES: "RALLY_FIGURES"},
        imports=("from analysis.swing.score import FIGURES, RALLY_FIGURES, Table",),
    )
    MODULE.write_text("\n".join(lines) + "\n", encoding="utf-8")


SORTS = ("swing", "rally", "short")


def fit(*, size: populations.Size | None = None) -> None:
    """Collect, fit, write, and print what there is to know."""
    size = size or populations.FIT_SIZE
    data = gathered(size, populations.FIT, "fit")
    rows = data["rows"]
    head = ["mount", "figure", *(f"{one}, median (sd)" for one in GENERATORS), "apart / sd"]
    print("### How the models overlap (full swings)\n\n" + table(head, overlap(rows)) + "\n")
    results = []
    for k, mount in enumerate((*MOUNTS, "unknown")):
        hours = size.other_hours * (len(MOUNTS) if mount == "unknown" else 1)
        one = fit_mount(rows, mount, hours, 7 + k)
        results.append(one)
        print(mount, one["way"], one["lost"], one["counts"], flush=True)
        for model, kinds in one["missed_left_out"].items():
            print("   without", model, kinds)
        print(
            "   thresholds", one["swing"].threshold, one["rally"].threshold, one["short"].threshold
        )
    write_module(results)
    draws = [
        [f"{model}, {mount}, {kind}", str(n), f"{100.0 * (tries - n) / tries:.0f} %"]
        for (model, mount, kind), (n, tries) in data["draws"].items()
    ]
    print("\n### Drawn again, as impossible\n\n" + table(["", "kept", "drawn again"], draws))


# -- what the finder does on other seeds ----------------------------------------------------------

WIDE_RATES_HZ = (200.0, 200.0, 400.0, 800.0)


def _finder_for(made: Any, mount: str | None) -> SwingFinder:
    return SwingFinder(
        rate_hz=made.nominal_rate_hz,
        mount=mount,
        gyr_range_dps=made.gyr_range_dps,
        acc_range_g=made.acc_range_g,
        gyr_delay_s=made.gyr_delay_s,
        acc_delay_s=made.acc_delay_s,
    )


def _found_wide(model: Any, mount: Any, kind: Any, count: int, seed: int) -> dict[str, list[int]]:
    """Count swings missed, and found with their impact over 100 ms off, by what they are like."""
    out: dict[str, list[int]] = {}
    for k in range(count):
        rate_hz = WIDE_RATES_HZ[k % 4]
        made, _ = populations.wide_recording(
            seed + k, model=model, mount=mount, kind=kind, rate_hz=rate_hz, grid_hz=4.0 * rate_hz
        )
        truth = made.truth[0]
        if truth.turn_deg < 45.0:
            continue
        finder = _finder_for(made, mount)
        found = finder.feed(made.seq, made.acc_m_s2, made.gyr_dps) + finder.flush()
        end_s = truth.finish_s or truth.top_s + 1.0
        mine = [
            one for one in found if truth.takeaway_s < one.anchor_seq / made.true_rate_hz < end_s
        ]
        off = any(
            one.impact_seq is not None
            and abs(one.impact_seq / made.true_rate_hz - (truth.impact_s or 0.0)) > 0.1
            for one in mine[:1]
        )
        labels = [kind]
        if truth.hold_ms >= 200.0:
            labels.append("stop of 0.2-1.6 s")
        for label in labels:
            row = out.setdefault(label, [0, 0, 0])
            row[0] += not mine
            row[1] += off
            row[2] += 1
    return out


def _invented(mount: Any, minutes: float, seed: int) -> tuple[int, int, int, float]:
    """Swings invented before anybody has swung, and after a player's swings; by the same sensor.

    The same seed gives the same chip in the same attitude, so a session of swings and one of
    nothing else can be played one after the other.
    """
    alone = simulate_session(populations.other_spec(mount, minutes), seed=seed)
    swung = simulate_session(
        SessionSpec(
            mount=mount,
            swings=6,
            varied=False,
            activity=0.0,
            rate_hz=populations.RATE_HZ,
            grid_hz=4.0 * populations.RATE_HZ,
        ),
        seed=seed,
    )
    session = alone.session

    def finder() -> SwingFinder:
        return SwingFinder(
            rate_hz=session.nominal_rate_hz,
            mount=mount,
            gyr_range_dps=session.gyr_range_dps,
            acc_range_g=session.acc_range_g,
        )

    seq, acc, gyr = populations.values_of(alone)
    first = finder()
    before = len(first.feed(seq, acc, gyr) + first.flush())
    second = finder()
    known = second.feed(*populations.values_of(swung))
    start = int(swung.samples["seq"][-1]) + 1
    after = second.feed(seq + start, acc, gyr) + second.flush()
    late = [one for one in after if one.anchor_seq >= start]
    return before, len(late), len(known), len(seq) / session.nominal_rate_hz / 3600.0


def run(*, quick: bool = False, shift: int = 0) -> dict[str, Any]:
    """Judge the fitted tables on seeds that they never saw.

    Returns
    -------
    dict
        ``wide``: missed, misplaced and all swings by model, and by mount; ``invented``: by mount
        before and after a player's first swings, and hours; ``real``: by source; ``curve``: see
        `benchmarks.curve`.
    """
    from _pytest.outcomes import OutcomeException

    base = populations.TEST + shift + (1_000_000 if quick else 0)
    full, part = (3, 2) if quick else (120, 60)
    wide: dict[str, dict[str, list[int]]] = {}
    for j, model in enumerate(GENERATORS):
        for k, mount in enumerate(MOUNTS):
            for kind, count in (("full", full), ("part", part)):
                seed = base + 100_000 * j + 10_000 * k + (5_000 if kind == "part" else 0)
                for label, row in _found_wide(model, mount, kind, count, seed).items():
                    for name in (model, mount, "all"):
                        total = wide.setdefault(name, {}).setdefault(label, [0, 0, 0])
                        for i in range(3):
                            total[i] += row[i]
    invented = {}
    for k, mount in enumerate(MOUNTS):
        rows = [
            _invented(mount, 3.0 if quick else 20.0, base + 400_000 + 1000 * k + n)
            for n in range(1 if quick else 3)
        ]
        invented[mount] = [float(sum(x)) for x in zip(*rows, strict=True)]
    real: dict[str, int] = {}
    unavailable = None
    try:
        for name, count in _real(quick=quick):
            real[name] = real.get(name, 0) + count
    except OutcomeException as error:
        unavailable = str(error)
    return {
        "wide": wide,
        "invented": invented,
        "real": real,
        "unavailable": unavailable,
        "curve": curve.run(quick=quick, shift=shift),
    }


def _real(*, quick: bool) -> Iterator[tuple[str, int]]:
    """Count swings found in real recordings that were never fitted on."""
    from tests.shared import real_data

    def found(one: Any, mount: str | None) -> int:
        finder = SwingFinder(rate_hz=one.rate_hz, mount=mount)
        n = np.arange(len(one.gyr_dps))
        return len(finder.feed(n, one.acc_m_s2, one.gyr_dps) + finder.flush())

    for number, one in enumerate(real_data.shoulder_exercises()):
        if real_data.exercise_person(number) not in PEOPLE_FITTED and not (quick and number % 5):
            for mount in ("wrist", None):
                yield (
                    f"seglearn, three people not fitted on, mount {mount or 'not told'}",
                    found(one, mount),
                )
    for one in real_data.walking_and_hand():
        for mount in (*MOUNTS, None):
            yield "scikit-kinematics, never fitted on, every mount and none", found(one, mount)


def tables(result: dict[str, Any]) -> str:
    """Markdown."""
    lines = []
    for name, labels in result["wide"].items():
        for label, (missed, off, of) in labels.items():
            lines.append(
                [
                    f"{name}, {label}",
                    str(of),
                    f"{missed} ({100.0 * missed / max(of, 1):.1f} %)",
                    f"{100.0 * upper_bound(missed, of):.1f} %",
                    str(off),
                ]
            )
    head = ["wide swings of 45 deg and more", "n", "missed", "95 % bound", "impact 100 ms off"]
    parts = ["### Found, whoever swings", table(head, lines)]
    lines = [
        [mount, f"{hours:.1f}", f"{before:.0f}", f"{after:.0f}"]
        for mount, (before, after, _, hours) in result["invented"].items()
    ]
    head = ["other motion", "hours", "invented before a swing", "after a player's first six"]
    parts += ["### Invented", table(head, lines)]
    lines = [[name, str(count)] for name, count in result["real"].items()]
    parts.append(table(["real recordings", "invented"], lines))
    if result["unavailable"]:
        parts.append(f"Left out: {result['unavailable']}")
    parts += [
        "### Found or invented: where the threshold might stand",
        curve.tables(result["curve"]),
    ]
    return "\n\n".join(parts)


if __name__ == "__main__":
    from benchmarks import live_turn

    FITS = {"finder": fit, "live": live_turn.fit}
    parser = argparse.ArgumentParser(prog="python -m benchmarks.recognition")
    parser.add_argument(
        "--fit",
        nargs="*",
        choices=FITS,
        required=True,
        help="write the tables anew: of the finder, of the live turn; without a word of both",
    )
    for part in parser.parse_args().fit or FITS:
        FITS[part]()
    sys.exit(0)
