"""The sheets of lots with their decisions, and of flags with their figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from qualrec.export.book import Book, Sheet
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE_TIME
from qualrec.judge.kinds import LEVELS
from qualrec.values import Flag, Lot, MouldingLot, Segment

LOT_WIDTHS = (13, 20, 16, 16, 11, 14, 15, 12, 14, 14, 26, 12, 16, 24)
LOT_HEADS = (
    "l.lot", "l.state", "l.welded", "l.until", "l.quantity", "l.recipe", "l.approved", "l.station", "l.upper", "l.lower",
    "l.deliveries", "l.flags", "l.open", "l.remark",
)  # fmt: skip
FLAG_WIDTHS = (10, 11, 11, 9, 22, 13, 40, 26, 36, 28, 15, 15)
FLAG_HEADS = (
    "g.level", "p.lot", "p.moulding", "c.code", "g.kind", "g.state", "g.finding", "g.figures", "g.rule",
    "g.action", "g.opened", "g.closed",
)  # fmt: skip


def write_lots(book: Book, pack: Pack, plan: Plan) -> None:
    """One row per segment of a lot."""
    words = book.words
    sheet = book.sheet(plan.titles["lots"], LOT_WIDTHS)
    sheet.freeze(1, 3)
    sheet.title_row(words("title.lots"))
    sheet.note(words("lots.note"))
    heads = [book.in_zone(k) if k in ("l.welded", "l.until") else words(k) for k in LOT_HEADS]
    sheet.heads(heads, (4, 12))
    sheet.repeat(3, 3)
    levels: dict[int, Counter[str]] = {}
    still: Counter[int] = Counter()
    for flag in pack.flags:
        if flag.lot_id is not None:
            levels.setdefault(flag.lot_id, Counter())[flag.level] += 1
            still[flag.lot_id] += flag.state != "closed"
    for lot in pack.lots:
        counts = levels.get(lot.id, Counter())
        for at, segment in enumerate(lot.segments):
            _segment(book, sheet, lot, segment, at, counts, still[lot.id])
    sheet.table("lots", 3, sheet.rows, heads)


def _segment(
    book: Book, sheet: Sheet, lot: Lot, segment: Segment, at: int, levels: Counter[str], still: int
) -> None:
    words, recipe = book.words, segment.recipe
    until = lot.segments[at + 1].from_us if at + 1 < len(lot.segments) else lot.ended_us
    sheet.row(
        [
            lot.number,
            words.word(lot.state),
            book.when(segment.from_us),
            book.when(until),
            lot.quantity if at == 0 else None,
            f"{recipe.code} rev {recipe.revision}" if recipe else words("none"),
            words.yes_no(recipe is not None and recipe.approved_at(segment.from_us)),
            segment.station,
            segment.upper.number if segment.upper else "",
            segment.lower.number if segment.lower else "",
            _deliveries(segment.upper, segment.lower),
            " / ".join(str(levels[level]) for level in LEVELS) if at == 0 else "",
            still if at == 0 else None,
            lot.remark if at == 0 else "",
        ],
        [
            "strong", "text", ("date", DATE_TIME), ("date", DATE_TIME), ("number", "0"), *["text"] * 7, ("number", "0"),
            "text",
        ],
    )  # fmt: skip


def _deliveries(*mouldings: MouldingLot | None) -> str:
    return ", ".join(dict.fromkeys(d for m in mouldings if m is not None for d in m.deliveries))


def write_decisions(book: Book, pack: Pack, plan: Plan) -> None:
    """All decisions about lots and all shipments, in time order."""
    words = book.words
    sheet = book.sheet(plan.titles["decisions"], (14, 28, 18, 12, 90))
    sheet.freeze(1, 2)
    sheet.title_row(words("title.decisions"))
    rows = [
        (d.at_us, lot.number, words.word(d.kind), d.quantity, d.reason)
        for lot in pack.lots
        for d in lot.dispositions
    ]
    rows += [
        (s.at_us, lot.number, words("l.shipped"), s.quantity, s.document)
        for lot in pack.lots
        for s in lot.shipments
    ]
    if not rows:
        sheet.note(words("lots.no_decision"), "text")
        return
    heads = [
        words("l.lot"), words("l.what"), book.in_zone("p.at"), words("l.quantity"), words("l.document"),
    ]  # fmt: skip
    sheet.heads(heads, (3,))
    sheet.repeat(2, 2)
    for at_us, number, what, quantity, why in sorted(rows, key=lambda r: r[:2]):
        sheet.row(
            [number, what, book.when(at_us), quantity, why],
            ["strong", "text", ("date", DATE_TIME), ("number", "0"), "indented"],
        )
    sheet.table("decisions", 2, sheet.rows, heads)


def write_flags(book: Book, pack: Pack, plan: Plan) -> None:
    """One row per finding: level, figures, rule, source, and what was done about it."""
    words = book.words
    sheet = book.sheet(plan.titles["flags"], FLAG_WIDTHS)
    sheet.freeze(2, 3)
    sheet.title_row(words("title.flags"))
    sheet.note(words("flags.note"))
    heads = [book.in_zone(k) if k in ("g.opened", "g.closed") else words(k) for k in FLAG_HEADS]
    sheet.heads(heads)
    sheet.repeat(3, 3)
    for flag in sorted(pack.flags, key=lambda f: (f.opened_us, f.id)):
        for at, finding in enumerate(flag.findings):
            sheet.row(
                [
                    f"{flag.level} {words.word(LEVELS[flag.level])}",
                    flag.lot_number,
                    flag.moulding_lot,
                    flag.code,
                    flag.kind,
                    words.word(flag.state),
                    finding.sentence,
                    figures_text(book, finding.figures),
                    f"{flag.rule} ({flag.source})" if flag.source else flag.rule,
                    actions_text(book, flag) if at == 0 else "",
                    book.when(flag.opened_us),
                    book.when(flag.closed_us),
                ],
                ["strong", *["text"] * 9, ("date", DATE_TIME), ("date", DATE_TIME)],
            )
    if not pack.flags:
        sheet.note(words("flags.none"), "text")
    else:
        sheet.table("flags", 3, sheet.rows, heads)


def figures_text(book: Book, figures: Mapping[str, float | int | str | None]) -> str:
    """Figures of a finding, as 'mean 612.4; limit 580'; moments in the plant's zone."""
    found = []
    for name, value in figures.items():
        if isinstance(value, int) and name.endswith("_us"):
            found.append(f"{name.removesuffix('_us').replace('_', ' ')} {book.moment(value)}")
        elif value is not None:
            figure = book.words.figure(value, ".6g") if isinstance(value, float) else f"{value}"
            found.append(f"{name.replace('_', ' ')} {figure}")
    return "; ".join(found)


def actions_text(book: Book, flag: Flag) -> str:
    """What was done about a flag, oldest first; without names."""
    return "\n".join(f"{book.words.word(action.kind)}: {action.what}" for action in flag.actions)
