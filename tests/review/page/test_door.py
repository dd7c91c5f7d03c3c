"""What the page asks about a file before it is taken in, and phones in the settings."""

from __future__ import annotations

import ast
import io
import json
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from adding_files import odd_table, over, upload
from page_screens import Site
from range_site import RangeSite, range_site

from library.bundle import make_bundle
from library.catalogue import Library
from review.error_text import line_of, on_page
from unhurried.app.ingest import analyze_one

ROOT = Path(__file__).resolve().parents[3]
GLOVE = ROOT / "recordings" / "thursday-glove"


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A bundle of another home, where the player has another hand than here."""
    folder = tmp_path_factory.mktemp("sent")
    with Library(folder / "home") as library:
        library.put(analyze_one(GLOVE, folder / "home"))
        (session,) = library.sessions()
        make_bundle(library, [(session.id, GLOVE)], folder / "x.zip", message="Look!")
    return (folder / "x.zip").read_bytes()


def zipped() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        for path in sorted(GLOVE.iterdir()):
            if path.name in ("session.json", "imu.npy", "packets.npy", "markers.jsonl"):
                archive.write(path, f"glove/{path.name}")
    return data.getvalue()


def named_in(data: bytes) -> str:
    """The one player of a bundle."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        (player,) = json.loads(archive.read("manifest.json"))["players"]
    return str(player["name"])


def twins(site: Site, name: str) -> tuple[str, str]:
    """Two players of one name, told apart by their notes."""
    with site.place.open() as library:
        made = [library.people.add(name, note=note) for note in ("the tall one", "from Lund")]
        for player in made:
            library.save_player(player)
    return made[0].id, made[1].id


@pytest.mark.parametrize("kind", ["bundle", "recordings"])
def test_a_name_that_fits_several_players_is_asked_about(
    empty: Site, sent: bytes, kind: str
) -> None:
    name = named_in(sent)
    _, second = twins(empty, name)
    answer = upload(empty, sent if kind == "bundle" else zipped(), "x.zip")
    url = answer.headers["location"]
    assert url.startswith("/add/")
    page = empty.http.get(url).text
    assert f"Who is “{name}” here?" in page
    assert "from Lund" in page
    refused = empty.post(url, kind=kind)
    assert refused.status_code == 303
    assert f"Say who {name} is here" in empty.http.get(refused.headers["location"]).text
    assert empty.post(url, kind=kind, **{"who-0": "../x"}).headers["location"].startswith(url)
    page = over(empty, empty.post(url, kind=kind, **{"who-0": second}))
    assert "1 session added" in page
    with empty.place.open() as library:
        assert [s.id for s in library.sessions(player=second)] != []
        assert len(library.people.all()) == 2


def test_somebody_new_may_have_a_name_of_several(empty: Site, sent: bytes) -> None:
    name = named_in(sent)
    ids = twins(empty, name)
    url = upload(empty, zipped(), "x.zip").headers["location"]
    assert "1 session added" in over(empty, empty.post(url, kind="recordings", **{"who-0": "new"}))
    with empty.place.open() as library:
        assert len(library.people.all()) == 3
        assert all(library.sessions(player=one) == [] for one in ids)


def test_names_that_differ_are_offered_to_be_taken_over(empty: Site, sent: bytes) -> None:
    name = named_in(sent)
    with zipfile.ZipFile(io.BytesIO(sent)) as archive:
        theirs = json.loads(archive.read("manifest.json"))["players"][0]
    other = "left" if theirs["handedness"] == "right" else "right"
    with empty.place.open() as library:
        mine = library.people.add(name, handedness=other, at="2020-01-01T00:00:00.000000Z")
        library.save_player(mine)
    url = upload(empty, sent, "x.zip").headers["location"]
    page = empty.http.get(url).text
    assert f"would be {theirs['handedness']}-handed" in page
    over(empty, empty.post(url, kind="bundle", take_names="on"))
    with empty.place.open() as library:
        assert library.player(mine.id).handedness == theirs["handedness"]


def test_a_tables_day_is_asked_and_the_unit_of_a_picked_column_is_guessed(empty: Site) -> None:
    # As a spreadsheet writes it where numbers have decimal commas.
    data = odd_table().replace(b",", b";").replace(b".", b",")
    url = upload(empty, data).headers["location"]
    page = empty.http.get(url).text
    assert 'name="day"' in page
    # The units are left open: the numbers tell them.
    answers = {k: "" if k[:5] == "unit-" else v for k, v in columns_of("").items()}
    answers |= {"unit-time_s": "s", "club": "driver", "mount": "wrist", "new_player": "Ida"}
    for day, said in (
        ("5.4.2026", "Write the day as"),
        ("2999-01-01", "day can"),
        ("0001-01-01", ""),
    ):
        refused = empty.post(url, **answers, day=day)
        assert refused.headers["location"].startswith(url), day
        assert said in empty.http.get(refused.headers["location"]).text
    assert "1 session added" in over(
        empty, empty.post(url, **answers, day="2026-04-05", time="14:30")
    )
    with empty.place.open() as library:
        (session,) = library.sessions()
    assert session.start.startswith("2026-04-05T14:30")
    assert session.path.name.startswith("2026-04-05")


def test_a_table_whose_times_count_from_1970_says_its_day(empty: Site) -> None:
    titles, *rows = odd_table().decode().splitlines()
    later = [
        f"{1_775_000_000 + float(row.split(',')[0]):.3f},{row.partition(',')[2]}" for row in rows
    ]
    page = empty.http.get(
        upload(empty, "\n".join([titles, *later]).encode()).headers["location"]
    ).text
    assert re.search(r'name="day"[^>]*value="2026-0[34]-\d\d"', page) is not None
    assert re.search(r'name="time" value="\d\d:\d\d"', page) is not None


# -- words -----------------------------------------------------------------------------------------


def told_texts() -> Iterator[str]:
    """Texts of the rooms that may be told on the page, with an option of a command in them."""
    for room in ("sensor", "library", "feedback", "review"):
        for path in sorted((ROOT / room).rglob("*.py")):
            if path.name == "error_text.py":
                continue
            tree = ast.parse(path.read_text(encoding="utf-8"))
            prose = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
            for node in ast.walk(tree):
                if id(node) in prose:
                    continue
                if isinstance(node, ast.JoinedStr):
                    parts = [p.value if isinstance(p, ast.Constant) else "7" for p in node.values]
                    text = "".join(map(str, parts))
                elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                    text = node.value
                else:
                    continue
                if re.search(r"(?<![\w-])--[a-z]", text):
                    yield text


def test_no_option_of_a_command_is_told_on_the_page() -> None:
    texts = list(told_texts())
    assert len(texts) > 20
    for text in texts:
        assert "--" not in on_page(text), text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        (
            'x.csv: is too fast; if the times are in ms, use --map "time_s=t:ms, a=b"',
            "x.csv: is too fast; if the times are in ms, choose ms as their unit",
        ),
        (
            "x.csv: the file has a, b; tell which is which with --map",
            "x.csv: the file has a, b; say which column is which",
        ),
        ('no turn comes near: if it is, use --map "x=y"', "no turn comes near"),
        (
            "turns of about 90 deg were found: say --angle 90",
            "turns of about 90 deg were found: turn it once round each time",
        ),
        ("the home cannot be made; give another --home", "the home cannot be made"),
        ("nothing to do with it", "nothing to do with it"),
    ],
)
def test_what_is_done_at_a_terminal_is_told_as_it_is_done_here(text: str, shown: str) -> None:
    assert line_of(ValueError(text)) == shown


def columns_of(rotation: str) -> dict[str, str]:
    """What is answered about the odd table's columns."""
    answers = {"kind": "table", "column-time_s": "clock", "unit-time_s": "s"}
    for axis, title in zip("xyz", ("one", "two", "three"), strict=True):
        answers |= {f"column-acc_{axis}_m_s2": f"a{axis}", f"unit-acc_{axis}_m_s2": "m/s2"}
        answers |= {f"column-gyr_{axis}_deg_s": title, f"unit-gyr_{axis}_deg_s": rotation}
    return answers


@pytest.mark.parametrize("step_s", [0.5, 0.00001])
def test_a_rate_that_no_sensor_has_is_told_without_options(empty: Site, step_s: float) -> None:
    titles, *rows = odd_table().decode().splitlines()
    lines = [f"{k * step_s:.6f},{row.partition(',')[2]}" for k, row in enumerate(rows)]
    url = upload(empty, "\n".join([titles, *lines]).encode()).headers["location"]
    page = over(empty, empty.post(url, **columns_of("rad/s")))
    assert 'role="alert"' in page
    assert "--" not in re.sub(r"<[^>]*>", "", page)


def changed(**values: object) -> bytes:
    """A zip of a recording whose session.json says something else."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(zipped())) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            if name.endswith("session.json"):
                data = json.dumps({**json.loads(data), **values}).encode()
            target.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize("rate_hz", [2.0, 99_999.0])
def test_what_no_sensor_records_is_refused_whole(empty: Site, rate_hz: float) -> None:
    page = over(empty, upload(empty, changed(nominal_rate_hz=rate_hz), "x.zip"))
    assert "samples a second are" in page
    assert "1 recording can&#39;t be read" in page
    assert "mended" not in page
    assert str(empty.place.home) not in page
    # Nothing of it is left in the way of a sound one.
    assert list((empty.place.home / "recordings").iterdir()) == []


def test_a_recording_that_was_cut_short_is_mended_and_that_is_said(empty: Site) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(zipped())) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(name, data[: len(data) // 3] if name.endswith("imu.npy") else data)
    page = over(empty, upload(empty, out.getvalue(), "x.zip"))
    assert "1 session added" in page
    assert "cut short" in page
    assert "is mended" in page


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"clock;ax;ay\n0;1,5;2.5\n", "separated by semicolons"),
        ("clock,ax,ay\n0,1,2\n".encode("utf-16"), "UTF-8"),
        (b"x", "a line of titles, and numbers below"),
    ],
)
def test_a_table_that_cannot_be_read_says_what_would_help(
    empty: Site, data: bytes, said: str
) -> None:
    assert said in empty.http.get(upload(empty, data).headers["location"]).text


def test_ball_results_can_be_added_where_nobody_is_named(empty: Site) -> None:
    url = upload(empty, odd_table()).headers["location"]
    over(empty, empty.post(url, **columns_of("rad/s")))
    url = upload(empty, b"Shot,Club Speed,Carry (yd)\n1,77,140\n").headers["location"]
    assert "nobody named" in empty.http.get(url).text


# -- phones, and whose drill -----------------------------------------------------------------------


@pytest.fixture
def shared(tmp_path: Path) -> Iterator[RangeSite]:
    with range_site(tmp_path / "home") as up:
        yield up


def test_what_a_phone_may_is_a_setting_and_who_is_in_can_be_asked_to_leave(
    shared: RangeSite,
) -> None:
    from review.page.security import Pass

    visitors = Pass()
    shared.up.visitors, shared.up.shared = visitors, (shared.up.url,)
    page = shared.http.get("/settings").text
    assert re.search(r'<option value="tap" selected>look and tap', page) is not None
    assert shared.post("/settings", at="sharing", phone_may="film").status_code == 303
    assert re.search(r'<option value="film" selected>', shared.http.get("/range").text) is not None
    # The same button on both screens; here without another choice beside it.
    link = shared.post("/range/code").text
    assert "may look and film" in link
    visitors.enter(str(visitors.token), "iPhone")
    page = shared.http.get("/settings").text
    assert "iPhone 1 may look and film." in page
    (who,) = visitors.inside
    answer = shared.http.post(
        "/range/leave",
        data={"visitor": who.id, "at": "settings"},
        headers={"origin": shared.url, "accept": "text/html"},
    )
    assert answer.headers["location"].startswith("/settings?said=")
    assert visitors.inside == ()


def test_a_known_players_hand_is_taken_and_the_player_is_asked_once(shared: RangeSite) -> None:
    from unhurried.app.ingest import open_library

    with open_library(shared.home) as library:
        ida = library.people.add("Ida", handedness="left")
        library.save_player(ida)
    page = shared.http.get("/range/drill").text
    assert page.count('name="player"') == 1
    page = shared.http.get(f"/range/drill?player={ida.id}").text
    form = page[page.index('id="drill"') : page.index("</form>", page.index('id="drill"'))]
    assert re.search(rf'type="hidden" name="player" value="{ida.id}"', form) is not None
    assert form.count('name="player"') == 1
    assert 'name="new_player"' not in form
    assert re.search(r'<option value="left" selected>', form) is not None
    shared.start(player=ida.id)
    assert shared.until(lambda s: s.hand is not None).hand == "left"
    shared.stop()
