"""The sheet of indices: a summary, then for each characteristic its indices, the chain of evidence and the conventions."""

from __future__ import annotations

import math

from qualrec.export.book import Book, Sheet
from qualrec.export.front import judged
from qualrec.export.pack import CharacteristicSheet, Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import decimals

WIDTHS = (12, 34, 12, 12, 12, 8, 8, 12, 26, 46)
LINK_SPANS = (
    ("link", (1, 1)),
    ("question", (2, 2)),
    ("answer", (3, 3)),
    ("why", (4, 9)),
    ("source", (10, 10)),
)


def write_capability(book: Book, pack: Pack, plan: Plan) -> None:
    """No index stands without n, estimator, bound, verdict and remark."""
    words = book.words
    sheet = book.sheet(plan.titles["capability"], WIDTHS)
    sheet.title_row(words("title.capability"))
    sheet.note(words("capability.note"))
    heads = [
        words(k)
        for k in (
            "c.code",
            "c.name",
            "k.asked",
            "k.index",
            "k.value",
            "k.bound",
            "k.n",
            "k.k",
            "k.verdict",
            "k.remark",
        )
    ]
    head = sheet.heads(heads, (2, 4, 5, 6, 7))
    for one in pack.characteristics:
        name, value, bound = judged(one)
        figures = one.figures
        sheet.row(
            [
                one.characteristic.code,
                one.characteristic.name,
                one.requirement,
                name or words("k.none"),
                value,
                bound,
                figures.n if figures else None,
                figures.k if figures else None,
                words.word(one.answer),
                words.word(one.remark) or one.refusal,
            ],
            [
                "strong", "text", ("number", "0.00"), "text", ("number", "0.00"), ("number", "0.00"),
                ("number", "0"), ("number", "0"), "indented", "text",
            ],
        )  # fmt: skip
    sheet.table("capability", head, sheet.rows, heads)
    for one in pack.characteristics:
        _one(book, sheet, one)


def _one(book: Book, sheet: Sheet, one: CharacteristicSheet) -> None:
    words, c = book.words, one.characteristic
    sheet.section(f"{c.code}  {c.name}" + (f"  ({c.unit})" if c.unit else ""))
    sheet.note(f"{words('k.verdict')}: {words.word(one.answer)}. {one.sentence}", "strong")
    if one.requirement is not None:
        way = words("k.by_bound") if one.by_bound else words("k.by_value")
        sheet.note(
            f"{words('k.asked')}: {one.requirement:.2f} ({one.requirement_source}). {words('k.judged')}: {way}."
        )
    if one.figures is None:
        sheet.note(f"{words('k.none')}: {one.refusal}", "text")
    else:
        _indices(book, sheet, one)
    _chain(book, sheet, one)
    if one.notes:
        sheet.note(f"{words('k.convention')}: {' '.join(one.notes)}")


def _indices(book: Book, sheet: Sheet, one: CharacteristicSheet) -> None:
    words, figures = book.words, one.figures
    assert figures is not None
    places = ("number", decimals(one.characteristic.decimals + 1))
    for key, value, way in (
        ("f.mean", figures.mean, ""),
        ("f.within", figures.sd_within, figures.within_estimator),
        ("f.sd", figures.sd_overall, ""),
    ):
        head = f"{words(key)} ({one.characteristic.unit})" if one.characteristic.unit else words(key)
        sheet.row([head, None, value, way, *[None] * 6], ["text", "text", places, "text", *["text"] * 6], 15)
        sheet.ws.merged_cells.add(f"A{sheet.rows}:B{sheet.rows}")
    sheet.heads(
        [
            words(k)
            for k in (
                "k.index", "k.estimator", "k.value", "k.bound", "k.level", "k.n", "k.k", "k.df", "k.remark",
                "k.bound_method",
            )
        ],
        (2, 3, 4, 5, 6, 7),
    )  # fmt: skip
    remark = words.word(one.remark)
    named = [(index.name, index) for index in figures.indices]
    named += [(f"{index.name} ({figures.shape})", index) for index in figures.shape_indices]
    for name, index in named:
        sheet.row(
            [
                name, index.estimator, index.value, index.bound.value, 100 * index.bound.level, index.n, index.k,
                index.df if math.isfinite(index.df) else None, remark, index.bound.method,
            ],
            [
                "strong", "text", ("strong number", "0.00"), ("strong number", "0.00"), ("number", "0.0"), ("number", "0"),
                ("number", "0"), ("number", "0.0"), "indented", "text",
            ],
        )  # fmt: skip
    held = one.judged
    sheet.row(
        [f"{words('k.judged')}: {held.name}", None, held.value, held.bound, *[None] * 4, remark, held.method],
        ["strong", "strong", *[("strong number", "0.00")] * 2, *["text"] * 4, "indented", "text"],
    )
    sheet.ws.merged_cells.add(f"A{sheet.rows}:B{sheet.rows}")


def _chain(book: Book, sheet: Sheet, one: CharacteristicSheet) -> None:
    words = book.words
    heads = [(words(f"k.{key}"), *span) for key, span in LINK_SPANS]
    sheet.merged(heads, ["head"] * len(heads))
    for link in one.links:
        texts = (words.word(link.name), link.question, words.word(link.answer), link.why, link.source)
        spans = [(text, *span) for text, (_, span) in zip(texts, LINK_SPANS, strict=True)]
        sheet.merged(spans, ["text", "text", "strong", "text", "text"])
