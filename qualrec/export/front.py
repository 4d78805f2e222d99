"""The first two sheets: cover, and the 18 elements with their state."""

from __future__ import annotations

from qualrec.export.book import Book, Sheet
from qualrec.export.component import component_text
from qualrec.export.pack import CharacteristicSheet, Element, Pack
from qualrec.export.plan import LOT_SHEETS, Plan
from qualrec.export.styles import DATE_TIME
from qualrec.export.submission_elements import AGREED, ELEMENTS

ASKED = {"S": "submit", "R": "keep", "*": "submit on request", "": "by agreement", "-": "not asked"}
STATES = ("supplied", "referenced", "kept", "missing")


def write_cover(book: Book, pack: Pack, plan: Plan) -> None:
    """Who, what, from which records, in which state, and what to beware of."""
    words, cover = book.words, pack.cover
    sheet = book.sheet(plan.titles["cover"], (26, 40, 10, 10, 12, 30))
    sheet.one_page()
    sheet.title_row(words("title.cover"))
    sheet.row([f"{cover.part.number}  {cover.part.name}", *[None] * 5], "section", 20)
    if cover.plant.invented:
        sheet.blank()
        sheet.row([words("cover.invented"), *[None] * 5], "mark", 24)
        sheet.note(words("cover.invented_text"))
    if cover.plant.single_user:
        sheet.note(words("cover.single"))
    _facts(book, pack, sheet)
    _state(book, pack, sheet)
    if pack.shows("capability"):
        _results(book, pack, sheet)
    sheet.section(words("cover.cautions"))
    for caution in cover.cautions:
        sheet.note(
            f"{caution.text} {words('cover.defers')}: {caution.defers_to}."
            if caution.defers_to
            else caution.text
        )
    sheet.note(words("cover.as_recorded"))
    sheet.section(words("cover.signature"))
    for key in ("cover.supplier", "cover.receiver"):
        sheet.row([words(key), *[None] * 5], "sign", 30)


def _facts(book: Book, pack: Pack, sheet: Sheet) -> None:
    words, cover = book.words, pack.cover
    part, customer = cover.part, cover.part.customer
    rows: list[tuple[str, str]] = [
        ("cover.part", part.number),
        ("cover.name", part.name),
        ("cover.revision", part.revision),
        ("cover.change", cover.part_change),
        ("cover.drawing", part.drawing),
        ("cover.customer", customer.name if customer else ""),
        ("cover.reference", part.customer_reference),
        ("cover.safety", words.yes_no(part.safety_related)),
        ("cover.process", words.word(part.process)),
        ("cover.joint", words.word(part.joint)),
        ("cover.upper", component_text(part.upper, words)),
        ("cover.lower", component_text(part.lower, words)),
        ("cover.plant", f"{cover.plant.name} ({cover.plant.code})"),
        ("cover.level", words("cover.agreed") if cover.level == AGREED else cover.level),
    ]
    sheet.blank()
    for key, value in rows:
        if value:
            _fact(sheet, words(key), value)
    made = (book.when(cover.made_us), 2, 6)
    sheet.merged([(book.in_zone("cover.made"), 1, 1), made], ["label", ("date", DATE_TIME)])
    _fact(sheet, words("cover.program"), f"qualrec {cover.program_version}")
    _fact(sheet, words("cover.rules"), cover.rules_version)
    _fact(sheet, words("cover.trail"), f"{words('cover.entry')} {cover.trail_seq}: {cover.trail_digest}")


def _fact(sheet: Sheet, label: str, value: str) -> None:
    sheet.merged([(label, 1, 1), (value, 2, 6)], ["label", "text"])


def _state(book: Book, pack: Pack, sheet: Sheet) -> None:
    words = book.words
    sheet.section(words("cover.state"))
    counts = {state: sum(e.state == state for e in pack.elements) for state in STATES}
    said = ", ".join(f"{words.word(state)} {count}" for state, count in counts.items())
    _fact(sheet, words("element.state"), said)
    missing = [e for e in pack.elements if e.state == "missing" and e.requirement != "-"]
    if missing:
        names = "; ".join(f"{e.number} {ELEMENTS[e.number].title(words.language)}" for e in missing)
        _fact(sheet, words.word("missing"), names)


def _results(book: Book, pack: Pack, sheet: Sheet) -> None:
    words = book.words
    sheet.section(words("cover.results"))
    sheet.heads(
        [words(k) for k in ("c.code", "c.name", "k.index", "k.value", "k.bound", "k.verdict")], (3, 4)
    )
    for one in pack.characteristics:
        named = judged(one)
        sheet.row(
            [
                one.characteristic.code,
                one.characteristic.name,
                named[0] or words("k.none"),
                named[1],
                named[2],
                words.word(one.answer) + (f" ({words.word(one.remark)})" if one.remark else ""),
            ],
            ["strong", "text", "text", ("number", "0.00"), ("number", "0.00"), "strong"],
        )


def judged(one: CharacteristicSheet) -> tuple[str, float | None, float | None]:
    """Name, value and lower bound of the index that is judged; ('', None, None) without one."""
    index = one.judged
    return (index.name, index.value, index.bound) if index.name else ("", None, None)


def write_elements(book: Book, pack: Pack, plan: Plan) -> None:
    """The 18 elements, what the level asks, their state, and on which sheets they stand."""
    words = book.words
    sheet = book.sheet(plan.titles["elements"], (6, 38, 20, 14, 38, 62))
    sheet.freeze(2, 3)
    sheet.title_row(words("title.elements"))
    level = words("cover.agreed") if pack.cover.level == AGREED else pack.cover.level
    sheet.note(f"{words('cover.level')}: {level}. {words('element.sum')}")
    heads = [words(f"element.{k}") for k in ("number", "name", "asked", "state", "where", "note")]
    sheet.heads(heads, (0,))
    for element in pack.elements:
        sheet.row(
            [
                element.number,
                ELEMENTS[element.number].title(words.language),
                words.word(ASKED[element.requirement]),
                words.word(element.state),
                _where(element, pack, plan),
                element.note,
            ],
            [("number", "0"), "text", "text", "strong", "text", "text"],
        )
    sheet.table("elements", 3, sheet.rows, heads)


def _where(element: Element, pack: Pack, plan: Plan) -> str:
    titles: list[str] = []
    for family in element.families:
        if family == "characteristics":
            titles += [place.title for place in plan.places.values() if place.title]
        elif family in plan.titles:
            keys = LOT_SHEETS if family == "lots" else (family,)
            titles += [plan.titles[key] for key in keys]
    return ", ".join(titles) if element.state in ("supplied", "referenced", "kept") else ""
