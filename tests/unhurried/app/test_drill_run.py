"""What a drill is made of is read before it sounds."""

from __future__ import annotations

import subprocess
import sys

import pytest


@pytest.mark.parametrize(
    "module",
    ["analysis.swing.live_tables", "analysis.swing.score_tables", "feedback.stillness"],
)
def test_nothing_large_is_read_while_a_drill_sounds(module: str) -> None:
    # Reading a table keeps the interpreter from the sound for longer than the device has samples.
    script = f"import sys, unhurried.app.drill_run; print({module!r} in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout == "True\n", done.stderr
