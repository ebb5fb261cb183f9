"""The outermost layer: commands by moment of use, errors to text, exit codes.

Nothing heavy is imported here: a command's file is loaded when it is called, so
that ``metafreeze --help`` answers at once.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import NamedTuple

import click

EXIT_DONE = 0
EXIT_REFUSED = 1
EXIT_USAGE = 2
EXIT_STOPPED = 130


class Command(NamedTuple):
    """Where a command lives and what it is for."""

    module: str
    purpose: str


# Moment of use -> command name -> home. The order is the order of a day at the freezer.
MOMENTS: dict[str, dict[str, Command]] = {
    "See it work": {
        "demo": Command("metafreeze.cli.demo", "The whole job on an invented network of sites."),
    },
    "Begin": {
        "new": Command("metafreeze.cli.new", "Make an empty register."),
        "template": Command("metafreeze.cli.template", "Write a sheet to fill in."),
    },
    "Plan": {
        "plan": Command("metafreeze.cli.plan", "Say how many runs would settle it."),
    },
    "Run": {
        "runsheet": Command("metafreeze.cli.runsheet", "Draw places and order, to print."),
    },
    "Commit": {
        "seal": Command("metafreeze.cli.seal", "Fix the plan before the data."),
    },
    "At the freezer": {
        "logbook": Command("metafreeze.cli.logbook", "Serve a page for the phone at the freezer."),
    },
    "Enter": {
        "check": Command("metafreeze.cli.check", "Say how files would be read; store nothing."),
        "curves": Command("metafreeze.cli.curves", "Find the events of temperature traces."),
        "add": Command("metafreeze.cli.add", "Take files into a register."),
        "undo": Command("metafreeze.cli.undo", "Take an entry back, or the taking back."),
        "history": Command("metafreeze.cli.history", "List what was entered, and when."),
    },
    "Answer": {
        "pool": Command("metafreeze.cli.pool", "Pool the runs and say what they show."),
        "challenge": Command("metafreeze.cli.challenge", "Ask whether the effect survives."),
        "report": Command("metafreeze.cli.report", "Write the report that others can check."),
    },
    "Trust": {
        "false-alarms": Command(
            "metafreeze.cli.false_alarms", "Count false verdicts on your own design."
        ),
    },
    "Take away": {
        "export": Command("metafreeze.cli.export", "Write the pooled rows for other programs."),
    },
}

COMMANDS: dict[str, Command] = {
    name: command for group in MOMENTS.values() for name, command in group.items()
}


class Commands(click.Group):
    """A group that knows its commands by name and loads one only to run it."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """List the names in the order of a day."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load the file of one command."""
        home = COMMANDS.get(cmd_name)
        if home is None:
            return None
        loaded = import_module(home.module).command
        assert isinstance(loaded, click.Command)
        return loaded

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Name the nearest commands where one is not known."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=2)
            hint = f" Did you mean {' or '.join(near)}?" if near else ""
            raise click.UsageError(
                f'There is no command "{args[0]}".{hint} The commands are {", ".join(COMMANDS)}.'
            )
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands under the moment at which one needs them."""
        for moment, commands in MOMENTS.items():
            with formatter.section(moment):
                formatter.write_dl([(name, c.purpose) for name, c in commands.items()])


@click.command(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="metafreeze", message="metafreeze %(version)s")
def cli() -> None:
    """Does water that starts hotter freeze sooner? Pool trials, doubt them, publish.

    Wherever a command takes REGISTER it also takes sheets: metafreeze report trials.csv
    """


def run(argv: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    Parameters
    ----------
    argv : list of str, optional
        Words after the program's name; those of the process by default.
    """
    sys.exit(answer(sys.argv[1:] if argv is None else argv))


def answer(argv: list[str]) -> int:
    """Run one command and turn every outcome into text and an exit code.

    Parameters
    ----------
    argv : list of str
        Words after the program's name.

    Returns
    -------
    int
        0 done, 1 refused or a question open, 2 wrong command line, 3 not estimable,
        130 stopped by the user.
    """
    for stream in (sys.stdout, sys.stderr):
        # A terminal under LANG=C cannot spell °C; a question mark beats a traceback.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        outcome = cli.main(args=argv, prog_name="metafreeze", standalone_mode=False)
        return outcome if isinstance(outcome, int) else EXIT_DONE
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as wrong:
        return refuse(argv, wrong.format_message(), EXIT_USAGE, usage=_usage_of(wrong))
    except (KeyboardInterrupt, click.Abort):
        click.echo("Stopped. Nothing was changed.", err=True)
        return EXIT_STOPPED
    except BrokenPipeError:
        # The reader of our output went away, as `| head` does.
        sys.stderr.close()
        return EXIT_DONE
    except OSError as trouble:
        where = f" ({trouble.filename})" if trouble.filename else ""
        reason = trouble.strerror or str(trouble)
        return refuse(argv, f"The disk said: {reason}{where}.", EXIT_REFUSED)
    except UnicodeEncodeError:
        strange = [word for word in argv if _is_no_text(word)]
        if not strange:
            raise
        shown = strange[0].encode("utf-8", errors="replace").decode()
        return refuse(argv, f"“{shown}” holds bytes that are no text. Type it anew.", EXIT_USAGE)
    except Exception as error:
        from metafreeze.errors import MetafreezeError

        if not isinstance(error, MetafreezeError):
            raise
        faults = getattr(error, "faults", ())
        return refuse(argv, str(error), error.exit_code, faults=faults)


def refuse(
    argv: list[str],
    message: str,
    code: int,
    *,
    usage: str = "",
    faults: tuple[object, ...] = (),
) -> int:
    """Say why a command did not do its work, as text or as one JSON object."""
    if "--json" in argv:
        import json

        content = {
            "error": message,
            "exit_status": code,
            "findings": [fault.to_dict() for fault in faults],  # type: ignore[attr-defined]
        }
        click.echo(json.dumps(content, ensure_ascii=False))
    else:
        click.echo(message, err=True)
        if usage:
            click.echo(usage, err=True)
    return code


def _is_no_text(word: str) -> bool:
    """Tell a word with bytes that the system could not read as text."""
    try:
        word.encode("utf-8")
    except UnicodeEncodeError:
        return True
    return False


def _usage_of(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    if context is None:
        return ""
    return f"See {context.command_path} --help."
