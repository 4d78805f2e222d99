"""The sheet of control limits: every version, and the lots that were left out with the reason."""

from __future__ import annotations

from qualrec.export.book import Book, Span
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE_TIME, decimals
from qualrec.values import Limits

WIDTHS = (12, 10, 12, 8, 11, 10, 10, 15, 11, 22, 15, 15, 12, 22, 30)
HEADS = (
    "c.code", "m.version", "m.state", "m.stream", "m.centre", "m.lower", "m.upper", "m.sigma", "m.spread", "m.estimator",
    "m.from", "m.frozen", "m.lots", "m.range", "m.reason",
)  # fmt: skip


def write_limits(book: Book, pack: Pack, plan: Plan) -> None:
    """All versions in order; limits are in the unit of their characteristic."""
    words = book.words
    sheet = book.sheet(plan.titles["limits"], WIDTHS)
    sheet.freeze(2, 2)
    sheet.title_row(words("title.limits"))
    heads = [book.in_zone(k) if k in ("m.from", "m.frozen") else words(k) for k in HEADS]
    sheet.heads(heads, (1, 4, 5, 6, 7, 8, 12))
    sheet.repeat(2, 2)
    codes = {s.characteristic.id: s.characteristic for s in pack.characteristics}
    left_out = []
    for limits in pack.limits:
        c = codes.get(limits.characteristic_id)
        if c is None:
            continue
        number = ("number", decimals(c.decimals + 2))
        stream = pack.streams.get(limits.stream_id, "") or words("m.pooled")
        sheet.row(
            [
                c.code, limits.version, words.word(limits.state), stream, limits.centre, limits.lower, limits.upper,
                limits.sigma, limits.spread_centre, limits.estimator, book.when(limits.from_us),
                book.when(limits.frozen_us), len(limits.used_lots), _ends(limits, pack), limits.reason,
            ],
            [
                "strong", ("number", "0"), "text", "text", number, number, number, number, number, "text",
                ("date", DATE_TIME), ("date", DATE_TIME), ("number", "0"), "text", "text",
            ],
        )  # fmt: skip
        left_out += [(c.code, limits.version, out.lot_number, out.reason) for out in limits.left_out]
    if sheet.rows > 2:
        sheet.table("limits", 2, sheet.rows, heads)
    else:
        sheet.note(words("limits.none"), "text")
    sheet.section(words("title.left_out"))
    if not left_out:
        sheet.note(words("none"), "text")
        return
    sheet.heads([words("c.code"), words("m.version"), words("p.lot"), words("m.reason")], (1,))
    for code, version, number_of_lot, reason in left_out:
        row: list[Span] = [(code, 1, 1), (version, 2, 2), (number_of_lot, 3, 3), (reason, 4, 15)]
        sheet.merged(row, ["strong", ("number", "0"), "text", "text"])


def _ends(limits: Limits, pack: Pack) -> str:
    """First and last lot that the limits came from."""
    numbers = [pack.lot_numbers.get(lot, "") for lot in limits.used_lots]
    return f"{numbers[0]} … {numbers[-1]}" if len(numbers) > 1 else "".join(numbers)
