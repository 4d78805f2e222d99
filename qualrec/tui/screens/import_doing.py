"""A file taken in from Lots: checked in a thread, shown, then taken in whole or not at all in a thread."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from textual.message import Message

from qualrec.tui.labels import DecimalStyle, Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.import_sheet import Checked, CheckedSheet, FileAsked, ImportSheet, checked_lines
from qualrec.tui.screens.lot_doing import LotDoing
from qualrec.tui.screens.text_sheet import TextSheet

if TYPE_CHECKING:
    from qualrec.work.session import Session

Tell = Callable[[str], None]
REFUSED = "nothing of it was taken"


class ImportProgress(Message):
    """How far a file is; sent by the thread that reads it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


def check(session: Session, asked: FileAsked, style: DecimalStyle, tell: Tell) -> Checked:
    """Check a file; nothing is written."""
    from qualrec.work import intake

    taken = intake.check_file(
        session,
        asked.path,
        profile=asked.profile or None,
        part=asked.part or None,
        open_lots=asked.open_lots,
        gauge=asked.gauges,
        progress=tell,
    )
    return Checked(taken, checked_lines(session, taken, style))


def take(session: Session, asked: FileAsked, tell: Tell) -> tuple[str, tuple[str, ...]]:
    """Take a file in: 'taken in', 'nothing was added' or REFUSED, and the lines that tell more."""
    from qualrec.errors import FileRefused
    from qualrec.work import intake

    try:
        taken = intake.take_file(
            session,
            asked.path,
            profile=asked.profile or None,
            part=asked.part or None,
            open_lots=asked.open_lots,
            gauge=asked.gauges,
            progress=tell,
        )
    except FileRefused as error:
        found = (f"! {replace(problem, file='')}" for problem in error.problems)
        return REFUSED, (f"! {error.message}", *found, "", error.remedy)
    added = taken.batch_id is not None and not taken.already
    return "taken in" if added else "nothing was added", taken.sentences


class LotImport(LotDoing):
    """The action of Lots that takes a file in."""

    def __init__(self) -> None:
        super().__init__()
        self._sheets: list[tuple[TextSheet, Callable[[str | None], None] | None]] = []
        """What is still to be shown."""

    def action_import(self) -> None:
        self._ask_file({})

    def _ask_file(self, filled: dict[str, str]) -> None:
        def use(given: dict[str, str] | None) -> None:
            if given:
                self._check_file(given)

        self.app.push_screen(ImportSheet(self.desk, filled), use)

    def _check_file(self, given: dict[str, str]) -> None:
        asked, style = FileAsked.of(given), self.decimal_style

        def then(checked: Checked) -> None:
            self.say("")
            if checked.taken.already:  # what its program left undone is done now
                self._take_file(asked, given)
            else:
                self._show_sheet(
                    CheckedSheet(checked),
                    lambda answer: self._take_file(asked, given) if answer == "take" else None,
                )

        self.say(f"{asked.path.name} is being checked; the screens stay usable.")
        self.read(
            "import",
            lambda session: check(session, asked, style, self._report),
            then,
            self._file_refused(given),
        )

    def _take_file(self, asked: FileAsked, given: dict[str, str]) -> None:
        def then(found: tuple[str, tuple[str, ...]]) -> None:
            answer, lines = found
            if self.seen is not None and answer != REFUSED:
                self.open_lot(self.seen.page.lot.number, lines[0])
            else:
                self.load()
                self.say(lines[0], Tone.BAD if answer == REFUSED else Tone.GOOD)
            self._show_sheet(TextSheet(f"{asked.path.name}: {answer}", lines))

        self.say(f"{asked.path.name} is being taken in; the screens stay usable.")
        self.write(
            "import", lambda session: take(session, asked, self._report), then, self._file_refused(given)
        )

    def _file_refused(self, given: dict[str, str]) -> Callable[[Trouble], None]:
        """A refusal in words; then the sheet again with what was typed."""

        def told(trouble: Trouble) -> None:
            if trouble.lost or trouble.records:
                self.failed("import", trouble)
                return
            self.say(f"! {trouble.message}", Tone.BAD)
            lines = (f"! {trouble.message}", "", trouble.remedy)
            self._show_sheet(TextSheet("Nothing was taken", lines), lambda _: self._ask_file(given))

        return told

    def _show_sheet(self, sheet: TextSheet, then: Callable[[str | None], None] | None = None) -> None:
        """Show a sheet; where the person looks at something else, say so and show it when Lots is seen again."""
        if self.is_current:
            self.app.push_screen(sheet, then)
            return
        self._sheets.append((sheet, then))
        self.app.notify(f"{sheet.lines[0]} Lots shows it.", title=sheet.heading, timeout=12, markup=False)

    def on_screen_resume(self) -> None:
        if self._sheets and self.is_current:
            self.app.push_screen(*self._sheets.pop(0))

    def _report(self, text: str) -> None:
        self.post_message(ImportProgress(text))

    def on_import_progress(self, message: ImportProgress) -> None:
        message.stop()
        self.say(message.text)
