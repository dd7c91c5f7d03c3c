"""`unhurried felt`: how a swing felt, and what was felt beside what was measured."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from sensor.recording.vocabulary import FELT
from unhurried.app.errors import CommandError
from unhurried.app.home import opened
from unhurried.app.located import saying
from unhurried.app.text import lined_up, wrapped
from unhurried.commands.naming import SessionName, SwingName, locate, span_at
from unhurried.commands.options import home_option, json_option
from words.glossary import KINDS, felt_word


@click.command("felt")
@click.argument("session", type=SessionName(), metavar="SESSION[#N]")
@click.option("--time", "time_", type=click.Choice(FELT["time"]), help="How its time felt.")
@click.option("--turn", type=click.Choice(FELT["turn"]), help="How its turn felt.")
@click.option("--strike", type=click.Choice(FELT["strike"]), help="Struck well, or not.")
@click.option("--remove", is_flag=True, help="Remove what was said about this swing.")
@json_option
@home_option
def command(
    session: SwingName,
    time_: str | None,
    turn: str | None,
    strike: str | None,
    remove: bool,
    as_json: bool,
    home: Path | None,
) -> None:
    """Say how the swing SESSION#N felt; SESSION alone shows all answers beside the measures."""
    answers = {"time": time_, "turn": turn, "strike": strike}
    given = {question: said for question, said in answers.items() if said is not None}
    with opened(home) as library:
        found = locate(library, session)
        if session.number is not None:
            span, rate_hz = span_at(library, found, session)
            if given or remove:
                with saying(library, found) as said:
                    seq = said.key_of(span, rate_hz=rate_hz)
                    before = {} if remove else said.get("swing", seq, "felt") or {}
                    felt = {**before, **given}
                    said.set_swing(span, rate_hz=rate_hz, felt=felt or None)
                click.echo(f"{found.path.name}#{session.number}: {_words(felt)}")
                return
        elif given or remove:
            raise click.UsageError(f"say which swing: '{session.text}#3' is its third")
        if not found.known:
            raise CommandError(
                f"{found.path}: isn't in the library yet: 'unhurried library add {found.path}'"
            )
        rows = [
            row
            for row in library.felt(session=found.id, excluded=True).rows()
            if session.number in (None, row["number"])
        ]
        if as_json:
            click.echo(json.dumps(rows, indent=2, ensure_ascii=False, allow_nan=False))
        elif rows:
            click.echo("\n".join(_table(rows)))
        else:
            click.echo("\n".join(wrapped("Nothing was said about how these swings felt.")))


def _words(felt: dict[str, Any]) -> str:
    return ", ".join(f"{question} {said}" for question, said in felt.items()) or (
        "nothing is kept any more"
    )


def _table(rows: Sequence[dict[str, Any]]) -> list[str]:
    out = [["#", "kind", "time", "turn", "ball", "swing ms", "turn", "rotation"]]
    for row in rows:
        out.append(
            [
                str(row["number"]),
                KINDS[row["kind"]],
                *(felt_word(row[f"felt_{question}"] or "-") for question in FELT),
                *(
                    "-" if row[name] is None else f"{row[name]:.0f}"
                    for name in ("swing_ms", "turn_deg", "peak_rate_dps")
                ),
            ]
        )
    return lined_up(out, [True, False, False, False, False, True, True, True])
