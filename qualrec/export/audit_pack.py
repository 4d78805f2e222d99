"""The workbook of an audit pack: one lot on sheets that people read, beside the plain tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from qualrec.export.certificate import Certificate, certificate_document
from qualrec.export.document import Cell, Column, Day, Document, Figure, Grid, Page, When
from qualrec.export.messages import Words
from qualrec.values import Event, Flag, Gauge, ReadingRow, TrailRow


@dataclass(frozen=True, slots=True)
class PackContent:
    """`trace`: the genealogy as indented lines. `trail`: entries of everything on the lot, oldest first."""

    certificate: Certificate
    readings: tuple[ReadingRow, ...]
    flags: tuple[Flag, ...]
    events: tuple[Event, ...]
    gauges: tuple[Gauge, ...]
    trail: tuple[TrailRow, ...]
    trace: tuple[str, ...]


def pack_document(content: PackContent) -> Document:
    """What the certificate says, then readings, flags, events, gauges, genealogy and trail, one sheet each."""
    words = Words(content.certificate.language)
    first = certificate_document(content.certificate)
    pages = (
        *first.pages,
        _readings(content.readings, words),
        _flags(content.flags, words),
        _events(content.events, words),
        _gauges(content.gauges, words),
        Page(words("pack.trace"), (110,), (Grid("", (Column(words("pack.thing")),), tuple((line,) for line in content.trace)),),
             heading=words("pack.trace")),
        _trail(content.trail, words),
    )  # fmt: skip
    marks = tuple(mark for mark in first.marks if mark != words("doc.draft"))
    return replace(first, title=words("pack.title"), marks=marks, pages=pages)


def _page(
    title: str,
    widths: tuple[float, ...],
    columns: Sequence[Column],
    rows: tuple[tuple[Cell, ...], ...],
    empty: str,
) -> Page:
    return Page(title, widths, (Grid("", tuple(columns), rows, empty),), heading=title)


def _readings(rows: Sequence[ReadingRow], words: Words) -> Page:
    keys = ("p.lot", "c.code", "r.sample", "r.stream", "r.serial", "r.original", "r.value", "cert.unit", "r.mode", "r.status",
            "r.reason", "p.at", "cert.who", "u.code", "r.origin")  # fmt: skip
    numbers = ("r.sample", "r.original", "r.value")
    columns = [Column(words(key), number=key in numbers) for key in keys]
    found = tuple(
        (
            r.lot_number, r.code, r.key.sample, r.stream, r.serial, Figure(r.original), Figure(r.value), r.unit,
            "" if r.pull is None else words.word(r.pull.mode), words(f"r.{reading_state(r)}"), r.correction_reason,
            When(r.at_us), r.person, r.gauge, r.file_name or words.word(r.source),
        )
        for r in rows
    )  # fmt: skip
    widths = (13, 9, 8, 12, 14, 12, 12, 7, 20, 14, 30, 16, 22, 10, 24)
    return _page(words("title.raw"), widths, columns, found, words("p.none"))


def reading_state(row: ReadingRow) -> str:
    """State of a reading as the table of messages names it: fault, void, corrected, late or valid."""
    if row.void:
        return "void"
    if row.value is None:
        return "fault"
    if row.corrected:
        return "corrected"
    return "late" if row.late else "valid"


def _flags(flags: Sequence[Flag], words: Words) -> Page:
    keys = (
        "g.level",
        "c.code",
        "g.kind",
        "g.state",
        "g.finding",
        "g.rule",
        "k.source",
        "g.action",
        "g.opened",
        "g.closed",
    )
    found = tuple(
        (
            f.level, f.code, f.kind, words.word(f.state), "\n".join(x.sentence for x in f.findings), f.rule, f.source,
            "\n".join(f"{words.word(a.kind)}, {a.person}: {a.what}" for a in f.actions), When(f.opened_us), When(f.closed_us),
        )
        for f in flags
    )  # fmt: skip
    widths = (7, 9, 22, 14, 44, 26, 26, 40, 16, 16)
    return _page(
        words("title.flags"), widths, [Column(words(key)) for key in keys], found, words("flags.none")
    )


def _events(events: Sequence[Event], words: Words) -> Page:
    columns = [Column(words(key)) for key in ("cert.when", "rev.what", "l.station", "cert.who", "p.remark")]
    found = tuple((When(e.at_us), e.kind.replace("_", " "), e.station, e.person, e.remark) for e in events)
    return _page(words("pack.events"), (18, 30, 14, 26, 50), columns, found, words("pack.no_events"))


def _gauges(gauges: Sequence[Gauge], words: Words) -> Page:
    keys = ("u.code", "u.name", "u.state", "u.calibrated", "u.due", "u.verdict", "u.as_found", "u.as_left", "u.certificate",
            "u.standard")  # fmt: skip
    columns = [Column(words(key), number=key in ("u.as_found", "u.as_left")) for key in keys]
    found = tuple(
        (
            g.code, g.name, words.word(g.state), When(c.at_us), Day(c.due_us), words.word(c.verdict), Figure(c.as_found),
            Figure(c.as_left), c.certificate, c.standard,
        )
        for g in gauges
        for c in g.calibrations
    )  # fmt: skip
    widths = (12, 30, 12, 16, 16, 10, 12, 12, 20, 26)
    return _page(words("title.gauges"), widths, columns, found, words("gauges.none"))


def _trail(entries: Sequence[TrailRow], words: Words) -> Page:
    columns = [
        Column(words("cover.entry"), number=True), Column(words("cert.when")), Column(words("cert.who")),
        Column(words("pack.act")), Column(words("pack.record")), Column(words("pack.content")), Column(words("pr.digest")),
    ]  # fmt: skip
    found = tuple(
        (
            e.seq,
            When(e.at_us),
            e.person,
            e.act,
            f"{e.what_table} {e.what_id & ((1 << 40) - 1)}",
            e.content,
            e.digest,
        )
        for e in entries
    )
    return _page(words("pack.trail"), (9, 16, 24, 24, 26, 80, 40), columns, found, words("none"))
