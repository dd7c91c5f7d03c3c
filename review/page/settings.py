"""Settings: units, sounds, folders, players, backup, and the program itself."""

from __future__ import annotations

import re
import secrets
import shutil
from contextlib import suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Final

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from library.backup import make_backup
from library.clips import tidy
from library.deletion import removal, remove_player
from library.errors import NoSuchError
from library.export import export_player
from review import formatting as fmt
from review.errors import ReviewError
from review.page.app import FormError, Page, checked_id, page_of
from review.page.forms import Form, field, posted
from review.page.phones import sharing_of
from review.page.services import Done, Say
from review.page.start import new_player, start_words
from words.plain import count
from words.units import UNCALIBRATED_GYR_U

OUT_FOLDER: Final = "taken-out"
"""Of the home: files that are made to be taken along, until they are."""
BACKUP: Final = re.compile(r"unhurried-backup-\d{4}-\d\d-\d\d-[0-9a-f]{4}\.zip")
LONGEST_VALUE: Final = 1000


def routes() -> list[BaseRoute]:
    """Return the paths of these screens."""
    return [
        Route("/settings", _settings),
        Route("/settings", posted(_change), methods=["POST"]),
        Route("/settings/player", posted(_new_player), methods=["POST"]),
        Route("/settings/backup", posted(_backup), methods=["POST"]),
        Route("/settings/backup/{name}", _backup_file),
        Route("/settings/close", posted(_close), methods=["POST"]),
        Route("/player/{player}/export.zip", _export),
        Route("/player/{player}/delete", _ask_delete),
        Route("/player/{player}/delete", posted(_delete), methods=["POST"]),
    ]


def _settings(request: Request) -> Response:
    """Show all settings."""
    page = page_of(request)
    services = page.tools.services
    with page.library() as library:
        people = library.people.all()
        sessions = len(library.sessions())
    backups = sorted((page.home / OUT_FOLDER).glob("unhurried-backup-*.zip"))
    return page.render(
        request,
        "settings.html",
        here="settings",
        settings=() if services is None else services.settings(),
        people=people,
        n_sessions=sessions,
        backups=[(one.name, fmt.size(one.stat().st_size)) for one in backups],
        uncalibrated=f"{100.0 * UNCALIBRATED_GYR_U:g}",
        can_calibrate=page.live is not None,
        sensors=() if services is None else services.calibrations(),
        can_close=services is not None and services.can_close(),
        sharing=sharing_of(request),
        **start_words(page),
    )


def _change(request: Request, form: Form) -> Response:
    """Keep settings."""
    page = page_of(request)
    services = page.tools.services
    at = f"/settings#{field(form, 'at', most=20)}"
    if services is None:
        return page.back(at, "Settings can't be changed on this page.", wrong=True)
    changes = {
        one.name: field(form, one.name, most=LONGEST_VALUE)
        for one in services.settings()
        if one.name in form
    }
    try:
        page.use_settings(services.change_settings(changes))
    except ReviewError as error:
        text = fmt.line_of(error)
        return page.back(at, f"{text[0].upper()}{text[1:]}", wrong=True, form=("settings", form))
    return page.back(at, "Kept.")


def _new_player(request: Request, form: Form) -> Response:
    """Make a player."""
    page = page_of(request)
    try:
        who = new_player(page, form)
    except FormError as error:
        at = "/settings#players"
        return page.back(at, fmt.line_of(error), wrong=True, form=("new", form))
    return page.back(f"/player/{who}", "Kept.")


# -- backup ----------------------------------------------------------------------------------------


def _backup(_request: Request, _form: Form) -> Response:
    """Begin a backup."""
    page = page_of(_request)
    return page.work("Backup", partial(_make_backup, page))


def _make_backup(page: Page, say: Say) -> Done:
    folder = page.home / OUT_FOLDER
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    out = folder / f"unhurried-backup-{datetime.now():%Y-%m-%d}-{secrets.token_hex(2)}.zip"
    with page.library() as library:
        kept = make_backup(library, out, say)
    lines = (f"Not in it, since they aren't there now: {', '.join(kept.missing)}.",)
    return Done(
        text=f"{count(kept.players, 'player')} and {count(kept.recordings, 'recording')} are in "
        "one file. Take it along: keep it on another computer or a stick.",
        lines=lines if kept.missing else (),
        url="/settings#backup",
    )


async def _backup_file(request: Request) -> Response:
    """Give a backup to take along."""
    page = page_of(request)
    name = request.path_params["name"]
    path = page.home / OUT_FOLDER / name
    if not BACKUP.fullmatch(name) or not path.is_file():
        raise NoSuchError("that backup isn't here any more: make another")
    return FileResponse(path, media_type="application/zip", filename=name)


# -- players ---------------------------------------------------------------------------------------


def _export(request: Request) -> Response:
    """Give all that is kept of a player as one file."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    folder = page.home / OUT_FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    out = folder / f"player-{secrets.token_hex(8)}.zip"
    with page.library() as library:
        player = library.player(who)
        export_player(library, player, out)
    plain = re.sub(r"[^A-Za-z0-9]+", "-", player.name).strip("-") or "player"
    return FileResponse(
        out,
        media_type="application/zip",
        filename=f"{plain}.zip",
        background=BackgroundTask(_drop, out),
    )


def _drop(path: Path) -> None:
    with suppress(OSError):
        path.unlink()


def _ask_delete(request: Request) -> Response:
    """Say what deleting a player would touch, and ask."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    with page.library() as library:
        touched = removal(library, who)
    lines = [f"{count(touched.swings, 'swing')} and what was said about them go."]
    if touched.shared:
        shared = count(len(touched.shared), "recording")
        lines.append(f"{shared} with others in it: that stays, without the name.")
    if touched.missing:
        away = count(len(touched.missing), "recording")
        lines.append(f"{away} can't be found now: where it turns up, it stays.")
    return page.render(
        request,
        "delete.html",
        here="players",
        player=touched.player,
        lines=lines,
        own=len(touched.own),
    )


def _delete(request: Request, form: Form) -> Response:
    """Delete a player with all that is theirs alone."""
    page = page_of(request)
    who = checked_id(request.path_params["player"])
    if "sure" not in form:
        url = f"/player/{who}/delete"
        return page.back(url, "Tick first that you mean it.", wrong=True, form=("delete", form))
    with page.changing() as library:
        name = library.player(who).name
        done = remove_player(library, who, raw="raw" in form)
        tidy(library)
    page.undo_of_player.pop(who, None)
    text = f"{name} is deleted: {count(done.swings, 'swing')}."
    if "raw" in form and done.own:
        text += f" {count(len(done.own), 'recording')} removed."
    return page.back("/", text)


# -- the program -----------------------------------------------------------------------------------


def _close(request: Request, _form: Form) -> Response:
    """End the program."""
    page = page_of(request)
    services = page.tools.services
    if services is None or not services.close_program():
        return page.back("/settings", "The program is ended where it was started.", wrong=True)
    return page.render(request, "closed.html")
