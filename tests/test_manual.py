"""The manual and README: what they show runs, what they name is there, and it reads easily.

The sentence lengths and the reading ease are Flesch's (R. Flesch, A new readability yardstick,
Journal of Applied Psychology 32, 1948); syllables are counted by syllapy, whose dictionary comes
with it.
"""

from __future__ import annotations

import functools
import importlib.util
import json
import re
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import click
import html5lib
import pytest
import syllapy
from chromium import MISSING, chromium
from playwright.sync_api import sync_playwright

from analysis.swing.results import ANALYSIS_VERSION
from benchmarks import accuracy
from benchmarks.__main__ import PARTS
from unhurried.cli import COMMANDS, GROUPS, cli, run
from unhurried.commands.naming import SessionName
from unhurried.commands.options import ExistingPath
from words.glossary import MEASURES

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = sorted(DOCS.glob("**/*.md"))
README = ROOT / "README.md"
LEARN, DO, UNDERSTAND = (
    sorted((DOCS / part).glob("*.md")) for part in ("learn", "do", "understand")
)
MOST_WORDS = 25
LEAST_EASE = 60.0
PLACEHOLDER = re.compile(r"[A-Z][A-Z0-9-]*\*?(\.[a-z0-9]+|/truth\.json)?")
BLOCK = re.compile(r"^```(\S*)[^\n]*\n(.*?)^```", re.DOTALL | re.MULTILINE)

FORBIDDEN = re.compile(
    r"\b(rehearsals?|strikes?|provisional(ly)?|medians?|retention|peak rate|score|good|bad|correct"
    r"|fail|ideal|normal|too slow|proves|because|verdict)\b",
    re.IGNORECASE,
)
"""What stands nowhere, or only in files and options, in the words of Learn, Do and Understand."""

DRAWING = ("--plot", ">")
"""Commands with these write; they are parsed, and what they draw is tested elsewhere."""


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def load(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@functools.cache
def write() -> ModuleType:
    return load("docs_write", DOCS / "write.py")


# --- what is shown ---


def command_lines(text: str) -> Iterator[str]:
    """Give each line of a block, and each word in backquotes, that is a command of ours."""
    for kind, block in BLOCK.findall(text):
        if kind in ("", "sh", "text"):
            for line in re.sub(r"\\\n\s*", "", block).splitlines():
                if line.strip().startswith("unhurried "):
                    yield line.strip()
    yield from re.findall(r"`(unhurried [^`]+)`", BLOCK.sub("", text))


def words_of(line: str) -> list[str]:
    """Split a command as a shell does, without what explains it; what follows ``>`` is a file."""
    line = re.split(r"\s{2,}|\s#\s", line)[0]
    return shlex.split(line.split(" > ")[0])


def parse(line: str) -> list[str]:
    """Parse a command by its own parser, and return what is wrong with it.

    Values are converted too: a choice must be one of those there are. What it reads must be there
    or be a placeholder in capitals.
    """
    words = words_of(line)[1:]
    if words == ["COMMAND", "--help"] or not words or words[0].startswith("--"):
        return []
    command: click.Command = cli
    context = click.Context(cli, info_name="unhurried")
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        found = command.get_command(context, words[0])
        if found is None:
            return [f"there is no command '{words[0]}'"]
        command, words = found, words[1:]
        context = click.Context(command, info_name=command.name, parent=context)
    if isinstance(command, click.Group) or words == ["--help"] or not words:
        return []
    try:
        values, rest, _ = command.make_parser(context).parse_args(args=list(words))
    except click.UsageError as error:
        return [error.format_message()]
    wrong = [f"'{text}' is too much" for text in rest]
    for param in command.params:
        given = values.get(str(param.name))
        for text in given if isinstance(given, list | tuple) else [given]:
            if isinstance(text, str):
                wrong += misfits(param, text, context)
    return wrong


def misfits(param: click.Parameter, text: str, context: click.Context) -> list[str]:
    """Return what is wrong with one value."""
    if isinstance(param.type, ExistingPath | SessionName) or (
        isinstance(param.type, click.Path) and text.startswith("recordings/")
    ):
        path = text.partition("#")[0]
        there = (ROOT / path).exists() or PLACEHOLDER.fullmatch(path)
        return [] if there else [f"there is no {path}"]
    if isinstance(param.type, click.Choice | click.IntRange | click.FloatRange):
        try:
            param.type.convert(text, param, context)
        except click.UsageError as error:
            return [error.format_message()]
    return []


def shown() -> list[tuple[str, str]]:
    """Return every command that a page shows, with the page."""
    return [
        (name_of(path), line)
        for path in (README, *PAGES)
        for line in command_lines(path.read_text(encoding="utf-8"))
    ]


def test_every_command_that_is_shown_can_be_typed() -> None:
    lines = shown()
    assert len(lines) > 150
    wrong = [(page, line, *found) for page, line in lines if (found := parse(line))]
    assert wrong == []


@pytest.mark.parametrize(
    "line",
    [
        "unhurried analyse recordings/monday-wrist",
        "unhurried library lst",
        "unhurried analyze recordings/evening",
        "unhurried analyze recordings/monday-wrist --jsn",
        "unhurried drill --block quiet",
        "unhurried cue --backswing-ms 80",
        "unhurried kind SESSION strike more",
    ],
)
def test_what_cannot_be_typed_would_be_seen(line: str) -> None:
    assert parse(line) != []


def test_what_is_shown_on_the_demo_recordings_runs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("UNHURRIED_HOME", str(tmp_path / "home"))
    names = ("analyze", "compare", "info")
    lines = {
        line
        for _, line in shown()
        if line.split()[1] in names
        and "recordings/" in line
        and not any(word in line for word in DRAWING)
    }
    assert len(lines) >= 5
    for line in sorted(lines):
        assert run(words_of(line)[1:]) == 0, capsys.readouterr().err


@pytest.mark.parametrize(
    "path", [p for p in (README, *PAGES) if "```python" in p.read_text("utf-8")], ids=name_of
)
def test_the_lines_of_python_run(
    path: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "recordings").symlink_to(ROOT / "recordings")
    monkeypatch.chdir(tmp_path)
    blocks = [text for kind, text in BLOCK.findall(path.read_text("utf-8")) if kind == "python"]
    assert blocks
    for text in blocks:
        names: dict[str, Any] = {}
        exec(compile(text, name_of(path), "exec"), names)
        if path == README:
            assert len([line for line in text.splitlines() if line]) == 5
            assert len(names["analysis"].swings) == 24
            assert names["pair"].judged
            assert (tmp_path / "session.png").stat().st_size > 10_000


def test_what_make_is_asked_for_is_there() -> None:
    targets = set(re.findall(r"^([\w-]+):", (ROOT / "Makefile").read_text("utf-8"), re.MULTILINE))
    for path in (README, *PAGES):
        text = path.read_text(encoding="utf-8")
        asked = set(re.findall(r"(?:^|`)make ([\w-]+)", text, re.MULTILINE))
        assert asked <= targets, path
        parts = set(re.findall(r"--only ([a-z_]+)", text))
        assert parts <= set(PARTS), path


def test_a_block_after_an_admonition_is_seen() -> None:
    text = "```{admonition} Mind\nthe club\n```\n\n```sh\nunhurried putt\n```\n"
    assert list(command_lines(text)) == ["unhurried putt"]


def test_blocks_are_of_kinds_that_are_looked_at() -> None:
    kinds = {
        kind for path in (README, *PAGES) for kind, _ in BLOCK.findall(path.read_text("utf-8"))
    }
    known = {"", "sh", "text", "python", "powershell", "{admonition}", "{toctree}", "{include}"}
    assert kinds <= known


# --- what the program knows ---


@pytest.mark.parametrize("name", ["commands.md", "python.md", "settings.md", "sounds.md"])
def test_what_is_generated_says_what_the_program_says(name: str) -> None:
    page = (DOCS / "look-up" / name).read_text(encoding="utf-8")
    assert page == write().PAGES[name](), "python docs/write.py writes it anew"


def figures() -> ModuleType:
    write()
    return sys.modules["figures"]


def test_tables_of_accuracy_are_those_of_the_kept_results() -> None:
    found = figures()
    for path, text in found.pages().items():
        assert path.read_text(encoding="utf-8") == text, "python docs/write.py writes it anew"
    kept = json.loads(found.KEPT.read_text(encoding="utf-8"))
    assert kept["command"].removeprefix("python -m benchmarks --only ") in PARTS
    assert kept["first_seed"] == accuracy.SEEDS
    assert kept["analysis_version"] in (ANALYSIS_VERSION, None), (
        "run it anew, it is of an older one"
    )
    kept["easy"]["unhurried"]["top_ms"] = 98.76
    assert "| top | 0.5 ms | **99 ms** |" in found.table(kept)
    assert "| top | **99 ms** | 1.1 ms |" in found.rows(kept)


def test_figures_are_taken_from_a_run_on_the_official_seeds_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    some = [case for case in accuracy.cases(quick=True) if case.mount == "club"]
    few = [*[c for c in some if c.hard is None][:3], *[c for c in some if c.hard][:3]]
    monkeypatch.setattr(accuracy, "cases", lambda **_: iter(few))
    part = accuracy.run() | {"first_seed": accuracy.SEEDS, "analysis_version": ANALYSIS_VERSION}
    results = {"quick": False, "seed_shift": 0, "accuracy": part}
    results |= {"python": "3", "numpy": "2", "scipy": "1"}
    kept = figures().taken(results)
    assert kept["easy"]["swings"] == kept["hard"]["swings"] == 3
    assert kept["easy"]["unhurried"]["takeaway_ms"] < kept["easy"]["plain"]["takeaway_ms"]
    assert f"analysis version {ANALYSIS_VERSION}." in figures().table(kept)
    with pytest.raises(ValueError, match="quick look"):
        figures().taken(results | {"quick": True})


def all_commands(
    command: click.Command = cli, context: click.Context | None = None
) -> Iterator[tuple[click.Context, click.Command]]:
    context = context or click.Context(cli, info_name="unhurried", terminal_width=80)
    yield context, command
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None
            inner = click.Context(found, info_name=name, parent=context, terminal_width=80)
            yield from all_commands(found, inner)


def test_every_option_has_its_line_and_stands_in_the_manual() -> None:
    page = (DOCS / "look-up" / "commands.md").read_text(encoding="utf-8")
    for context, command in all_commands():
        for param in command.params:
            if not isinstance(param, click.Option) or param.hidden or param.name == "verbose":
                continue
            assert param.help, f"{context.command_path} {param.opts[-1]}"
            assert command is cli or param.opts[-1] in page, param.opts


def test_every_command_is_in_one_group() -> None:
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(COMMANDS)


def test_help_fits_a_screen_and_names_every_option() -> None:
    for context, command in all_commands():
        text = command.get_help(context)
        assert len(text.splitlines()) <= 40, context.command_path
        assert max(map(len, text.splitlines())) <= 80, context.command_path
        for param in command.params:
            if isinstance(param, click.Option) and not param.hidden:
                assert param.opts[-1] in text, (context.command_path, param.opts)


def test_words_of_measures_stand_in_the_glossary() -> None:
    text = (DOCS / "look-up" / "glossary.md").read_text(encoding="utf-8")
    for field, word in MEASURES.items():
        assert f"| {word} |" in text, word
        assert f"`{field}`" in text, field


def test_what_is_bold_in_a_lesson_stands_on_the_page() -> None:
    places = ("*.py", "page/**/*.py", "page/templates/*.html")
    rooms = [p for place in places for p in (ROOT / "review").glob(place)]
    rooms.append(ROOT / "words" / "lesson.py")
    page = "\n".join(path.read_text(encoding="utf-8") for path in rooms)
    for path in (*LEARN, DOCS / "do" / "phone.md", DOCS / "do" / "lesson.md"):
        bold = re.findall(r"\*\*([^*]+)\*\*", path.read_text(encoding="utf-8"))
        assert bold, path
        assert [one for one in bold if one not in page] == [], path


# --- how it reads ---


def paragraphs(path: Path) -> list[str]:
    """Return what is read aloud: no headings, blocks, tables nor code; each item is one."""
    text = path.read_text(encoding="utf-8")
    # What an admonition says is read, what a block shows isn't.
    text = re.sub(
        r"^```\{admonition\}[^\n]*\n(.*?)^```", r"\1", text, flags=re.DOTALL | re.MULTILINE
    )
    text = re.sub(r"(?s)<!--.*?-->|<picture>.*?</picture>", "", BLOCK.sub("", text))
    lines = [line for line in text.splitlines() if not line.startswith(("#", "|"))]
    joined = re.sub(r"\n(?=(?:[-*]|\d+\.) )", "\n\n", "\n".join(lines))
    out = []
    for part in joined.split("\n\n"):
        plain = re.sub(r"\]\([^)]*\)", "", part.replace("[", ""))
        plain = re.sub(r"`[^`]*`", "This", plain).replace("*", "")
        plain = re.sub(r"^\s*(?:-|\d+\.) ", "", plain)
        if plain.strip():
            out.append(" ".join(plain.split()))
    return out


def sentences(path: Path) -> list[list[str]]:
    """Return the words of each sentence."""
    return [
        words
        for text in paragraphs(path)
        for one in re.split(r"(?<=[.!?])[\"”]?\s+(?=[\"“A-Z±])", text)
        if (words := re.findall(r"[A-Za-z][A-Za-z'’-]*", one))
    ]


def reading_ease(parts: list[list[str]]) -> float:
    words = [word for one in parts for word in one]
    syllables = sum(
        max(1, syllapy.count(part)) for word in words for part in re.split("[-']", word) if part
    )
    return 206.835 - 1.015 * len(words) / len(parts) - 84.6 * syllables / len(words)


@pytest.mark.parametrize("path", [*LEARN, *DO, *UNDERSTAND, README, DOCS / "index.md"], ids=name_of)
def test_sentences_are_short(path: Path) -> None:
    long = [" ".join(one) for one in sentences(path) if len(one) > MOST_WORDS]
    assert long == []


@pytest.mark.parametrize("path", [*LEARN, *DO], ids=name_of)
def test_it_reads_easily(path: Path) -> None:
    assert reading_ease(sentences(path)) >= LEAST_EASE


def test_reading_ease_is_flesch() -> None:
    # Twelve words of one syllable in two sentences; then two of four in one.
    assert reading_ease([["the", "cat", "sat", "on", "the", "mat"]] * 2) == pytest.approx(
        206.835 - 1.015 * 6 - 84.6
    )
    assert reading_ease([["uncertainty", "information"]]) < 0.0


@pytest.mark.parametrize("path", [*LEARN, *DO, *UNDERSTAND, README, DOCS / "index.md"], ids=name_of)
def test_words_are_those_of_the_screens(path: Path) -> None:
    headings = [line for line in path.read_text("utf-8").splitlines() if line.startswith("#")]
    text = "\n".join([*paragraphs(path), *headings])
    assert [found[0] for found in FORBIDDEN.finditer(text)] == []


def test_the_manual_is_no_longer_than_people_read() -> None:
    assert len(LEARN) == 2
    assert len(DO) <= 10
    assert len(UNDERSTAND) <= 5
    lines = README.read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 150
    assert "not been tried in a lesson" in " ".join(lines[:30])
    assert "in simulation" in " ".join(lines).lower()


# --- the site ---


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The manual as the wheel has it; a warning of Sphinx fails."""
    place = tmp_path_factory.mktemp("site") / "manual"
    load("hatch_build", ROOT / "hatch_build.py").build(ROOT, place)
    return place


@functools.cache
def parsed(path: Path) -> Any:
    text = path.read_text(encoding="utf-8")
    return html5lib.parse(text, treebuilder="etree", namespaceHTMLElements=False)


def test_every_page_is_in_the_site_and_can_be_searched(site: Path) -> None:
    index = (site / "searchindex.js").read_text(encoding="utf-8")
    for path in PAGES:
        name = str(path.relative_to(DOCS).with_suffix(""))
        assert (site / f"{name}.html").is_file()
        assert f'"{name}"' in index, name


def test_links_of_the_site_lead_somewhere(site: Path) -> None:
    for path in sorted(site.glob("**/*.html")):
        for link in parsed(path).iter("a"):
            target = link.get("href", "")
            if target.startswith(("https:", "/")) or not target:
                continue
            file, _, anchor = target.partition("#")
            there = (path.parent / file).resolve() if file else path
            assert there.is_file(), (path.name, target)
            ids = {one.get("id") for one in parsed(there).iter()}
            assert not anchor or anchor in ids, (path.name, target)


def test_the_site_needs_no_network_and_no_inline_script(site: Path) -> None:
    for path in sorted(site.glob("**/*.html")):
        page = parsed(path)
        for tag, key in (("script", "src"), ("link", "href"), ("img", "src")):
            for one in page.iter(tag):
                where = one.get(key)
                assert where, (path.name, tag)
                assert "//" not in where, (path.name, where)
                assert (path.parent / where.partition("?")[0]).resolve().is_file(), where
        assert not list(page.iter("style"))
        assert not [one for one in page.iter() if one.get("style")]


@pytest.mark.skipif(chromium() is None, reason=MISSING)
def test_search_finds_a_page_without_a_network(site: Path) -> None:
    with sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        page = browser.new_page()
        page.goto(f"{(site / 'search.html').as_uri()}?q=calibrate")
        page.get_by_role(
            "link", name="Choose, wear, connect and calibrate a sensor"
        ).first.wait_for()
        assert page.locator("#search-results li").count() > 2
        browser.close()


def test_what_a_warning_is_about_is_said(tmp_path: Path) -> None:
    build = load("hatch_build_again", ROOT / "hatch_build.py")
    docs = tmp_path / "docs"
    docs.mkdir()
    (docs / "conf.py").write_text('extensions = ["myst_parser"]\n', encoding="utf-8")
    (docs / "index.md").write_text("# A\n\n[gone](gone.md)\n", encoding="utf-8")
    with pytest.raises(RuntimeError, match=r"gone\.md"):
        build.build(tmp_path, tmp_path / "site")
    assert sys.executable
