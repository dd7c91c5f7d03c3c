"""The recipes of the demo sessions."""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from sensor.recording.opening import open_recording
from simulation.sessions import SessionSpec

FOLDER = Path(__file__).resolve().parents[2] / "recordings"


@pytest.fixture(scope="module")
def recipes() -> ModuleType:
    """`recordings/make.py`, which is a script and no package."""
    spec = importlib.util.spec_from_file_location("demo_recipes", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_sessions_in_the_repository_are_those_of_the_recipes(recipes: ModuleType) -> None:
    size = 0
    for name, (spec, seed) in recipes.DEMO.items():
        folder = FOLDER / name
        assert recipes.is_whole(folder, seed)
        size += sum(path.stat().st_size for path in folder.iterdir())
        with open_recording(folder) as recording:
            assert recording.session.sensor["simulated"] is True
            assert recording.session.mount == spec.mount
            assert recording.session.start == spec.start
            assert recording.warnings == []
            named = {m.fields["player"] for m in recording.markers if m.kind == "segment"}
        assert named == {one.name for one in spec.players}
        truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
        assert len(truth["swings"]) >= spec.swings
    assert size < 3e6


def test_the_readme_gives_the_seeds(recipes: ModuleType) -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "simulated" in text
    for name, (_, seed) in recipes.DEMO.items():
        assert f"| `{name}` | {seed} |" in text


def test_the_dozen_covers_mounts_rates_hands_and_seeds(recipes: ModuleType) -> None:
    dozen = recipes.dozen()
    specs = [spec for spec, _ in dozen.values()]
    assert len(dozen) == 12
    assert len({seed for _, seed in dozen.values()}) == 12
    assert {spec.mount for spec in specs} == {"wrist", "glove", "club", "trunk"}
    assert {100.0, 200.0, 400.0, 800.0} <= {spec.rate_hz for spec in specs}
    assert {one.handedness for spec in specs for one in spec.players} == {"right", "left"}


def test_sessions_there_already_are_passed_over(
    recipes: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small = SessionSpec(minutes=0.1, swings=0, rate_hz=100.0)
    recipes.make({"one": (small, 1)}, tmp_path / "new", again=False)
    target = tmp_path / "new" / "one"
    stamp = (target / "imu.npy").stat().st_mtime_ns
    recipes.make({"one": (small, 1)}, tmp_path / "new", again=False)
    assert (target / "imu.npy").stat().st_mtime_ns == stamp
    assert "there already" in capsys.readouterr().out
    # another seed, or a broken truth: made anew
    recipes.make({"one": (replace(small, minutes=0.12), 2)}, tmp_path / "new", again=False)
    assert json.loads((target / "truth.json").read_text())["seed"] == 2
    (target / "truth.json").chmod(0o644)
    (target / "truth.json").write_text("{")
    assert not recipes.is_whole(target, 2)
