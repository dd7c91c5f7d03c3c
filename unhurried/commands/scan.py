"""`unhurried scan`: which sensors are near."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from unhurried.app.errors import show
from unhurried.app.shutdown import Shutdown, shutdown_on_signals
from unhurried.app.text import one_line
from unhurried.commands.options import ExistingPath, FiniteRange

if TYPE_CHECKING:
    from sensor.link.profile import Profile
    from sensor.link.radio import SeenSensor

DEFAULT_SECONDS = 10.0
NAME_WIDTH = 24


@click.command("scan")
@click.option(
    "--seconds",
    type=FiniteRange(min=0.5, max=3600.0),
    default=DEFAULT_SECONDS,
    show_default=True,
    help="How long to look; Ctrl-C ends it earlier.",
)
@click.option("--all", "everything", is_flag=True, help="List devices of unknown kind as well.")
@click.option("--adapter", metavar="NAME", help="Bluetooth adapter to use, such as hci1 (Linux).")
@click.option(
    "--check-profile",
    type=ExistingPath(),
    metavar="FILE",
    help="Look at a profile that you wrote instead: what it says, or which key is wrong.",
)
def command(
    seconds: float, everything: bool, adapter: str | None, check_profile: Path | None
) -> None:
    """List the sensors that are near: name, address, signal, battery and profile.

    A sensor that is connected to something already doesn't show. On a terminal the table is
    kept up to date while it looks; the final one goes to stdout.
    """
    if check_profile is not None:
        from sensor.link.profile import load_profile

        for line in profile_lines(load_profile(check_profile)):
            click.echo(line)
        return
    from sensor.link.radio import scan

    live = sys.stderr.isatty()
    shown = 0

    def update(seen: list[SeenSensor]) -> None:
        nonlocal shown
        text = table(seen, everything=everything)
        # Over what was there before, without a flicker.
        print(f"\x1b[{shown}F\x1b[J" if shown else "", *text, sep="\n", file=sys.stderr)
        shown = len(text) + 1

    async def look(end: Shutdown) -> list[SeenSensor]:
        stop = asyncio.Event()
        with end.setting(stop):
            return await scan(
                seconds, on_change=update if live else None, stop=stop, adapter=adapter
            )

    if live:
        print(f"Looking for {seconds:g} s (Ctrl-C ends it) ...", file=sys.stderr)
    with shutdown_on_signals() as end:
        seen = end.run(look(end))
    if live and shown:
        print(f"\x1b[{shown}F\x1b[J", end="", file=sys.stderr)
    known = [one for one in seen if one.profile is not None]
    for line in table(seen, everything=everything):
        click.echo(line)
    if not known:
        others = len(seen)
        show(
            "no sensor of a known kind is near: switch it on, bring it near, and see that "
            "nothing else is connected to it"
            + (f" ({others} other devices: --all lists them)" if others and not everything else "")
        )


def table(seen: Sequence[SeenSensor], *, everything: bool) -> list[str]:
    """Return the lines of the table; names are cut to keep it within 80 columns."""
    rows = [one for one in seen if everything or one.profile is not None]
    if not rows:
        return []
    head = ("name", "address", "signal", "battery", "profile")
    cells = [
        (
            one_line(one.name)[:NAME_WIDTH],
            one.address,
            "-" if one.signal_dbm is None else f"{one.signal_dbm} dBm",
            "-" if one.battery_percent is None else f"{one.battery_percent} %",
            one.profile or "unknown",
        )
        for one in rows
    ]
    widths = [max(len(row[k]) for row in (head, *cells)) for k in range(len(head))]
    right = (False, False, True, True, False)
    return [
        "  ".join(
            text.rjust(width) if to_right else text.ljust(width)
            for text, width, to_right in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in (head, *cells)
    ]


def profile_lines(profile: Profile) -> list[str]:
    """Return what a profile says, for whoever wrote it to compare with the sensor's document."""
    packet = profile.packet
    shortest = packet.header_size + packet.min_samples * packet.sample_size
    lines = [f"{profile.name}: {profile.title}"]
    lines.append(f"recognised by  {', '.join((*profile.services, *profile.name_prefixes))}")
    lines.append(f"data           {profile.uuid('data')}")
    lines.append(
        f"packet         {packet.min_samples} to {packet.max_samples} samples, {shortest} to "
        f"{packet.max_size} bytes: {' '.join(packet.channels)}, "
        f"{packet.type}, {packet.byte_order} endian"
    )
    ticks = "none" if packet.tick_s is None else f"of {1e6 * packet.tick_s:g} µs"
    lines.append(f"counter        {packet.counter}; ticks {ticks}")
    for name, setting in profile.settings.items():
        choices = ", ".join(f"{choice:g}" for choice in setting.choices)
        lines.append(f"{name:<14} {setting.default:g} of {choices}")
    lines.append(f"commands       {', '.join(profile.commands) or 'none: it streams by itself'}")
    return [one_line(line) for line in lines]
