"""Where the tests find Debian's Chromium."""

from __future__ import annotations

import shutil
from pathlib import Path

# The shell is the same engine without the windows around it: half the work, the same findings.
COMMANDS = ("chromium-headless-shell", "chromium")
MISSING = "Chromium is not installed (Debian, Ubuntu: sudo apt install chromium-headless-shell)"


def chromium() -> Path | None:
    """Return the command of the first one that is installed; None without any."""
    return next((Path(found) for name in COMMANDS if (found := shutil.which(name))), None)
