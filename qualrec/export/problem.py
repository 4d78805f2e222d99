"""A problem report as a document. The eight disciplines, with the emergency response before them, are worded here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from qualrec.export.document import Block, Cell, Column, Day, Document, Facts, Grid, Notes, Page, When
from qualrec.export.messages import Words
from qualrec.records.lookups import ProblemReport, ProblemStep
from qualrec.values import Plant

WIDTHS = (8, 22, 14, 16, 14, 16, 12)
_TEXTS: dict[str, tuple[str, str, str, str]] = {
    "D0": (
        "Emergency response",
        "What is done at once so that no more bad parts are made or leave: stop, tag, tell.",
        "Sofortreaktion",
        "Was sofort geschieht, damit keine weiteren schlechten Teile entstehen oder hinausgehen.",
    ),
    "D1": (
        "Team",
        "Who works on it, who leads, and who knows the weld, the materials and the tests.",
        "Team",
        "Wer daran arbeitet, wer leitet, wer Schweißung, Werkstoffe und Prüfungen kennt.",
    ),
    "D2": (
        "The problem in figures",
        "What is wrong on which parts, where, when, how many, and what is not affected.",
        "Das Problem in Zahlen",
        "Was an welchen Teilen falsch ist, wo, wann, wie viele, und was nicht betroffen ist.",
    ),
    "D3": (
        "Containment",
        "Every place where suspect parts may lie, what is done there, and proof that it works.",
        "Eingrenzung",
        "Jeder Ort, an dem verdächtige Teile liegen können, was dort geschieht, Beleg der Wirkung.",
    ),
    "D4": (
        "Root cause and escape point",
        "Why it came about, why it was not found where it should have been, and how both were proved.",
        "Ursache und Fluchtpunkt",
        "Warum es entstand, warum es nicht gefunden wurde, und wie beides gezeigt wurde.",
    ),
    "D5": (
        "Chosen action",
        "Which lasting actions were compared, which is taken, and the trial that speaks for it.",
        "Gewählte Maßnahme",
        "Welche dauerhaften Maßnahmen verglichen wurden, welche gilt, und der Versuch, der dafür spricht.",
    ),
    "D6": (
        "Action in place",
        "Since when it is in place, and the figures before and after that show it works.",
        "Maßnahme eingeführt",
        "Seit wann sie gilt, und die Zahlen vorher und nachher, die ihre Wirkung zeigen.",
    ),
    "D7": (
        "Kept from coming back",
        "What was changed in control plan, recipe, training, and on like parts and stations.",
        "Wiederholung verhindert",
        "Was an Lenkungsplan, Rezept, Schulung und an ähnlichen Teilen und Anlagen geändert wurde.",
    ),
    "D8": (
        "Closing",
        "What was reached, who was told, and thanks to those who did it.",
        "Abschluss",
        "Was erreicht wurde, wer unterrichtet ist, und Dank an die Beteiligten.",
    ),
}


@dataclass(frozen=True, slots=True)
class Discipline:
    """One discipline in words: its name and what belongs under it."""

    name: str
    asks: str


def discipline(code: str, language: str = "en") -> Discipline:
    """A discipline by code, D0 to D8. KeyError for another code."""
    found = _TEXTS[code]
    return Discipline(*(found[2:] if language == "de" else found[:2]))


DISCIPLINES: Mapping[str, Discipline] = MappingProxyType({code: discipline(code) for code in _TEXTS})
"""The disciplines in English."""


@dataclass(frozen=True, slots=True)
class ProblemCover:
    """What the document says beside the report itself. `looked`: state of each file of evidence, by id."""

    plant: Plant
    language: str
    looked: Mapping[int, str]
    made_us: int
    program_version: str
    trail_seq: int
    trail_digest: str


def problem_document(report: ProblemReport, cover: ProblemCover) -> Document:
    """The report as a document of one page."""
    words = Words(cover.language)
    blocks: list[Block] = [
        _facts(report, cover, words),
        _links(report, words),
        _evidence(report, cover, words),
    ]
    blocks += [_summary(report, cover, words), Notes("", (words("pr.due_note"),))]
    for step in report.steps:
        blocks += _step(step, cover, words)
    if report.closed is not None:
        said = f"{report.closed.text}\n{report.closed.person}"
        blocks.append(
            Facts(
                words.word("closed"),
                ((words("cert.when"), When(report.closed.at_us)), (words("pr.done"), said)),
            )
        )
    overdue = report.overdue(cover.made_us)
    marks = [f"{words('pr.overdue')}: {', '.join(overdue)}"] if overdue else []
    marks += [words("cover.invented")] if cover.plant.invented else []
    notes = [words("cover.invented_text")] if cover.plant.invented else []
    notes += [words("cover.single")] if cover.plant.single_user else []
    return Document(
        plant=cover.plant,
        language=cover.language,
        title=words("pr.title"),
        subject=words("pr.subject").format(number=report.number, title=report.title),
        marks=tuple(marks),
        notes=tuple(notes),
        pages=(Page(words("pr.title"), WIDTHS, tuple(blocks)),),
        made_us=cover.made_us,
        program_version=cover.program_version,
        head_seq=cover.trail_seq,
        head_digest=cover.trail_digest,
    )


def _facts(report: ProblemReport, cover: ProblemCover, words: Words) -> Facts:
    rows: list[tuple[str, Cell]] = [
        (words("cert.maker"), f"{cover.plant.name} ({cover.plant.code})"),
        (words("pr.number"), report.number),
        (words("pr.state"), words.word(report.state)),
        (words("pr.part"), report.part),
        (f"{words('pr.opened')} ({cover.plant.zone})", When(report.opened_us)),
        (words("pr.due"), Day(report.due_us)),
        (words("doc.head"), f"{words('cover.entry')} {cover.trail_seq}: {cover.trail_digest}"),
    ]
    return Facts("", tuple(rows))


def _links(report: ProblemReport, words: Words) -> Grid:
    columns = (
        Column(words("pr.kind"), span=2, strong=True),
        Column(words("pr.name"), span=2),
        Column(words("pr.says"), span=3),
    )
    rows = tuple(
        (words.word(k.kind), k.name, k.says if k.kind == "flag" else words.word(k.says)) for k in report.links
    )
    return Grid(words("pr.links"), columns, rows, words("pr.no_links"))


def _evidence(report: ProblemReport, cover: ProblemCover, words: Words) -> Grid:
    columns = (
        Column(words("pr.name"), span=2, strong=True),
        Column(words("pr.place"), span=1),
        Column(words("pr.digest"), span=2),
        Column(words("cert.who"), span=1),
        Column(words("pr.found"), span=1),
    )
    rows = tuple(
        (e.name, e.place, e.digest, e.person, words.word(cover.looked.get(e.id, ""))) for e in report.evidence
    )
    return Grid(words("pr.evidence"), columns, rows, words("pr.no_evidence"))


def _summary(report: ProblemReport, cover: ProblemCover, words: Words) -> Grid:
    columns = (
        Column(words("pr.step")),
        Column(words("pr.name"), strong=True),
        Column(words("pr.due")),
        Column(words("pr.owner")),
        Column(words("pr.done")),
        Column(words("pr.done_by")),
        Column(words("pr.state"), strong=True),
    )
    overdue = report.overdue(cover.made_us)
    rows = tuple(
        (
            s.code,
            discipline(s.code, cover.language).name,
            Day(s.due_us),
            s.owner,
            When(s.done_us),
            s.done_by,
            words("pr.overdue") if s.code in overdue else words.word("open" if s.done_us is None else "done"),
        )
        for s in report.steps
    )
    return Grid(words("pr.summary"), columns, rows)


def _step(step: ProblemStep, cover: ProblemCover, words: Words) -> list[Block]:
    named = discipline(step.code, cover.language)
    columns = (
        Column(words("cert.when"), span=2),
        Column(words("cert.who")),
        Column(words("pr.entry"), span=4),
    )
    rows = tuple((When(e.at_us), e.person, e.text) for e in step.entries)
    grid = Grid("", columns, rows, words("pr.no_entries"))
    return [Notes(f"{step.code} {named.name}", (named.asks,)), grid]
