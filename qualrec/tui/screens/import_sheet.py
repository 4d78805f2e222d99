"""The sheets of an import: which file and how it is read, and what was understood of it before it is taken in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.binding import BindingType
from textual.containers import Vertical

from qualrec.tui.desk import Desk
from qualrec.tui.labels import DecimalStyle, Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Choice, Field, Option
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.rows import Row
from qualrec.tui.workers import Asking

if TYPE_CHECKING:
    from qualrec.work.intake_result import PreviewRow, Taken
    from qualrec.work.session import Session

OPEN_LOTS = (
    Option("n", "no", "no", "A lot that is not on record refuses the file."),
    Option("y", "yes", "yes", "Lots of the part that are not on record are opened."),
)
HEADS = ("row", "lot", "code", "stream", "sample", "moment", "value")


@dataclass(frozen=True, slots=True)
class FileAsked:
    """A file to be taken in, and what was said about it. Empty texts leave it open."""

    path: Path
    profile: str = ""
    part: str = ""
    open_lots: bool = False
    gauges: tuple[str, ...] = ()

    @classmethod
    def of(cls, given: Mapping[str, str]) -> FileAsked:
        """From the answers of the sheet; quotes that a terminal puts around a dragged file are taken off."""
        gauges = tuple(code.strip() for code in given["gauge"].split(",") if code.strip())
        return cls(
            path_of(given["path"]), given["profile"], given["part"], given["open_lots"] == "yes", gauges
        )


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of a file gave, with its lines for the sheet."""

    taken: Taken
    lines: tuple[str, ...]

    @property
    def may_take(self) -> bool:
        return not self.taken.problems and self.taken.readings > 0


def path_of(text: str) -> Path:
    return Path(text.strip().strip("'\"")).expanduser()


def fitting(session: Session, path: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names of the profiles that fit the heads of a file, and of all."""
    from qualrec.work.profiles import fitting_names

    return fitting_names(session, path)


class ImportSheet(AskSheet, Asking):
    """Asks for file, profile, part, lots to be opened and gauge. The profile that fits the file's heads is proposed."""

    def __init__(self, desk: Desk, filled: dict[str, str] | None = None) -> None:
        rows = (
            Field("File", id="path", placeholder="path of the file"),
            Field("Profile", id="profile", required=False, placeholder="empty: the one that fits"),
            Field("Part", id="part", required=False, placeholder="where a lot does not say it"),
            Choice("Open lots", OPEN_LOTS, id="open_lots"),
            Field("Gauge", id="gauge", required=False, placeholder="where the records leave it open"),
        )
        lead = "The file is checked first; nothing is written before you have seen what was understood."
        super().__init__("Take a file in", rows, lead=lead, filled={"open_lots": "no", **(filled or {})})
        self.desk = desk
        self.proposed = ""
        """The profile that the sheet wrote into its row."""

    def on_mount(self) -> None:
        self.query_one("#sheet", Vertical).mount(MessageLine(id="proposal"))

    def on_row_accepted(self, message: Row.Accepted) -> None:
        """Once the file is named: which profile fits it."""
        if message.row.id != "path":
            return
        path = path_of(message.text)
        self._tell(f"Looking which profile fits {path.name} ...", Tone.QUIET)
        self.ask("profile", self.desk.using(lambda session: fitting(session, path)), self._propose, self._not)

    def _propose(self, found: tuple[tuple[str, ...], tuple[str, ...]]) -> None:
        fits, known = found
        row = self.query_one("#profile", Field)
        if row.text in ("", self.proposed):
            self.proposed = fits[0] if len(fits) == 1 else ""
            row.text = self.proposed
        if len(fits) == 1:
            self._tell(f"Profile '{fits[0]}' fits the heads of the file.", Tone.GOOD)
        elif fits:
            self._tell(f"Several profiles fit: {', '.join(fits)}. Name one.", Tone.LOOK)
        else:
            self._tell(f"No profile fits its heads. Known: {', '.join(known)}.", Tone.LOOK)

    def _not(self, trouble: Trouble) -> None:
        self._tell(f"! {trouble.message} {trouble.remedy}", Tone.BAD)

    def _tell(self, text: str, tone: Tone) -> None:
        self.query_one("#proposal", MessageLine).say(text, tone)


class CheckedSheet(TextSheet):
    """What was understood of a file, and all that is wrong with it. Enter has it taken in, where nothing is."""

    BINDINGS: ClassVar[list[BindingType]] = [("enter", "take", "Take it in")]

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        says = "Enter takes it in" if checked.may_take else "nothing is taken"
        super().__init__(f"{checked.taken.file}: {says}", checked.lines)

    def action_take(self) -> None:
        if self.checked.may_take:
            self.dismiss("take")


def checked_lines(session: Session, taken: Taken, style: DecimalStyle) -> tuple[str, ...]:
    """The answer, every problem with its row and column, and the first rows as they were understood."""
    told = taken.sentences[: len(taken.sentences) - len(taken.preview)]
    lines = [*told, ""]
    if taken.problems:
        lines += [f"! {replace(problem, file='')}" for problem in taken.problems]
        if taken.problem_count > len(taken.problems):
            lines.append(f"The first {len(taken.problems)} of {taken.problem_count} problems are listed.")
        lines += ["", "Correct them at their source, export the file again and take it in again.", ""]
    if taken.preview:
        lines += ["The first rows as they were understood:", *preview_lines(session, taken.preview, style)]
    return tuple(lines)


def preview_lines(session: Session, rows: Sequence[PreviewRow], style: DecimalStyle) -> list[str]:
    """The rows as a table: lot, characteristic, stream, sample or serial, moment, value with its unit."""
    cells = [HEADS]
    for row in rows:
        sample = row.serial or ("" if row.sample is None else str(row.sample))
        moment = session.moment(row.at_us)
        cells.append(
            (str(row.row), row.lot, row.characteristic, row.stream, sample, moment, _value(row, style))
        )
    widths = [max(len(line[at]) for line in cells) for at in range(len(HEADS))]
    return [
        " ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    ]


def _value(row: PreviewRow, style: DecimalStyle) -> str:
    mode = f", {row.mode}" if row.mode else ""
    if row.value is None:
        return f"no value{mode}"
    read = f"{row.value:.10g} {row.unit}"
    figure = row.stored or read
    if row.stored and not row.stored.endswith(f" {row.unit}"):
        figure = f"{read} = {row.stored}"
    return f"{figure.replace('.', ',') if style == 'comma' else figure}{mode}"
