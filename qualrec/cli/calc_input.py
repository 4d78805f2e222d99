"""Figures for `qualrec calc`: typed as arguments, or columns of a file read through the intake readers.

Nothing is skipped in silence: a cell that is no number, or an empty one, is refused with its row and column; with
`--missing count` rows with an empty cell are left out and counted.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qualrec.errors import ExitCode, FileRefused, Problem, QualrecError, UsageError

if TYPE_CHECKING:
    from qualrec.intake.numbers import Style
    from qualrec.intake.tables import Cell

FILE_ENDINGS = (".csv", ".txt", ".tsv", ".xlsx", ".dat", ".tab")
EMPTY_WORDS = ("", "na", "n/a", "nan", "-", "–", "null")
"""Texts of a cell that hold no value."""
HEAD_BYTES = 65_536


class FiguresRefused(FileRefused):
    """A file whose cells cannot be computed with, with located problems."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class FileOptions:
    """How the file is read: decimal style, header row, separator, sheet, rows to take, empty cells."""

    decimal: str | None = None
    header_row: int | None = None
    separator: str | None = None
    sheet: str = ""
    only: tuple[str, ...] = ()
    missing: str = "refuse"


@dataclass(slots=True)
class Source:
    """Where the figures come from; `notes` collects what the reader must know about reading them."""

    typed: list[str]
    columns: list[str]
    options: FileOptions = field(default_factory=FileOptions)
    notes: list[str] = field(default_factory=list)

    @property
    def path(self) -> Path | None:
        """The file, where one was named."""
        if len(self.typed) == 1 and (
            self.typed[0].casefold().endswith(FILE_ENDINGS) or Path(self.typed[0]).is_file()
        ):
            return Path(self.typed[0])
        return None

    @property
    def given(self) -> bool:
        return bool(self.typed)

    def need(self, what: str = "values") -> None:
        """Raise UsageError where neither figures nor a file were given."""
        if not self.typed:
            raise UsageError(
                f"No {what} given.", "Type them after the command, or name a file and a --column."
            )

    def one(self, what: str = "values", *, gaps: bool = False) -> list[float]:
        """The values of the one column, or the figures typed."""
        self.need(what)
        if self.path is None:
            return [float(v) for v in self.numbers_typed(what)]
        if len(self.columns) > 1:
            raise UsageError(
                f"{len(self.columns)} columns named, one holds the {what}.", "Name one --column."
            )
        found, _ = self.table(numbers=self.columns or [""], gaps=gaps)
        return next(iter(found.values()))

    def numbers_typed(self, what: str = "values") -> list[float]:
        """The typed figures; decimal point or comma, the same in all of them."""
        for text in self.typed:
            if text.startswith("--") or (text.startswith("-") and text[1:2].isalpha()):
                raise UsageError(f"There is no option {text}.", "See --help.")
            if any(text.casefold().endswith(end) for end in FILE_ENDINGS):
                raise UsageError(f"{text} stands among other {what}.", "Name one file and nothing else.")
        if self.columns:
            raise UsageError("--column is for a file.", "Name a file, or leave --column out.")
        return numbers(self.typed, self.options.decimal)

    def table(
        self, numbers: Sequence[str] = (), texts: Sequence[str] = (), *, gaps: bool = False
    ) -> tuple[dict[str, list[float]], dict[str, list[str]]]:
        """Columns of the file as numbers and as texts, row by row; an empty name means the only numeric column.

        With `gaps` an empty number stays as nan where `--missing count` is given; else its row is left out.
        """
        path = self.path
        if path is None:
            raise UsageError("Columns need a file.", "Name a file after the command.")
        try:
            sheet = _read(path, [c for c in (*numbers, *texts) if c], self.options)
        except FileRefused as error:
            raise FiguresRefused(error.message, error.problems, error.remedy) from error
        self.notes += sheet.notes
        wanted = [sheet.find(c) if c else sheet.only_numeric(self.options) for c in numbers]
        named = [sheet.find(c) for c in texts]
        return self._taken(sheet, wanted, named, gaps)

    def _taken(
        self, sheet: _Sheet, wanted: list[str], named: list[str], gaps: bool
    ) -> tuple[dict[str, list[float]], dict[str, list[str]]]:
        keep = sheet.chosen(self.options.only)
        style = sheet.style_of(wanted, self.options.decimal)
        empty: list[int] = []
        problems: list[Problem] = []
        rows: list[tuple[list[float], list[str]]] = []
        for number, cells in keep:
            values, blank = _row_values(sheet, number, cells, wanted, style, problems)
            words = [cells[sheet.place(c)] for c in named]
            blanks = [c for c, w in zip(named, words, strict=True) if not _text(w)]
            if blank or blanks:
                empty.append(number)
                problems += [
                    Problem("The cell is empty.", sheet.name, number, c)
                    for c in (*blank, *blanks)
                    if self.options.missing == "refuse"
                ]
                if not gaps or blanks:
                    continue
            rows.append((values, [_text(w) for w in words]))
        if problems:
            raise FiguresRefused(
                f"{sheet.name}: {len(problems)} cells cannot be computed with.",
                tuple(problems),
                "Correct the cells; --missing count leaves rows with empty cells out and counts them.",
            )
        if empty:
            shown = ", ".join(map(str, empty[:8])) + (" …" if len(empty) > 8 else "")
            self.notes.append(f"{len(empty)} of {len(keep)} rows have an empty cell (row {shown}).")
        if not rows:
            raise UsageError(f"{sheet.name} has no row to compute with.", "Check --only and the file.")
        figures = {c: [r[0][i] for r in rows] for i, c in enumerate(wanted)}
        return figures, {c: [r[1][i] for r in rows] for i, c in enumerate(named)}


@dataclass(slots=True)
class _Sheet:
    name: str
    header: list[str]
    rows: list[tuple[int, list[Cell]]]
    separator: str
    notes: list[str]

    def place(self, column: str) -> int:
        return self.header.index(column)

    def find(self, column: str) -> str:
        """The column of that name, in any case, or by its number from 1."""
        from qualrec.intake.tables import plain_name

        for name in self.header:
            if plain_name(name) == plain_name(column):
                return name
        if column.isdigit() and 1 <= int(column) <= len(self.header):
            return self.header[int(column) - 1]
        raise UsageError(
            f"{self.name} has no column {column!r}.", f"Its columns: {', '.join(self.header[:20])}."
        )

    def only_numeric(self, options: FileOptions) -> str:
        filled = [h for h in self.header if h and any(_text(r[self.place(h)]) for _, r in self.rows[:50])]
        numeric = [h for h in filled if all(_is_number(r[self.place(h)]) for _, r in self.rows[:50])]
        if len(numeric) == 1 or (not numeric and len(filled) == 1):
            return (numeric or filled)[0]
        raise UsageError(
            f"{self.name} has {len(numeric)} columns of numbers.",
            f"Name one by --column: {', '.join(filled[:20])}.",
        )

    def chosen(self, only: Sequence[str]) -> list[tuple[int, list[Cell]]]:
        """Rows that fit every COLUMN=VALUE; numbers are compared as numbers."""
        rows = self.rows
        for rule in only:
            column, sign, value = rule.partition("=")
            if not sign:
                raise UsageError(f"--only {rule!r} is not COLUMN=VALUE.", "As in --only probe=2362.")
            place = self.place(self.find(column.strip()))
            rows = [r for r in rows if _same(_text(r[1][place]), value.strip())]
        return rows

    def style_of(self, columns: Sequence[str], decimal: str | None) -> Style | None:
        if decimal is not None:
            return style_named(decimal)
        cells = [r[self.place(c)] for _, r in self.rows for c in columns]
        found = style_in([c for c in cells if isinstance(c, str)])
        return found or ("point" if self.separator == "," else None)


def style_named(decimal: str) -> Style:
    if decimal == "point":
        return "point"
    if decimal == "comma":
        return "comma"
    raise UsageError(f"{decimal!r} is not a decimal sign.", "Use --decimal point or --decimal comma.")


def style_in(texts: Sequence[str]) -> Style | None:
    """The style that some text proves, as 5,3 or 12.34 do; None where none proves one, or both are proved."""
    from qualrec.intake.numbers import parse_number

    proved: set[Style] = set()
    for text in texts:
        if ("," in text) == ("." in text):
            continue
        style: Style = "comma" if "," in text else "point"
        other: Style = "point" if style == "comma" else "comma"
        try:
            parse_number(text, other, strict=True)
        except UsageError:
            proved.add(style)
        if len(proved) > 1:
            return None
    return proved.pop() if proved else None


def numbers(texts: Sequence[str], decimal: str | None = None) -> list[float]:
    """Typed figures. Without `decimal` a point is the decimal sign unless some figure has a comma."""
    from qualrec.intake.numbers import parse_number

    style: Style | None
    if decimal is not None:
        style = style_named(decimal)
    elif any("," in t for t in texts):
        style = style_in(texts)
    else:
        style = "point"
    return [parse_number(text, style).value for text in texts]


def number(text: str) -> float:
    """One figure of an option, with decimal point or comma."""
    return numbers([text])[0]


def figures_in(text: str) -> list[float]:
    """Figures of one option, separated by blanks or semicolons; commas separate them where each has a point or none."""
    parts = text.replace(";", " ").split()
    if len(parts) == 1 and text.count(",") > 1:
        parts = text.split(",")
    return numbers(parts)


def split_columns(names: Sequence[str]) -> list[str]:
    """Column names, also several in one option, separated by commas; 'x1..x5' counts up."""
    found: list[str] = []
    for name in names:
        for part in name.split(","):
            first, dots, last = part.strip().partition("..")
            stem = first.rstrip("0123456789")
            if dots and last.startswith(stem) and first[len(stem) :] and last[len(stem) :].isdigit():
                found += [f"{stem}{i}" for i in range(int(first[len(stem) :]), int(last[len(stem) :]) + 1)]
            elif part.strip():
                found.append(part.strip())
    return found


def _text(cell: Cell) -> str:
    text = (cell if isinstance(cell, str) else cell.text).strip()
    return "" if text.casefold() in EMPTY_WORDS else text


def _is_number(cell: Cell) -> bool:
    from qualrec.intake.numbers import parse_number

    text = _text(cell)
    if not text:
        return True
    try:
        parse_number(text, "point")
    except UsageError:
        return False
    return True


def _same(cell: str, value: str) -> bool:
    if cell == value:
        return True
    try:
        return numbers([cell]) == numbers([value])
    except QualrecError:
        return False


def _row_values(
    sheet: _Sheet,
    number: int,
    cells: list[Cell],
    wanted: list[str],
    style: Style | None,
    problems: list[Problem],
) -> tuple[list[float], list[str]]:
    """Values of one row (nan where empty) and the columns that are empty; problems are added to the list."""
    from qualrec.intake.numbers import parse_number

    values, blank = [], []
    for column in wanted:
        cell = cells[sheet.place(column)]
        text = _text(cell)
        value = math.nan
        if not text:
            blank.append(column)
        else:
            marked = not isinstance(cell, str) and cell.kind in ("number", "percent")
            try:
                value = parse_number(text, "point" if marked else style, strict=True).value
            except QualrecError as error:
                more = " Give --decimal point or comma." if "can be read as" in error.message else ""
                problems.append(Problem(error.message + more, sheet.name, number, column))
        values.append(value)
    return values, blank


def _read(path: Path, wanted: Sequence[str], options: FileOptions) -> _Sheet:
    from qualrec.intake.readers import open_table
    from qualrec.intake.tables import Layout

    if path.suffix.casefold() == ".xlsx":
        row = 1 if options.header_row is None else options.header_row
        layout = Layout((), "workbook", header_row=row, sheet=options.sheet)
        separator, notes = "", list[str]()
    else:
        separator, row, notes = _head_of(path, wanted, options)
        kinds = {";": "semicolon", ",": "comma", "\t": "tab", "|": "bar"}
        layout = Layout((), "delimited", kinds[separator], header_row=row)
    with open_table(path, layout) as table:
        rows: list[tuple[int, list[Cell]]] = []
        problems: list[Problem] = []
        for item in table.rows:
            if isinstance(item, Problem):
                problems.append(item)
            else:
                rows.append((item.number, list(item.cells)))
        header = list(table.header)
    if problems:
        raise FileRefused(
            f"{path.name}: {len(problems)} rows cannot be read.", tuple(problems), "Correct the rows."
        )
    width = max((len(c) for _, c in rows), default=0)
    header += [""] * (width - len(header))
    return _Sheet(path.name, header, rows, separator, notes)


def _head_of(path: Path, wanted: Sequence[str], options: FileOptions) -> tuple[str, int, list[str]]:
    """Separator and header row (0 = none) of a text file, from its beginning."""
    from qualrec.intake.tables import plain_name

    lines = _first_lines(path)
    if options.separator is not None:
        separator = {"tab": "\t", "semicolon": ";", "comma": ",", "bar": "|"}.get(
            options.separator, options.separator
        )
        if separator not in ";,\t|":
            raise UsageError(
                f"{options.separator!r} is not a separator.", "Use comma, semicolon, tab or bar."
            )
    else:
        first = next((line for line in lines if line.strip()), "")
        separator = next((s for s in (";", "\t", "|", ",") if s in first), ";")
    if options.header_row is not None:
        return separator, options.header_row, []
    names = {plain_name(w) for w in wanted}
    for place, cells in enumerate(csv.reader(lines, delimiter=separator), 1):
        here = {plain_name(c) for c in cells}
        if names and names <= here and place <= 60:
            return separator, place, []
    first_cells = next(csv.reader(lines[:1], delimiter=separator), [])
    if first_cells and all(_is_number(c) and _text(c) for c in first_cells):
        return separator, 0, ["The file has no header; its columns are called A, B, C …"]
    return separator, 1, []


def _first_lines(path: Path) -> list[str]:
    if not path.is_file():
        raise UsageError(f"{path} is not a file.", "Check the path, or type the figures.")
    with path.open("rb") as handle:
        start = handle.read(HEAD_BYTES)
    coding = "utf-16" if start[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    return start.decode(coding, errors="replace").splitlines()


def groups_of(values: Sequence[float], labels: Sequence[Any]) -> dict[str, list[float]]:
    """Values by label, labels in order of first appearance."""
    found: dict[str, list[float]] = {}
    for value, label in zip(values, labels, strict=True):
        found.setdefault(str(label), []).append(value)
    return found
