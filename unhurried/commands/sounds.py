"""`unhurried sounds`: hear every sound of a drill, and what it means, before practising."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click
import numpy as np

from unhurried.app.errors import CommandError, plain, show
from unhurried.app.home import home_folder
from unhurried.app.sound import delays, say_output
from unhurried.app.text import wrapped
from unhurried.commands.cue import sound_options
from unhurried.commands.options import home_option, overwrite_option
from words import cautions

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from feedback.outputs import Output
    from feedback.patterns import Meaning

TICK_S: Final = 0.05
PAUSE_S: Final = 1.2
"""Between two sounds: time to read the next line."""


@click.command("sounds")
@click.argument("names", nargs=-1, metavar="[NAME]...")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write them to a .wav file, for a phone say, instead of playing.",
)
@sound_options
@overwrite_option
@home_option
def command(
    names: tuple[str, ...],
    out: Path | None,
    output: str | None,
    level: float,
    overwrite: bool,
    home: Path | None,
) -> None:
    """Play every sound of a drill, one after the other, and say what each means.

    With NAME only that one, or those. Ctrl-C ends it.

    \b
    Examples:
      unhurried sounds
      unhurried sounds full time-short
      unhurried sounds --out sounds.wav
    """
    chosen = _chosen(names)
    if out is not None:
        if out.suffix.lower() != ".wav":
            raise click.BadParameter("the file must end in .wav", param_hint="'--out'")
        _write(chosen, out, level, overwrite=overwrite)
        return
    from feedback.outputs import open_output

    show(cautions.LEVEL)
    sound, why = open_output(output, level=level, delay_of=delays(home_folder(home)))
    try:
        say_output(sound, why)
        if sound.silent and why is None:
            show("no sound: nothing is heard, the words only are shown")
        for k, one in enumerate(chosen):
            if k:
                _wait(sound, PAUSE_S)
            for line in lines(one):
                click.echo(line)
            heard = one.make(sound.rate_hz)
            sound.play(heard)
            _wait(sound, len(heard) / sound.rate_hz + sound.delay_s)
    finally:
        sound.close()


def _chosen(names: Sequence[str]) -> list[Meaning]:
    from feedback.patterns import SOUNDS

    # "time-short" needs no quotes.
    known = {one.name.replace(" ", "-"): one for one in SOUNDS}
    asked = [name.strip().replace(" ", "-") for name in names]
    # As it was called before its two sounds had a name each.
    wanted = dict.fromkeys(
        part for name in asked for part in (("rise", "top") if name == "cue" else (name,))
    )
    for name in wanted:
        if name not in known:
            raise click.UsageError(
                f"there is no sound '{plain(name)}': the sounds are {', '.join(known)}"
            )
    return [known[name] for name in wanted] if names else list(SOUNDS)


def lines(one: Meaning) -> list[str]:
    """Say what a sound means and how it is heard."""
    head = f"{one.name:<12}"
    return [
        *wrapped(one.meaning, head, " " * len(head)),
        *wrapped(one.heard, " " * len(head), " " * len(head)),
    ]


def _wait(sound: Output, seconds: float) -> None:
    """Let time go by; the sound itself doesn't depend on it."""
    from feedback.errors import OutputError

    end = time.monotonic() + seconds
    while time.monotonic() < end:
        # A silent output's clock goes on when it is asked.
        sound.frame_now()
        if sound.lost:
            raise OutputError(f"{sound.name}: the sound output is gone (was it unplugged?)")
        time.sleep(min(TICK_S, max(0.0, end - time.monotonic())))


def _write(chosen: Sequence[Meaning], out: Path, level: float, *, overwrite: bool) -> None:
    from feedback.outputs import RATE_HZ, write_wav

    starts: list[float] = []

    def parts() -> Iterator[npt.NDArray[np.float32]]:
        at = 0
        for one in chosen:
            heard = one.make(RATE_HZ)
            if float(np.abs(heard).max(initial=0.0)) > 1.0:
                raise CommandError(f"the sound '{one.name}' is louder than it may be")
            starts.append(at / RATE_HZ)
            for part in (heard * np.float32(level), np.zeros(round(PAUSE_S * RATE_HZ), np.float32)):
                at += len(part)
                yield part.astype(np.float32)

    write_wav(out, parts(), RATE_HZ, overwrite=overwrite)
    show(cautions.LEVEL)
    for start, one in zip(starts, chosen, strict=True):
        click.echo(f"{start:6.1f} s")
        for line in lines(one):
            click.echo(line)
    count = "1 sound" if len(chosen) == 1 else f"{len(chosen)} sounds"
    click.echo(f"{plain(str(out))}: {count}")
