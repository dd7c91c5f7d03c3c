"""The terminal says what the page says: the words of the glossary, in output, help and sounds."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any, get_args

import click
import pytest
from evidence_data import FEW, FREE, add_session, approve, learner, long_one
from page_words import DETAILS, NOT_AT_THE_TERMINAL, NOWHERE, said_in, words_in

from feedback.drill_plan import Block, SetSound
from feedback.patterns import SOUNDS
from library.catalogue import Library
from unhurried import cli

ROOT = Path(__file__).resolve().parents[3]
FORBIDDEN = f"{NOT_AT_THE_TERMINAL}|{NOWHERE}"
WRIST, CLUB, GLOVE = (
    f"recordings/{name}" for name in ("monday-wrist", "tuesday-club", "thursday-glove")
)

WITHOUT_A_HOME = (
    f"analyze {WRIST}",
    f"analyze {WRIST}#3",
    f"analyze {CLUB}#3 --budget",
    f"analyze {GLOVE} --why",
    f"analyze {CLUB} --own-strikes",
    f"compare {WRIST}#3 {WRIST}#5",
    f"compare {WRIST} --by kind --player Tomas",
    f"compare {WRIST} --by kind --player Tomas --own-strikes --budget",
    f"info {WRIST}",
)
WITH_A_HOME = (
    *(
        f"{word} {who}"
        for word in ("plan", "reference", "story", "library list", "library player")
        for who in ("Ida", "Otto", "Ume")
    ),
    "plan Ida --rules",
    "story Ida --numbers",
    "story Otto --numbers",
    "library list",
    "library check",
    "settings",
)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A learner, one whose turn is long already, and one who has just begun."""
    root = tmp_path_factory.mktemp("words")
    with Library(root / "home") as library:
        approve(library, "Ida", learner(library, root)[:1])
        approve(library, "Otto", long_one(library, root)[:1])
        add_session(library, root, 40, FEW, player="Ume", day="2026-05-02")
        add_session(library, root, 41, FREE, player="Ume", day="2026-05-04")
    return root / "home"


def found_in(text: str) -> list[str]:
    """Return the words of an output that belong into files; details may name a few of them."""
    first, _, rest = text.partition("\nDetails\n")
    bare = re.sub(rf"\b(?:{DETAILS})\b", " ", said_in(rest))
    return words_in(FORBIDDEN, said_in(first)) + words_in(FORBIDDEN, bare)


def shown(capsys: pytest.CaptureFixture[str], line: str, *more: str) -> str:
    """Return what a command prints; it has to print something."""
    capsys.readouterr()
    assert cli.run([*shlex.split(line), *more]) == 0, line
    out = capsys.readouterr()
    assert len(out.out.split()) > 3, line
    return out.out + out.err


def test_the_test_finds_what_it_looks_for() -> None:
    assert found_in("6 strikes, median 0.9 s\n  unhurried kind X strike") == ["strikes", "median"]
    assert found_in("a\nDetails\nratio 3.4, peak 915 deg/s") == ["deg/s"]
    assert found_in("ratio 3.4\n") == ["ratio"]
    assert found_in("  unhurried drill --block rehearsal \\\n  --block retention\nheld") == ["held"]


@pytest.mark.parametrize("line", WITHOUT_A_HOME)
def test_tables_of_recordings_say_it_in_the_words_of_the_page(
    line: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(ROOT)
    text = shown(capsys, line)
    assert (
        found_in(text if "--budget" not in line else text.replace("\n\n", "\nDetails\n", 1)) == []
    )


@pytest.mark.parametrize("line", WITH_A_HOME)
def test_so_do_stories_plans_and_lists(
    line: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert found_in(shown(capsys, line, "--home", str(home))) == []


def test_so_does_the_list_of_a_session(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Library(home) as library:
        session = library.sessions(player=library.player("Ida").id, limit=1)[0].id
    for line in (f"library show {session}", f"felt {session}", f"results list {session}"):
        text = shown(capsys, line, "--home", str(home))
        assert found_in(text) == [], line
    text = shown(capsys, f"kind {session}#1 rehearsal", "--home", str(home))
    assert "a practice swing" in text
    assert found_in(text) == []


def all_commands(
    command: click.Command = cli.cli, context: click.Context | None = None
) -> list[tuple[click.Context, click.Command]]:
    context = context or click.Context(cli.cli, info_name="unhurried", terminal_width=80)
    out = [(context, command)]
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            out += all_commands(
                inner, click.Context(inner, info_name=name, parent=context, terminal_width=80)
            )
    return out


def test_so_does_every_help() -> None:
    wrong = {}
    for context, command in all_commands():
        whole = command.help or ""
        options = [p.help or "" for p in command.params if isinstance(p, click.Option)]
        whole = re.sub(r"\x08\n.*?(\n\n|$)", "", whole, flags=re.DOTALL)
        text = said_in("\n".join([whole, *options]))
        # A word in brackets is what is typed; a sensor's range is in the unit of its data sheet.
        text = re.sub(
            r"\((?:strike|rehearsal|retention)\)|\[default: \w+\]"
            r"|(?:Gyro range in|is lost:) deg/s|deg/s rad/s",
            "",
            text,
        )
        if found := words_in(FORBIDDEN, text):
            wrong[context.command_path] = found
    assert wrong == {}


def test_so_do_the_sounds_and_the_sets_of_a_drill() -> None:
    said = [text for one in SOUNDS for text in (one.name, one.meaning, one.heard)]
    assert len(said) > 30
    kinds: tuple[Any, ...] = ("rehearsal", "ball", "silent", "retention")
    sets = [
        Block(kind, repeats, sound=sound, called=called).words
        for kind in kinds
        for repeats in (1, 5)
        for sound in get_args(SetSound)
        for called in (True, False)
    ]
    for text in (*said, *sets):
        assert words_in(FORBIDDEN, text) == [], text
