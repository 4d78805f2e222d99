"""The certificate of one lot: gathered in one snapshot, refused for a lot that is not released unless marked as a draft."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from qualrec import __version__
from qualrec.errors import Refused, UsageError
from qualrec.export.certificate import Certificate, Leave, Result, Signed, certificate_document
from qualrec.export.document import Document
from qualrec.export.messages import LANGUAGES
from qualrec.judge.verdict import CharacteristicVerdict
from qualrec.records import lookups, trail
from qualrec.values import Characteristic, Flag, Lot, ReadingRow
from qualrec.weld.failure_modes import FailureMode
from qualrec.work import outfile
from qualrec.work.lot_life import LEAVES, Balance, balance, last_said_us
from qualrec.work.lots import LotPage, lot_page
from qualrec.work.outfile import Made
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signed import Standing
from qualrec.work.submission_pack import READING_RULE, readings_digest

FREE_STATES = ("released", "released under concession", "shipped")
"""States in which parts are free where it is not recorded how many the lot holds."""


def gather(session: Session, number: str, *, draft: bool = False, language: str | None = None) -> Certificate:
    """The content of a certificate. `language` None: the customer's.

    Raises Refused for a lot none of whose parts is released, with what stands against it, unless `draft` is said; Refused too
    for a draft of a released lot. Raises UnknownRecord for an unknown lot, UsageError for an unknown language.
    """
    found = content(session, number, language=language)
    if found.draft and not draft:
        raise Refused(_refusal(found.lot, found.stands), _remedy(found.lot))
    if draft and not found.draft:
        raise Refused(
            f"Lot {number} is {found.lot.state}; its certificate is no draft.", "Leave --draft out."
        )
    return found


def content(session: Session, number: str, *, language: str | None = None) -> Certificate:
    """What is recorded of a lot, a draft where it is not released. Raises UnknownRecord, UsageError."""
    if language is not None and language not in LANGUAGES:
        raise UsageError(f"{language!r} is no language of exports.", f"Use one of: {', '.join(LANGUAGES)}.")
    head = trail.head(session.store, session.plant.id)
    page = lot_page(session, number)
    held = balance(page.lot)
    stands = stands_against(page, held)
    with session.store.read() as conn:
        leaves = tuple(c for c in lookups.concessions(conn, number) if c.lot_number == number or c.used)
    customer = page.lot.part.customer
    rows = (*page.readings, *page.moulding_readings)
    return Certificate(
        plant=session.plant,
        language=language or (customer.language if customer else "en"),
        lot=page.lot,
        covers=None if held is None else 0 if stands else held.free,
        gone=0 if held is None else held.gone,
        shipped=sum(s.quantity for s in page.lot.shipments),
        stands=stands,
        results=_results(page, rows),
        modes=_modes(page.readings),
        concessions=tuple(Leave(c.reference, c.quantity, c.used, c.until_us, c.reason) for c in leaves),
        signatures=tuple(_signed(s) for s in page.signatures),
        flags=_by_level(page.flags),
        flags_open=sum(f.state != "closed" for f in page.flags),
        readings=len(rows),
        readings_digest=readings_digest(rows),
        readings_rule=READING_RULE,
        made_us=session.store.clock(),
        program_version=__version__,
        rules_version=page.judgement.rules_version,
        trail_seq=head.seq,
        trail_digest=head.digest,
    )


def make(
    session: Session,
    number: str,
    to: Path,
    *,
    draft: bool = False,
    language: str | None = None,
    replace: bool = False,
) -> Made:
    """Write the certificate of a lot as a workbook or a PDF file, and note in the trail that it was made.

    Raises what `gather` raises, and Refused where the file is there or cannot be written.
    """
    require(session.actor, "make certificates")
    outfile.check_place(to, (outfile.BOOK, outfile.PAPER), replace=replace)
    cert = gather(session, number, draft=draft, language=language)
    digest = outfile.put_document(document(cert), to, replace=replace)
    noted = {
        "lot": cert.lot.id,
        "file": to.name,
        "sha256": digest,
        "draft": cert.draft,
        "covers": cert.covers,
        "readings": cert.readings_digest,
        "head": [cert.trail_seq, cert.trail_digest],
    }
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note(
            "draft of certificate made" if cert.draft else "certificate made", "lot", cert.lot.id, noted
        )
    return Made(to, digest, cert.trail_seq, cert.trail_digest, _sentences(cert, to, digest))


def document(cert: Certificate) -> Document:
    """The certificate as a document."""
    return certificate_document(cert)


def stands_against(page: LotPage, held: Balance | None) -> tuple[str, ...]:
    """Why no certificate is made of a lot, in words; empty where parts of it may leave the house.

    That is: parts are free by a release or a concession, and no holding flag said something new since.
    """
    lot = page.lot
    free = lot.state in FREE_STATES if held is None else held.free > 0
    given_us = max((d.at_us for d in lot.dispositions if d.kind in LEAVES), default=0)
    holding = [
        f
        for f in page.flags
        if f.level == "H" and f.scope != "process" and f.state != "closed" and last_said_us(f) > given_us
    ]
    if free and not holding and lot.state != "suspect, shipped":
        return ()
    gate = [reason.sentence for reason in page.judgement.gate.reasons if reason.effect != "informs"]
    return (f"Lot {lot.number} is {lot.state}.", *gate)


def _refusal(lot: Lot, stands: Sequence[str]) -> str:
    shown = "\n".join(f"  - {sentence}" for sentence in stands[1:])
    first = f"{stands[0]} A certificate is made of released parts only."
    return f"{first}\n{shown}" if shown else first


def _remedy(lot: Lot) -> str:
    if lot.state in ("scrapped", "reworked"):
        return "There is nothing to certify; --draft writes what is recorded, marked as a draft."
    return f"See what stands against it ('qualrec lot {lot.number}') and decide; or write a draft that says so: --draft."


def _results(page: LotPage, rows: Sequence[ReadingRow]) -> tuple[Result, ...]:
    known = {c.id: c for c in page.judgement.characteristics}
    return tuple(_result(v, known[v.characteristic_id], rows) for v in page.judgement.verdicts)


def _result(v: CharacteristicVerdict, c: Characteristic, rows: Sequence[ReadingRow]) -> Result:
    own = [r for r in rows if r.key.characteristic_id == c.id]
    return Result(
        code=v.code,
        name=v.name,
        unit=v.unit,
        special_class=c.special_class,
        symbol=c.symbol,
        decimals=c.decimals,
        n=v.n,
        mean=_finite(v.mean),
        sd=_finite(v.sd),
        low=_finite(v.low),
        high=_finite(v.high),
        lsl=c.lsl,
        usl=c.usl,
        answer=v.answer,
        corrected=sum(r.corrected for r in own),
        void=sum(r.void for r in own),
        test_faults=v.test_faults,
    )


def _signed(standing: Standing) -> Signed:
    s = standing.signature
    return Signed(s.meaning, s.person, s.at_us, s.reason, s.digest, standing.covers)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _modes(rows: Sequence[ReadingRow]) -> dict[str, dict[str, int]]:
    """Pulls that count, by characteristic and failure mode."""
    found: dict[str, Counter[str]] = {}
    for row in rows:
        if (
            row.pull is not None
            and not row.void
            and row.pull.mode
            and row.pull.mode != FailureMode.TEST_FAULT
        ):
            found.setdefault(row.code, Counter())[row.pull.mode] += 1
    return {code: dict(sorted(modes.items())) for code, modes in sorted(found.items())}


def _by_level(flags: Sequence[Flag]) -> tuple[int, int, int]:
    levels = Counter(f.level for f in flags)
    return levels["H"], levels["R"], levels["I"]


def _sentences(cert: Certificate, to: Path, digest: str) -> tuple[str, ...]:
    said = [f"{to} written: {'draft of the ' if cert.draft else ''}certificate of lot {cert.lot.number}."]
    if cert.covers is not None and not cert.draft:
        said.append(f"It covers {cert.covers} of {cert.lot.quantity} parts.")
    said += [f"SHA-256 {digest}", f"Record chain: entry {cert.trail_seq}, {cert.trail_digest}"]
    said += [f"Not released: {sentence}" for sentence in cert.stands]
    if any(s.covers is False for s in cert.signatures):
        said.append("A signature no longer covers the records as they are; the certificate says so.")
    if cert.plant.invented:
        said.append("All of it is invented data and says so.")
    return tuple(said)
