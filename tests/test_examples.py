"""The notebooks in `examples` run, as they stand."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import nbclient
import nbformat
import pytest

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "examples").glob("*.ipynb"))


def test_there_are_three() -> None:
    assert len(NOTEBOOKS) == 3


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_from_the_first_cell_to_the_last(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The kernel is a process of its own: it takes the program from here.
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("PYDEVD_DISABLE_FILE_VALIDATION", "1")
    notebook: Any = nbformat.read(path, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=300, resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    said = [out for cell in notebook.cells for out in cell.get("outputs", ())]
    assert not [out for out in said if out.output_type == "stream" and out.name == "stderr"]
    last = [cell for cell in notebook.cells if cell.cell_type == "code"][-1]
    assert last.outputs, "the last cell shows nothing"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_without_what_it_printed(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for cell in json.loads(text)["cells"]:
        assert cell.get("outputs", []) == []
        assert cell.get("execution_count") is None
    # No folder of whoever wrote it.
    assert not re.search(r"[\"' ](/[a-z]+/|[A-Z]:\\\\|~/)", text)
