"""Sentences stand in `words`, analysis gives codes and numbers, no word goes beyond the rule."""

from __future__ import annotations

import ast
import inspect
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_words import NOT_AT_THE_TERMINAL, NOWHERE, words_in

from analysis.evidence.told import NotYet, Statement
from words.glossary import MEASURES, SETS
from words.telling import SENTENCES

ROOT = Path(__file__).resolve().parents[2]
BALL_WORDS = {word for name, word in MEASURES.items() if name.startswith("strike_")}
"""Where the ball met the face: what is typed and what files have."""
EVIDENCE = sorted((ROOT / "analysis" / "evidence").glob("*.py"))
WORDS = sorted((ROOT / "words").glob("*.py"))

# A run of text is a sentence, or a part of one, that has five words or more.
SENTENCE = re.compile(r"(?:[A-Za-z'’]+[ ,;:]+){4,}[A-Za-z'’]+")

# What no rule says: that something is sure, the same, more than chance, or held.
BEYOND_THE_RULE = re.compile(
    r"\b(?:surely|certain|more than chance|held|proven|significant|identical|unchanged)\b"
    r"|\bsure\b(?!ness)|(?<!about )(?<!counts as )(?<!at )\bthe same\b(?! day| all| in all| value)",
    re.IGNORECASE,
)


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    """Texts of a file but docstrings and what errors say; the pieces of an f-string as one."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise) or (
            isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        ):
            passed.update(id(one) for one in ast.walk(node))
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("__init__"):
            # What an error says of itself.
            passed.update(id(one) for one in ast.walk(node))
    for node in ast.walk(tree):
        if id(node) in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            passed.update(id(one) for one in ast.walk(node))
            pieces = (str(v.value) if isinstance(v, ast.Constant) else "x" for v in node.values)
            yield node.lineno, "".join(pieces)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


@pytest.mark.parametrize("path", EVIDENCE, ids=lambda p: p.name)
def test_analysis_says_no_sentence(path: Path) -> None:
    # Agreement has hints that only its errors use.
    if path.name != "agreement.py":
        assert [one for one in texts_of(path) if SENTENCE.search(one[1])] == []


def test_the_reader_of_texts_sees_sentences(tmp_path: Path) -> None:
    file = tmp_path / "x.py"
    file.write_text(
        '"""A docstring of many words here."""\n'
        "def f(n):\n"
        '    if n: raise ValueError("an error of many words here")\n'
        '    return f"in {n} of these swings it held"\n'
    )
    assert [line for line, text in texts_of(file) if SENTENCE.search(text)] == [4]


@pytest.mark.parametrize("path", WORDS, ids=lambda p: p.name)
def test_no_word_goes_beyond_the_rule(path: Path) -> None:
    if path.name == "cautions.py":
        return
    # What a file of a player has said since its first version, by the word that people read.
    codes = {"held", "not held"} if path.name == "moved.py" else set()
    texts = [one for one in texts_of(path) if one[1] not in codes]
    assert [one for one in texts if BEYOND_THE_RULE.search(one[1])] == []


@pytest.mark.parametrize("path", WORDS, ids=lambda p: p.name)
def test_sentences_are_in_the_words_of_the_page(path: Path) -> None:
    """Also those that no demo leads to; what is one word, or a code of a rule, is no sentence."""
    texts = [(line, text) for line, text in texts_of(path) if " " in text.strip()]
    forbidden = f"{NOT_AT_THE_TERMINAL}|{NOWHERE}"
    codes = {*SETS, *BALL_WORDS, "not held", "the segment's long axis"}
    assert [one for one in texts if one[1] not in codes and words_in(forbidden, one[1])] == []


@pytest.mark.parametrize("said", ["it held", "surely less", "more than chance gives", "I'm sure"])
def test_what_goes_beyond_is_seen(said: str) -> None:
    assert BEYOND_THE_RULE.search(said)


def test_every_code_has_a_sentence_and_every_sentence_is_used() -> None:
    used: set[str] = set()
    rooms = ("analysis/evidence", "library", "review", "unhurried")
    files = [p for room in rooms for p in (ROOT / room).rglob("*.py") if p.name != "told.py"]
    for path in files:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and node.args):
                continue
            # A reason is a code, never a text.
            assert ast.unparse(node.func) != "NotYet", f"{path.name}:{node.lineno}"
            if ast.unparse(node.func) in ("Statement.of", "NotYet.of"):
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    used.add(str(first.value))
    chosen = {"discomfort", "coach_stopped", "count"}
    assert used - set(SENTENCES) == set()
    assert set(SENTENCES) - used - chosen == set()


def test_sentences_take_their_facts_by_name() -> None:
    for code, say in SENTENCES.items():
        kinds = {p.kind for p in inspect.signature(say).parameters.values()}
        assert kinds <= {inspect.Parameter.KEYWORD_ONLY}, code


def test_what_is_told_holds_codes_and_numbers_and_is_written_whole() -> None:
    few = NotYet.count(3, 8, "free_rehearsals", unclear=2, odd=1)
    assert (few.have, few.need, dict(few.facts)["unclear"]) == (3, 8, 2)
    told = Statement.of("reading_untold", why=NotYet.of("no_reference", why=few))
    assert told.text == (
        "Can't tell yet about time, turn and rotation: no model swings yet: 3 of 8 free practice "
        "swings so far "
        "(2 more are of unclear kind; 1 far from the others is left out)."
    )
    assert told == Statement.of("reading_untold", why=NotYet.of("no_reference", why=few))
    with pytest.raises(KeyError):
        _ = Statement.of("nothing of the kind").text
