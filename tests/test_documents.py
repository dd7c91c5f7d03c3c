"""The map for contributors is short, and what it and the rooms' READMEs point at is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MOST_LINES = 200
DOCUMENTS = sorted(
    path
    for path in [
        *(*ROOT.glob("*.md"), *ROOT.glob("*/README.md"), *ROOT.glob("*/*/README.md")),
        *ROOT.glob("docs/**/*.md"),
    ]
    if not {".cache", ".venv"} & set(path.relative_to(ROOT).parts)
)


def test_the_map_is_short() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(text.splitlines()) <= MOST_LINES


def test_every_room_has_its_readme() -> None:
    for room in ("sensor", "simulation", "analysis/swing", "analysis/evidence", "feedback"):
        assert (ROOT / room / "README.md").is_file(), room
    for room in ("library", "review", "unhurried", "tests", "dependencies", "recordings"):
        assert (ROOT / room / "README.md").is_file(), room


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    headings = {
        re.sub(r"[^\w -]", "", line.lstrip("# ").lower()).replace(" ", "-")
        for line in text.splitlines()
        if line.startswith("#")
    }
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("http:", "https:")):
            continue
        file, _, heading = target.partition("#")
        assert not file or (path.parent / file).exists(), target
        assert file or heading in headings, target


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_files_that_are_named_from_the_root_exist(path: Path) -> None:
    """What stands in backquotes, begins with a room and is a file's or a folder's name."""
    if path.name == "CHANGELOG.md":
        return
    rooms = "words|sensor|simulation|analysis|feedback|library|review|unhurried|tests|benchmarks"
    text = path.read_text(encoding="utf-8")
    named = re.findall(rf"`((?:{rooms}|recordings)/[\w./-]*(?:\.\w+|/))`", text)
    wrong = [name for name in named if not (ROOT / name).exists()]
    assert wrong == [] or wrong == ["recordings/generated/"], wrong


def test_the_version_is_said_once_and_the_documents_agree() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    version = project["version"]
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert re.findall(r"^version: (.+)$", citation, re.MULTILINE) == [version]
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = next(line for line in changes.splitlines() if line.startswith("## "))
    assert newest.split()[1] == version
    # The program takes it from what is installed: no other file says it.
    rooms = ("words", "sensor", "analysis", "feedback", "library", "review", "simulation")
    sources = [path for room in (*rooms, "unhurried") for path in (ROOT / room).rglob("*.py")]
    said = re.compile(rf"""["']{re.escape(version)}["']""")
    assert [path.name for path in sources if said.search(path.read_text("utf-8"))] == []


def test_readme_says_on_its_first_screen_that_no_lesson_has_tried_it() -> None:
    first = "\n".join((ROOT / "README.md").read_text(encoding="utf-8").splitlines()[:20])
    assert "has not been tried in a lesson" in first
    assert "(review/LESSON-CHECK.md)" in first
    plan = (ROOT / "review" / "LESSON-CHECK.md").read_text(encoding="utf-8")
    assert len(plan.split()) <= 750, "one page"
    for heading in ("prepare", "write down", "counts as failing"):
        assert f"{heading}\n" in plan or f"{heading}," in plan, heading
