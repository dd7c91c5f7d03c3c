"""A sound server for the tests of this folder; its helper modules are made importable."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from listening import SoundServer, sound_server


@pytest.fixture
def server() -> Iterator[SoundServer]:
    """A sound server of its own for one test."""
    # The name of a socket must be short, and pytest's folders aren't.
    with tempfile.TemporaryDirectory(prefix="ear") as folder, sound_server(Path(folder)) as running:
        yield running
