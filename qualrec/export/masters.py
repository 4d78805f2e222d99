"""The sheets of recipe revisions and of gauges."""

from __future__ import annotations

from qualrec.export.book import Book, Sheet, Value
from qualrec.export.pack import Pack
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE, DATE_TIME
from qualrec.values import RecipeRevision

RECIPE_WIDTHS = (20, 12, 14, 52, 22, 22, 22)
GAUGE_WIDTHS = (10, 26, 13, 8, 11, 11, 11, 13, 11, 15, 15, 10, 14, 14, 20, 26)
GAUGE_HEADS = (
    "u.code", "u.name", "u.family", "u.unit", "u.resolution", "u.range", "u.range_to", "u.uncertainty", "u.state",
    "u.calibrated", "u.due", "u.verdict", "u.as_found", "u.as_left", "u.certificate", "u.standard",
)  # fmt: skip


def write_recipes(book: Book, pack: Pack, plan: Plan) -> None:
    """All revisions with reason and approval; settings and qualified ranges only where the pack carries them."""
    words = book.words
    sheet = book.sheet(plan.titles["recipes"], RECIPE_WIDTHS)
    sheet.title_row(words("title.recipes"))
    if not pack.with_recipe:
        sheet.note(words("e.private"))
    keys = ("e.recipe", "e.revision", "e.state", "e.reason", "e.approved", "e.from", "e.until")
    heads = [book.in_zone(k) if k in ("e.approved", "e.from", "e.until") else words(k) for k in keys]
    head = sheet.heads(heads, (1,))
    for r in pack.recipes:
        sheet.row(
            [
                r.code, r.revision, words.word(r.state), r.reason, book.when(r.approved_us), book.when(r.valid_from_us),
                book.when(r.ended_us),
            ],
            ["strong", ("number", "0"), "text", "text", *[("date", DATE_TIME)] * 3],
        )  # fmt: skip
    sheet.table("recipes", head, sheet.rows, heads)
    if pack.with_recipe:
        for r in pack.recipes:
            _settings(book, sheet, r)


def _settings(book: Book, sheet: Sheet, recipe: RecipeRevision) -> None:
    words = book.words
    named = f"{recipe.code} rev {recipe.revision}"
    sheet.section(f"{words('title.settings')}: {named}")
    keys = ("e.setting", "e.value", "c.unit", "e.low", "e.high")
    heads = [words(k) for k in keys]
    sheet.heads([*heads[:3], "", *heads[3:]], (1, 4, 5))
    for s in recipe.settings:
        sheet.row(
            [s.name.replace("_", " "), s.value, s.unit, None, s.low, s.high],
            ["strong", "number", "text", "text", "number", "number"],
        )
    if recipe.windows:
        sheet.section(f"{words('title.windows')}: {named}")
        sheet.heads([words(k) for k in ("e.quantity", "e.low", "e.high", "e.proof", "c.unit")], (1, 2))
        for w in recipe.windows:
            sheet.row(
                [words.word(w.quantity), w.low, w.high, w.proof, w.unit],
                ["strong", "number", "number", "text", "text"],
            )


def write_gauges(book: Book, pack: Pack, plan: Plan) -> None:
    """One row per calibration of the gauges that the readings name."""
    words = book.words
    sheet = book.sheet(plan.titles["gauges"], GAUGE_WIDTHS)
    sheet.freeze(1, 2)
    sheet.title_row(words("title.gauges"))
    heads = [book.in_zone(k) if k in ("u.calibrated", "u.due") else words(k) for k in GAUGE_HEADS]
    sheet.heads(heads, (4, 5, 6, 7, 12, 13))
    sheet.repeat(2, 2)
    for g in pack.gauges:
        for c in g.calibrations or (None,):
            sheet.row(
                [
                    g.code, g.name, words.word(g.family), g.unit, g.resolution, g.verified_low, g.verified_high,
                    g.uncertainty, words.word(g.state), book.when(c.at_us) if c else None,
                    book.when(c.due_us) if c else None, words.word(c.verdict) if c else words("none"),
                    c.as_found if c else None, c.as_left if c else None, c.certificate if c else "",
                    c.standard if c else "",
                ],
                [
                    "strong", "text", "text", "text", "number", "number", "number", "number", "text", ("date", DATE),
                    ("date", DATE), "strong", "number", "number", "text", "text",
                ],
            )  # fmt: skip
    if pack.gauges:
        sheet.table("gauges", 2, sheet.rows, heads)
    else:
        sheet.note(words("gauges.none"), "text")
    _laboratory(book, pack, sheet)


def _laboratory(book: Book, pack: Pack, sheet: Sheet) -> None:
    """Which test was done with which gauges, and how many readings name theirs."""
    words = book.words
    sheet.section(words("title.laboratory"))
    keys = ("c.code", "c.name", "b.tested", "b.gauges", "b.readings", "b.named")
    spans = [(1, 1), (2, 3), (4, 9), (10, 12), (13, 14), (15, 15)]
    heads = [(words(k), *span) for k, span in zip(keys, spans, strict=True)]
    sheet.merged(heads, [*["head"] * 4, "head number", "head number"])
    for one in pack.characteristics:
        c = one.characteristic
        gauges = sorted({r.gauge for r in one.readings if r.gauge})
        named = sum(1 for r in one.readings if r.gauge)
        values: list[Value] = [c.code, c.name, c.method, ", ".join(gauges), len(one.readings), named]
        sheet.merged(
            [(v, *span) for v, span in zip(values, spans, strict=True)],
            ["strong", "text", "text", "text", ("number", "0"), ("number", "0")],
        )
