"""The analysis room: arrays in, swings out. No files, no devices, no clock."""

from analysis.errors import AnalysisError, InputError, RateError, SequenceError
from analysis.swing.finder import FinderParams, SwingFinder
from analysis.swing.results import ANALYSIS_VERSION, FoundSwing, Note, Swing, to_seconds
from analysis.swing.uncertainty import Budget, Part

__all__ = [
    "ANALYSIS_VERSION",
    "AnalysisError",
    "Budget",
    "FinderParams",
    "FoundSwing",
    "InputError",
    "Note",
    "Part",
    "RateError",
    "SequenceError",
    "Swing",
    "SwingFinder",
    "to_seconds",
]
