"""The `qualrec` command. Modules of the product are imported inside the command that needs them."""

from __future__ import annotations

import io
import sys
from functools import cache
from typing import Annotated, Any

import typer
from typer.main import get_command

from qualrec.cli.commands import Commands
from qualrec.cli.context import OPTIONS
from qualrec.errors import ExitCode, QualrecError

NotUnderstood: Any = next(c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException")
"""Base of what the command line raises for words that it does not understand."""

app = typer.Typer(
    name="qualrec",
    cls=Commands,
    help="Quality records of laser-transmission-welded plastic parts. Without a command: the screens.",
    invoke_without_command=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback()
def main(
    context: typer.Context,
    db: Annotated[
        str | None, typer.Option("--db", help="SQLite file or postgresql:// URL (QUALREC_DB).")
    ] = None,
    badge: Annotated[str | None, typer.Option(help="Badge of the person who acts (QUALREC_BADGE).")] = None,
    station: Annotated[str | None, typer.Option(help="Code of the station (QUALREC_STATION).")] = None,
    theme: Annotated[str | None, typer.Option(help="dark, light or contrast (QUALREC_THEME).")] = None,
    ascii_only: Annotated[
        bool, typer.Option("--ascii", help="No signs beyond ASCII (QUALREC_ASCII).")
    ] = False,
    version: Annotated[bool, typer.Option("--version", help="Show the version and stop.")] = False,
) -> None:
    OPTIONS.db, OPTIONS.badge, OPTIONS.station, OPTIONS.theme = db, badge, station, theme
    OPTIONS.ascii = True if ascii_only else None
    if version:
        from qualrec import __version__
        from qualrec.cli import output

        output.line(f"qualrec {__version__}")
        raise typer.Exit
    if context.invoked_subcommand is None:
        open_screens()


def open_screens(db: str | None = None) -> None:
    """Open the terminal UI."""
    from qualrec.tui.app import run as run_app

    run_app(OPTIONS.settings(db))


@cache
def command() -> Any:
    """The whole command line, made once."""
    return get_command(app)


def run() -> None:
    """Entry point: exit codes and error texts of the whole program are settled here."""
    from qualrec.cli import diagnostics

    try:
        code = command()(standalone_mode=False)
        sys.exit(code if isinstance(code, int) else int(ExitCode.OK))
    except NotUnderstood as error:
        words = io.StringIO()
        error.show(file=words)
        diagnostics.say(words.getvalue().rstrip())
        sys.exit(error.exit_code)
    except QualrecError as error:
        sys.exit(int(diagnostics.report(error)))
    except KeyboardInterrupt:
        diagnostics.say("qualrec: stopped.")
        sys.exit(int(ExitCode.INTERRUPTED))
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(int(ExitCode.OK))
