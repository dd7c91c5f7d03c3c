"""The command `report`, on a real recording, in a real browser."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import html5lib
import pytest
from chromium import MISSING, chromium
from patience import PATIENCE_S
from saying import said

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from unhurried.app.ingest import analyze_one, open_library

    folder = tmp_path_factory.mktemp("report") / "home"
    with open_library(folder) as library:
        library.put(analyze_one(ROOT / "recordings" / "monday-wrist", folder))
    return folder


def test_a_session_of_several_players_in_one_file(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from library.catalogue import Library

    out = tmp_path / "evening.html"
    with Library(home) as library:
        session = library.sessions()[0]
    assert "kB" in said(capsys, "report", session.id[:8], "--out", out, "--home", home)
    text = out.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    assert len(text) < 1_000_000
    for player in session.players:
        assert re.search(rf"<h1 id=\"who-\d+\"[^>]*>{player}</h1>", text)
    # The curves are the recording's own.
    assert 'class="curve turn' in text
    assert str(session.path) not in text


def test_the_same_numbers_as_analyze(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import json

    swings = json.loads(said(capsys, "analyze", ROOT / "recordings" / "monday-wrist", "--json"))
    out = tmp_path / "one.html"
    names = sorted({swing["player"] for swing in swings["swings"]})
    said(capsys, "report", names[0], "--out", out, "--home", home)
    text = out.read_text(encoding="utf-8")
    mine = [s for s in swings["swings"] if s["player"] == names[0]]
    rows = dict(re.findall(r'<tr><th scope="row">(\d+)</th>(.*?)</tr>', text))
    assert rows
    for swing in mine:
        if str(swing["index"]) not in rows:
            # A part swing, which isn't told of.
            continue
        cells = re.findall(r"<td>([^<]*)</td>", rows[str(swing["index"])])
        for name, cell in zip(
            ("swing_ms", "backswing_ms", "downswing_ms", "turn_deg", "peak_rate_dps"),
            cells,
            strict=True,
        ):
            expected = "–" if swing[name] is None else f"{swing[name]:.0f}"
            assert cell == expected


def test_it_prints_as_two_pages(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = chromium()
    if command is None:
        pytest.skip(MISSING)
    out, pdf = tmp_path / "one.html", tmp_path / "one.pdf"
    from library.catalogue import Library

    with Library(home) as library:
        name = library.sessions()[0].players[0]
    said(capsys, "report", name, "--out", out, "--home", home)
    subprocess.run(
        [
            command,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
            "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path / 'profile'}",
            f"--print-to-pdf={pdf}",
            out.as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=PATIENCE_S,
        env={**os.environ, "HOME": str(tmp_path)},
    )
    data = pdf.read_bytes()
    assert data.startswith(b"%PDF")
    # One page to send, one of numbers.
    assert len(re.findall(rb"/Type\s*/Page\b", data)) == 2


def test_nothing_is_overwritten_unless_asked(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from library.catalogue import Library

    out = tmp_path / "one.html"
    out.write_text("mine")
    with Library(home) as library:
        name = library.sessions()[0].players[0]
    assert "--overwrite" in said(capsys, "report", name, "--out", out, "--home", home, code=1)
    assert out.read_text() == "mine"
    said(capsys, "report", name, "--out", out, "--overwrite", "--home", home)
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    nowhere = tmp_path / "no" / "one.html"
    assert "does not exist" in said(
        capsys, "report", name, "--out", nowhere, "--home", home, code=1
    )
    assert "no session and no player" in said(
        capsys, "report", "Nobody", "--out", tmp_path / "x.html", "--home", home, code=1
    )
