"""The command `unhurried`: one module a command, imported only when it is used."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click

from unhurried.app.errors import BAD_USE, FAILED, STOPPED, OptionsError, describe, set_verbose, show
from unhurried.app.plain_text import plain_streams
from unhurried.app.printed import failure, take_over
from unhurried.commands.near import NearGroup

# Name, module in `unhurried.commands` (its `command` is the command), and the line in --help.
COMMANDS: dict[str, tuple[str, str]] = {
    "analyze": ("analyze", "Find and measure the swings of a recording."),
    "compare": ("compare", "Set two swings, or two sets of swings, side by side."),
    "agree": ("agree", "Check the figures against events labelled by hand."),
    "info": ("info", "Say what a recording holds, and what is wrong with it."),
    "drill": ("drill", "Practise by ear, with a sensor watching the turn."),
    "cue": ("cue", "Hear how long a backswing should take, or write it as a WAV file."),
    "sounds": ("sounds", "Hear every sound of a drill, and what it means."),
    "latency": ("latency", "Measure how late a sound output is, and keep it."),
    "plan": ("plan", "Say where a player stands, why, and what comes next."),
    "felt": ("felt", "Say how a swing felt, or see it beside what was measured."),
    "review": ("review", "Look at players, sessions and swings in a browser."),
    "reference": ("reference", "Show or set a player's model swings and own range."),
    "story": ("story", "Tell a session in five sentences, each with its numbers."),
    "report": ("report", "Write a page about a session or a player, to send or to print."),
    "clip": ("clip", "Lay a phone's film beside a session or a swing."),
    "bundle": ("bundle", "Send sessions to a coach in one file, and open one."),
    "scan": ("scan", "List the sensors that are near."),
    "record": ("record", "Record a sensor, and show each swing as it happens."),
    "calibrate": ("calibrate", "Find a sensor's scale and offset, for its later recordings."),
    "recover": ("recover", "Make a clean copy of a damaged recording."),
    "library": ("library", "Keep every session, and find it again."),
    "import": ("import_csv", "Make a recording of a CSV file or a motion capture."),
    "export": ("export", "Write a recording, or single swings, as CSV."),
    "results": ("results", "Say, or import, what the ball did."),
    "kind": ("kind", "Say that swings were shots or practice swings."),
    "simulate": ("simulate", "Make a recording of simulated swings, with their truth."),
    "settings": ("settings", "Show or change what is kept for all commands."),
    "help": ("help", "Open the manual, or explain one command whole."),
}

GROUPS: dict[str, tuple[str, ...]] = {
    "measure": ("analyze", "compare", "agree", "info"),
    "practise": ("drill", "cue", "sounds", "latency", "plan", "felt"),
    "coach": ("review", "reference", "story", "report", "clip", "bundle"),
    "sensor": ("scan", "record", "calibrate", "recover"),
    "data": ("library", "import", "export", "results", "kind", "simulate", "settings", "help"),
}
"""Commands by what they are for; every command is in one."""

EXAMPLES: dict[str, str] = {
    "unhurried analyze recordings/monday-wrist": "the swings in a table",
    "unhurried": "the players in a browser",
}
"""What most people want first, on top of the help."""


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


class LazyGroup(NearGroup):
    """A group that knows the names of its commands but imports a command when it is used."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, _ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"unhurried.commands.{COMMANDS[cmd_name][0]}")
        command: click.Command = module.command

        from unhurried.commands.defaults import apply_to

        apply_to(cmd_name, command)
        # Accepted before and after the command's name.
        if not any(param.name == "verbose" for param in command.params):
            command.params.append(_verbose_option())
        return command

    def format_help(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write it by groups, so that it fits a screen of 40 lines."""
        formatter.write("Usage: unhurried COMMAND [OPTIONS] [ARGS]...\n")
        formatter.write("Measure golf swings with one small motion sensor.\n\n")
        for example, what in EXAMPLES.items():
            formatter.write(f"  {example:<43}{what}\n")
        for title, names in GROUPS.items():
            formatter.write(f"{title.capitalize()}:\n")
            for name in names:
                formatter.write(f"  {name:<11}{COMMANDS[name][1]}\n")
        formatter.write("'unhurried COMMAND --help' explains one. Also: --version, --verbose.\n")


def _version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        from sensor.recording.session import program_version

        click.echo(f"unhurried {program_version()}")
        ctx.exit()


@click.group(
    cls=LazyGroup,
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
    """Open the page when no command is given."""
    if ctx.invoked_subcommand is None:
        review = cli.get_command(ctx, "review")
        assert review is not None
        ctx.invoke(review)


cli.params.append(_verbose_option())


def _usage_line(error: click.UsageError) -> str:
    path = error.ctx.command_path if error.ctx is not None else "unhurried"
    text = error.format_message()
    if isinstance(error, click.BadParameter) and isinstance(error.param, click.Argument):
        # "'x' does not exist" needs no name of a placeholder before it.
        text = error.message or text
    return f"{text.rstrip('.')} (see '{path} --help')"


def _asked(arguments: Sequence[str] | None) -> str:
    """Name the command that was asked for, as far as it is one."""
    words = sys.argv[1:] if arguments is None else arguments
    return " ".join(["unhurried", *[word for word in words if word in COMMANDS][:1]])


@plain_streams()
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
    except OptionsError as error:
        show(f"{error} (see '{_asked(arguments)} --help')", error)
        return BAD_USE
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
    take_over()
    code = run()
    lost = failure(sys.stdout)
    # A reader that has gone (`unhurried ... | head`) has had what it wanted.
    if lost is not None and not isinstance(lost, BrokenPipeError) and code == 0:
        show(f"the output cannot be written: {lost.strerror or lost}")
        code = FAILED
    sys.exit(code)
