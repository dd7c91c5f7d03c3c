"""Where the manual is: a site of plain files, built by ``make docs`` and with each wheel."""

from __future__ import annotations

from pathlib import Path
from typing import Final

MANUAL: Final = Path(__file__).parent / "manual"
START: Final = MANUAL / "index.html"

MISSING: Final = "the manual isn't built here: 'make docs' in a copy of the repository builds it"
