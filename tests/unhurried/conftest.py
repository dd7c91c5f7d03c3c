"""Makes the helper modules of tests importable, whatever pytest's import mode."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
for folder in (HERE, HERE.parent / "review", HERE.parent / "shared"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))
