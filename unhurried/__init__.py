"""`unhurried`: golf swings measured with one motion sensor.

What stands in `__all__` is the public API; all else may change. Nothing of it is imported before it
is first used, so ``import unhurried`` alone loads no numpy. What goes wrong with a recording is a
`SensorError`, with an analysis or a comparison an `AnalysisError`, with a library a
`LibraryError`.

>>> import unhurried
>>> samples, truth = unhurried.simulate(1, swings=3)
>>> analysis = unhurried.analyze(samples)
>>> len(analysis.swings)
3
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis import AnalysisError, SwingFinder
    from library.errors import LibraryError
    from sensor.errors import SensorError
    from sensor.recording.opening import open_recording
    from sensor.recording.samples import Samples
    from unhurried import plot
    from unhurried.app.comparing import Comparison, compare
    from unhurried.app.looking import Library
    from unhurried.app.measuring import Analysis, analyze
    from unhurried.app.simulating import simulate

    __version__: str

__all__ = [
    "Analysis",
    "AnalysisError",
    "Comparison",
    "Library",
    "LibraryError",
    "Samples",
    "SensorError",
    "SwingFinder",
    "__version__",
    "analyze",
    "compare",
    "open_recording",
    "plot",
    "simulate",
]

_HOME = {
    "Analysis": "unhurried.app.measuring",
    "AnalysisError": "analysis",
    "Comparison": "unhurried.app.comparing",
    "Library": "unhurried.app.looking",
    "LibraryError": "library.errors",
    "Samples": "sensor.recording.samples",
    "SensorError": "sensor.errors",
    "SwingFinder": "analysis",
    "analyze": "unhurried.app.measuring",
    "compare": "unhurried.app.comparing",
    "open_recording": "sensor.recording.opening",
    "simulate": "unhurried.app.simulating",
}

ROOMS = ("words", "sensor", "simulation", "analysis", "feedback", "library", "review")
"""The other packages of this program. Their names are common words."""


def _hidden() -> str | None:
    """Say what of somebody else's stands in the way of one of our packages; None if nothing does.

    Python takes the first folder of that name on its path, and the folder one works in may come
    before ours.
    """
    ours = Path(__file__).resolve().parents[1]
    for name in ROOMS:
        spec = find_spec(name)
        places = [] if spec is None else [*(spec.submodule_search_locations or [spec.origin or ""])]
        if [Path(place).resolve() for place in places] != [ours / name]:
            there = places[0] if places else "nothing"
            return (
                f"{there} is in the place of a part of unhurried ('{name}'): work in another "
                f"folder, or give it another name"
            )
    return None


_line = _hidden()
if _line is not None:
    if sys.argv[:1] == ["-m"]:
        sys.exit(f"unhurried: {_line}")
    raise ImportError(_line)


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("sensor.recording.session").program_version()
    if name == "plot":
        return import_module("unhurried.plot")
    if name not in _HOME:
        raise AttributeError(f"module 'unhurried' has no attribute '{name}'")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
