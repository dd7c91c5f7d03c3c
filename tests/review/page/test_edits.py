"""Everything that can be changed on the page: kept, shown, and taken back."""

from __future__ import annotations

import dataclasses
import html
import json
import re
from typing import Any

import pytest
from page_screens import open_site

from analysis.evidence.reading import Reference
from library.evidence import evidence_of
from library.rows import SwingDetail
from library.telling import told_anew


def shown(site: Any, path: str) -> str:
    """A screen's text, parts that come later included."""
    joint = "&" if "?" in path else "?"
    answer = site.http.get(f"{path}{joint}whole=1")
    assert answer.status_code == 200
    return str(answer.text)


def follow(site: Any, answer: Any) -> str:
    """Go where a form leads, and return what is said there."""
    assert answer.status_code == 303, answer.text
    page = site.http.get(answer.headers["location"]).text
    said = re.search(r'<p class="(?:told|caution)" role="(?:status|alert)">(.*?)</p>', page)
    assert said is not None
    return said[1]


def swing(site: Any, session: str, number: int) -> SwingDetail:
    with site.place.open() as library:
        return library.swing(session, number=number)


def annotations(site: Any, session: str) -> dict[str, Any]:
    with site.place.open() as library:
        path = library.session(session).path / "annotations.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    # What was removed stays as an empty word, and the history doesn't count here.
    return {
        "swings": {
            seq: {k: v["value"] for k, v in fields.items() if v["value"] is not None}
            for seq, fields in document["swings"].items()
            if any(v["value"] is not None for v in fields.values())
        },
        "segments": {
            k: v["value"] for k, v in document["segments"].items() if v["value"] is not None
        },
        "session": {
            k: v["value"] for k, v in document["session"].items() if v["value"] is not None
        },
    }


def undo(site: Any, session: str) -> str:
    return follow(site, site.post(f"/session/{session}/undo"))


# -- swings of a session -----------------------------------------------------------------------


def test_swings_are_left_out_with_a_reason_and_taken_back_together(own_site: Any) -> None:
    session = own_site.sessions()[0]
    before = annotations(own_site, session)
    seqs = [str(swing(own_site, session, n).seq) for n in (1, 2, 3)]
    url = f"/session/{session}/swings"
    without = own_site.post(url, do="exclude", seq=seqs, reason="")
    assert "Say why" in follow(own_site, without)
    assert "Pick swings first" in follow(own_site, own_site.post(url, do="exclude", reason="x"))
    assert annotations(own_site, session) == before
    done = own_site.post(url, do="exclude", seq=seqs, reason="a cart drove by")
    assert follow(own_site, done) == "3 swings: left out (a cart drove by)."
    assert [swing(own_site, session, n).excluded for n in (1, 2, 3, 4)] == [
        "a cart drove by",
        "a cart drove by",
        "a cart drove by",
        None,
    ]
    text = shown(own_site, f"/session/{session}")
    assert text.count('class="out"') == 3
    assert "what counts" in undo(own_site, session)
    assert annotations(own_site, session) == before
    assert "nothing to take back" in undo(own_site, session)


def test_one_question_settles_what_most_swings_were(own_site: Any) -> None:
    session = own_site.sessions()[0]
    url = f"/session/{session}"
    assert "Were these balls?" not in shown(own_site, url)
    with own_site.place.open() as library:
        seqs = [str(row["seq"]) for row in library.swings(session=session).rows()]
    most = seqs[: len(seqs) // 2 + 1]
    follow(own_site, own_site.post(f"{url}/swings", do="unclear", seq=most))
    page = shown(own_site, url)
    asked = page.partition("Were these balls?")[2].partition("</form>")[0]
    assert re.findall(r'name="seq" value="(\d+)"', asked) == most
    assert re.findall(r'name="do" value="(\w+)"', asked) == ["strike", "rehearsal"]
    follow(own_site, own_site.post(f"{url}/swings", do="rehearsal", seq=most))
    assert "Were these balls?" not in shown(own_site, url)
    with own_site.place.open() as library:
        kinds = {str(row["seq"]): row["kind"] for row in library.swings(session=session).rows()}
    assert {kinds[seq] for seq in most} == {"rehearsal"}


def test_tags_and_kinds(own_site: Any) -> None:
    session = own_site.sessions()[0]
    seqs = [str(swing(own_site, session, n).seq) for n in (1, 2)]
    url = f"/session/{session}/swings"
    follow(own_site, own_site.post(url, do="tag", seq=seqs, tag="  slow   feet "))
    follow(own_site, own_site.post(url, do="tag", seq=seqs[:1], tag="wind"))
    assert swing(own_site, session, 1).tags == ("slow feet", "wind")
    assert swing(own_site, session, 2).tags == ("slow feet",)
    assert ">slow feet</span>" in shown(own_site, f"/session/{session}")
    follow(own_site, own_site.post(url, do="untag", seq=seqs, tag="slow feet"))
    assert swing(own_site, session, 1).tags == ("wind",)
    assert swing(own_site, session, 2).tags == ()
    was = swing(own_site, session, 1).kind
    other = "strike" if was == "rehearsal" else "rehearsal"
    follow(own_site, own_site.post(url, do=other, seq=seqs[:1]))
    assert swing(own_site, session, 1).kind == other
    follow(own_site, own_site.post(url, do="as-measured", seq=seqs[:1]))
    assert swing(own_site, session, 1).kind == was
    assert "no such button" in follow(own_site, own_site.post(url, do="delete", seq=seqs))


def test_a_swing_that_is_not_there_changes_nothing(own_site: Any) -> None:
    session = own_site.sessions()[0]
    before = annotations(own_site, session)
    seq = str(swing(own_site, session, 1).seq)
    answer = own_site.post(f"/session/{session}/swings", do="tag", tag="x", seq=[seq, "999999999"])
    assert answer.status_code == 404
    assert annotations(own_site, session) == before


def test_where_one_was_on_the_screen_is_kept(own_site: Any) -> None:
    session = own_site.sessions()[0]
    query = f"set=1&x=backswing&player={own_site.player()}&evil=1"
    answer = own_site.post(
        f"/session/{session}/words", note="wet", excluded="", query=f"{query}&to=//evil.example"
    )
    location = answer.headers["location"]
    assert location.startswith(f"/session/{session}?set=1&x=backswing&player=")
    assert "evil" not in location
    assert "wet" in shown(own_site, f"/session/{session}")
    assert "a note" in undo(own_site, session)


def test_a_session_that_is_left_out_is_not_read(own_site: Any) -> None:
    session = own_site.sessions()[0]
    follow(
        own_site,
        own_site.post(f"/session/{session}/words", note="", excluded="another sensor"),
    )
    text = shown(own_site, f"/session/{session}")
    assert "This session is left out: another sensor" in text
    assert f"/session/{session}/report" not in text
    undo(own_site, session)
    assert "This session is left out" not in shown(own_site, f"/session/{session}")


# -- segments ----------------------------------------------------------------------------------


def test_who_swung_what_can_be_corrected_after_the_fact(own_site: Any) -> None:
    session = own_site.sessions()[0]
    before = annotations(own_site, session)
    with own_site.place.open() as library:
        first = library.segments(session)[0]
    assert first["player"] == "Solveig"
    fields = {"club": "8 iron", "handedness": "left", "intent": "full", "ball": "no"}
    answer = own_site.post(
        f"/session/{session}/segment", seq=str(first["seq"]), player="Tomas", **fields
    )
    assert "corrected" in follow(own_site, answer)
    with own_site.place.open() as library:
        now = library.segments(session)[0]
        assert (now["player"], now["club"], now["ball"]) == ("Tomas", "8 iron", False)
        one = library.swing(session, number=1)
        assert (one.swing.player, one.swing.club, one.kind) == ("Tomas", "8 iron", "rehearsal")
    # Only what differs from the recording is a correction.
    kept = annotations(own_site, session)["segments"][str(first["seq"])]
    assert kept == {"player": "Tomas", "club": "8 iron", "handedness": "left", "ball": False}
    assert "8 iron" in shown(own_site, f"/session/{session}")
    assert "who swung what" in undo(own_site, session)
    assert annotations(own_site, session) == before
    # As recorded: no correction at all.
    same = {"club": "7 iron", "handedness": "right", "intent": "full", "ball": ""}
    own_site.post(f"/session/{session}/segment", seq=str(first["seq"]), player="Solveig", **same)
    assert annotations(own_site, session) == before


def test_a_new_segment_begins_at_a_swing(own_site: Any) -> None:
    session = own_site.sessions()[0]
    answer = own_site.post(
        f"/session/{session}/segment",
        **{"from": "3"},
        new_player="Nobody Yet",
        player="Solveig",
        club="driver",
        handedness="",
        intent="part",
        ball="yes",
    )
    assert "new segment" in follow(own_site, answer)
    assert swing(own_site, session, 2).swing.club == "7 iron"
    third = swing(own_site, session, 3)
    assert (third.swing.player, third.swing.club, third.part) == ("Nobody Yet", "driver", True)
    with own_site.place.open() as library:
        assert "Nobody Yet" in {p.name for p in library.players()}
    for bad in ({"from": "x"}, {"from": "0"}, {"from": "999"}, {"seq": "-1"}, {}):
        answer = own_site.post(f"/session/{session}/segment", club="x", **bad)
        assert answer.status_code in (303, 404)
    assert len(annotations(own_site, session)["segments"]) == 1


def test_a_name_of_two_players_is_asked_and_nothing_changed(own_site: Any) -> None:
    session = own_site.sessions()[0]
    with own_site.place.open() as library:
        library.people.add("Edda")
        library.people.add("Edda")
        for player in library.people.all():
            library.save_player(player)
        first = library.segments(session)[0]
    before = annotations(own_site, session)
    answer = own_site.post(f"/session/{session}/segment", seq=str(first["seq"]), player="Edda")
    assert "'Edda'" in html.unescape(follow(own_site, answer))
    assert annotations(own_site, session) == before
    with own_site.place.open() as library:
        assert library.swing(session, number=1).swing.player == "Solveig"


# -- one swing ---------------------------------------------------------------------------------


def times(detail: SwingDetail) -> dict[str, str]:
    return {
        name: "" if (at := getattr(detail.swing, f"{name}_s")) is None else f"{at:.3f}"
        for name in ("takeaway", "top", "impact", "finish")
    }


def test_events_by_hand_are_marked_followed_by_all_numbers_and_taken_back(own_site: Any) -> None:
    session = own_site.sessions()[0]
    url = f"/session/{session}/swing/2"
    was = swing(own_site, session, 2)
    assert was.swing.takeaway_s is not None
    moved = {**times(was), "takeaway": f"{was.swing.takeaway_s + 0.050:.3f}".replace(".", ",")}
    said = follow(own_site, own_site.post(f"{url}/events", **moved))
    assert said == "Set by hand: takeaway. All numbers follow."
    now = swing(own_site, session, 2)
    assert now.corrected == ("takeaway_seq",)
    assert now.swing.takeaway_s == pytest.approx(was.swing.takeaway_s + 0.050, abs=6e-4)
    assert now.swing.backswing_ms == pytest.approx(was.swing.backswing_ms - 50.0, abs=0.6)
    # The others stay as they were measured, to the last digit.
    assert now.swing.top_s == was.swing.top_s
    assert now.swing.downswing_ms == was.swing.downswing_ms
    assert now.swing.turn_deg is not None
    assert now.swing.turn_deg < was.swing.turn_deg
    assert now.measured == was.measured
    text = shown(own_site, url)
    assert "Corrected by hand: takeaway" in text
    assert "by hand</span>" in shown(own_site, f"/session/{session}")
    # Once more without moving anything: the same.
    follow(own_site, own_site.post(f"{url}/events", **times(now)))
    assert swing(own_site, session, 2).swing == now.swing
    assert "events of a swing" in follow(
        own_site, own_site.post(f"/session/{session}/undo", number="2")
    )
    assert swing(own_site, session, 2).swing == was.swing
    # And by the button.
    follow(own_site, own_site.post(f"{url}/events", **moved))
    assert "as they were measured" in follow(
        own_site, own_site.post(f"{url}/events", **moved, measured="1")
    )
    assert swing(own_site, session, 2).swing == was.swing


def test_events_that_make_no_sense_are_refused(own_site: Any) -> None:
    session = own_site.sessions()[0]
    url = f"/session/{session}/swing/2"
    was = swing(own_site, session, 2)
    before = annotations(own_site, session)
    good = times(was)
    for bad, word in (
        ({**good, "takeaway": f"{was.swing.impact_s + 0.01:.3f}"}, "must come before"),
        ({**good, "top": "soon"}, "must be a number"),
        ({**good, "top": "nan"}, "must be a number"),
        ({**good, "top": "1e400"}, "must be a number"),
        ({**good, "takeaway": "0.1"}, "far from this swing"),
        ({**good, "finish": "-3"}, "far from this swing"),
    ):
        assert word in follow(own_site, own_site.post(f"{url}/events", **bad))
    assert annotations(own_site, session) == before


def test_what_people_say_of_a_swing(own_site: Any) -> None:
    session = own_site.sessions()[0]
    url = f"/session/{session}/swing/1"
    before = annotations(own_site, session)
    form = {
        "kind": "strike",
        "tags": "heavy, , wet,heavy",
        "note": "two lines\r\nof it",
        "note_was": "",
        "excluded": "",
        "felt_time": "rushed",
        "felt_turn": "",
        "felt_strike": "not",
        "carry_m": "121,5",
        "offline_m": "-4",
    }
    assert follow(own_site, own_site.post(f"{url}/words", **form)) == "Kept."
    now = swing(own_site, session, 1)
    assert (now.kind, now.tags) == ("strike", ("heavy", "wet"))
    assert now.notes == ("two lines\nof it",)
    assert now.felt == {"time": "rushed", "strike": "not"}
    assert now.result == {"carry_m": 121.5, "offline_m": -4.0, "source": "typed"}
    text = shown(own_site, url)
    assert 'value="121.5"' in text
    assert "two lines" in text
    # All of it was one change.
    undo(own_site, session)
    assert annotations(own_site, session) == before
    for bad, word in (
        ({**form, "carry_m": "far"}, "carry must be a number"),
        ({**form, "kind": "miracle"}, "a swing is"),
        ({**form, "tags": "y" * 61}, "60 characters"),
        ({**form, "felt_time": "odd"}, "must be one of"),
    ):
        assert word in follow(own_site, own_site.post(f"{url}/words", **bad))
    assert annotations(own_site, session) == before


def test_what_came_with_an_import_stays(own_site: Any) -> None:
    session = own_site.sessions()[0]
    detail = swing(own_site, session, 2)
    with own_site.place.open() as library:
        result = {"carry_m": 130.04, "other": {"spin": 6000.0}, "source": "file"}
        library.annotate(session, detail.seq, result=result)
    form = {"kind": "as-it-is", "carry_m": "130.04", "note_was": "", "note": "", "excluded": ""}
    tags = ", ".join(detail.tags)
    felt = {f"felt_{q}": said for q, said in detail.felt.items()}
    follow(own_site, own_site.post(f"/session/{session}/swing/2/words", **form, tags=tags, **felt))
    assert swing(own_site, session, 2).result == result
    form["carry_m"] = ""
    follow(own_site, own_site.post(f"/session/{session}/swing/2/words", **form, tags=tags, **felt))
    assert swing(own_site, session, 2).result == {"other": {"spin": 6000.0}, "source": "typed"}


# -- players, reference, plan ------------------------------------------------------------------


def test_what_is_known_of_a_player(own_site: Any) -> None:
    who = own_site.player()
    form = {
        "name": "Solveig Ås",
        "handedness": "left",
        "note": "knee",
        "child": "on",
        "consent": "",
    }
    assert follow(own_site, own_site.post(f"/player/{who}/edit", **form)) == "Kept."
    text = shown(own_site, f"/player/{who}")
    assert "Solveig Ås" in text
    assert "nobody's consent is noted" in text
    with own_site.place.open() as library:
        player = library.player(who)
        # Recordings go on knowing the player.
        assert player.known_as("Solveig")
        library.refresh(own_site.sessions("Solveig Ås")[0])
        assert len(library.players()) == 3
    assert "Taken back" in follow(own_site, own_site.post(f"/player/{who}/edit", undo="1"))
    with own_site.place.open() as library:
        assert library.player(who).name == "Solveig"
        assert library.player(who).child is False
    answer = own_site.post(f"/player/{who}/edit", name=" ", note="Left shoulder")
    assert "#known" in answer.headers["location"]
    page = own_site.http.get(answer.headers["location"]).text
    # What was typed is there still, beside why it wasn't taken.
    assert "A player needs a name." in page
    assert "Left shoulder" in page
    assert own_site.post(f"/player/{who}/edit", name="x", handedness="both").status_code == 303
    with own_site.place.open() as library:
        assert library.player(who).name == "Solveig"


def test_a_screen_tells_once_a_session_and_an_old_word_stays_beside_todays(own_site: Any) -> None:
    who, session = own_site.player(), own_site.sessions()[0]
    path = own_site.place.home / "players" / f"{who}.json"

    def as_measured_by(version: str, turn: float) -> None:
        with own_site.place.open() as library:
            for row in library.sessions(player=who):
                one = library.analyzed(row.id)
                swings = tuple(
                    dataclasses.replace(
                        s, values={**s.values, "turn_deg": turn * s.values["turn_deg"]}
                    )
                    for s in one.swings
                    if s.values["turn_deg"] is not None
                )
                library.put(dataclasses.replace(one, analysis_version=version, swings=swings))

    as_measured_by("1", 1.2)
    fields = {"name": "Solveig", "handedness": "left", "note": "", "consent": ""}
    own_site.post(f"/player/{who}", **fields)
    for place in (f"/player/{who}?whole", f"/player/{who}?whole", "/?whole"):
        assert "Today’s analysis" not in own_site.http.get(place).text
    (one,) = json.loads(path.read_text(encoding="utf-8"))["told"]
    assert (one["session"], one["version"]) == (session, "1")
    as_measured_by("3", 1.0 / 1.2)
    for place in (f"/player/{who}?whole", f"/session/{session}?whole"):
        shown = own_site.http.get(place).text
        assert "analysis version 1): " in shown, place
        assert "/ Today&#39;s analysis (version 3): " in shown, place
    # What was told stays, whatever is taken back.
    own_site.post(f"/player/{who}", undo="1")
    document = json.loads(path.read_text(encoding="utf-8"))
    assert document["handedness"] != "left"
    assert document["told"] == [one]
    with own_site.place.open() as library:
        found = [told.text for one, told in told_anew(library) if one.player.id == who]
        assert len(found) == 1
        assert "model swings' turn" in found[0]


def test_reference_swings_are_approved_and_the_approval_taken_away(own_site: Any) -> None:
    who = own_site.player()
    url = f"/player/{who}/reference"
    with own_site.place.open() as library:
        evidence = evidence_of(library, who, club="7 iron", mount="wrist")
        ids = [row.swing_id for row in evidence.rows if row.kind == "rehearsal"]
    setting = {"club": "7 iron", "mount": "wrist", "do": "approve"}
    few = own_site.post(url, **setting, swing=ids[:3], approved_by="Ragna")
    assert follow(own_site, few) == "Too few swings are ticked: 3 of 8 model swings."
    nobody = own_site.post(url, **setting, swing=ids[:9], approved_by="")
    assert "who approves" in follow(own_site, nobody)
    crossed = own_site.post(
        url, **setting, swing=ids[:9], approved_by="R", turn_deg_lower="150", turn_deg_upper="90"
    )
    assert "lower end of turn must be below" in follow(own_site, crossed)
    done = own_site.post(
        url, **setting, swing=[*ids[:9], "x#1"], approved_by="Ragna", turn_deg_upper="140"
    )
    said = follow(own_site, done)
    assert said.startswith("Model swings: 9. Your own range is now ")
    assert re.search(
        r"is now 0\.\d\d to \d\.\d\d s, turn \d+ to 140° and rotation \d+ to \d+ %\.", said
    )
    with own_site.place.open() as library:
        evidence = evidence_of(library, who, club="7 iron", mount="wrist")
        assert isinstance(evidence.reference, Reference)
        assert not evidence.reference.provisional
        assert sorted(evidence.reference.swing_ids) == sorted(ids[:9])
        assert evidence.reference.values["turn_deg"].upper == 140.0
    assert "by Ragna" in shown(own_site, f"/player/{who}/trend?club=7+iron&mount=wrist")
    follow(own_site, own_site.post(url, club="7 iron", mount="wrist", do="none"))
    with own_site.place.open() as library:
        assert library.player(who).reference("7 iron", "wrist") is None
    follow(own_site, own_site.post(f"/player/{who}/edit", undo="1", at="trend"))
    with own_site.place.open() as library:
        assert library.player(who).reference("7 iron", "wrist") is not None
    assert own_site.post(url, **{**setting, "club": "spoon"}).status_code == 404


def test_the_coachs_word_stops_resumes_and_overrides_the_plan(own_site: Any) -> None:
    who = own_site.player()
    url = f"/player/{who}/plan"
    setting = {"club": "7 iron", "mount": "wrist"}
    trend = f"/player/{who}/trend?club=7+iron&mount=wrist"
    assert "isn&#39;t stopped" in follow(own_site, own_site.post(url, **setting, word="resume"))
    assert "Choose what" in follow(own_site, own_site.post(url, **setting, word="praise"))
    assert "Choose where" in follow(
        own_site, own_site.post(url, **setting, word="move_to", stage="moon")
    )
    assert "steps are" in follow(
        own_site,
        own_site.post(url, **setting, word="move_to", stage="brisker backswing", step="7"),
    )
    follow(own_site, own_site.post(url, **setting, word="discomfort", text="left  hip"))
    text = shown(own_site, trend)
    assert "Stopped" in text
    assert "left hip" in text
    assert "Stopped" in shown(own_site, "/")
    follow(own_site, own_site.post(url, **setting, word="resume", text="cleared"))
    assert "<strong>Stopped</strong>" not in shown(own_site, trend)
    follow(own_site, own_site.post(url, **setting, word="move_to", stage="at a ball"))
    assert "<strong>At a ball</strong>" in shown(own_site, trend)
    for _ in range(3):
        follow(own_site, own_site.post(f"/player/{who}/edit", undo="1", at="trend", **setting))
    with own_site.place.open() as library:
        plan = library.player(who).plan("7 iron", "wrist")
        assert plan is None or plan.history == ()


# -- units -------------------------------------------------------------------------------------


def test_speeds_and_distances_in_mph_and_yards(own_place: Any) -> None:
    """1 mph = 0.44704 m/s and 1 yd = 0.9144 m, exactly (NIST SP 811, B.8)."""
    (own_place.home / "settings.json").write_text(
        json.dumps({"version": 1, "settings": {"units": "imperial"}}), encoding="utf-8"
    )
    for site in open_site(own_place):
        session = site.sessions()[0]
        form = {"kind": "as-it-is", "note": "", "note_was": "", "carry_m": "150", "tags": ""}
        felt = {f"felt_{q}": said for q, said in swing(site, session, 1).felt.items()}
        url = f"/session/{session}/swing/1"
        follow(site, site.post(f"{url}/words", **form, **felt, club_speed_m_s="90"))
        result = swing(site, session, 1).result
        assert result is not None
        assert result["carry_m"] == pytest.approx(150 * 0.9144, rel=1e-12)
        assert result["club_speed_m_s"] == pytest.approx(90 * 0.44704, rel=1e-12)
        text = shown(site, url)
        assert 'value="150"' in text
        assert "Carry, yd" in text
        # Kept again without a change, it stays to the last digit.
        follow(site, site.post(f"{url}/words", **form, **felt, club_speed_m_s="90"))
        assert swing(site, session, 1).result == result
        table = shown(site, f"/session/{session}?y=head")
        assert "Club speed, mph" in table
        assert ">90.0</td>" in table
        assert "club speed, mph" in table
        trend = shown(site, f"/player/{site.player()}/trend")
        assert "Carry, yd" in trend
