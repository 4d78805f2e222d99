"""The last two sheets: methods, and the manifest of digests."""

from __future__ import annotations

from collections.abc import Iterable

from qualrec.export.book import Book, Sheet
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.seal import Sealed, content_digest
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


def write_manifest(book: Book, pack: Pack, plan: Plan) -> tuple[Sealed, ...]:
    """Digests of the records and files that the pack rests on, then of every sheet so far and of the content as a whole.

    The upper part of the manifest is sealed with the sheets before it; returns all that is sealed.
    """
    words = book.words
    before = [sheet.sealed() for sheet in book.sheets]
    sheet = book.sheet(plan.titles["manifest"], (20, 44, 68, 60))
    sheet.title_row(words("title.manifest"))
    heads = [words(k) for k in ("d.kind", "d.name", "d.digest", "d.rule")]
    sheet.heads(heads)
    for row in pack.digests:
        sheet.row([row.kind, row.name, row.digest, row.rule])
    sheet.sealed_to_here()
    sealed = (*before, sheet.sealed())
    sheet.section(words("title.sheets"))
    sheet.note(SHEET_RULE)
    sheet.heads([words("d.kind"), words("d.sheet"), words("d.digest"), words("d.rows")])
    first = sheet.rows + 1
    for one in sealed:
        sheet.row(
            [words("d.sheet"), one.title, one.digest, one.rows], ["text", "text", "text", ("number", "0")]
        )
    book.define("qualrec_sheets", sheet.title, f"$B${first}:$D${sheet.rows}")
    sheet.row(
        [words("d.content"), "", content_digest(sealed), words("d.content_rule")],
        ["strong", "text", "strong", "text"],
    )
    book.define("qualrec_content", sheet.title, f"$C${sheet.rows}")
    return sealed


def write_copy(book: Book, plan: Plan, sheets: Iterable[Sheet]) -> None:
    """The hidden sheet with the packed rows of the sealed sheets; see `qualrec.export.seal`."""
    words = book.words
    sheet = book.sheet(plan.titles["copy"], (32, 60))
    sheet.hide()
    sheet.title_row(words("title.copy"))
    sheet.note(words("copy.note"))
    sheet.heads([words("d.sheet"), words("title.copy")])
    first = sheet.rows + 1
    for one in sheets:
        for part in one.seal.copy():
            sheet.row([one.title, part], "code", 14)
    book.define("qualrec_copy", sheet.title, f"$A${first}:$B${sheet.rows}")
