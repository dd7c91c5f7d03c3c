"""What each address is for, and who may use it: one table.

Whoever sits at this computer is the coach, and may do all. Whoever was let in by the link is a
guest: a guest looks, and taps what is tapped on a range, whatever else the page can do. An address
that isn't in the table is the coach's; a test walks every route and finds each in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from starlette.routing import compile_path

Role = Literal["look", "tap", "film", "coach"]

GUEST: Final[frozenset[Role]] = frozenset({"look", "tap"})
"""What whoever was let in by the link may do."""

RIGHTS: Final[Mapping[str, frozenset[Role]]] = {
    "look": frozenset({"look"}),
    "tap": GUEST,
    "film": frozenset({"look", "film"}),
    "all": frozenset({"look", "tap", "film"}),
}
"""What a phone may do, chosen when it is let in. Files, players and settings stay the coach's."""

RIGHT_WORDS: Final[Mapping[str, str]] = {
    "look": "look",
    "tap": "look and tap",
    "film": "look and film",
    "all": "look, tap and film",
}

COACH: Final[frozenset[Role]] = frozenset({"look", "tap", "film", "coach"})

ROLES: Final[Mapping[tuple[str, str], Role]] = {
    # What is seen.
    ("GET", "/static/{path:path}"): "look",
    ("GET", "/help"): "look",
    ("GET", "/help/{path:path}"): "look",
    ("GET", "/"): "look",
    ("GET", "/player/{player}"): "look",
    ("GET", "/player/{player}/stand"): "look",
    ("GET", "/player/{player}/trend"): "look",
    ("GET", "/player/{player}/trend/told"): "look",
    ("GET", "/player/{player}/report"): "look",
    ("GET", "/session/{session}"): "look",
    ("GET", "/session/{session}/answer"): "look",
    ("GET", "/session/{session}/story"): "look",
    ("GET", "/session/{session}/felt"): "look",
    ("GET", "/session/{session}/chart"): "look",
    ("GET", "/session/{session}/report"): "look",
    ("GET", "/session/{session}/swing/{number:int}"): "look",
    ("GET", "/session/{session}/swing/{number:int}/answer"): "look",
    ("GET", "/session/{session}/swing/{number:int}/beside"): "look",
    ("GET", "/session/{session}/clips/{clip}"): "look",
    ("GET", "/clips/pair"): "look",
    ("GET", "/clips/media/{clip}"): "look",
    ("GET", "/pair"): "look",
    ("GET", "/wall"): "look",
    ("GET", "/wall/shown"): "look",
    ("GET", "/wall/live"): "look",
    ("GET", "/range"): "look",
    ("GET", "/range/live"): "look",
    ("GET", "/session/{session}/lesson"): "look",
    ("GET", "/player/{player}/homework"): "look",
    ("GET", "/player/{player}/homework.wav"): "look",
    ("GET", "/player/{player}/colleague"): "look",
    # What is done at the mat.
    ("GET", "/range/drill"): "tap",
    ("GET", "/range/lesson"): "tap",
    ("GET", "/range/slip"): "look",
    ("POST", "/range/lesson"): "tap",
    ("POST", "/range/part"): "tap",
    ("POST", "/range/numbers"): "tap",
    ("POST", "/range/full-only"): "tap",
    # What coach and player agree at the lesson's end, by the phone in the coach's hand.
    ("GET", "/range/track"): "tap",
    ("POST", "/range/end/{session}"): "tap",
    ("POST", "/range/homework/{player}"): "tap",
    ("POST", "/range/start"): "tap",
    ("POST", "/range/drill"): "tap",
    ("POST", "/range/look"): "tap",
    ("POST", "/range/stop"): "tap",
    ("POST", "/range/sore"): "tap",
    ("POST", "/range/hold"): "tap",
    ("POST", "/range/not-that"): "tap",
    ("POST", "/range/again"): "tap",
    ("POST", "/range/go"): "tap",
    ("POST", "/range/heard"): "tap",
    ("POST", "/range/undo"): "tap",
    ("POST", "/range/felt"): "tap",
    ("POST", "/range/kind"): "tap",
    ("POST", "/range/ball"): "tap",
    ("POST", "/range/who"): "tap",
    ("POST", "/range/next"): "tap",
    ("POST", "/range/whose"): "tap",
    ("POST", "/range/note"): "tap",
    ("POST", "/range/result"): "tap",
    # With the phone's own camera, where that was allowed as the phone was let in.
    ("POST", "/range/film"): "film",
    # Who is let in; what a player is, what counts, and what is gone.
    ("POST", "/range/code"): "coach",
    ("POST", "/range/leave"): "coach",
    ("POST", "/player/{player}/edit"): "coach",
    ("POST", "/player/{player}/keep"): "coach",
    ("POST", "/player/{player}/reference"): "coach",
    ("POST", "/player/{player}/plan"): "coach",
    ("POST", "/player/{player}/sound"): "coach",
    ("POST", "/session/{session}/swings"): "coach",
    ("POST", "/session/{session}/segment"): "coach",
    ("POST", "/session/{session}/words"): "coach",
    ("POST", "/session/{session}/undo"): "coach",
    ("POST", "/session/{session}/swing/{number:int}/words"): "coach",
    ("POST", "/session/{session}/swing/{number:int}/events"): "coach",
    # The start, and work that takes its time.
    ("POST", "/start"): "coach",
    ("POST", "/start/invented"): "coach",
    ("POST", "/start/shortcut"): "coach",
    ("GET", "/add"): "coach",
    ("POST", "/add/file"): "coach",
    ("POST", "/add/waiting"): "coach",
    ("GET", "/add/{token}"): "coach",
    ("POST", "/add/{token}"): "coach",
    ("GET", "/settings"): "coach",
    ("POST", "/settings"): "coach",
    ("POST", "/settings/player"): "coach",
    ("POST", "/settings/backup"): "coach",
    ("GET", "/settings/backup/{name}"): "coach",
    ("POST", "/settings/close"): "coach",
    ("GET", "/settings/calibration"): "coach",
    ("POST", "/settings/calibration"): "coach",
    ("POST", "/settings/calibration/stop"): "coach",
    ("POST", "/settings/calibration/remove"): "coach",
    ("GET", "/player/{player}/export.zip"): "coach",
    ("GET", "/player/{player}/delete"): "coach",
    ("POST", "/player/{player}/delete"): "coach",
    ("GET", "/underway"): "coach",
    ("GET", "/underway/{job}"): "coach",
    # Folders, and files that are taken away.
    ("GET", "/session/{session}/clips"): "coach",
    ("POST", "/session/{session}/clips"): "coach",
    ("POST", "/session/{session}/clips/{clip}"): "coach",
    ("GET", "/player/{player}/report.html"): "coach",
    ("GET", "/session/{session}/report.html"): "coach",
}
"""Method and path, as the routes have it, and the role that it takes."""

_PATTERNS: Final = [(method, compile_path(path)[0], role) for (method, path), role in ROLES.items()]


def role_of(method: str, path: str) -> Role:
    """Return the role that a request takes; the coach's where the table doesn't have it.

    Parameters
    ----------
    method : str
        HEAD and OPTIONS are as GET.
    path : str
    """
    asked = "GET" if method in ("HEAD", "OPTIONS") else method
    for known, pattern, role in _PATTERNS:
        if known == asked and pattern.match(path):
            return role
    return "coach"
