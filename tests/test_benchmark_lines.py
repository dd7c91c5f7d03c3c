"""What the script that counts lines of code counts."""

from __future__ import annotations

from benchmarks.lines import code_lines

MODULE = '''"""A module.

Of two paragraphs.
"""

from __future__ import annotations

import os  # with a comment
from pathlib import (
    Path,
)

LIMIT = 3
"""What it is."""


# A comment.
def work(path: Path) -> str:
    """Do it.

    Returns
    -------
    str
    """
    import sys

    text = """a string
    of two lines"""

    return (
        text + sys.platform  # and a comment
    )
'''


def test_only_statements_count() -> None:
    # LIMIT, def, the string's two lines, and the three of the return.
    assert code_lines(MODULE) == 7
    assert code_lines("") == 0
    assert code_lines("x = 1; y = 2\n") == 1
