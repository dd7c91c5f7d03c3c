"""What the project depends on: bounds, the versions that the tests run with, and licences."""

from __future__ import annotations

import importlib.util
import re
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

FOLDER = Path(__file__).resolve().parents[1] / "dependencies"

SAFE = {
    "av": "17.1",
    "click": "8.3.3",
    "h11": "0.16",
    "jinja2": "3.1.6",
    "python-multipart": "0.0.31",
    "starlette": "1.3.1",
}
"""The first version without a published hole, as dependencies/README.md lists them by number."""


@pytest.fixture(scope="module")
def write() -> ModuleType:
    spec = importlib.util.spec_from_file_location("write", FOLDER / "write.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def pinned(name: str) -> dict[str, str]:
    """Versions by name; fails at a line that isn't ``name==version`` with a marker perhaps."""
    found = {}
    for line in (FOLDER / name).read_text(encoding="utf-8").splitlines():
        wanted = Requirement(line)
        assert wanted.url is None, line
        (spec,) = wanted.specifier
        assert spec.operator == "==", line
        found[canonicalize_name(wanted.name)] = spec.version
    return found


def wanted(write: ModuleType) -> list[Requirement]:
    given: dict[str, Any] = write.project()
    texts = (*given["dependencies"], *given["optional-dependencies"]["dev"])
    return [Requirement(text) for text in texts]


def test_the_lowest_versions_are_those_of_the_project(write: ModuleType) -> None:
    assert (FOLDER / "lowest.txt").read_text(encoding="utf-8") == write.lowest()
    assert set(pinned("lowest.txt")) <= {canonicalize_name(one.name) for one in wanted(write)}


def test_what_people_install_has_a_lower_bound(write: ModuleType) -> None:
    for text in write.project()["dependencies"]:
        assert any(spec.operator == ">=" for spec in Requirement(text).specifier), text


@pytest.mark.parametrize("name", sorted(SAFE))
def test_no_bound_lets_a_version_with_a_published_hole_in(write: ModuleType, name: str) -> None:
    assert Version(pinned("lowest.txt")[name]) >= Version(SAFE[name])


def test_everything_is_locked_within_its_bounds(write: ModuleType) -> None:
    locked = pinned("locked.txt")
    for one in wanted(write):
        assert one.specifier.contains(locked[canonicalize_name(one.name)]), one


@pytest.mark.parametrize("name", ["lowest.txt", "locked.txt", "licences.md"])
def test_no_list_says_where_from(name: str) -> None:
    text = (FOLDER / name).read_text(encoding="utf-8")
    assert not re.search(r"://|@|--", text.replace("|---|---|", ""))


def test_every_licence_is_listed(write: ModuleType) -> None:
    text = (FOLDER / "licences.md").read_text(encoding="utf-8")
    listed = dict(re.findall(r"^\| (\S+) \| (.+) \|$", text, re.MULTILINE))
    listed.pop("name")
    assert set(listed) == set(pinned("locked.txt"))
    ships = re.findall(r"^\| (\S+) \|", text.split("## For its tests alone")[0], re.MULTILINE)
    needs = write.needed()
    if {name: one.version for name, one in needs.items()}.items() <= pinned("locked.txt").items():
        assert set(needs) == set(ships) - {"name"}
    # Another version may say it in other words.
    for name, value in pinned("locked.txt").items():
        try:
            same = version(name) == value
        except PackageNotFoundError:
            continue
        if same:
            assert write.licence(write.distribution(name)) == listed[name], name


def test_nothing_that_people_install_is_under_a_licence_that_binds_them(write: ModuleType) -> None:
    # Wheels of FFmpeg are named in the file's own words.
    for name, one in write.needed().items():
        assert not re.search(r"\bA?GPL", write.licence(one)), name
