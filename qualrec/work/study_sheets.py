"""Reading a run sheet that was filled in: every row against the plan, every problem with its row and column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from qualrec.errors import FileRefused, Problem, QualrecError, UsageError
from qualrec.intake.numbers import Style, parse_number, understand
from qualrec.intake.readers import open_table
from qualrec.intake.tables import Cell, FileFormat, Layout, Table, Typed, cell_text
from qualrec.judge.study_plan import StudyPlan

if TYPE_CHECKING:
    from qualrec.work.gauge_studies import StudyPage

NO_VALUE = ("formula", "error", "percent", "time", "date", "clock", "logic", "nested")
"""Kinds of cells of a workbook that hold no measured value."""
STYLES: tuple[Style, ...] = ("point", "comma")


@dataclass(frozen=True, slots=True)
class Row:
    """What a row enters: the run and its value or class."""

    position: int
    value: float | None
    called: str


@dataclass(slots=True)
class Taken:
    """What a sheet holds: rows to enter, rows that are entered already, empty rows."""

    rows: list[Row] = field(default_factory=list)
    known: int = 0
    empty: int = 0
    notes: list[str] = field(default_factory=list)


def read_sheet(path: Path, plan: StudyPlan, page: StudyPage, *, decimal: str | None = None) -> Taken:
    """The rows of a filled-in sheet. Raises FileRefused with all problems; UsageError for a file that cannot be opened."""
    filled = "class" if plan.calls_classes else "value"
    workbook = path.suffix.casefold() == ".xlsx"
    file_format: FileFormat = "workbook" if workbook else "delimited"
    layout = Layout(wanted=("study", "run", filled), file_format=file_format)
    problems: list[Problem] = []
    with open_table(path, layout) as table:
        rows: list[tuple[int, Sequence[Cell]]] = []
        for row in table.rows:
            if isinstance(row, Problem):
                problems.append(row)
            elif not row.after_end:
                rows.append((row.number, row.cells))
        reading = _Reading(table, plan, page, filled, problems)
        style = _style(decimal) or reading.style(rows)
        taken = reading.all(rows, style)
    if problems:
        shown = sorted(problems, key=lambda p: p.row or 0)
        raise FileRefused(
            f"{path.name} was not taken: {len(shown)} {'problem' if len(shown) == 1 else 'problems'}.",
            tuple(shown),
            "Correct the rows and give the sheet again; nothing of it was entered.",
        )
    return taken


def _style(decimal: str | None) -> Style | None:
    if decimal is None:
        return None
    if decimal == "point":
        return "point"
    if decimal == "comma":
        return "comma"
    raise UsageError(f"{decimal!r} is not a decimal sign.", "Use point or comma.")


class _Reading:
    def __init__(
        self, table: Table, plan: StudyPlan, page: StudyPage, filled: str, problems: list[Problem]
    ) -> None:
        self.table = table
        self.plan = plan
        self.number = page.line.study.number
        self.runs = {r.position: r for r in page.runs}
        self.filled = filled
        self.problems = problems
        self.seen: dict[int, int] = {}

    def style(self, rows: Sequence[tuple[int, Sequence[Cell]]]) -> Style | None:
        """The one decimal sign with which all texts of the sheet are numbers; None where both serve or none does."""
        if self.plan.calls_classes:
            return None
        place = self.table.column(self.filled)
        texts = [c.strip() for _, cells in rows if isinstance(c := cells[place], str) and c.strip()]
        fits = [style for style in STYLES if all(_reads(text, style) for text in texts)]
        return fits[0] if len(fits) == 1 else None

    def all(self, rows: Sequence[tuple[int, Sequence[Cell]]], style: Style | None) -> Taken:
        taken = Taken()
        for number, cells in rows:
            run = self._run(number, cells)
            if run is None:
                continue
            cell = cells[self.table.column(self.filled)]
            if not cell_text(cell):
                taken.empty += 1
                continue
            row = self._entry(number, run, cell, style)
            if row is None:
                continue
            there = self.runs[run]
            if not there.entered:
                taken.rows.append(row)
            elif (there.value, there.mode) == (row.value, row.called):
                taken.known += 1
            else:
                held = there.mode or f"{there.value:g}"
                self._wrong(
                    number,
                    self.filled,
                    f"Run {run} holds {held} already; change it by hand with a reason.",
                )
        return taken

    def _wrong(self, number: int, column: str, message: str) -> None:
        self.problems.append(Problem(message, self.table.name, number, column))

    def _run(self, number: int, cells: Sequence[Cell]) -> int | None:
        """The run of a row, once study, run and factors are those of the plan."""
        before = len(self.problems)
        study = cell_text(cells[self.table.column("study")])
        if study != self.number:
            self._wrong(number, "study", f"{study!r} is not study {self.number}.")
        text = cell_text(cells[self.table.column("run")])
        run = int(text) if text.isascii() and text.isdigit() else 0
        if run not in self.runs:
            self._wrong(number, "run", f"There is no run {text!r}; the study has runs 1 to {len(self.runs)}.")
            return None
        first = self.seen.setdefault(run, number)
        if first != number:
            self._wrong(number, "run", f"Run {run} stands in row {first} too.")
        for name in self.plan.factors:
            place = self.table.column(name)
            if place < 0:
                continue
            found, wanted = cell_text(cells[place]), self.runs[run].factors[name]
            if found != wanted:
                self._wrong(number, name, f"{found!r} stands here; run {run} is planned with {wanted!r}.")
        return run if len(self.problems) == before else None

    def _entry(self, number: int, run: int, cell: Cell, style: Style | None) -> Row | None:
        from qualrec.work.gauge_studies import class_named

        text = cell_text(cell)
        kind = cell.kind if isinstance(cell, Typed) else ""
        try:
            if self.plan.calls_classes:
                return Row(run, None, class_named(self.plan, text))
            if kind in NO_VALUE:
                raise UsageError(f"A {kind} is no measured value.", "Type the value itself.")
            read: Style | None = "point" if kind == "number" else style
            return Row(run, understand(text, self.plan.unit, read).value, "")
        except QualrecError as error:
            self._wrong(number, self.filled, f"{error.message} {error.remedy}".strip())
            return None


def _reads(text: str, style: Style) -> bool:
    figure = text.split()[0] if text.split() else text
    try:
        parse_number(figure, style, strict=True)
    except UsageError:
        return False
    return True
