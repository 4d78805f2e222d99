"""The sheet of characteristics: limits, class, sampling, control method and reaction plan."""

from __future__ import annotations

from qualrec.export.book import Book, Value
from qualrec.export.messages import Words
from qualrec.export.pack import CharacteristicSheet, Pack
from qualrec.export.plan import SPECIFICATION_HEAD_ROWS, Plan
from qualrec.export.styles import DATE, decimals
from qualrec.values import Characteristic

WIDTHS = (9, 24, 7, 10, 10, 10, 12, 8, 36, 28, 14, 9, 13)
HEADS = (
    "c.code", "c.name", "c.unit", "c.lsl", "c.usl", "c.target", "c.class", "c.symbol", "c.definition", "c.method",
    "c.gauge", "c.index", "c.valid",
)  # fmt: skip
CONTROL = (
    ("code", (1, 1)),
    ("samples", (2, 2)),
    ("control", (3, 7)),
    ("reaction", (8, 10)),
    ("modes", (11, 13)),
)


def write_specification(book: Book, pack: Pack, plan: Plan) -> None:
    """One row per characteristic, then how each is controlled. Limits carry names that formulas of other sheets use."""
    words = book.words
    sheet = book.sheet(plan.titles["specification"], WIDTHS)
    sheet.freeze(2, SPECIFICATION_HEAD_ROWS)
    sheet.title_row(words("title.specification"))
    sheet.note(words("specification.note"))
    heads = [book.in_zone(key) if key == "c.valid" else words(key) for key in HEADS]
    sheet.heads(heads, (3, 4, 5, 11))
    for one in pack.characteristics:
        number = ("number", decimals(one.characteristic.decimals))
        sheet.row(
            _values(book, one),
            [
                "strong",
                "text",
                "text",
                number,
                number,
                number,
                *["text"] * 5,
                ("number", "0.00"),
                ("date", DATE),
            ],
        )
    sheet.table("specification", SPECIFICATION_HEAD_ROWS, sheet.rows, heads)
    sheet.section(words("title.control"))
    sheet.merged([(words(f"c.{key}"), *span) for key, span in CONTROL], ["head"] * len(CONTROL))
    for one in pack.characteristics:
        c = one.characteristic
        steps = "\n".join(f"{at}. {step}" for at, step in enumerate(c.reaction_plan, 1))
        texts = (c.code, sampling(words, c), c.control_method, steps, modes(words, c))
        spans = [(text, *span) for text, (_, span) in zip(texts, CONTROL, strict=True)]
        sheet.merged(spans, ["strong", *["text"] * 4])


def _values(book: Book, one: CharacteristicSheet) -> list[Value]:
    c, words = one.characteristic, book.words
    return [
        c.code, c.name, c.unit, c.lsl, c.usl, c.target, words.word(c.special_class), c.symbol, c.definition, c.method,
        words.word(c.gauge_family), one.requirement, book.when(c.valid_from_us),
    ]  # fmt: skip


def sampling(words: Words, c: Characteristic) -> str:
    """How many samples per lot, where in it, and whether they are mandatory."""
    if not c.samples:
        return ""
    parts = [f"{c.samples} {words('c.per')} {words.word(c.hangs_on)}"]
    if c.sample_positions:
        parts.append(", ".join(words.word(p) for p in c.sample_positions))
    if c.mandatory:
        parts.append(words("c.mandatory").lower() if words.language == "en" else words("c.mandatory"))
    return "\n".join(parts)


def modes(words: Words, c: Characteristic) -> str:
    """Failure modes that are no finding, and how large an interfacial share may be."""
    parts = [", ".join(words.word(mode) for mode in c.accepted_modes)]
    if c.interfacial_limit_pct is not None:
        parts.append(f"{words('c.interfacial')}: {words.figure(c.interfacial_limit_pct)}")
    return "\n".join(part for part in parts if part)
