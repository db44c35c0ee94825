"""The group of commands: lists them without importing them, and turns errors into one sentence.

A command is a module of this package with a click command named ``command``; it is imported when it is
run or when its own help is asked for.
"""

from __future__ import annotations

import difflib
import importlib
import logging
import sys
import traceback
import warnings
from typing import TYPE_CHECKING, Any, Final

import click

from screening.cli.plain import PlainFormatter, echo, message, one_line
from screening.errors import InputError, ScreeningError, ScreeningWarning

if TYPE_CHECKING:
    from collections.abc import Mapping

COMMANDS: Final[Mapping[str, str]] = {
    "demo": "Do the whole job on the sample town.",
    "start": "Look at a city's files and write a run file with the best guesses.",
    "check": "Look for everything that can be wrong with the inputs.",
    "run": "Find and rank the candidate homes of a city.",
    "merge": "Put together what the shares of a run have done.",
    "explain": "Show one home: its numbers and its picture.",
    "streets": "Plan a season of visits: which streets, and in which order.",
    "map": "Make a page with a map of the result.",
    "sheets": "Print a sheet for the visit of each home.",
    "table": "Write lists of a result for a spreadsheet.",
    "publish": "Write sums of a result that may be published.",
    "report": "Write one page for a council or a funder.",
    "compare": "Say what differs between two results, and why.",
    "rules": "List the rule sets, or one with its sources.",
    "params": "Print the parameters as a commented run file.",
    "info": "Print the versions of everything involved.",
}
"""Commands in the order of the help, with the first sentence of each one's own help."""

EPILOG: Final = (
    "Exit codes: 0 done; 2 wrong option or parameter; 3 unusable input; 4 finished, but some tiles failed; 1 other."
)

INTERRUPTED: Final = "stopped before the end; the output was not written, and an older one is as it was"

NO_MEMORY: Final = (
    "there is too little memory for this; take a part of the town with --bbox, fewer processes with --jobs, or coarser "
    "elevation."
)

logger = logging.getLogger(__name__)


class Commands(click.Group):
    """A group that imports a command only when it is needed."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names of the commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """Import a command."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"screening.cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a misspelt one is answered with the nearest name."""
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else f" There are: {', '.join(COMMANDS)}."
            ctx.fail(f"No such command '{args[0]}'.{hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands from the table above, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; an error of ours becomes its sentence and exit code, a bug keeps its traceback."""
        try:
            try:
                return super().invoke(ctx)
            except (ScreeningError, click.exceptions.Exit, click.ClickException, click.Abort, MemoryError):
                raise
            except Exception as error:
                _raise_if_damaged(ctx, error)
                raise
        except ScreeningError as error:
            if ctx.params.get("show_traceback"):
                traceback.print_exc(file=sys.stderr)
            echo(message(f"screening: {error}"), err=True)
            return ctx.exit(error.exit_code)
        except click.UsageError as error:
            raise click.UsageError(one_line(error.format_message()), error.ctx) from error
        except MemoryError:
            if ctx.params.get("show_traceback"):
                traceback.print_exc(file=sys.stderr)
            echo(f"screening: {NO_MEMORY}", err=True)
            return ctx.exit(1)
        except KeyboardInterrupt:
            echo(f"screening: {INTERRUPTED}", err=True)
            return ctx.exit(1)


def _raise_if_damaged(ctx: click.Context, error: Exception) -> None:
    """Blame the result that a command read, if it is damaged; else the error is a bug."""
    result = (ctx.obj or {}).get("result")
    if result is None:
        return
    from screening.report.damage import find_damage

    damage = find_damage(result)
    if damage:
        raise InputError(damage) from error


def _print_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Print the version and end."""
    if not wanted or ctx.resilient_parsing:
        return
    from screening import __version__

    echo(f"screening {__version__}")
    ctx.exit()


def _configure_messages(verbosity: int) -> None:
    """Send logs and warnings to stderr: warnings by default, less with -q, more with -v."""
    level = max(logging.DEBUG, logging.WARNING - 10 * verbosity)
    package_logger = logging.getLogger("screening")
    package_logger.handlers.clear()
    handler = logging.StreamHandler()
    handler.setFormatter(PlainFormatter("%(levelname)s: %(message)s"))
    package_logger.addHandler(handler)
    package_logger.setLevel(level)
    package_logger.propagate = False

    def show(
        message: Warning | str, category: type[Warning], filename: str, lineno: int, *_: object, **__: object
    ) -> None:
        if issubclass(category, ScreeningWarning):
            logger.warning("%s", message)
        else:
            # A library's own warning helps a developer, not the person at the terminal.
            logger.debug("%s:%d: %s: %s", filename, lineno, category.__name__, message)

    warnings.showwarning = show
    warnings.simplefilter("always", ScreeningWarning)


@click.group(cls=Commands, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("-v", "--verbose", count=True, help="Say more; twice for everything.")
@click.option("-q", "--quiet", count=True, help="Say less: errors only.")
@click.option("--traceback", "show_traceback", is_flag=True, help="Show where in the code an error arose.")
@click.option(
    "--version", is_flag=True, is_eager=True, expose_value=False, callback=_print_version, help="Print the version."
)
@click.pass_context
def main(ctx: click.Context, verbose: int, quiet: int, show_traceback: bool) -> None:  # noqa: ARG001 - read by `Commands.invoke`
    """Screen a city's homes for places where a rain garden could take the roof's water.

    The result is a list of candidates worth a visit, never a permit.
    """
    ctx.obj = {"verbosity": verbose - quiet}
    _configure_messages(verbose - quiet)
