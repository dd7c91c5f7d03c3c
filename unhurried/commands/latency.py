"""`unhurried latency`: measure how late a sound output is, and keep it."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from unhurried.app.errors import CommandError, show
from unhurried.app.home import home_folder
from unhurried.app.home_parts import make_folder
from unhurried.app.sound import WIRELESS
from unhurried.commands.cue import sound_options
from unhurried.commands.options import FiniteRange, home_option, json_option
from words import cautions

if TYPE_CHECKING:
    from feedback.latency import Delay
    from feedback.outputs import LiveOutput

HEARD_BEATS = 10
TAP_BEATS = 16
TAP_EVERY_S = 0.75
TAP_SETTLE = 3


@click.command("latency")
@click.option(
    "--tap",
    is_flag=True,
    help="Tap the space bar along with the beeps, instead of listening with a microphone.",
)
@click.option("--microphone", metavar="NAME", help="Which microphone: (part of) its name.")
@click.option(
    "--beats",
    type=click.IntRange(min=5, max=100),
    help="How many beeps.  [default: 10 for a microphone, 16 to tap]",
)
@click.option(
    "--every-s",
    type=FiniteRange(min=0.45, max=3.0),
    default=TAP_EVERY_S,
    show_default=True,
    help="Time between the beeps to tap to.",
)
@click.option("--show", "only_show", is_flag=True, help="Only show what is kept.")
@sound_options
@json_option
@home_option
def command(
    tap: bool,
    microphone: str | None,
    beats: int | None,
    every_s: float,
    only_show: bool,
    output: str | None,
    level: float,
    as_json: bool,
    home: Path | None,
) -> None:
    """Measure how late a sound output is: with a microphone near it, else by tapping along.

    It is kept for the output. 'cue' and 'drill' then know when a beep is heard, and the tone
    for a full turn comes as much earlier.

    \b
    Examples:
      unhurried latency                    the speaker in front of the microphone
      unhurried latency --tap              tap the space bar with each beep
      unhurried latency --output bluez --tap
    """
    from feedback.errors import FeedbackError
    from feedback.latency import LatencyError, listen, load_delay, save_delay
    from feedback.outputs import LiveOutput
    from feedback.quiet import quiet

    where = home_folder(home)
    folder = where / "outputs"
    if output == "silent":
        raise CommandError("the silent output has no delay: choose another")
    if only_show:
        _show_kept(folder, as_json=as_json)
        return
    made_at = datetime.now().astimezone().isoformat(timespec="seconds")
    show(cautions.LEVEL)
    with quiet():
        sound = LiveOutput(output, level=level)
    try:
        with quiet():
            sound.start()
        try:
            delay = None
            if not tap:
                n = HEARD_BEATS if beats is None else beats
                delay = listen(sound, made_at=made_at, beats=n, microphone=microphone)
        except LatencyError as error:
            if microphone is not None or not sys.stdin.isatty():
                raise
            show(f"{error}; tapping instead")
            delay = None
        if delay is None:
            n = TAP_SETTLE + max(9, beats or TAP_BEATS - TAP_SETTLE)
            delay = _tap(sound, made_at, n, every_s)
    finally:
        sound.close()
    if sound.underflows:
        show("the sound was interrupted meanwhile: beeps near that were left out")
    before = None
    try:
        before = load_delay(folder, delay.output)
    except FeedbackError as error:
        show(str(error))
    make_folder(where, "outputs")
    path = save_delay(folder, delay)
    if as_json:
        click.echo(json.dumps(_values(delay), ensure_ascii=False))
    else:
        click.echo(_line(delay))
        if before is not None:
            click.echo(f"before: {1e3 * before.delay_s:.0f} ms ({before.method})")
    _say_of(delay)
    show(f"{path}: kept")


def _say_of(delay: Delay) -> None:
    """Say what there is to know of a measured delay."""
    if delay.method == "tapping":
        show("people tap 20 to 50 ms before a beat without noticing: 35 ms were added")
    if delay.wireless:
        show(WIRELESS.format(name=delay.output))
    elif delay.delay_s > 0.1:
        show(
            f"{1e3 * delay.delay_s:.0f} ms is long, as wireless outputs are: a tone for the turn "
            "comes late; use a cable or a speaker"
        )


def _show_kept(folder: Path, *, as_json: bool) -> None:
    from feedback.latency import load_delay

    kept = [
        delay
        for path in sorted(folder.glob("*.json"))
        if (delay := load_delay(folder, path.stem)) is not None
    ]
    if as_json:
        click.echo(json.dumps([_values(one) for one in kept], ensure_ascii=False))
        return
    for one in kept:
        click.echo(_line(one))
    if not kept:
        click.echo("no output has been measured yet", err=True)


def _values(delay: Delay) -> dict[str, object]:
    return {
        "output": delay.output,
        "delay_ms": round(1e3 * delay.delay_s, 1),
        "delay_ms_u": round(1e3 * delay.delay_u_s, 1),
        "method": delay.method,
        "n": delay.n,
        "made_at": delay.made_at,
        "wireless": delay.wireless,
    }


def _line(delay: Delay) -> str:
    kind = ", wireless" if delay.wireless else ""
    return (
        f"{delay.output}{kind}: {1e3 * delay.delay_s:.0f} ± {1e3 * delay.delay_u_s:.0f} ms late "
        f"({delay.method}, {delay.n} beeps, {delay.made_at[:10]})"
    )


def _tap(sound: LiveOutput, made_at: str, n: int, every_s: float) -> Delay:
    """Let somebody tap along; the tap's time is when the key arrives."""
    from feedback.latency import LOOK_S, BeatTimes, LatencyError, beat_sound, delay_of_taps
    from sensor.link.source import host_clock_ns
    from unhurried.app.keys import ESCAPE, reading_keys

    taps: list[float] = []

    async def listen_to_keys() -> list[float]:
        def tap(key: str) -> None:
            # Escape is only known as that a moment later.
            if key != ESCAPE:
                taps.append(host_clock_ns() * 1e-9)

        async with reading_keys(tap) as there:
            if not there:
                raise LatencyError(
                    "tapping needs a terminal to type in, and there is no microphone: start this "
                    "in a terminal"
                )
            show(f"tap the space bar or a letter with each of {n} beeps; go on, it gets steady")
            await asyncio.sleep(1.0)
            rate = sound.rate_hz
            first = sound.frame_now() + round(0.5 * rate)
            frames = [first + round(k * every_s * rate) for k in range(n)]
            beep = beat_sound(rate)
            for frame in frames:
                sound.play(beep, frame)
            # Nobody is in time with the first ones.
            times = BeatTimes(sound, frames[TAP_SETTLE:])
            rest = 2 * round((0.5 + n * every_s) / LOOK_S)
            while len(times.turns_s) < n - TAP_SETTLE and rest > 0:
                await asyncio.sleep(LOOK_S)
                times.look()
                rest -= 1
            await asyncio.sleep(0.6)
            times.check()
            return [turn for turn in times.turns_s if turn is not None]

    beats = asyncio.run(listen_to_keys())
    return delay_of_taps(beats, taps, output=sound.name, made_at=made_at)
