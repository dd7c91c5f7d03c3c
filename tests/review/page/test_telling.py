"""What goes wrong is told without where this computer's folders are."""

from __future__ import annotations

import ast
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from library.errors import LibraryFileError
from review.error_text import line_of, without_places
from sensor.errors import RecordingError

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("/home/ann/golf/monday: is gone", "monday: is gone"),
        ("/Users/Ann Lee/Library/Application Support/x/monday: is gone", "monday: is gone"),
        ("'/srv/a b/c d' isn't there", "'c d' isn't there"),
        ("no calibration (/srv/sensors/1.json: is broken)", "no calibration (1.json: is broken)"),
        ("try 'unhurried library add /srv/monday'", "try 'unhurried library add monday'"),
        (r"C:\Users\Ann\golf\monday: is gone", "monday: is gone"),
        (r"\\box\share\golf\monday: is gone", "monday: is gone"),
        ("file:///home/ann/monday is gone", "monday is gone"),
        ("/monday: is gone", "monday: is gone"),
        # What is none.
        ("at 12.5 deg/s, and/or 3 m/s", "at 12.5 deg/s, and/or 3 m/s"),
        ("http://127.0.0.1:8737/enter?t=1", "http://127.0.0.1:8737/enter?t=1"),
        ("1 / 2 of them", "1 / 2 of them"),
        ("carry/total", "carry/total"),
        ("", ""),
    ],
)
def test_places_are_left_out(text: str, shown: str) -> None:
    assert without_places(text) == shown


def test_an_error_keeps_its_name_and_what_to_do() -> None:
    odd = "/home/ann/it's: a, (folder)/monday"
    for error in (
        RecordingError(Path(odd), "is gone: put it back"),
        LibraryFileError(odd, "is gone: put it back"),
    ):
        assert line_of(error) == "monday: is gone: put it back"
    assert line_of(FileNotFoundError(2, "No such file", odd)).endswith('"monday"')
    assert line_of(ValueError("x"), "/srv/a: y") == "a: y"


def test_no_screen_makes_words_of_an_error_by_itself() -> None:
    wrong = []
    for path in sorted((ROOT / "review" / "page").glob("*.py")):
        if path.name == "apart.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ExceptHandler) or node.name is None:
                continue
            for inside in ast.walk(node):
                shown = (
                    inside.value
                    if isinstance(inside, ast.FormattedValue)
                    else inside.args[0]
                    if isinstance(inside, ast.Call)
                    and ast.unparse(inside.func) == "str"
                    and inside.args
                    else None
                )
                if isinstance(shown, ast.Name) and shown.id == node.name:
                    wrong.append(f"{path.name}:{inside.lineno}")
    assert wrong == []


def addresses(site: Any) -> list[str]:
    """All that is linked from somewhere, and what is loaded into the screens later."""
    seen: dict[str, None] = {"/": None}
    for path in seen.copy():
        text = site.http.get(path).text
        seen |= dict.fromkeys(re.findall(r'(?:href|data-later|src)="(/[^"#]*)"', text))
    for path in list(seen)[:60]:
        if not path.startswith(("/static", "/range")):
            text = site.http.get(path).text.replace("&amp;", "&")
            seen |= dict.fromkeys(re.findall(r'(?:href|data-later|src)="(/[^"#]*)"', text))
    return [path for path in seen if not path.startswith("/static")]


def test_where_recordings_were_is_told_to_nobody(own_site: Any) -> None:
    place = own_site.place
    session = own_site.sessions()[0]
    found = addresses(own_site)
    assert len(found) > 30
    shutil.rmtree(place.recordings)
    # Also what only a form leads to.
    found += [
        f"/session/{session}/clips",
        f"/session/{session}/swing/2/trace",
        f"/pair?a={session}~1&b={session}~2&align=top",
        f"/clips/pair?a={session}~1&b={session}~2",
        f"/session/{session}/report?whole=1",
    ]
    said = 0
    for path in found:
        for accept in ("text/html", "application/json"):
            answer = own_site.http.get(path, headers={"accept": accept})
            said += answer.status_code >= 400
            shown = answer.text.replace("&#39;", "'")
            assert str(place.recordings) not in shown, path
            assert str(place.home.parent) not in shown, path
    forms = {
        f"/session/{session}/swings": {"do": "exclude", "seq": "1", "reason": "rain"},
        f"/session/{session}/note": {"note": "x"},
        f"/session/{session}/undo": {},
        f"/session/{session}/segment": {"player": "Ann"},
        f"/session/{session}/swing/2/words": {"note": "x"},
        f"/session/{session}/swing/2/events": {"top_ms": "10"},
        f"/session/{session}/clips": {"film": "0" * 16},
    }
    for path, fields in forms.items():
        answer = own_site.http.post(
            path, data=fields, headers={"origin": own_site.url}, follow_redirects=True
        )
        assert str(place.recordings) not in answer.text, path
    assert said >= 5, "something has to go wrong"
