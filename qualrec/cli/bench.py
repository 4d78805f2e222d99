"""Commands around the bench: the hand-over of a shift, the settings of the machine."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import OPTIONS, session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]


def add_to(app: typer.Typer) -> None:
    app.command("hand-over")(hand_over)
    app.command("settings")(show_settings)


def hand_over(
    note: Annotated[str | None, typer.Option(help="Leave a note to the next shift.")] = None,
    take: Annotated[bool, typer.Option("--take-over", help="Record that you take over.")] = False,
    as_json: Json = False,
) -> None:
    """Page of this shift for the next one: what was done, what is open, owed, flagged, kept; ready to be printed."""
    from qualrec.work import hand_over as work
    from qualrec.work.queue import EntryQueue, queue_folder

    with session() as s:
        if note is not None:
            diagnostics.say(work.leave_note(s, note))
        if take:
            diagnostics.say(work.take_over(s))
        kept = EntryQueue(queue_folder(s.settings.state_dir, s.settings.database_url), "read")
        page = work.page(s, waiting=kept.waiting(), refused=kept.refused())
        if as_json:
            output.json_out(page)
        else:
            _lines(work.text(s, page))


def _lines(text: str) -> None:
    for line in text.split("\n"):
        output.line(line)


def show_settings(
    write: Annotated[bool, typer.Option("--write", help="Write the file where there is none yet.")] = False,
) -> None:
    """Settings of this machine: where the file is, and every setting and key that may stand in it, explained."""
    from qualrec import config
    from qualrec.tui import settings_text

    path = config.settings_file()
    if write:
        output.line(settings_text.write(path))
        return
    found = OPTIONS.settings()
    diagnostics.say(f"Settings file: {path}{'' if path.is_file() else ' (not there)'}")
    diagnostics.say(f"Kept entries and what must outlive the program: {found.state_dir}")
    _lines(settings_text.documented().rstrip("\n"))
