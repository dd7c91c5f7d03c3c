"""How long a test waits for what has to come."""

from __future__ import annotations

from typing import Final

PATIENCE_S: Final = 120.0
"""Long: the machine may be busy with other work, and what comes in time costs nothing. That
something is quick is measured in `benchmarks`, as a ratio."""
