"""Errors of this room."""

from __future__ import annotations


class ReviewError(Exception):
    """Root of the room's errors; ``str(error)`` is the one line to show."""
