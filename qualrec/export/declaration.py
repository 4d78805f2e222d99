"""The sheets of the declaration and of signatures, with the place for the signature under the file itself."""

from __future__ import annotations

from qualrec.export.book import Book, Sheet
from qualrec.export.component import component_text
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE_TIME
from qualrec.export.submission_elements import AGREED
from qualrec.export.verify import STAMP_ROWS

SIGNATURE_WIDTHS = (34, 14, 22, 16, 14, 40, 68)
SIGNATURE_HEADS = ("i.what", "i.meaning", "i.function", "i.at", "i.covers", "i.reason", "i.digest")


def write_declaration(book: Book, pack: Pack, plan: Plan) -> None:
    """What the maker declares: data of the part and of the run, results in short."""
    words, found, cover = book.words, pack.declaration, pack.cover
    assert found is not None
    part = cover.part
    sheet = book.sheet(plan.titles["declaration"], (34, 26, 16, 40))
    sheet.one_page()
    sheet.title_row(words("title.declaration"))
    level = words("cover.agreed") if cover.level == AGREED else cover.level
    rows = [
        ("y.number", found.number),
        ("y.customer", found.customer),
        ("cover.part", part.number),
        ("cover.name", part.name),
        ("cover.reference", part.customer_reference),
        ("cover.drawing", part.drawing),
        ("cover.revision", part.revision),
        ("cover.change", cover.part_change),
        ("cover.safety", words.yes_no(part.safety_related)),
        ("cover.process", words.word(part.process)),
        ("cover.upper", component_text(part.upper, words)),
        ("cover.lower", component_text(part.lower, words)),
        ("cover.plant", f"{cover.plant.name} ({cover.plant.code})"),
        ("cover.level", level),
        ("y.asked", ", ".join(str(n) for n in found.asked)),
    ]
    for key, text in rows:
        if text:
            _pair(sheet, words(key), text)
    sheet.merged(
        [(book.in_zone("y.made"), 1, 1), (book.when(cover.made_us), 2, 4)], ["label", ("date", DATE_TIME)]
    )
    sheet.section(words("title.data"))
    for label, text in found.data:
        _pair(sheet, label, text or "-")
    sheet.section(words("title.results"))
    sheet.merged([(words("y.group"), 1, 1), (words("y.answer"), 2, 2), (words("y.why"), 3, 4)], ["head"] * 3)
    for result in found.results:
        spans = [(words(f"y.{result.key}"), 1, 1), (words.word(result.answer), 2, 2), (result.why, 3, 4)]
        sheet.merged(spans, ["text", "strong", "text"])
    sheet.blank()
    sheet.note(words("y.declares"), "text")


def _pair(sheet: Sheet, label: str, text: str) -> None:
    sheet.merged([(label, 1, 1), (text, 2, 4)], ["label", "text"])


def write_signatures(book: Book, pack: Pack, plan: Plan) -> None:
    """Signatures under the records that the file rests on; below them, not sealed, the place of its own."""
    words = book.words
    sheet = book.sheet(plan.titles["signatures"], SIGNATURE_WIDTHS)
    sheet.title_row(words("title.signatures"))
    if pack.proof.signatures:
        heads = [book.in_zone(k) if k == "i.at" else words(k) for k in SIGNATURE_HEADS]
        head = sheet.heads(heads)
        for s in pack.proof.signatures:
            covers = "" if s.covers is None else words.yes_no(s.covers)
            sheet.row(
                [
                    s.what,
                    words.word(s.meaning),
                    words.word(s.function),
                    book.when(s.at_us),
                    covers,
                    s.reason,
                    s.digest,
                ],
                ["strong", "text", "text", ("date", DATE_TIME), "strong", "text", "text"],
            )
        sheet.table("signatures", head, sheet.rows, heads)
    else:
        sheet.note(words("signatures.none"), "text")
    sheet.section(words("title.stamp"))
    sheet.note(words("stamp.note"))
    sheet.sealed_to_here()
    first = sheet.rows + 1
    number = pack.declaration.number if pack.declaration is not None else None
    for key in STAMP_ROWS:
        known = number if key == "submission" else None
        sheet.merged([(words(f"i.{key}"), 1, 1), (known, 2, 7)], ["label", "text"])
    book.define("qualrec_stamp", sheet.title, f"$B${first}:$B${sheet.rows}")
