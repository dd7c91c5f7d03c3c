"""The command `reference`."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from evidence_data import FEW, FREE, SHORT, Block, add_session
from saying import said

from library.catalogue import Library
from library.evidence import evidence_of


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("reference")
    with Library(root / "home") as library:
        add_session(library, root, 1, SHORT)
        add_session(library, root, 2, FREE, day="2026-05-03")
        add_session(library, root, 3, FREE, club="driver", day="2026-05-04")
        add_session(library, root, 4, FEW, player="Ume", day="2026-05-04")
    return root / "home"


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "home"))


def sessions(home: Path) -> list[str]:
    with Library(home) as library:
        return [one.id for one in library.sessions(newest_first=False)]


def test_it_is_provisional_until_swings_are_approved(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = sessions(home)[0][:8]
    text = said(capsys, "reference", "Ida", "--club", "7 iron", "--home", home)
    assert "no model swings approved yet" in text.splitlines()[0]
    assert f"--approve '{first}#1-5,11-15'" in text
    assert max(map(len, text.splitlines())) <= 80
    text = said(
        capsys,
        "reference",
        "Ida",
        "--club",
        "7 iron",
        "--approve",
        f"{first}#1-5,11-15",
        "--by",
        "Jo",
        "--home",
        home,
    )
    assert "approved by Jo" in text.splitlines()[0]
    assert f"From 10 swings (practice swings): {first}#1-5, 11-15" in text
    with Library(home) as library:
        found = evidence_of(library, "Ida", club="7 iron").reference
        values = [
            row["backswing_ms"]
            for row in library.swings(session=sessions(home)[0], kind="rehearsal").rows()
        ]
    # The middle half of ten rehearsals around 900 ms, by hand: their trimmed mean.
    assert (
        found.values["backswing_ms"].middle
        == pytest.approx(  # type: ignore[union-attr]
            sum(sorted(values)[2:8]) / 6
        )
    )


def test_odd_swings_are_left_out_and_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocks = (
        Block(n=9, strike=False),
        Block(n=1, strike=False, turn=0.5),
        Block(n=1, strike=False, turn=1.9, time=2.0),
        Block(n=3, strike=False),
    )
    with Library(tmp_path / "home") as library:
        first = add_session(library, tmp_path, 1, blocks)[:8]
    words = ("reference", "Ida", "--home", tmp_path / "home")
    text = " ".join(said(capsys, *words).split())
    assert "Left out, being far from the others in turn, time or rotation" in text
    assert f"part swings: {first}#10-11" in text
    assert f"From 12 swings (practice swings): {first}#1-9, 12-14" in text
    assert f"--approve '{first}#1-9,12-14'" in text
    # What the coach approved counts, and is asked about.
    text = " ".join(said(capsys, *words, "--approve", f"{first}#1-11").split())
    assert "From 11 swings" in text
    assert "Approved, but far from the others" in text
    assert f"{first}#10-11. Look at them again." in text


def test_what_unclear_swings_need_is_said(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Library(home) as library:
        ume = library.sessions(player=library.player("Ume").id)[0].id
        for number in (1, 2, 3):
            library.annotate(ume, library.swing(ume, number=number).seq, kind="unclear")
    text = " ".join(said(capsys, "reference", "Ume", "--home", home).split())
    assert "0 of 8 free practice swings so far (3 more are of unclear kind)" in text
    assert "3 of 6 swings are of unclear kind" in text
    assert "on the page" in text


def test_bounds_are_set_by_hand_and_taken_away(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("reference", "Ida", "--club", "7 iron", "--home", home)
    text = said(capsys, *words, "--lower", "turn_deg=118", "--upper", "turn_deg=141")
    assert "118*" in text
    assert "141*" in text
    document = json.loads(said(capsys, *words, "--json"))
    assert document["bounds"] == {"turn_deg": [118.0, 141.0]}
    assert document["reference"]["values"]["turn_deg"]["upper"] == 141.0
    # The field is called `outlier_ids` today; in the document it is what it always was.
    assert list(document["reference"])[-1] == "odd_ids"
    # One side alone leaves the other where it is.
    said(capsys, *words, "--upper", "turn_deg=150")
    assert json.loads(said(capsys, *words, "--json"))["bounds"] == {"turn_deg": [118.0, 150.0]}
    said(capsys, *words, "--upper", "turn_deg=")
    assert json.loads(said(capsys, *words, "--json"))["bounds"] == {}


def test_removing_leaves_the_provisional_one(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = sessions(home)[0]
    words = ("reference", "Ida", "--club", "7 iron", "--home", home)
    said(capsys, *words, "--approve", f"{first}#1-5,11-15", "--upper", "turn_deg=150")
    assert "no model swings approved yet" in said(capsys, *words, "--remove")
    assert "nothing was approved" in said(capsys, *words, "--remove", code=1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--approve", "{first}#1-20"), "different kinds"),
        (("--approve", "{first}#1-4"), "4 of 8 approved swings"),
        (("--approve", "{first}#1-5,99"), "#99 isn't there"),
        (("--approve", "{third}#1-8"), "of another player, club"),
        (("--approve", "{first}"), "must be SESSION#1-8"),
        (("--approve", "{first}#8-1"), "there are no swings"),
        (("--approve", "ffffffff#1-8"), "no session 'ffffffff'"),
        (("--upper", "turn=150"), "must be NAME=VALUE"),
        (("--upper", "turn_deg=nan"), "number from 10 to 400"),
        (("--upper", "turn_deg=99999"), "number from 10 to 400"),
        (("--lower", "backswing_ms=1"), "number from 100 to 5000"),
        (("--lower", "turn_deg=500"), "--lower turn_deg must be a number from 10 to 400"),
    ],
)
def test_what_doesnt_fit_changes_nothing(
    home: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    first, _, third, _ = sessions(home)
    typed = [word.format(first=first[:8], third=third[:8]) for word in words]
    # What no value of the option can be is a bad option; what the library says no to has failed.
    code = 2 if any(word in told for word in ("must be", "there are no", "number from")) else 1
    line = said(capsys, "reference", "Ida", "--club", "7 iron", *typed, "--home", home, code=code)
    assert told in line
    with Library(home) as library:
        assert library.player("Ida").references == ()


def test_too_few_rehearsals_are_counted(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "reference", "Ume", "--home", home)
    assert "no model swings yet, 3 of 8 free practice swings so far" in " ".join(text.split())
    assert "--approve" not in text
    line = said(capsys, "reference", "Ume", "--upper", "turn_deg=150", "--home", home, code=1)
    assert "give both" in line


def test_drills_and_cues_go_by_the_same_reference(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from unhurried.app.references import middle, own_reference

    first = sessions(home)[0][:8]
    words = ("reference", "Ida", "--club", "7 iron", "--home", home)
    before = own_reference(home, "Ida", "7 iron", "wrist")
    assert before is not None
    assert before.provisional
    # Which club isn't said, and there are two.
    assert own_reference(home, "Ida", None, None) is None
    assert own_reference(home, "Ume", None, None) is None
    said(capsys, *words, "--approve", f"{first}#1-5,11-15")
    found = own_reference(home, "Ida", "7 iron", "wrist")
    assert found is not None
    assert not found.provisional
    with Library(home) as library:
        known = evidence_of(library, "Ida", club="7 iron").reference
    for name, value in known.values.items():  # type: ignore[union-attr]
        assert found.bounds[name] == (value.lower, value.upper)
        assert middle(found, name) == pytest.approx(value.middle)
    said(capsys, *words, "--lower", "turn_deg=118", "--upper", "turn_deg=141")
    found = own_reference(home, "Ida", "7 iron", "wrist")
    assert found is not None
    assert found.bounds["turn_deg"] == (118.0, 141.0)
