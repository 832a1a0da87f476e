"""The command line: finds the command, and turns errors into sentences.

Nothing heavy is imported here; a command's module is loaded when it is called.
"""

from __future__ import annotations

import importlib
import io
import keyword
import signal
import sys

import click

from dialbench import __version__
from dialbench.errors import UserError, inert

_LINE = 2000  # characters of one line of an error

# Name: (module in dialbench.commands, one line of help).
_COMMANDS = {
    "demo": "A virtual dial's day from sunlight to verdict, on the real firmware.",
    "watch": "Live face of a dial, lit and unlit, measured against predicted.",
    "replay": "A day of the face, predicted or as logged: at any instant, or as a moving picture.",
    "set": "Set a dial up: by compass, level and shadow, then by its own looks at the Sun.",
    "virtual": "A virtual dial on a serial port of its own, until interrupted.",
    "pull": "Bring a board's log into a store.",
    "fleet": "Many boards held against each other, or pulled at once.",
    "check": "Is a store sound, and what is not in it; with --repair, mend it.",
    "backup": "Copy a store, also while it is being written.",
    "export": "What a store holds as CSV or Parquet, or as a bundle that others can check.",
    "import": "Bring a bundle, or another logger's crossings from CSV, into a store.",
    "selftest": "Is a board sound: lines, channels, clock chip, storage, link; each fault with its mend.",
    "release": "Hand a board back to its MicroPython prompt.",
    "start": "Have a board at its prompt run the firmware again.",
    "provision": "Put the firmware on a board, set up for its dial, and start it.",
    "unprovision": "Take the firmware off a board again; its log stays.",
    "compare": "Measured against predicted: the verdict on what a store holds.",
    "clock": "How well the times in a store are known: drift, marks, readings.",
    "solve": "How the dial really stands and came out, and how well that is known.",
    "campaign": "Which days to log, so that the pose is told as well as is wished.",
    "health": "What slowly changed: bores that clog, sensors that fade, a body that settles.",
    "suntime": "UTC by the Sun alone: is the logger's clock right? No network needed.",
    "sweep": "Trace a dial on the bench live, and say which channels still need a pass.",
    "aperture": "How wide each bore came out and where it points, from a sweep on the bench.",
    "predict": "When each channel will be lit, and through what, by the ephemeris.",
    "sun": "Where the Sun stands at one instant, and how well that is known.",
    "report": "One document about a campaign that others can check: HTML, or PDF.",
    "reading": "What a dial read, measured or predicted: right, wrong, by how much and why.",
    "card": "What to add to the reading on each date of a year; a sheet to print.",
    "longrun": "How far a dial drifts over years and centuries, and by what.",
    "material": "Which changes of a body alter its reading, by how much, and which cannot.",
    "layout": "From a wish (site, face, envelope, limits) to a complete dial.toml.",
    "audit": "Hold a dial to its limits, over every day of a year.",
    "tolerance": "How many bodies, made and placed with errors, still meet the limits.",
    "fabricate": "All files that a dial is built from: solid, drill table, templates, wiring.",
    "wiring": "The electronics of a dial: parts, resistors, supply, and how they follow from its light.",
    "show": "Check a dial.toml and say what it describes.",
    "schema": "JSON Schema of dial.toml.",
}


class _Lazy(click.Group):
    """Lists commands without loading them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        # A module cannot be called as a word of the language is.
        module = cmd_name + "_" * keyword.iskeyword(cmd_name)
        command: click.Command = importlib.import_module(f"dialbench.commands.{module}").command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(cls=_Lazy, epilog="Start with: dialbench demo")
@click.version_option(__version__, prog_name="dialbench")
def _dialbench() -> None:
    """Dialbench instruments a light-channel dial: what it showed, what it should have shown,
    and why they differ.

    Never look at the Sun through a bore or a lens.
    """


def main() -> None:
    """Entry point. Exit status 1 for a limit broken, 2 for what the user can mend, 130 for an
    interrupt."""
    # A polite end to the process ends it as an interrupt does: nothing is left behind.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    # What the locale has no letters for is spelt out.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        status = _dialbench(standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("dialbench: interrupted", err=True)
        sys.exit(130)
    except click.exceptions.Exit as done:
        sys.exit(done.exit_code)
    except click.ClickException as wrong:
        # It repeats words as they were typed, and a shell's * types names of files.
        told = io.StringIO()
        wrong.show(told)
        _say(told.getvalue().replace(wrong.message, inert(wrong.message)))
        sys.exit(2)
    except UserError as wrong:
        _say("\n".join(f"dialbench: {line}" for line in str(wrong).splitlines()))
        sys.exit(2)
    except KeyboardInterrupt:
        click.echo("dialbench: interrupted", err=True)
        sys.exit(130)
    except BrokenPipeError:
        # The reader of a pipe left: there is nobody to tell.
        sys.stderr.close()
        sys.exit(1)
    except OSError as wrong:
        where = f"{wrong.filename}: " if wrong.filename else ""
        _say(f"dialbench: {inert(where)}{wrong.strerror or wrong}")
        sys.exit(2)
    if status:  # what a command left with: context.exit
        sys.exit(status)


def _say(text: str) -> None:
    """What is wrong, to stderr: made inert, lines that nobody would read to the end cut."""
    for line in text.rstrip("\n").split("\n"):
        shown = inert(line[:_LINE])
        click.echo(shown + "..." if len(line) > _LINE else shown, err=True)


if __name__ == "__main__":
    main()
