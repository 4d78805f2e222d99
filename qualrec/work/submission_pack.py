"""From the records to the pack of a part: one snapshot, read through lookups and assessed as screens and commands do."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from hashlib import sha256
from typing import Any

import numpy as np

from qualrec import __version__, assess
from qualrec.assess import CapabilityReport, ChartView
from qualrec.export.messages import Words
from qualrec.export.pack import (
    CapabilityFigures,
    CharacteristicSheet,
    Cover,
    Declaration,
    DigestRow,
    Element,
    Method,
    Notice,
    Pack,
    Point,
    Proof,
    Series,
)
from qualrec.export.submission_elements import families_of
from qualrec.export.warrant import WARRANT
from qualrec.judge.kinds import RULES_VERSION
from qualrec.records import lookups
from qualrec.records.lookups import Submission
from qualrec.values import Batch, Characteristic, Customer, Gauge, Lot, Part, ReadingRow
from qualrec.weld.cautions import all_cautions
from qualrec.work.session import Session
from qualrec.work.submission_proof import proof_of
from qualrec.work.submission_state import Held, element_states
from qualrec.work.warrant import results

Conn = Any
"""A connection of `Store.read()`."""
EVERY = 10_000_000
"""More rows than a plant has: the pack leaves nothing out."""
LEVEL_TRACK = "lot mean"
READING_RULE = "one line per reading: subject, characteristic, stream, sample, value as it counts, UTC microseconds; SHA-256"
CAUTIONS = (
    "records_support",
    "decision_of_person",
    "typical_values",
    "estimate",
    "performance_only",
    "small_sample",
    "no_laser_control",
    "result_marked",
    "after_shipment",
)
"""The notices that every export carries, in their order."""


def gather(
    session: Session,
    part_number: str,
    *,
    level: str,
    with_recipe: bool,
    submission: Submission | None = None,
    signatures: bool = True,
    language: str | None = None,
) -> Pack:
    """Everything on one part number; with `submission` as that submission asks for it, with its declaration.

    `language` None: the customer's.
    Without `signatures` those under the records are left out, which only a file needs and which take their time.
    Raises UnknownRecord for an unknown part.
    """
    with session.store.read() as conn:
        part = _for_customer(conn, lookups.part(conn, part_number), submission)
        words = Words(language or (part.customer.language if part.customer else "en"))
        lots = tuple(lookups.lot_by_id(conn, row.id) for row in lookups.lots_of_part(conn, part.number))
        views: list[tuple[ChartView, CapabilityReport]] = []
        sheets = []
        for c in lookups.characteristics(conn, part.number):
            view = assess.chart_view(conn, part.number, c.code)
            report = assess.capability_report(conn, part.number, c.code)
            views.append((view, report))
            sheets.append(_sheet(conn, _marked(c, part.customer), view, report, lots))
        recipes = lookups.recipe_revisions(conn, part.number)
        gauges = _gauges(conn, sheets)
        now_us = session.store.clock()
        batches = _batches(conn, sheets)
        limits = tuple(h for view, _ in views for h in view.history)
        proof = proof_of(
            conn,
            part,
            gauge_ids={g.id for g in gauges},
            lots=lots,
            recipes=recipes,
            limits=limits,
            customer=part.customer,
            signatures=signatures,
        )
        unstudied = _unstudied(conn, (sheet.characteristic for sheet in sheets))
        held = _held(part, sheets, len(recipes), gauges, proof, now_us, submission, unstudied)
        elements = element_states(level, held, words)
        cover = _cover(session, conn, part, level, words.language, now_us)
        return Pack(
            cover=cover,
            elements=elements,
            families=families_of(level, held.asked),
            characteristics=tuple(sheets),
            lots=lots,
            flags=lookups.flags(conn, part=part.number, limit=EVERY),
            recipes=recipes,
            with_recipe=with_recipe,
            limits=limits,
            lot_numbers=_numbers(views, lots),
            gauges=gauges,
            batches=batches,
            methods=_methods(words, session.plant.zone, [view for view, _ in views]),
            digests=_digests(words, cover, sheets, batches),
            streams={s.id: s.label for s in lookups.streams(conn, part.id)},
            proof=proof,
            declaration=None
            if submission is None
            else _declaration(submission, sheets, lots, elements, words),
        )


def _cover(session: Session, conn: Conn, part: Part, level: str, language: str, now_us: int) -> Cover:
    """The cover with the head of the plant's chain at this moment."""
    trail = lookups.trail_rows(conn, limit=1, plant_id=session.plant.id)
    revisions = lookups.part_revisions(conn, part.id)
    return Cover(
        plant=session.plant,
        part=part,
        part_change=revisions[-1].change if revisions else "",
        level=level,
        language=language,
        made_us=now_us,
        program_version=__version__,
        rules_version=RULES_VERSION,
        trail_seq=trail[0].seq if trail else 0,
        trail_digest=trail[0].digest if trail else "",
        cautions=tuple(Notice(all_cautions()[k].text, all_cautions()[k].defers_to) for k in CAUTIONS),
    )


def _for_customer(conn: Conn, part: Part, submission: Submission | None) -> Part:
    """The part as it goes to the customer of a submission, where that is another than its own."""
    own = part.customer.code if part.customer is not None else ""
    if submission is None or submission.customer == own:
        return part
    return replace(part, customer=lookups.customer(conn, submission.customer), customer_reference="")


def _marked(c: Characteristic, customer: Customer | None) -> Characteristic:
    """The characteristic with the customer's symbol of its class, where it has none of its own."""
    if c.symbol or customer is None:
        return c
    return replace(c, symbol=customer.symbols.get(c.special_class, ""))


def _held(
    part: Part,
    sheets: Sequence[CharacteristicSheet],
    recipes: int,
    gauges: Sequence[Gauge],
    proof: Proof,
    now_us: int,
    submission: Submission | None,
    unstudied: Sequence[str],
) -> Held:
    return Held(
        part,
        sheets,
        recipes,
        gauges,
        tuple(s.number for s in proof.studies if s.gauge or s.kind == "agreement"),
        now_us,
        plans=tuple(f"{p.number} {p.phase} {p.revision}" for p in proof.plans if p.state == "approved"),
        concessions=tuple(c.reference for c in proof.concessions if c.signed),
        filled=submission is not None and bool(submission.warrant),
        signed=submission is not None and submission.signature_id is not None,
        by_hand={} if submission is None else submission.by_hand,
        asked=() if submission is None else submission.asked,
        unstudied=unstudied,
    )


def _unstudied(conn: Conn, characteristics: Iterable[Characteristic]) -> tuple[str, ...]:
    """Codes of special characteristics without a gauge study that is not 'not acceptable'."""
    special = [c for c in characteristics if c.special_class != "standard"]
    found = lookups.study_standing(conn, special)
    return tuple(s.characteristic.code for s in found if lookups.GAUGE_STUDY in s.missing)


def _declaration(
    submission: Submission,
    sheets: Sequence[CharacteristicSheet],
    lots: Sequence[Lot],
    elements: Sequence[Element],
    words: Words,
) -> Declaration:
    given = submission.warrant
    return Declaration(
        number=submission.number,
        customer=submission.customer_name,
        asked=submission.asked,
        data=tuple(
            (d.label(words.language), words.word(given[key])) for key, d in WARRANT.items() if given.get(key)
        ),
        results=results(sheets, lots, elements, words),
    )


def _sheet(
    conn: Conn, c: Characteristic, view: ChartView, report: CapabilityReport, lots: Sequence[Lot]
) -> CharacteristicSheet:
    readings, used = _readings(conn, c, view, lots)
    modes = (
        ", ".join(f"{mode} {n}" for mode, n in report.strength.modes.items() if n) if report.strength else ""
    )
    strength = (
        (f"Failure modes: {modes}.", report.strength.joint_line, *report.strength.notes)
        if report.strength
        else ()
    )
    return CharacteristicSheet(
        characteristic=c,
        requirement=report.evidence.requirement,
        requirement_source=report.evidence.requirement_source,
        by_bound=report.evidence.by_bound,
        figures=_figures(report),
        judged=report.index,
        refusal=report.refusal,
        answer=report.answer,
        remark=report.remark,
        sentence=report.chain.sentence,
        notes=(*report.sentences, *(s for s in strength if s)),
        links=report.chain.links,
        points=_points(view),
        series=tuple(_series(view, at) for at in range(len(view.chart.tracks))) if len(view.series) else (),
        chart_method=view.chart.method,
        limits_version=_version(view),
        signals=tuple(f"{view.series.numbers[s.points[-1]]}: {s.text}" for s in view.signals),
        readings=readings,
        used=used,
    )


def _figures(report: CapabilityReport) -> CapabilityFigures | None:
    found = report.capability
    if found is None:
        return None
    better = report.shape.percentiles if report.shape is not None and report.shape.index is not None else None
    return CapabilityFigures(
        n=found.n,
        k=found.k,
        mean=found.mean,
        sd_within=found.sd_within,
        sd_overall=found.sd_overall,
        within_estimator=found.within_estimator,
        indices=(*found.within, *found.overall, *((found.cpm,) if found.cpm is not None else ())),
        shape=better.fit.name if better is not None else "",
        shape_indices=better.indices if better is not None else (),
    )


def _points(view: ChartView) -> tuple[Point, ...]:
    series, found = view.series, []
    for at, known in enumerate(view.points):
        remarks = [f"left out of the limits: {known.left_out}"] if known.left_out else []
        remarks += ["holds a corrected reading"] if known.corrected else []
        found.append(
            Point(
                number=known.number,
                at_us=known.at_us,
                n=int(series.n[at]),
                mean=float(series.mean[at]),
                sd=float(series.sd[at]),
                low=float(series.low[at]),
                high=float(series.high[at]),
                remark="; ".join(remarks),
            )
        )
    return tuple(found)


def _series(view: ChartView, at: int) -> Series:
    track = view.chart.tracks[at]
    flagged = np.zeros(track.values.size, dtype=bool)
    for signal in view.signals:
        if signal.track == track.name:
            flagged[signal.points[-1]] = True
    return Series(
        track.name, track.values, track.centre, track.lower, track.upper, flagged, track.name == LEVEL_TRACK
    )


def _version(view: ChartView) -> str:
    versions = ", ".join(str(s.version) for s in view.spans if s.version)
    return f"{view.state}, {versions}" if versions else view.state


def _readings(
    conn: Conn, c: Characteristic, view: ChartView, lots: Sequence[Lot]
) -> tuple[tuple[ReadingRow, ...], tuple[bool, ...]]:
    """All accepted readings in the order of the chart, and which of them are in its figures."""
    if c.hangs_on == "lot":
        subjects = {segment.id for lot in lots for segment in lot.segments}
    else:
        sides = (side for lot in lots for s in lot.segments for side in (s.upper, s.lower))
        subjects = {side.id for side in sides if side is not None} | set(view.series.lot_ids.tolist())
    place = {number: at for at, number in enumerate(view.series.numbers)}
    rows = sorted(
        lookups.readings_of_subjects(conn, subjects, c.code),
        key=lambda r: (
            place.get(r.lot_number, math.inf),
            r.lot_number,
            r.key.stream_id,
            r.key.subject_id,
            r.key.sample,
        ),
    )
    rows = [r for r in rows if r.key.characteristic_id == c.id]
    ids = None if view.choice.condition_ids is None else set(view.choice.condition_ids)
    used = (r.value is not None and not r.void and (ids is None or r.condition_id in ids) for r in rows)
    return tuple(rows), tuple(used)


def _numbers(views: Iterable[tuple[ChartView, CapabilityReport]], lots: Sequence[Lot]) -> dict[int, str]:
    """Numbers of lots and moulding lots by id."""
    found = {lot.id: lot.number for lot in lots}
    for view, _ in views:
        found.update(zip(view.series.lot_ids.tolist(), view.series.numbers, strict=True))
    return found


def _gauges(conn: Conn, sheets: Iterable[CharacteristicSheet]) -> tuple[Gauge, ...]:
    named = {r.gauge for sheet in sheets for r in sheet.readings if r.gauge}
    return tuple(g for g in lookups.gauges(conn) if g.code in named)


def _batches(conn: Conn, sheets: Iterable[CharacteristicSheet]) -> tuple[Batch, ...]:
    """Accepted files that readings of the part name as their origin, oldest first."""
    files = {r.file_name for sheet in sheets for r in sheet.readings if r.file_name}
    found = lookups.batches(conn, state="accepted", limit=EVERY) if files else ()
    return tuple(b for b in reversed(found) if b.file_name in files)


def _methods(words: Words, zone: str, views: Sequence[ChartView]) -> tuple[Method, ...]:
    rules = list(dict.fromkeys(rule for view in views for rule in view.rules))
    return (
        Method(words("w.values"), words("w.values_text")),
        Method(
            words("w.charts"),
            words("w.charts_text").format(rules="; ".join(rules) or words("none")),
            "ISO 7870-2; ISO 7870-6",
        ),
        Method(words("w.indices"), words("w.indices_text"), "ISO 22514-2, ISO 22514-4"),
        Method(words("w.formulas"), words("w.formulas_text"), "ISO 7870-2 (c4, d2)"),
        Method(words("w.times"), words("w.times_text").format(zone=zone)),
        Method(words("w.persons"), words("w.signer_text")),
    )


def _digests(
    words: Words, cover: Cover, sheets: Iterable[CharacteristicSheet], batches: Iterable[Batch]
) -> tuple[DigestRow, ...]:
    found = [
        DigestRow(
            words("cover.trail"),
            f"{words('cover.entry')} {cover.trail_seq}",
            cover.trail_digest,
            words("d.trail_rule"),
        )
    ]
    found += [
        DigestRow(
            words("sheet.raw"),
            f"{s.characteristic.code}: {len(s.readings)}",
            readings_digest(s.readings),
            READING_RULE,
        )
        for s in sheets
    ]
    for b in batches:
        found.append(DigestRow(words("r.file"), b.file_name, b.file_digest, words("d.file_rule")))
    return tuple(found)


def readings_digest(readings: Iterable[ReadingRow]) -> str:
    """SHA-256 over one line per reading, in the order of the raw data; see `READING_RULE`."""
    digest = sha256()
    for r in readings:
        key = r.key
        digest.update(
            f"{key.subject_id}\t{key.characteristic_id}\t{key.stream_id}\t{key.sample}\t{r.value!r}\t{r.at_us}\n".encode()
        )
    return digest.hexdigest()
