"""The sheets of studies and of the control plan."""

from __future__ import annotations

from qualrec.export.book import Book, Look, Sheet
from qualrec.export.pack import Pack, PlanView, StudyView
from qualrec.export.plan import Plan
from qualrec.export.styles import DATE_TIME

STUDY_WIDTHS = (12, 18, 30, 11, 14, 16, 18, 48)
STUDY_HEADS = (
    "s.number",
    "s.kind",
    "s.title",
    "s.gauge",
    "s.characteristic",
    "s.done",
    "s.verdict",
    "s.convention",
)
PLAN_WIDTHS = (8, 18, 16, 9, 18, 18, 10, 16, 18, 9, 13, 20, 26, 13)
PLAN_HEADS = (
    "o.process", "o.step", "o.machine", "o.number", "o.product", "o.of_process", "o.class", "o.specification", "o.technique",
    "o.size", "o.frequency", "o.control", "o.reaction", "o.owner",
)  # fmt: skip


def write_studies(book: Book, pack: Pack, plan: Plan) -> None:
    """A summary of all studies with verdict and convention, then figures and runs of each."""
    words = book.words
    sheet = book.sheet(plan.titles["studies"], STUDY_WIDTHS)
    sheet.freeze(1, 2)
    sheet.title_row(words("title.studies"))
    studies = pack.proof.studies
    if not studies:
        sheet.note(words("studies.none"), "text")
        return
    heads = [book.in_zone(k) if k == "s.done" else words(k) for k in STUDY_HEADS]
    sheet.heads(heads)
    sheet.repeat(2, 2)
    for s in studies:
        sheet.row(
            [
                s.number, words.word(s.kind), s.title, s.gauge, s.characteristic, book.when(s.done_us),
                words.word(s.verdict), s.method,
            ],
            ["strong", "text", "text", "text", "text", ("date", DATE_TIME), "strong", "text"],
        )  # fmt: skip
    sheet.table("studies", 2, sheet.rows, heads)
    for s in studies:
        _study(book, sheet, s)


def _study(book: Book, sheet: Sheet, study: StudyView) -> None:
    words = book.words
    if not study.figures and not study.runs:
        return
    sheet.section(f"{study.number}  {study.title}")
    if study.figures:
        sheet.merged([(words("s.figure"), 1, 3), (words("s.value"), 4, 8)], ["head", "head"])
        for name, figure in study.figures:
            look: Look = "text" if isinstance(figure, str) else ("number", "General")
            last = 8 if isinstance(figure, str) else 4
            sheet.merged([(name, 1, 3), (figure, 4, last)], ["label", look])
    if study.runs:
        sheet.blank()
        spans = [
            (words("s.run"), 1, 1),
            (words("s.factors"), 2, 3),
            (words("s.value"), 4, 4),
            (words("r.mode"), 5, 6),
        ]
        sheet.merged(spans, ["head number", "head", "head number", "head"])
        for position, factors, value, mode in study.runs:
            sheet.merged(
                [(position, 1, 1), (factors, 2, 3), (value, 4, 4), (words.word(mode), 5, 6)],
                [("number", "0"), "text", ("number", "General"), "text"],
            )


def write_plan(book: Book, pack: Pack, plan: Plan) -> None:
    """Every control plan in force, with its head and its rows."""
    words = book.words
    sheet = book.sheet(plan.titles["control plan"], PLAN_WIDTHS)
    sheet.title_row(words("title.control plan"))
    if not pack.proof.plans:
        sheet.note(words("plan.none"), "text")
        return
    for at, one in enumerate(pack.proof.plans):
        if at:
            sheet.page_break()
        _plan(book, sheet, one)


def _plan(book: Book, sheet: Sheet, one: PlanView) -> None:
    words = book.words
    sheet.section(
        f"{words('o.plan')} {one.number}, {words.word(one.phase)}, {words('o.revision')} {one.revision}"
    )
    sheet.merged(
        [
            (words("o.state"), 1, 2), (words.word(one.state), 3, 5), (book.in_zone("o.valid"), 6, 7),
            (book.when(one.valid_from_us), 8, 9),
        ],
        ["label", "text", "label", ("date", DATE_TIME)],
    )  # fmt: skip
    for label, text in one.header:
        sheet.merged([(words.word(label), 1, 2), (text, 3, 14)], ["label", "text"])
    sheet.blank()
    heads = [words(k) for k in PLAN_HEADS]
    first = sheet.heads(heads)
    for row in one.rows:
        values = list(row)
        values[6] = words.word(values[6])
        sheet.row(values, ["strong", *["text"] * 13])
    sheet.table("control_plan", first, sheet.rows, heads)
