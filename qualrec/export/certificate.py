"""The certificate of one lot: its content as frozen figures, and the document made of it in English or German."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.export.component import component_text
from qualrec.export.document import (
    Block,
    Cell,
    Column,
    Day,
    Document,
    Facts,
    Figure,
    Grid,
    Notes,
    Page,
    Signs,
    When,
    figure_text,
)
from qualrec.export.messages import Words
from qualrec.values import Disposition, Lot, MouldingLot, Plant, Segment

WIDTHS = (13, 18, 8, 4, 11, 10, 9, 8, 8, 14)
"""Columns of the page in characters."""
ROWS_ON_A_PAGE = 30
"""Rows of grids up to which the sheet is printed on one page."""


@dataclass(frozen=True, slots=True)
class Result:
    """One characteristic of the lot by the revision in force when it was welded. `answer`: pass, fail, incomplete, unknown."""

    code: str
    name: str
    unit: str
    special_class: str
    symbol: str
    decimals: int
    n: int
    mean: float | None
    sd: float | None
    low: float | None
    high: float | None
    lsl: float | None
    usl: float | None
    answer: str
    corrected: int
    void: int
    test_faults: int


@dataclass(frozen=True, slots=True)
class Leave:
    """A concession for the lot. `used`: parts shipped under it."""

    reference: str
    quantity: int | None
    used: int
    until_us: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature on the lot. `digest`: SHA-256 of what was signed. `covers`: whether the records still are what was signed;
    None where that is not found."""

    meaning: str
    person: str
    at_us: int
    reason: str
    digest: str
    covers: bool | None


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a customer gets about one lot. `covers`: parts that are free to leave; None where the quantity is not recorded.

    `stands`: why the lot is not released, in words; empty for a released one. `modes`: pulls that count, by characteristic
    and failure mode. `readings_digest` is over the readings by `readings_rule`.
    """

    plant: Plant
    language: str
    lot: Lot
    covers: int | None
    gone: int
    shipped: int
    stands: tuple[str, ...]
    results: tuple[Result, ...]
    modes: Mapping[str, Mapping[str, int]]
    concessions: tuple[Leave, ...]
    signatures: tuple[Signed, ...]
    flags: tuple[int, int, int]
    flags_open: int
    readings: int
    readings_digest: str
    readings_rule: str
    made_us: int
    program_version: str
    rules_version: str
    trail_seq: int
    trail_digest: str

    @property
    def draft(self) -> bool:
        return bool(self.stands)


def certificate_document(cert: Certificate) -> Document:
    """The certificate as a document of one page."""
    words = Words(cert.language)
    plant = cert.plant
    marks = [words("doc.draft")] if cert.draft else []
    marks += [words("cert.uncovered")] if any(s.covers is False for s in cert.signatures) else []
    marks += [words("cover.invented")] if plant.invented else []
    notes = [words("cover.invented_text")] if plant.invented else []
    notes += [words("cover.single")] if plant.single_user else []
    blocks: list[Block] = []
    if cert.draft:
        blocks.append(Notes(words("cert.stands"), cert.stands))
    blocks += [
        _lot(cert, words),
        _results(cert, words),
        Notes("", (words("cert.note_values"),)),
        _modes(cert, words),
        _stretches(cert, words),
        _concessions(cert, words),
        _dispositions(cert, words),
        _signatures(cert, words),
        Notes("", (words("cert.not_binding"),)),
        _records(cert, words),
        Notes("", (words("cert.note_chain"), words("cover.as_recorded"))),
        Signs(words("cover.signature"), (words("cover.supplier"),)),
    ]
    subject = words("cert.subject").format(lot=cert.lot.number, part=cert.lot.part.number)
    return Document(
        plant=plant,
        language=cert.language,
        title=words("cert.title"),
        subject=subject,
        marks=tuple(marks),
        notes=tuple(notes),
        pages=(Page(words("cert.sheet"), WIDTHS, tuple(blocks), one_page=_short(blocks)),),
        made_us=cert.made_us,
        program_version=cert.program_version,
        head_seq=cert.trail_seq,
        head_digest=cert.trail_digest,
    )


def _short(blocks: list[Block]) -> bool:
    """Whether the certificate can be printed on one page and still be read."""
    return sum(len(block.rows) for block in blocks if isinstance(block, Grid)) <= ROWS_ON_A_PAGE


def _lot(cert: Certificate, words: Words) -> Facts:
    lot, part, comma = cert.lot, cert.lot.part, cert.language == "de"
    customer = part.customer
    size = [
        f"{figure_text(Figure(value), comma=comma)} mm"
        for value in (part.seam_length_mm, part.seam_width_mm)
        if value
    ]
    rows: list[tuple[str, Cell]] = [
        (words("cert.maker"), f"{cert.plant.name} ({cert.plant.code})"),
        (words("cover.customer"), customer.name if customer else ""),
        (words("cover.reference"), part.customer_reference),
        (words("cover.part"), part.number),
        (words("cover.name"), part.name),
        (words("cover.revision"), part.revision),
        (words("cover.drawing"), part.drawing),
        (
            words("cover.process"),
            ", ".join([words.word(part.process), words.word(part.joint), " × ".join(size)]).rstrip(", "),
        ),
        (words("l.lot"), lot.number),
        (words("cert.parent"), lot.parent),
        (words("l.state"), words.word(lot.state)),
        (f"{words('cert.welded')} ({cert.plant.zone})", When(lot.started_us)),
        (words("l.until"), When(lot.ended_us)),
        (words("cert.covers"), words("cert.unknown") if cert.covers is None else cert.covers),
        (words("cert.made"), words("cert.unknown") if lot.quantity is None else lot.quantity),
        (words("cert.gone"), cert.gone or None),
        (words("cert.shipped"), cert.shipped or None),
        (words("cert.flags"), f"{' / '.join(map(str, cert.flags))}; {cert.flags_open}"),
    ]
    return Facts(words("cert.what"), tuple(rows))


def _results(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("c.code"), strong=True),
        Column(words("c.name")),
        Column(words("cert.unit")),
        Column(words("p.n"), number=True),
        Column(words("p.mean"), number=True),
        Column(words("p.low"), number=True),
        Column(words("p.high"), number=True),
        Column(words("c.lsl"), number=True),
        Column(words("c.usl"), number=True),
        Column(words("cert.verdict"), strong=True),
    )
    rows = []
    for r in cert.results:
        special = (
            f" ({words.word(r.special_class)}{', ' if r.symbol else ''}{r.symbol})"
            if r.special_class != "standard"
            else ""
        )
        counted = f"{words('cert.corrected')}: {r.corrected} / {r.void} / {r.test_faults}"
        name = f"{r.name}{special}" + (f"\n{counted}" if r.corrected or r.void or r.test_faults else "")
        rows.append(
            (
                r.code,
                name,
                r.unit,
                r.n,
                Figure(r.mean, r.decimals + 1),
                Figure(r.low, r.decimals),
                Figure(r.high, r.decimals),
                Figure(r.lsl, r.decimals),
                Figure(r.usl, r.decimals),
                words.word(r.answer),
            )
        )
    return Grid(words("cert.results"), columns, tuple(rows), words("cert.no_results"))


def _modes(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("c.code"), strong=True),
        Column(words("cert.mode"), span=4),
        Column(words("cert.count"), span=2, number=True),
        Column(words("cert.share"), span=3, number=True),
    )
    rows = []
    for code, modes in cert.modes.items():
        total = sum(modes.values())
        rows += [(code, words.word(mode), n, Figure(100.0 * n / total, 1)) for mode, n in modes.items()]
    return Grid(words("cert.modes"), columns, tuple(rows), words("cert.no_modes"))


def _stretches(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("l.welded"), span=1),
        Column(words("l.recipe")),
        Column(words("l.station"), span=2),
        Column(words("l.upper"), span=3),
        Column(words("l.lower"), span=3),
    )
    rows = tuple(
        (
            When(s.from_us),
            _recipe(s, words),
            s.station,
            moulding_text(s.upper, words),
            moulding_text(s.lower, words),
        )
        for s in cert.lot.segments
    )
    return Grid(words("cert.stretches"), columns, rows)


def _recipe(segment: Segment, words: Words) -> str:
    if segment.recipe is None:
        return words("none")
    said = f"{segment.recipe.code} {words('e.revision')} {segment.recipe.revision}"
    return f"{said}, {words('l.approved')}: {words.yes_no(segment.recipe.approved_at(segment.from_us))}"


def moulding_text(lot: MouldingLot | None, words: Words) -> str:
    """A moulding lot with its component, material and deliveries."""
    if lot is None:
        return words("none")
    fed = ", ".join(lot.deliveries) or words("none")
    return f"{lot.number}: {component_text(lot.component, words)}. {words('l.deliveries')}: {fed}"


def _concessions(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("cert.reference"), span=2, strong=True),
        Column(words("cert.parts"), span=2, number=True),
        Column(words("cert.holds_until"), span=2),
        Column(words("cert.reason"), span=4),
    )
    rows = tuple((c.reference, c.quantity, Day(c.until_us), c.reason) for c in cert.concessions)
    return Grid(words("cert.concessions"), columns, rows, words("cert.no_concessions"))


def _dispositions(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("cert.decision"), span=2, strong=True),
        Column(words("cert.parts"), span=2, number=True),
        Column(words("cert.when"), span=2),
        Column(words("cert.who"), span=2),
        Column(words("cert.reason"), span=2),
    )
    rows = tuple(_decision(d, words) for d in cert.lot.dispositions)
    return Grid(words("cert.dispositions"), columns, rows, words("cert.no_dispositions"))


def _decision(done: Disposition, words: Words) -> tuple[Cell, ...]:
    parts: Cell = words("doc.all") if done.quantity is None else done.quantity
    return words.word(done.kind), parts, When(done.at_us), done.person or words("doc.unnamed"), done.reason


def _signatures(cert: Certificate, words: Words) -> Grid:
    columns = (
        Column(words("cert.meaning"), span=1, strong=True),
        Column(words("cert.who"), span=1),
        Column(words("cert.when"), span=3),
        Column(words("cert.covered"), span=2, strong=True),
        Column(words("cert.signed"), span=3),
    )
    rows = tuple(
        (words.word(s.meaning), s.person, When(s.at_us), _covered(s, words), s.digest)
        for s in cert.signatures
    )
    return Grid(words("cert.signatures"), columns, rows, words("cert.no_signatures"))


def _covered(signed: Signed, words: Words) -> str:
    return words.word("unknown") if signed.covers is None else words.yes_no(signed.covers)


def _records(cert: Certificate, words: Words) -> Facts:
    rows: list[tuple[str, Cell]] = [
        (f"{words('cover.made')} ({cert.plant.zone})", When(cert.made_us)),
        (words("cover.program"), f"qualrec {cert.program_version}"),
        (words("cover.rules"), cert.rules_version),
        (words("doc.head"), f"{words('cover.entry')} {cert.trail_seq}: {cert.trail_digest}"),
        (words("doc.readings"), f"{cert.readings}: {cert.readings_digest}"),
        (words("doc.readings_rule"), cert.readings_rule),
    ]
    return Facts(words("doc.records"), tuple(rows))
