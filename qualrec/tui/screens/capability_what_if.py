"""What if: how many readings or lots would show a requirement, and what so many readings would show."""

from __future__ import annotations

from dataclasses import dataclass

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from qualrec.errors import UsageError
from qualrec.tui.labels import DecimalStyle, number, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.overlays import Sheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Field, Form, Row, Understood
from qualrec.tui.workers import Asking


@dataclass(frozen=True, slots=True)
class Known:
    """What the report found. `ratio` is between-lot over within-lot variance, None where it cannot be told."""

    requirement: float | None
    index: float
    bound: float
    readings: int
    per_lot: int
    ratio: float | None
    two_sided: bool


@dataclass(frozen=True, slots=True)
class Question:
    """What the user asks: a requirement, an index as it may be found, so many readings."""

    requirement: float
    index: float
    readings: int


def answers(question: Question, known: Known, style: DecimalStyle) -> list[str]:
    """Sentences on the question, by the bounds of `qualrec.stats.capability` (95 %)."""
    asked, index = number(question.requirement, 2, style), number(question.index, 2, style)
    return [
        _bound_sentence(question, known, style),
        *_lots_sentence(question, known, style),
        _reach_sentence(question, known, style),
        *_needed_sentences(question, known, asked, index),
    ]


def _bound_sentence(question: Question, known: Known, style: DecimalStyle) -> str:
    from qualrec.stats import capability_bounds

    bound = capability_bounds.bound_two_sided if known.two_sided else capability_bounds.bound_one_sided
    n = question.readings
    value = float(bound(question.index, n, n - 1))
    met = "reaches" if value >= question.requirement else "is under"
    return (
        f"{n} independent readings with an index of {number(question.index, 2, style)}: lower bound "
        f"{number(value, 2, style)}, which {met} {number(question.requirement, 2, style)}."
    )


def _lots_sentence(question: Question, known: Known, style: DecimalStyle) -> list[str]:
    """The same readings in lots that differ as those on record: readings of one lot say less than independent ones."""
    k = question.readings // known.per_lot
    if known.ratio is None or k < 2:
        return []
    from qualrec.stats.capability import lots_bound

    value = lots_bound(question.index, k, known.per_lot, known.ratio)
    met = "reaches" if value >= question.requirement else "is under"
    return [
        f"In {k} lots of {known.per_lot} that differ as these do: lower bound {number(value, 2, style)}, which {met} "
        f"{number(question.requirement, 2, style)}."
    ]


def _reach_sentence(question: Question, known: Known, style: DecimalStyle) -> str:
    met = "reaches" if known.bound >= question.requirement else "is under"
    return f"The bound on record, {number(known.bound, 2, style)}, {met} {number(question.requirement, 2, style)}."


def _needed_sentences(question: Question, known: Known, asked: str, index: str) -> list[str]:
    from qualrec.errors import ComputeError
    from qualrec.stats.capability import needed_lots, needed_n

    if question.index <= question.requirement:
        return [f"No number of readings shows {asked} at an index of {index}: first raise the index."]
    lines = []
    try:
        kind = "two-sided" if known.two_sided else "one-sided"
        n = needed_n(question.requirement, question.index, kind=kind)
        lines.append(f"To show {asked} at an index of {index}: {n} independent readings.")
        if known.ratio is not None:
            k = needed_lots(question.requirement, question.index, known.per_lot, known.ratio)
            lines.append(f"With lots that differ as these do: {k} lots of {known.per_lot}.")
    except ComputeError as error:
        lines.append(f"{error.message} {error.remedy}".strip())
    return lines


def read_figure(text: str) -> Understood:
    """A figure above 0 with a point or a comma."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise UsageError(f"{text!r} is not a figure.", "Type digits and one decimal mark.") from None
    if not 0 < value < 1e6:
        raise UsageError(f"{text} is not above 0 and below a million.", "Type a figure as 1.33.")
    return Understood(value)


def read_count(text: str) -> Understood:
    """A whole number of readings, 2 or more."""
    if not text.strip().isdigit() or not 2 <= int(text) <= 10_000_000:
        raise UsageError(f"{text!r} is not a number of readings.", "Type a whole number, 2 or more.")
    return Understood(int(text))


class WhatIfSheet(Sheet, Asking):
    """Requirement, index and number of readings to play with; Enter computes. Nothing is stored."""

    def __init__(self, known: Known, style: DecimalStyle, start: str = "requirement") -> None:
        super().__init__()
        self.known = known
        self.decimal_style = style
        self.first = start

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(
                "What if ...   (Enter computes, Esc closes; nothing is stored)",
                id="sheet-title",
                markup=False,
            )
            with Form(id="what-if"):
                yield Field("Requirement", id="requirement", understand=read_figure)
                yield Field("Index found", id="index", understand=read_figure)
                yield Field("Readings", id="readings", understand=read_count)
            yield Static(id="answers", markup=False)

    def on_mount(self) -> None:
        known = self.known
        asked = 1.33 if known.requirement is None else known.requirement
        for name, value in (("requirement", asked), ("index", known.index)):
            self.query_one(f"#{name}", Field).text = number(value, 2, self.decimal_style)
        self.query_one("#readings", Field).text = str(max(2, known.readings))
        self.query_one(f"#{self.first}", Field).start()
        self._compute()

    def on_row_accepted(self, message: Row.Accepted) -> None:
        message.stop()
        self._compute()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        message.form.start()

    def _compute(self) -> None:
        fields = {name: self.query_one(f"#{name}", Field) for name in ("requirement", "index", "readings")}
        if not all(field.check() for field in fields.values()):
            return
        known, style = self.known, self.decimal_style
        question = Question(**{name: field.value for name, field in fields.items()})
        self._say("computing ...")
        self.ask(
            "what-if", lambda: answers(question, known, style), lambda lines: self._say("\n".join(lines))
        )

    def failed(self, name: str, trouble: Trouble) -> None:
        self._say(f"! {trouble.message} {trouble.remedy}".rstrip())

    def _say(self, text: str) -> None:
        self.query_one("#answers", Static).update(plain(text) if is_ascii(self) else text)
