"""The sheet of raw data: every reading as entered and as it counts, voids and test faults with them."""

from __future__ import annotations

from collections.abc import Sequence

from qualrec.export.book import Book, Look, Value
from qualrec.export.pack import CharacteristicSheet, Pack
from qualrec.export.plan import RAW_HEAD_ROWS, Plan
from qualrec.export.styles import DATE_TIME, decimals
from qualrec.values import PullResult, ReadingRow

WIDTHS = (9, 13, 16, 11, 7, 13, 11, 11, 11, 7, 16, 20, 11, 28, 11, 22)
HEADS = (
    "c.code", "p.lot", "p.at", "r.stream", "r.sample", "r.serial", "r.original", "r.value", "r.index", "c.unit",
    "r.mode", "r.shares", "r.status", "r.reason", "r.origin", "r.file",
)  # fmt: skip
NUMBERS = (4, 6, 7, 8)


def write_raw(book: Book, pack: Pack, plan: Plan) -> None:
    """One row per reading, characteristic by characteristic, in the order of the lots."""
    words = book.words
    sheet = book.sheet(plan.titles["raw"], WIDTHS)
    sheet.grid()
    sheet.freeze(2, RAW_HEAD_ROWS)
    sheet.title_row(words("title.raw"))
    sheet.note(words("raw.note"))
    heads = [book.in_zone(key) if key == "p.at" else words(key) for key in HEADS]
    sheet.heads(heads, NUMBERS)
    sheet.repeat(RAW_HEAD_ROWS, RAW_HEAD_ROWS)
    for one in pack.characteristics:
        number = ("number", decimals(one.characteristic.decimals))
        looks: Sequence[Look] = (
            "text", "text", ("date", DATE_TIME), "text", ("number", "0"), "text", number, number, number, "indented",
            "text", "text", "text", "text", "text", "text",
        )  # fmt: skip
        for reading, used in zip(one.readings, one.used, strict=True):
            sheet.row(_values(book, pack, one, reading, used), looks)
    sheet.table("raw", RAW_HEAD_ROWS, sheet.rows, heads)


def _values(
    book: Book, pack: Pack, one: CharacteristicSheet, reading: ReadingRow, used: bool
) -> tuple[Value, ...]:
    words = book.words
    return (
        one.characteristic.code,
        reading.lot_number,
        book.when(reading.at_us),
        reading.stream or pack.streams.get(reading.key.stream_id, ""),
        reading.key.sample,
        reading.serial,
        reading.original,
        reading.value,
        reading.value if used else None,
        reading.unit,
        words.word(reading.pull.mode) if reading.pull else "",
        shares(reading.pull),
        status(book, reading),
        reading.correction_reason or (reading.pull.reason if reading.pull else ""),
        words.word(reading.source),
        reading.file_name,
    )


def shares(pull: PullResult | None) -> str:
    """The four shares of a mixed failure, as '0 / 60 / 10 / 30'; empty without shares."""
    if pull is None:
        return ""
    found = (pull.interfacial_pct, pull.cohesive_pct, pull.tear_pct, pull.parent_pct)
    return "" if all(s is None for s in found) else " / ".join("?" if s is None else f"{s:g}" for s in found)


def status(book: Book, reading: ReadingRow) -> str:
    """Whether a reading counts, and what became of it."""
    words = book.words
    if reading.void:
        found = words("r.void")
    elif reading.value is None:
        found = words("r.fault")
    else:
        found = words("r.corrected") if reading.corrected else words("r.valid")
    return f"{found}, {words('r.late')}" if reading.late else found
