"""The release gate of a lot: what blocks, what needs a note, and whether a concession opens it. All reasons in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.judge import kinds
from qualrec.judge.findings import position_what
from qualrec.judge.verdict import FAIL, INCOMPLETE, CharacteristicVerdict
from qualrec.values import Finding, Flag, Lot

OPEN, NOTE, BLOCKED, CONCESSION, DECIDED = "open", "needs a note", "blocked", "by concession", "decided"
BLOCKS, NEEDS_NOTE, INFORMS = "blocks", "needs a note", "informs"
ENDED_STATES = (
    "released",
    "released under concession",
    "scrapped",
    "reworked",
    "shipped",
    "suspect, shipped",
)


@dataclass(frozen=True, slots=True)
class Leave:
    """A signed concession as the gate needs it. `quantity` None: not counted by quantity."""

    reference: str
    quantity: int | None
    until_us: int | None
    reason: str
    signed: bool


@dataclass(frozen=True, slots=True)
class GateReason:
    """`effect` is 'blocks', 'needs a note' or 'informs'; `flag_id` where a stored flag says so."""

    effect: str
    level: str
    kind: str
    sentence: str
    flag_id: int | None = None


@dataclass(frozen=True, slots=True)
class Gate:
    """`answer`: 'decided' (released, shipped, scrapped, reworked), 'open', 'needs a note' (only review flags are
    open), 'blocked', or 'by concession' (a valid signed concession is there for what blocks). `reasons` holds
    everything, worst first."""

    answer: str
    reasons: tuple[GateReason, ...]
    sentence: str

    @property
    def may_release(self) -> bool:
        """Whether a release may be signed now without a concession."""
        return self.answer == OPEN

    def of(self, effect: str) -> tuple[GateReason, ...]:
        """The reasons with that effect."""
        return tuple(r for r in self.reasons if r.effect == effect)


def release_gate(
    lot: Lot,
    verdicts: Sequence[CharacteristicVerdict],
    flags: Sequence[Flag],
    findings: Sequence[Finding] = (),
    concessions: Sequence[Leave] = (),
    now_us: int = 0,
) -> Gate:
    """Whether a lot may be released.

    `flags` of the lot as stored; `findings` of the present judgement that may not be stored yet: they count as open
    flags unless a flag holds them. Process flags never block. A concession counts where it is signed, not expired and
    covers the quantity of the lot.
    """
    reasons = [
        *(r for f in flags if (r := _flag_reason(f)) is not None),
        *_unstored(flags, findings),
        *_missing(lot, flags, findings),
        *(r for v in verdicts if (r := _verdict_reason(v, flags)) is not None),
    ]
    if lot.state in ENDED_STATES:
        sentence = f"Lot {lot.number} is {lot.state}; there is nothing to release."
        return Gate(DECIDED, _ordered(reasons), sentence)
    blocks = sum(r.effect == BLOCKS for r in reasons)
    notes = sum(r.effect == NEEDS_NOTE for r in reasons)
    if not blocks and not notes:
        return Gate(OPEN, _ordered(reasons), f"Nothing stands against the release of lot {lot.number}.")
    leave, refusals = _valid_leave(lot, concessions, now_us)
    reasons += [GateReason(INFORMS, "I", "concession", text) for text in refusals]
    if leave is not None:
        sentence = f"Lot {lot.number} may be released only under concession {leave.reference}."
        return Gate(CONCESSION, _ordered(reasons), sentence)
    if blocks:
        sentence = (
            f"Lot {lot.number} is blocked: {_count(blocks, 'reason')}. Release by signed concession only."
        )
        return Gate(BLOCKED, _ordered(reasons), sentence)
    return Gate(
        NOTE, _ordered(reasons), f"Lot {lot.number} needs {_count(notes, 'review note')} before release."
    )


def _flag_reason(flag: Flag) -> GateReason | None:
    if flag.scope == "process":
        return None
    where = f" ({flag.code})" if flag.code else ""
    findings = " ".join(f.sentence for f in flag.findings) or flag.rule
    if flag.state == "closed":
        return None
    effect = {"H": BLOCKS, "R": NEEDS_NOTE}.get(flag.level, INFORMS)
    return GateReason(effect, flag.level, flag.kind, f"{flag.kind}{where}, {flag.state}: {findings}", flag.id)


def _unstored(flags: Sequence[Flag], findings: Sequence[Finding]) -> list[GateReason]:
    stored = {(f.kind, f.characteristic_id, held.what) for f in flags for held in f.findings}
    return [
        GateReason(
            {"H": BLOCKS, "R": NEEDS_NOTE}.get(f.level, INFORMS), f.level, f.kind, f"{f.kind}: {f.sentence}"
        )
        for f in findings
        if f.scope != "process" and (f.kind, f.characteristic_id, f.what) not in stored
    ]


def _missing(lot: Lot, flags: Sequence[Flag], findings: Sequence[Finding]) -> list[GateReason]:
    """Mandatory samples block a release even before they are due; those that a flag or finding names are there already."""
    sample_kinds = (kinds.SAMPLE_MISSING, kinds.FIRST_OFF_MISSING)
    named = {(f.characteristic_id, held.what) for f in flags if f.kind in sample_kinds for held in f.findings}
    named |= {(f.characteristic_id, f.what) for f in findings if f.kind in sample_kinds}
    return [
        GateReason(
            BLOCKS,
            "H",
            kinds.SAMPLE_MISSING,
            f"{o.name}: {o.missing} of {o.count} mandatory samples missing"
            + (f" at position {o.position}." if o.position else "."),
        )
        for o in lot.owed
        if o.mandatory and o.missing and (o.characteristic_id, position_what(o)) not in named
    ]


def _verdict_reason(verdict: CharacteristicVerdict, flags: Sequence[Flag]) -> GateReason | None:
    """A failing or incomplete characteristic that no flag accounts for."""
    if verdict.answer == INCOMPLETE and not verdict.missing:
        return GateReason(BLOCKS, "H", "incomplete", f"{verdict.name}: {' '.join(verdict.reasons)}")
    accounted = any(f.characteristic_id == verdict.characteristic_id and f.level == "H" for f in flags)
    if verdict.answer == FAIL and not accounted:
        return GateReason(BLOCKS, "H", "fail", f"{verdict.name} fails: {' '.join(verdict.reasons)}")
    return None


def _valid_leave(lot: Lot, concessions: Sequence[Leave], now_us: int) -> tuple[Leave | None, tuple[str, ...]]:
    refusals = []
    for leave in concessions:
        if not leave.signed:
            refusals.append(f"Concession {leave.reference} is not signed.")
        elif leave.until_us is not None and leave.until_us < now_us:
            refusals.append(f"Concession {leave.reference} has run out.")
        elif leave.quantity == 0:
            refusals.append(f"Concession {leave.reference} is used up.")
        elif leave.quantity is not None and (lot.quantity is None or lot.quantity > leave.quantity):
            held = "unknown" if lot.quantity is None else f"{lot.quantity}"
            refusals.append(
                f"Concession {leave.reference} covers {leave.quantity} parts, the lot holds {held}: "
                "release the covered part only."
            )
            return leave, tuple(refusals)
        else:
            return leave, ()
    return None, tuple(refusals)


def _ordered(reasons: Sequence[GateReason]) -> tuple[GateReason, ...]:
    rank = {BLOCKS: 0, NEEDS_NOTE: 1, INFORMS: 2}
    return tuple(sorted(reasons, key=lambda r: rank[r.effect]))


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
