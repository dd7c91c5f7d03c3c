"""The analysis room: arrays in, swings out. No files, no devices, no clock."""

from analysis.errors import AnalysisError, RateError, SequenceError
from analysis.results import ANALYSIS_VERSION, Budget, FoundSwing, Note, Part, Swing, to_seconds
from analysis.stream import FinderParams, SwingFinder

__all__ = [
    "ANALYSIS_VERSION",
    "AnalysisError",
    "Budget",
    "FinderParams",
    "FoundSwing",
    "Note",
    "Part",
    "RateError",
    "SequenceError",
    "Swing",
    "SwingFinder",
    "to_seconds",
]
