"""Lots, flags and entries as text on stdout."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.cli import output

if TYPE_CHECKING:
    from qualrec.judge.windows import JointEnergy
    from qualrec.values import Flag, ReadingRow
    from qualrec.work.bench import Logged
    from qualrec.work.lots import LotPage
    from qualrec.work.session import Session

LEVELS = {"H": "holds the lot", "R": "needs a review", "I": "informs"}


def figure(session: Session, value: float | None, decimals: int | None = None) -> str:
    """A figure in the decimal style of the session; empty for none."""
    if value is None:
        return ""
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.6g}"
    return text.replace(".", ",") if session.style == "comma" else text


def print_flag(session: Session, flag: Flag) -> None:
    """One flag: what, where, figures, rule, source, reaction plan, what was done."""
    where = " ".join(x for x in (flag.part_number, flag.lot_number or flag.moulding_lot, flag.code) if x)
    standing = f"{LEVELS[flag.level]}, {flag.state}, {session.moment(flag.opened_us)}"
    output.line(f"[{session.short_id(flag.id)}] {where}: {flag.kind} ({standing})")
    for finding in flag.findings:
        output.line(f"    {finding.sentence}")
    output.line(f"    Rule: {flag.rule}")
    output.line(f"    Source: {flag.source}")
    if flag.state != "closed":
        for position, step in enumerate(flag.reaction_plan, 1):
            output.line(f"    Reaction {position}: {step}")
    for action in flag.actions:
        output.line(f"    {action.kind}, {action.person}, {session.moment(action.at_us)}: {action.what}")


def reading_cells(session: Session, row: ReadingRow, gauge: str = "") -> tuple[str, ...]:
    """One reading as cells: characteristic, stream, sample, value, mode, moment, person, remarks.

    `gauge`: what is to be said of the gauge at that moment.
    """
    remarks = [gauge] if gauge else []
    if row.void:
        remarks.append(f"void: {row.correction_reason}")
    elif row.corrected:
        was = figure(session, row.original, row.decimals or None)
        remarks.append(f"corrected from {was}: {row.correction_reason}")
    if row.first_text is not None:
        remarks.append(f"typed twice, first {row.first_text}")
    if row.late:
        remarks.append("entered late")
    value = figure(session, row.value, row.decimals if row.decimals else None)
    return (
        row.code,
        row.stream,
        str(row.key.sample),
        f"{value or '-'} {row.unit}",
        row.pull.mode if row.pull is not None else "",
        session.moment(row.at_us),
        row.person,
        row.gauge,
        "; ".join(remarks),
    )


def _energy(session: Session, energy: JointEnergy) -> str:
    """Joint energy in words; an estimate from recipe and transmission."""
    if energy.budget is None or energy.budget.areal_joint is None or energy.transmission_pct is None:
        return energy.note or "not known"
    value = figure(session, energy.budget.areal_joint.value, 3)
    joint = energy.budget.get("areal_joint")
    if joint is not None and joint.sd is not None:
        value += f" ± {figure(session, 2.0 * joint.sd, 3)}"
    measured = figure(session, energy.transmission_pct, 1)
    return f"{value} J/mm² (estimate), transmission {measured} % of moulding lot {energy.moulding_lot}"


READING_HEADS = ("", "stream", "sample", "value", "failure mode", "at", "by", "gauge", "remark")


def print_page(session: Session, page: LotPage) -> None:
    """Everything on one lot."""
    from qualrec.work.lots import gauge_then

    lot = page.lot
    output.line(
        f"Lot {lot.number}: {lot.part.number} {lot.part.name}, revision {lot.part.revision}: {lot.state}"
    )
    quantity = "" if lot.quantity is None else f", {lot.quantity} parts"
    if lot.parent:
        quantity += f", reworked from lot {lot.parent}"
    output.line(
        f"Welded {session.moment(lot.started_us)} to {session.moment(lot.ended_us) or 'now'}{quantity}"
    )
    for segment in lot.segments:
        recipe = (
            "no recipe"
            if segment.recipe is None
            else f"{segment.recipe.code} revision {segment.recipe.revision}"
        )
        output.line(f"Segment {segment.position} from {session.moment(segment.from_us)}: {recipe}, "
                    f"{segment.station or 'no station'}, {segment.operator or 'nobody named'}")  # fmt: skip
        for side, moulding in (("upper", segment.upper), ("lower", segment.lower)):
            if moulding is not None:
                fed = ", ".join(moulding.deliveries) or "no delivery named"
                output.line(
                    f"  {side}: moulding lot {moulding.number} ({moulding.component.material}, {fed})"
                )
    for energy in page.judgement.energies:
        output.line(f"  energy at the joint, segment {energy.segment}: {_energy(session, energy)}")
        if energy.advice is not None:
            output.line(f"    {energy.advice.text}")
    if page.judgement.energy_story:
        output.line(f"  {page.judgement.energy_story}")
    output.line()
    output.table(
        ("characteristic", "verdict", "n", "mean", "sd", "lowest", "highest", "unit", "why"),
        (
            (
                v.code,
                v.answer,
                v.n,
                figure(session, v.mean if v.n else None),
                figure(session, v.sd if v.n > 1 else None),
                figure(session, v.low if v.n else None),
                figure(session, v.high if v.n else None),
                v.unit,
                " ".join(v.reasons[:1]),
            )
            for v in page.judgement.verdicts
        ),
        right=(2, 3, 4, 5, 6),
    )
    output.line()
    output.table(READING_HEADS, (reading_cells(session, r, gauge_then(page, r)) for r in page.readings))
    for flag in page.flags:
        output.line()
        print_flag(session, flag)
    output.line()
    output.line(page.judgement.gate.sentence)
    for reason in page.judgement.gate.reasons:
        output.line(f"  {reason.effect}: {reason.sentence}")
    for done in lot.dispositions:
        parts = "" if done.quantity is None else f" {done.quantity} parts"
        output.line(f"{done.kind}{parts}, {done.person}, {session.moment(done.at_us)}: {done.reason}")
    for one in page.signatures:
        mark = f"   {one.words.upper()}" if one.words else "   covers what was signed"
        output.line(
            f"signed: {one.signature.meaning}, {one.signature.person}, {session.moment(one.signature.at_us)}{mark}"
        )
    for shipment in lot.shipments:
        output.line(f"shipped {shipment.quantity}, {session.moment(shipment.at_us)}, {shipment.document}")


def print_logged(session: Session, done: Logged) -> None:
    """What an entry did."""
    for echo, row, verdict in zip(done.echoes, done.rows, done.verdicts, strict=True):
        mode = f", {row.pull.mode}" if row.pull is not None else ""
        output.line(
            f"{row.code} sample {row.key.sample}: {echo}{mode}: {verdict.answer}. {' '.join(verdict.reasons)}"
        )
    for flag in done.new_flags:
        print_flag(session, flag)
    missing = [o for o in done.owed if o.missing]
    for owed in missing:
        output.line(
            f"Still owed: {owed.missing} of {owed.name}" + (f", {owed.position}" if owed.position else "")
        )
    output.line(f"Lot {done.lot} is {done.state}." if done.state else f"Stored on {done.lot}.")
