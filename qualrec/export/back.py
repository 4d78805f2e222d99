"""The last two sheets: methods, and the manifest of digests."""

from __future__ import annotations

from collections.abc import Sequence

from qualrec.export.book import Book
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.weld.failure_modes import CENSORING_RULE, mode_table

SHEET_RULE = (
    "Rows in order; of each row that holds something: row number, then per cell column number, n/s/f (number, text, formula) "
    "and content, joined by 1F and ended by 1E (hexadecimal); numbers as the shortest text of the same double; SHA-256."
)


def write_methods(book: Book, pack: Pack, plan: Plan) -> None:
    """What was computed and how, and the words of the standards for failure modes."""
    words = book.words
    sheet = book.sheet(plan.titles["methods"], (26, 80, 44))
    sheet.title_row(words("title.methods"))
    sheet.heads([words(k) for k in ("d.subject", "d.text", "d.source")])
    for method in pack.methods:
        sheet.row([method.subject, method.text, method.source], ["strong", "text", "text"])
    if any(one.characteristic.strength for one in pack.characteristics):
        sheet.section(words("title.modes"))
        for info in mode_table().values():
            sheet.row(
                [
                    words.word(info.word),
                    f"ISO 10365: {info.iso_10365}. ASTM D5573: {info.astm_d5573}. {words('d.seen')}: {info.seen}.",
                    f"{words('d.censoring')}: {words.word(info.censoring)}",
                ],
                ["strong", "text", "text"],
            )
        sheet.note(CENSORING_RULE)


def write_manifest(book: Book, pack: Pack, plan: Plan, sheets: Sequence[tuple[str, str]]) -> None:
    """Digests of the records, files and sheets that the pack rests on; `sheets` holds (title, digest)."""
    words = book.words
    sheet = book.sheet(plan.titles["manifest"], (20, 44, 68, 60))
    sheet.title_row(words("title.manifest"))
    heads = [words(k) for k in ("d.kind", "d.name", "d.digest", "d.rule")]
    sheet.heads(heads)
    for row in pack.digests:
        sheet.row([row.kind, row.name, row.digest, row.rule])
    sheet.section(words("title.sheets"))
    sheet.note(SHEET_RULE)
    sheet.heads([words("d.kind"), words("d.sheet"), words("d.digest")])
    for title, digest in sheets:
        sheet.row([words("d.sheet"), title, digest])
