"""Runs a command as a user would, and returns what it said."""

from __future__ import annotations

import pytest

from unhurried.cli import run


def said(capsys: pytest.CaptureFixture[str], *words: object, code: int = 0) -> str:
    """Run a command; return what it printed, or its one line on stderr."""
    capsys.readouterr()
    assert run([str(word) for word in words]) == code
    out, err = capsys.readouterr()
    if code:
        assert out == ""
        assert err.count("\n") == 1
        return err
    return out
