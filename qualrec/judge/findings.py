"""Findings of a lot from its readings, samples, recipe, material, gauges, station and shipments.

Every finding has a stable `what`, so that judging a lot twice adds nothing. Findings on charts: `charting`;
on the process: `process`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.judge import kinds
from qualrec.judge.equipment import cleaning_findings, gauge_findings
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.judge.origins import material_findings, recipe_findings
from qualrec.judge.verdict import FAIL, Violation, judge_reading
from qualrec.values import Characteristic, Finding, Lot, MouldingLot, Owed, ReadingRow

FIRST_OFF = "first-off"
MOST_READINGS = 20
"""Failing readings of one characteristic that get a finding of their own; one more finding counts the rest."""

WAITING_STATES = ("open", "awaiting tests")


def lot_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """All findings of a lot but those on charts and qualified windows (`windows.window_findings`)."""
    return (
        *reading_findings(facts),
        *sample_findings(facts),
        *recipe_findings(facts),
        *material_findings(facts),
        *shipment_findings(facts),
        *gauge_findings(facts),
        *cleaning_findings(facts),
    )


@dataclass(frozen=True, slots=True)
class _Fail:
    characteristic: Characteristic
    reading: ReadingRow
    moulding: MouldingLot | None
    violation: Violation

    @property
    def kind(self) -> str:
        """The kind of the violation; below the minimum on an upper moulding lot is the transmission kind."""
        low = self.violation.kind == kinds.OUTSIDE_SPECIFICATION and self.violation.side < 0
        upper = self.moulding is not None and self.moulding.component.side == "upper"
        if low and upper and self.characteristic.quantity == "transmission":
            return kinds.TRANSMISSION_LOW
        return self.violation.kind

    @property
    def place(self) -> str:
        """The reading in words."""
        stream = f" of {self.reading.stream}" if self.reading.stream else ""
        lot = f", moulding lot {self.moulding.number}" if self.moulding is not None else ""
        return f"sample {self.reading.key.sample}{stream}{lot}"

    @property
    def what(self) -> str:
        key, side = self.reading.key, self.violation.side
        sign = {-1: " low", 1: " high"}.get(side, "")
        return f"reading {key.subject_id}/{key.stream_id}/{key.sample}{sign}"


def _fails(facts: LotFacts) -> list[_Fail]:
    found = []
    for reading, moulding in facts.all_readings():
        characteristic = facts.spec(reading)
        if characteristic is None:
            continue
        verdict = judge_reading(characteristic, reading.value, reading.pull)
        if verdict.answer == FAIL:
            found += [_Fail(characteristic, reading, moulding, v) for v in verdict.violations]
    return found


def reading_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Outside specification, interfacial, share above the limit, mode not accepted, transmission minimum."""
    groups: dict[tuple[str, int, int], list[_Fail]] = {}
    for fail in _fails(facts):
        moulding_id = 0 if fail.moulding is None else fail.moulding.id
        groups.setdefault((fail.kind, fail.characteristic.id, moulding_id), []).append(fail)
    found = []
    for fails in groups.values():
        found += [_reading_finding(facts.lot, fail) for fail in fails[:MOST_READINGS]]
        if len(fails) > MOST_READINGS:
            found.append(_rest_finding(facts.lot, fails))
    return tuple(found)


def _reading_finding(lot: Lot, fail: _Fail) -> Finding:
    c, r = fail.characteristic, fail.reading
    pull = r.pull
    return make_finding(
        fail.kind,
        fail.what,
        f"{c.name}, {fail.place}: {fail.violation.sentence}",
        {
            "value": r.value,
            "unit": c.unit,
            "lower limit": c.lsl,
            "upper limit": c.usl,
            "sample": r.key.sample,
            "failure mode": None if pull is None else pull.mode,
            "interfacial share %": None if pull is None else pull.interfacial_pct,
        },
        c,
        stream_id=r.key.stream_id,
        lot_id=lot.id,
        moulding_lot_id=None if fail.moulding is None else fail.moulding.id,
        at_us=r.at_us,
    )


def _rest_finding(lot: Lot, fails: Sequence[_Fail]) -> Finding:
    first = fails[0]
    rest = len(fails) - MOST_READINGS
    return make_finding(
        first.kind,
        f"more than {MOST_READINGS} readings" + (f" of {first.moulding.number}" if first.moulding else ""),
        f"{first.characteristic.name}: {rest} more readings fail in the same way ({len(fails)} in all).",
        {"failing readings": len(fails)},
        first.characteristic,
        lot_id=lot.id,
        moulding_lot_id=None if first.moulding is None else first.moulding.id,
        at_us=fails[-1].reading.at_us,
    )


def sample_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Mandatory samples missing though due, and the first-off missing though the lot went on."""
    lot, found = facts.lot, []
    begun = any(o.done for o in lot.owed if o.position != FIRST_OFF and _of_the_lot(facts, o))
    for owed in lot.owed:
        if not owed.missing:
            continue
        due = owed.due_us is not None and owed.due_us < facts.now_us
        first_off = owed.position == FIRST_OFF
        late = due or (begun or lot.ended_us is not None if first_off else lot.state not in WAITING_STATES)
        if not late or not (owed.mandatory or first_off):
            continue
        characteristic = facts.characteristics.get(owed.characteristic_id)
        kind = kinds.FIRST_OFF_MISSING if first_off else kinds.SAMPLE_MISSING
        found.append(
            make_finding(
                kind,
                position_what(owed),
                f"{owed.name}: {owed.missing} of {owed.count} samples missing"
                + (f" at position {owed.position}." if owed.position else "."),
                {"asked": owed.count, "done": owed.done, "position": owed.position},
                characteristic,
                lot_id=lot.id,
                at_us=owed.due_us or lot.ended_us or lot.started_us,
            )
        )
    return tuple(found)


def _of_the_lot(facts: LotFacts, owed: Owed) -> bool:
    """Whether a sample is one of the welded parts; what was measured on a moulding lot was there before the welding."""
    c = facts.characteristics.get(owed.characteristic_id)
    return c is None or c.hangs_on == "lot"


def position_what(owed: Owed) -> str:
    """What tells one owed sample of a characteristic from another."""
    return f"position {owed.position or 'any'}"


def shipment_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Failing readings that became known after the first shipment of the lot."""
    if not facts.lot.shipments:
        return ()
    shipped_us = min(s.at_us for s in facts.lot.shipments)
    quantity = sum(s.quantity for s in facts.lot.shipments)
    late = []
    for fail in _fails(facts):
        r = fail.reading
        known_us = max(r.entered_us or r.at_us, facts.corrected_us.get(r.key, 0))
        if known_us > shipped_us:
            late.append((fail, known_us))
    return tuple(
        make_finding(
            kinds.FAIL_AFTER_SHIPMENT,
            fail.what,
            f"{fail.characteristic.name}, {fail.place}: {fail.violation.sentence} "
            f"{quantity} parts of the lot had left the house since the first shipment.",
            {
                "value": fail.reading.value,
                "shipped_us": shipped_us,
                "known_us": known_us,
                "shipped": quantity,
            },
            fail.characteristic,
            stream_id=fail.reading.key.stream_id,
            lot_id=facts.lot.id,
            moulding_lot_id=None if fail.moulding is None else fail.moulding.id,
            at_us=known_us,
        )
        for fail, known_us in late[:MOST_READINGS]
    )
