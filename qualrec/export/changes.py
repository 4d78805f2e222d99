"""The sheets of changes with the customer's notices, and of concessions."""

from __future__ import annotations

from qualrec.export.book import Book, Sheet
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE, DATE_TIME

CHANGE_WIDTHS = (16, 18, 18, 16, 50, 16, 40)
CHANGE_HEADS = ("v.at", "v.what", "v.name", "v.revision", "v.change")
NOTICE_HEADS = ("v.notice", "v.kind", "v.begun", "v.done", "v.step", "v.remark")
CONCESSION_WIDTHS = (20, 14, 12, 14, 16, 14, 70)
CONCESSION_HEADS = ("x.reference", "x.lot", "x.quantity", "x.used", "x.until", "l.state", "x.reason")


def write_changes(book: Book, pack: Pack, plan: Plan) -> None:
    """Every change of drawing, characteristics, recipes, limits and plans by time; then notices; then what is temporary."""
    words, proof = book.words, pack.proof
    sheet = book.sheet(plan.titles["changes"], CHANGE_WIDTHS)
    sheet.freeze(0, 2)
    sheet.title_row(words("title.changes"))
    heads = [book.in_zone(k) if k == "v.at" else words(k) for k in CHANGE_HEADS]
    if proof.changes:
        sheet.heads(heads)
        sheet.repeat(2, 2)
        for c in proof.changes:
            sheet.row(
                [book.when(c.at_us), words.word(c.what), c.name, c.revision, c.change],
                [("date", DATE_TIME), "text", "strong", "text", "text"],
            )
        sheet.table("changes", 2, sheet.rows, heads)
    else:
        sheet.note(words("changes.none"), "text")
    _notices(book, pack, sheet)
    _temporary(book, pack, sheet)


def _notices(book: Book, pack: Pack, sheet: Sheet) -> None:
    words, proof = book.words, pack.proof
    sheet.section(words("title.notices"))
    for kind, rule in proof.notice_rules:
        sheet.note(words("notices.rule").format(kind=kind, rule=rule))
    if not proof.notices:
        sheet.note(words("notices.none"), "text")
        return
    spans = [(1, 1), (2, 2), (3, 3), (4, 4), (5, 5), (6, 7)]
    heads = [book.in_zone(k) if k in ("v.begun", "v.done") else words(k) for k in NOTICE_HEADS]
    sheet.merged([(h, *span) for h, span in zip(heads, spans, strict=True)], ["head"] * len(heads))
    before = None
    for n in proof.notices:
        if n.notice != before:
            sheet.merged([(n.notice, 1, 1), (n.kind, 2, 2), (book.when(n.begun_us), 3, 4), (n.what, 5, 7)],
                         [("strong number", "0"), "strong", ("date", DATE), "strong"])  # fmt: skip
            before = n.notice
        done = book.when(n.done_us) if n.done_us is not None else words("no")
        sheet.merged([(done, 4, 4), (n.step, 5, 5), (n.remark, 6, 7)], [("date", DATE), "text", "text"])


def _temporary(book: Book, pack: Pack, sheet: Sheet) -> None:
    words = book.words
    sheet.section(words("title.temporary"))
    if not pack.proof.temporary:
        sheet.note(words("none"), "text")
        return
    keys = ("v.at", "v.until", "l.state", "v.what", "v.checks")
    spans = [(1, 1), (2, 2), (3, 3), (4, 5), (6, 7)]
    heads = [book.in_zone(k) if k in ("v.at", "v.until") else words(k) for k in keys]
    sheet.merged([(h, *span) for h, span in zip(heads, spans, strict=True)], ["head"] * len(heads))
    for t in pack.proof.temporary:
        values = (book.when(t.from_us), book.when(t.until_us), words.word(t.state), t.what, t.checks)
        sheet.merged(
            [(v, *span) for v, span in zip(values, spans, strict=True)],
            [("date", DATE_TIME), ("date", DATE_TIME), "text", "text", "text"],
        )


def write_concessions(book: Book, pack: Pack, plan: Plan) -> None:
    """Leave to use product that does not conform, with what was shipped under it."""
    words = book.words
    sheet = book.sheet(plan.titles["concessions"], CONCESSION_WIDTHS)
    sheet.freeze(1, 2)
    sheet.title_row(words("title.concessions"))
    if not pack.proof.concessions:
        sheet.note(words("concessions.none"), "text")
        return
    heads = [book.in_zone(k) if k == "x.until" else words(k) for k in CONCESSION_HEADS]
    sheet.heads(heads, (2, 3))
    sheet.repeat(2, 2)
    for c in pack.proof.concessions:
        state = words.word("signed") if c.signed else words.word("open")
        sheet.row(
            [
                c.reference,
                c.lot or words("x.any"),
                c.quantity,
                c.used,
                book.when(c.until_us),
                state,
                c.reason,
            ],
            ["strong", "text", ("number", "0"), ("number", "0"), ("date", DATE_TIME), "text", "text"],
        )
    sheet.table("concessions", 2, sheet.rows, heads)
