"""The command `unhurried`: one module a command, imported only when it is used."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click

from unhurried.errors import BAD_USE, FAILED, STOPPED, describe, set_verbose, show

# Name, module in `unhurried.commands` (its `command` is the command), and the line in --help.
COMMANDS: dict[str, tuple[str, str]] = {
    "scan": ("scan", "List the sensors that are near."),
    "record": ("record", "Record a sensor, and show each swing as it happens."),
    "drill": ("drill", "Practise by ear, with a sensor watching the turn."),
    "cue": ("cue", "Hear how long a backswing should take, or write it as a WAV file."),
    "sounds": ("sounds", "Hear every sound of a drill, and what it means."),
    "latency": ("latency", "Measure how late a sound output is, and keep it."),
    "analyze": ("analyze", "Find and measure the swings of a recording."),
    "compare": ("compare", "Set two swings, or two sets of swings, side by side."),
    "agree": ("agree", "Check the figures against events labelled by hand."),
    "info": ("info", "Say what a recording holds, and what is wrong with it."),
    "import": ("import_csv", "Make a recording of a CSV file."),
    "export": ("export", "Write a recording, or single swings, as CSV."),
    "calibrate": ("calibrate", "Find a sensor's scale and offset, for its later recordings."),
    "library": ("library", "Keep every session, and find it again."),
    "results": ("results", "Say, or import, what the ball did."),
    "plan": ("plan", "Say where a player stands, why, and what comes next."),
    "story": ("story", "Tell a session in five sentences, each with its numbers."),
    "reference": ("reference", "Show or set a player's full, unhurried swing."),
    "report": ("report", "Write a page about a session or a player, to send or to print."),
    "clip": ("clip", "Lay a phone's clip beside a session or a swing."),
    "felt": ("felt", "Say how a swing felt, or see what was felt beside what was measured."),
    "review": ("review", "Look at players, sessions and swings in a browser."),
    "bundle": ("bundle", "Send sessions to a coach in one file, and open one."),
    "settings": ("settings", "Show or change what is kept for all commands."),
    "recover": ("recover", "Make a clean copy of a damaged recording."),
    "simulate": ("simulate", "Make a recording of simulated swings, with their truth."),
}

HELP = """Measure golf swings with one small motion sensor on the wrist, glove, club
or upper back: how long each part of a swing took, how full the turn was, how fast
it rotated, and how sure that is.
"""

# \b keeps click from joining the lines.
EXAMPLES = """\b
Examples:
  unhurried analyze recordings/evening       the swings, in a table
  unhurried analyze recordings/evening#3     the third one in detail
  unhurried analyze swings.csv --mount club  a CSV file will do as well
  unhurried import swings.csv session        keep it as a recording
  unhurried info session                     rate, gaps, clipping, who played

\b
'unhurried COMMAND --help' explains one command. Results go to stdout,
messages to stderr. Exit codes: 0 done, 1 failed, 2 bad option or missing
path, 130 stopped with Ctrl-C.
"""


def _verbose(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        set_verbose(True)


def _verbose_option() -> click.Option:
    return click.Option(
        ["--verbose"],
        is_flag=True,
        expose_value=False,
        callback=_verbose,
        help="Log to stderr, and show where an error came from.",
    )


class LazyGroup(click.Group):
    """A group that knows the names of its commands but imports a command when it is used."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"unhurried.commands.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command
        from unhurried.settings import apply_to

        apply_to(cmd_name, command)
        # Accepted before and after the command's name.
        if not any(param.name == "verbose" for param in command.params):
            command.params.append(_verbose_option())
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            names = ", ".join(COMMANDS)
            ctx.fail(f"there is no command '{args[0]}': the commands are {names}")
        return super().resolve_command(ctx, args)

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        from sensor.session import program_version

        click.echo(f"unhurried {program_version()}")
        ctx.exit()


@click.group(
    cls=LazyGroup,
    help=HELP,
    epilog=EXAMPLES,
    invoke_without_command=True,
    context_settings={"max_content_width": 80, "help_option_names": ["-h", "--help"]},
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_version,
    help="Show the version and exit.",
)
@click.pass_context
def cli(ctx: click.Context) -> None:
    """Show the help when no command is given."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


cli.params.append(_verbose_option())


def _use_utf8() -> None:
    """Write UTF-8 also where the system has another habit, as Windows has."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="backslashreplace")


def _usage_line(error: click.UsageError) -> str:
    path = error.ctx.command_path if error.ctx is not None else "unhurried"
    text = error.format_message()
    if isinstance(error, click.BadParameter) and isinstance(error.param, click.Argument):
        # "'x' does not exist" needs no name of a placeholder before it.
        text = error.message or text
    return f"{text.rstrip('.')} (see '{path} --help')"


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; errors are told in one line on stderr.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; those of the process by default.
    """
    set_verbose(False)
    try:
        result: Any = cli.main(
            args=list(arguments) if arguments is not None else None,
            prog_name="unhurried",
            standalone_mode=False,
        )
        sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except click.UsageError as error:
        show(_usage_line(error), error)
        return BAD_USE
    except click.ClickException as error:
        show(error.format_message(), error)
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        show("stopped")
        return STOPPED
    except BrokenPipeError:
        # Whoever read our output has had enough of it (`unhurried ... | head`).
        return 0
    except SystemExit as stop:
        if isinstance(stop.__context__, BrokenPipeError) or _reader_left():
            # What click makes of the same.
            return 0
        return stop.code if isinstance(stop.code, int) else FAILED
    except Exception as error:
        line, code = describe(error)
        show(line, error)
        return code


def _reader_left() -> bool:
    """Whether click has put a file that swallows errors in the place of a pipe without a reader."""
    return "PacifyFlush" in type(sys.stdout).__name__


def main() -> None:
    """Entry point of the `unhurried` command."""
    _use_utf8()
    code = run()
    try:
        sys.stdout.flush()
    except OSError:
        # Whoever read our output has gone (`unhurried ... | head`): be quiet about it, also when
        # the interpreter flushes once more at its end.
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)
