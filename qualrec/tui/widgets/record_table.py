"""A table of records that is read page by page. Sorting and searching are the caller's, in its query.

Only one page is held, for a table lays out every row it holds. Going down from the last row reads
the next page, going up from the first row the page before. Reloading keeps the cursor on its record.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.message import Message
from textual.widgets import DataTable, Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.themes import is_ascii
from qualrec.tui.workers import Asking

PAGE_SIZE = 200


@dataclass(frozen=True, slots=True)
class Column:
    """A column; `id` is what the caller sorts by."""

    id: str
    label: str
    width: int | None = None
    right: bool = False
    sortable: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """A text with a tone."""

    text: str
    tone: Tone | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A record: its key, one text or `Cell` per column."""

    key: str
    cells: Sequence[str | Cell]


@dataclass(frozen=True, slots=True)
class PageRequest:
    """Which page: after `start` (what the page before gave as `next`; None: the first), in which order, matching what."""

    start: object | None = None
    size: int = PAGE_SIZE
    sort: str = ""
    descending: bool = False
    search: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """The lines and where the next page starts; None: this is the last one."""

    lines: Sequence[Line]
    next: object | None = None


Fetch = Callable[[PageRequest], Page]


class _Rows(DataTable[Text]):
    """The rows; its ends lead to the neighbouring pages."""

    def _table(self) -> RecordTable:
        assert isinstance(self.parent, RecordTable)
        return self.parent

    def action_cursor_down(self) -> None:
        if self.cursor_row < self.row_count - 1 or not self._table().action_next_page():
            super().action_cursor_down()

    def action_page_down(self) -> None:
        if self.cursor_row < self.row_count - 1 or not self._table().action_next_page():
            super().action_page_down()

    def action_cursor_up(self) -> None:
        if self.cursor_row > 0 or not self._table().action_page_before():
            super().action_cursor_up()

    def action_page_up(self) -> None:
        if self.cursor_row > 0 or not self._table().action_page_before():
            super().action_page_up()


class RecordTable(Asking, Vertical):
    """The table and, below it, which rows it shows. Posts `Moved` (cursor) and `Chosen` (Enter or a double click)."""

    BINDINGS = bindings_of("table")
    DEFAULT_CSS = """
    RecordTable { height: 1fr; }
    RecordTable _Rows { height: 1fr; background: $background; }
    RecordTable > Static { height: 1; color: $tone-quiet; }
    """

    class Moved(Message):
        """The cursor stands on another record."""

        def __init__(self, table: RecordTable, key: str) -> None:
            super().__init__()
            self.table = table
            self.key = key

        @property
        def control(self) -> RecordTable:
            return self.table

    class Chosen(Moved):
        """The record is to be opened."""

    class Shown(Message):
        """A page is on the screen; `count` is its number of lines."""

        def __init__(self, table: RecordTable, count: int) -> None:
            super().__init__()
            self.table = table
            self.count = count

        @property
        def control(self) -> RecordTable:
            return self.table

    def __init__(
        self,
        columns: Sequence[Column],
        fetch: Fetch,
        *,
        id: str | None = None,
        sort: str = "",
        descending: bool = False,
        empty: str = "nothing found",
        page_size: int = PAGE_SIZE,
    ) -> None:
        super().__init__(id=id, classes="family-table")
        self.columns = tuple(columns)
        self.fetch = fetch
        self.empty = empty
        self.request = PageRequest(size=page_size, sort=sort, descending=descending)
        self.page = Page(())
        self._starts: list[object | None] = [None]
        self._trouble: Trouble | None = None

    def compose(self) -> ComposeResult:
        yield _Rows(cursor_type="row", zebra_stripes=False, cell_padding=1)
        yield Static(markup=False)

    def on_mount(self) -> None:
        table = self.rows
        for column in self.columns:
            label = Text(self._words(column.label), justify="right" if column.right else "left")
            table.add_column(label, key=column.id, width=column.width)
        self.app.theme_changed_signal.subscribe(self, lambda _: self._fill(self.page.lines))

    @property
    def rows(self) -> DataTable[Text]:
        return self.query_one(_Rows)

    @property
    def key(self) -> str | None:
        """The key of the record under the cursor."""
        at = self.rows.cursor_row
        return self.page.lines[at].key if 0 <= at < len(self.page.lines) else None

    def reload(self) -> None:
        """Read the page again; the cursor stays on its record, or on its row if the record is gone."""
        self._read(len(self._starts) - 1, None)

    def search(self, text: str) -> None:
        """Show what matches `text`, from the first page."""
        self.request = replace(self.request, search=text)
        self._read(0, 0)

    def sort_by(self, column: str, descending: bool = False) -> None:
        """Show in this order, from the first page."""
        self.request = replace(self.request, sort=column, descending=descending)
        self._read(0, 0)

    def go_to(self, key: str) -> bool:
        """Put the cursor on a record of this page."""
        found = [at for at, line in enumerate(self.page.lines) if line.key == key]
        if found:
            self.rows.move_cursor(row=found[0])
        return bool(found)

    def action_first_page(self) -> None:
        self._read(0, 0)

    def action_next_page(self) -> bool:
        """Whether there is a next page; it is then read."""
        if self.page.next is None or self.waiting():
            return False
        self._read(len(self._starts), 0)
        return True

    def action_page_before(self) -> bool:
        """Whether there is a page before; it is then read, the cursor comes to its last row."""
        if len(self._starts) == 1 or self.waiting():
            return False
        self._read(len(self._starts) - 2, self.request.size - 1)
        return True

    def action_sort(self) -> None:
        """Sort by the next sortable column, upward."""
        names = [column.id for column in self.columns if column.sortable]
        if names:
            at = names.index(self.request.sort) + 1 if self.request.sort in names else 0
            self.sort_by(names[at % len(names)])

    def _read(self, page: int, row: int | None) -> None:
        start = self.page.next if page == len(self._starts) else self._starts[page]
        request = replace(self.request, start=start)
        fetch = self.fetch

        def take(found: Page) -> None:
            self._starts[page:] = [start]
            self._trouble = None
            self._show(found, row)

        self.ask("page", lambda: fetch(request), take)

    def failed(self, name: str, trouble: Trouble) -> None:
        self._trouble = trouble
        self._tell()

    def _show(self, page: Page, row: int | None) -> None:
        key, at = self.key, self.rows.cursor_row
        before, self.page = self.page, page
        if [line.key for line in before.lines] == [line.key for line in page.lines]:
            self._update(before.lines, page.lines)
        else:
            self._fill(page.lines)
        if not page.lines:
            self.rows.move_cursor(row=0)
        elif row is not None:
            self.rows.move_cursor(row=min(row, len(page.lines) - 1))
        elif key is None or not self.go_to(key):
            self.rows.move_cursor(row=min(at, len(page.lines) - 1))
        self._tell()
        self.post_message(self.Shown(self, len(page.lines)))

    def _fill(self, lines: Sequence[Line]) -> None:
        table = self.rows
        at = table.cursor_row
        table.clear()
        for line in lines:
            table.add_row(*self._cells(line), key=line.key)
        if lines:
            table.move_cursor(row=min(at, len(lines) - 1))

    def _update(self, old: Sequence[Line], new: Sequence[Line]) -> None:
        for at, (before, line) in enumerate(zip(old, new, strict=True)):
            for column, (was, cell) in enumerate(zip(before.cells, line.cells, strict=True)):
                if was != cell:
                    self.rows.update_cell_at((at, column), self._cell(cell, column))  # type: ignore[arg-type]

    def _cells(self, line: Line) -> list[Text]:
        return [self._cell(cell, at) for at, cell in enumerate(line.cells)]

    def _cell(self, cell: str | Cell, column: int) -> Text:
        """The cell's text as it is; markup in it has no effect."""
        shown = cell if isinstance(cell, Cell) else Cell(cell)
        style = self.app.theme_variables[f"tone-{shown.tone}"] if shown.tone else ""
        return Text(
            self._words(shown.text), style=style, justify="right" if self.columns[column].right else "left"
        )

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text

    def _tell(self) -> None:
        foot = self.query_one(Static)
        foot.set_class(self._trouble is not None, "tone-bad")
        if self._trouble is not None:
            foot.update(self._words(f"! {self._trouble.message} {self._trouble.remedy}"))
            return
        count = len(self.page.lines)
        first = (len(self._starts) - 1) * self.request.size
        parts = [f"rows {first + 1} to {first + count}" if count else self.empty]
        if self.page.next is not None:
            parts.append("more below")
        if self.request.sort:
            label = next((c.label for c in self.columns if c.id == self.request.sort), self.request.sort)
            parts.append(f"sorted by {label.lower()}{', downward' if self.request.descending else ''}")
        if self.request.search:
            parts.append(f"matching '{self.request.search}'")
        foot.update(self._words("   ".join(parts)))

    def on_data_table_header_selected(self, event: DataTable.HeaderSelected) -> None:
        event.stop()
        column = self.columns[event.column_index]
        if column.sortable:
            self.sort_by(column.id, self.request.sort == column.id and not self.request.descending)

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        event.stop()
        if self.key is not None:
            self.post_message(self.Moved(self, self.key))

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        event.stop()
        if event.row_key.value is not None:
            self.post_message(self.Chosen(self, event.row_key.value))
