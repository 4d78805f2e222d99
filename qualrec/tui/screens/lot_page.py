"""One lot in lines: what blocks it, flags, verdicts with readings, energy, materials, decisions, events."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import LEVELS, VERDICTS, DecimalStyle, Label, Tone, count, number
from qualrec.tui.screens.lot_readings import reading_key, reading_line
from qualrec.tui.screens.lot_story import alert_lines, containment_lines, keyed, tree_lines
from qualrec.tui.screens.signature_lines import signature_lines
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.judge.verdict import CharacteristicVerdict
    from qualrec.judge.windows import JointEnergy
    from qualrec.records.lookups import Concession, Containment, Delivery, DoneStep
    from qualrec.values import Characteristic, Flag, MouldingLot, ReadingRow, Segment
    from qualrec.work.lots import LotPage
    from qualrec.work.session import Session
    from qualrec.work.trace import Trace

MOST_READINGS = 300
"""Most readings of one characteristic that the page lists; corrected, void and twice typed ones always are."""
FOLDED_ABOVE = 12
"""A characteristic with more readings than these is folded at first, unless one of them fails."""

STATES = {
    "open": Label("·", "-", "open", Tone.QUIET),
    "awaiting tests": Label("·", "-", "awaiting tests", Tone.LOOK),
    "under review": Label("»", ">", "under review", Tone.LOOK),
    "on hold": Label("!", "!", "on hold", Tone.BAD),
    "released": Label("✓", "+", "released", Tone.GOOD),
    "released under concession": Label("✓", "+", "by concession", Tone.LOOK),
    "scrapped": Label("×", "x", "scrapped", Tone.QUIET),
    "reworked": Label("×", "x", "reworked", Tone.QUIET),
    "shipped": Label("✓", "+", "shipped", Tone.GOOD),
    "suspect, shipped": Label("!", "!", "suspect, shipped", Tone.BAD),
}
"""State of a lot: sign, word, tone."""

ANSWERS = {
    "pass": Label("✓", "+", "pass", Tone.GOOD),
    "fail": Label("!", "!", "FAIL", Tone.BAD),
    "incomplete": Label("·", "-", "incomplete", Tone.LOOK),
    "unknown": Label("?", "?", "unknown", Tone.QUIET),
}
EFFECTS = {"blocks": LEVELS["H"], "needs a note": LEVELS["R"], "informs": LEVELS["I"]}
NOTICE = (
    "A pass of few destructive pulls does not prove that no defect is present. "
    "The decision about a lot belongs to an authorised, qualified person."
)


@dataclass(frozen=True, slots=True)
class SeenLot:
    """What was read of a lot. `plans`: its characteristics by code."""

    session: Session
    page: LotPage
    concessions: tuple[Concession, ...]
    deliveries: tuple[Delivery, ...]
    """Deliveries that went into its moulding lots."""
    trace: Trace
    containments: tuple[Containment, ...]
    steps: Mapping[int, tuple[DoneStep, ...]]
    """Steps of the reaction plans that were done, by flag."""

    def characteristic(self, code: str) -> Characteristic | None:
        return next((c for c in self.page.judgement.characteristics if c.code == code), None)

    def readings(self, code: str) -> tuple[ReadingRow, ...]:
        return tuple(r for r in (*self.page.readings, *self.page.moulding_readings) if r.code == code)

    def flag(self, key: str) -> Flag | None:
        """The flag of a line's key."""
        return next((f for f in self.page.flags if key == f"flag:{f.id}"), None)

    def reading(self, key: str) -> ReadingRow | None:
        """The reading of a line's key."""
        found = (*self.page.readings, *self.page.moulding_readings)
        return next((r for r in found if key == reading_key(r)), None)

    def code_of(self, key: str) -> str:
        """The characteristic that a line is about; empty where it is about none."""
        kind, _, rest = key.partition(":")
        if kind == "verdict":
            return rest
        if kind == "reading":
            row = self.reading(key)
            return "" if row is None else row.code
        flag = self.flag(key)
        return "" if flag is None else flag.code


def cell(label: Label, width: int = 0) -> Cell:
    """Sign and word; ASCII signs are put in where the cell is drawn."""
    return Cell(label.text().ljust(width), label.tone)


def head_lines(seen: SeenLot) -> list[Text]:
    """What always stands on top: who, what state, whether it may be released."""
    lot, gate = seen.page.lot, seen.page.judgement.gate
    moment = seen.session.moment
    state = STATES[lot.state]
    parts = "" if lot.quantity is None else f"   {lot.quantity} parts"
    safety = "   SAFETY-RELATED" if lot.part.safety_related else ""
    segment = lot.segment if lot.segments else None
    recipe = _recipe(segment)
    where = "" if segment is None else f"   {segment.station or 'no station'}"
    may = gate.answer == "open"
    effect = {"blocked": LEVELS["H"], "decided": LEVELS["I"]}.get(gate.answer, LEVELS["R"])
    sign = VERDICTS["ok"].sign if may else effect.sign
    return [
        Cell(f"{lot.number}   {state.text()}{parts}   {lot.part.number} {lot.part.name}{safety}", state.tone),
        f"welded {moment(lot.started_us)} to {moment(lot.ended_us) or 'now'}   {recipe}{where}".rstrip(),
        Cell(f"{sign} {gate.sentence}", Tone.GOOD if may else effect.tone),
    ]


def page_lines(seen: SeenLot, turned: Collection[str], style: DecimalStyle) -> list[PickLine]:
    """The page line by line. `turned`: codes whose readings were folded or unfolded by hand."""
    writer = _Writer(seen, style)
    return [
        *keyed("Left the house and is suspect", alert_lines(seen)),
        *writer.reasons(),
        *writer.other_flags(),
        *writer.verdicts(turned),
        *writer.energies(),
        *writer.materials(),
        *writer.decisions(),
        *signature_lines(seen.page.signatures, seen.session.moment),
        *keyed("Containment", containment_lines(seen)),
        *keyed("Came from", tree_lines("from", seen.trace.came_from)),
        *keyed("Went to", tree_lines("to", seen.trace.went_to)),
        *writer.events(),
    ]


def figure_words(name: str, value: float, moment: Callable[[int], str]) -> str:
    """A figure of a finding; one that is a moment (its name ends with '_us') as day and time."""
    return f"{name[:-3]} {moment(int(value))}" if name.endswith("_us") else f"{name} {number(value)}"


def flag_detail(seen: SeenLot, flag: Flag) -> list[Text]:
    """A flag with figures, rule, source, reaction plan (done steps ticked) and what was done."""
    level = LEVELS[flag.level]
    where = " ".join(x for x in (flag.code, flag.stream, flag.moulding_lot) if x)
    lines: list[Text] = [
        Cell(f"{level.text()}  {flag.kind}, {flag.state}", level.tone),
        f"{where or flag.scope}, since {seen.session.moment(flag.opened_us)}",
    ]
    for finding in flag.findings:
        lines.append(finding.sentence)
        figures = [
            figure_words(name, value, seen.session.moment)
            for name, value in finding.figures.items()
            if isinstance(value, int | float)
        ]
        if figures:
            lines.append(Cell("  " + ", ".join(figures), Tone.QUIET))
    lines += [f"Rule: {flag.rule}", f"Source: {flag.source}"]
    if flag.reaction_plan:
        done = {s.position: s for s in seen.steps.get(flag.id, ())}
        lines.append(f"Reaction plan, {len(done)} of {len(flag.reaction_plan)} steps done:")
        for at, step in enumerate(flag.reaction_plan, 1):
            if at not in done:
                lines.append(f"    {at}. {step}")
                continue
            by = f"{done[at].person}, {seen.session.moment(done[at].done_us)}"
            lines.append(Cell(f"  {VERDICTS['ok'].sign} {at}. {step}  {by}", Tone.GOOD))
    if flag.actions:
        lines.append("Done:")
        lines += [f"  {a.kind}, {a.person}, {seen.session.moment(a.at_us)}: {a.what}" for a in flag.actions]
    return lines


def next_step(seen: SeenLot, flag: Flag) -> int | None:
    """The first step of the reaction plan that is not done; None where all are."""
    done = {s.position for s in seen.steps.get(flag.id, ())}
    return next((at for at in range(1, len(flag.reaction_plan) + 1) if at not in done), None)


def _recipe(segment: Segment | None) -> str:
    if segment is None or segment.recipe is None:
        return "no recipe"
    return f"{segment.recipe.code} rev {segment.recipe.revision}"


class _Writer:
    """Writes the sections of one page."""

    def __init__(self, seen: SeenLot, style: DecimalStyle) -> None:
        self.seen = seen
        self.page = seen.page
        self.moment: Callable[[int | None], str] = seen.session.moment
        self.style: DecimalStyle = style

    def figure(self, value: float | None, decimals: int | None = None) -> str:
        return number(value, decimals, self.style)

    # What blocks, and flags.

    def reasons(self) -> list[PickLine]:
        gate = self.page.judgement.gate
        lines = []
        for at, reason in enumerate(gate.reasons):
            flag = None if reason.flag_id is None else self.seen.flag(f"flag:{reason.flag_id}")
            label = LEVELS.get(reason.level, EFFECTS[reason.effect])
            parts: list[Text] = [cell(label, 9), f" {reason.sentence}"]
            if flag is None:
                detail: list[Text] = [Cell(f"{label.text()}  {reason.kind}", label.tone), reason.sentence]
                detail.append(f"Effect on the release: {reason.effect}.")
                lines.append(PickLine(f"reason:{at}", parts, detail))
            elif not any(line.key == f"flag:{flag.id}" for line in lines):
                lines.append(PickLine(f"flag:{flag.id}", parts, flag_detail(self.seen, flag)))
        if not lines:
            text = Cell(f"{VERDICTS['ok'].sign} nothing", Tone.GOOD)
            lines = [PickLine("reason:none", (text,), (gate.sentence, NOTICE))]
        return keyed("What stands against its release", lines)

    def other_flags(self) -> list[PickLine]:
        """Flags that are closed, and those of the process."""
        told = {reason.flag_id for reason in self.page.judgement.gate.reasons}
        lines = []
        for flag in self.page.flags:
            if flag.id in told:
                continue
            label = LEVELS[flag.level]
            closed = flag.state == "closed"
            mark = Cell("closed   ", Tone.QUIET) if closed else cell(label, 9)
            where = f" ({flag.code})" if flag.code else ""
            parts = (mark, f" {flag.kind}{where}, {self.moment(flag.closed_us or flag.opened_us)}")
            lines.append(PickLine(f"flag:{flag.id}", parts, flag_detail(self.seen, flag)))
        return keyed("Other flags", lines)

    # Verdicts and readings.

    def verdicts(self, turned: Collection[str]) -> list[PickLine]:
        lines: list[PickLine] = []
        for verdict in self.page.judgement.verdicts:
            rows = self.seen.readings(verdict.code)
            unfolded = (verdict.fails > 0 or len(rows) <= FOLDED_ABOVE) != (verdict.code in turned)
            lines.append(self._verdict(verdict, rows, unfolded))
            if unfolded:
                lines += self._readings(verdict, rows)
        return keyed("Characteristics  (Enter folds the readings)", lines)

    def _verdict(
        self, verdict: CharacteristicVerdict, rows: Sequence[ReadingRow], unfolded: bool
    ) -> PickLine:
        c = self.seen.characteristic(verdict.code)
        decimals = None if c is None else c.decimals
        label = ANSWERS[verdict.answer]
        figures = f"n {verdict.n}"
        if verdict.n:
            figures += f"  mean {self.figure(verdict.mean, decimals)}"
        if verdict.n > 1:
            figures += f"  s {self.figure(verdict.sd, None if decimals is None else decimals + 1)}"
        if verdict.n:
            figures += f"  {self.figure(verdict.low, decimals)} to {self.figure(verdict.high, decimals)}"
        owed = f"  owed {verdict.missing}" if verdict.missing else ""
        fold = " " if not rows else "-" if unfolded else "+"
        parts = (
            f"{fold} ",
            cell(label, 13),
            f"{verdict.code:<7} {figures} {verdict.unit}{owed}",
        )
        return PickLine(f"verdict:{verdict.code}", parts, self._verdict_detail(verdict, c))

    def _verdict_detail(self, verdict: CharacteristicVerdict, c: Characteristic | None) -> list[Text]:
        label = ANSWERS[verdict.answer]
        lines: list[Text] = [Cell(f"{label.text()}  {verdict.code} {verdict.name}", label.tone)]
        lines += list(verdict.reasons)
        if verdict.test_faults:
            lines.append(f"{count(verdict.test_faults, 'test fault', 'test faults')}, kept and not counted.")
        if c is None:
            return lines
        ends = [
            f"{name} {self.figure(v, c.decimals)}"
            for name, v in (("lower limit", c.lsl), ("upper limit", c.usl))
            if v is not None
        ]
        lines.append(f"{', '.join(ends) or 'no specification limit'} {c.unit}   plan revision {c.revision}")
        if c.hangs_on != "lot":
            lines.append("Measured on the upper moulding lot.")
        if c.reaction_plan:
            lines.append("Reaction plan:")
            lines += [f"  {at}. {step}" for at, step in enumerate(c.reaction_plan, 1)]
        return [*lines, Cell(NOTICE, Tone.QUIET)] if c.destructive else lines

    def _readings(self, verdict: CharacteristicVerdict, rows: Sequence[ReadingRow]) -> Iterator[PickLine]:
        marked = [r for r in rows[:-MOST_READINGS] if r.corrected or r.void or r.first_text is not None]
        shown = [*marked, *rows[-MOST_READINGS:]]
        if len(rows) > len(shown):
            more = len(rows) - len(shown)
            parts = (Cell(f"      {more} earlier readings are not listed here", Tone.QUIET),)
            yield PickLine(
                f"earlier:{verdict.code}", parts, (f"{len(rows)} readings in all; the chart shows them.",)
            )
        for row in shown:
            yield reading_line(self.seen.characteristic(row.code), row, self.moment, self.style)

    # Energy and materials.

    def energies(self) -> list[PickLine]:
        lines = []
        for energy in self.page.judgement.energies:
            key = f"energy:{energy.segment}"
            told = (
                [Cell(self.page.judgement.energy_story, Tone.LOOK)]
                if self.page.judgement.energy_story
                else []
            )
            detail = [*told, *energy_detail(energy, self.style)]
            lines.append(PickLine(key, (f"  {self._energy(energy)}",), detail))
        return keyed("Energy at the joint  (estimate)", lines)

    def _energy(self, energy: JointEnergy) -> str:
        segment = f"segment {energy.segment}: " if len(self.page.lot.segments) > 1 else ""
        if energy.budget is None or energy.budget.areal_joint is None or energy.transmission_pct is None:
            return f"{segment}{energy.note or 'not known'}"
        figure = energy.budget.get("areal_joint")
        value = self.figure(energy.budget.areal_joint.value, 3)
        if figure is not None and figure.sd is not None:
            value += f" ± {self.figure(2.0 * figure.sd, 3)}"
        light = self.figure(energy.transmission_pct, 1)
        return f"{segment}{value} J/mm² with {light} % transmission of {energy.moulding_lot}"

    def materials(self) -> list[PickLine]:
        lines: list[PickLine] = []
        if self.page.lot.parent:
            parent = self.page.lot.parent
            lines.append(PickLine("parent", (f"  split from lot {parent}",), (f"Split from lot {parent}.",)))
        for segment in self.page.lot.segments:
            text = f"  segment {segment.position} from {self.moment(segment.from_us)}: {_recipe(segment)}"
            tool = f"clamp tool {segment.clamp_tool}" if segment.clamp_tool else ""
            by = f"station {segment.station or 'not named'}, operator {segment.operator or 'not named'}"
            lines.append(PickLine(f"segment:{segment.position}", (text,), (text.strip(), by, tool)))
            for side, moulding in (("upper", segment.upper), ("lower", segment.lower)):
                lines += self._moulding(segment.position, side, moulding)
        return keyed("Materials", lines)

    def _moulding(self, segment: int, side: str, moulding: MouldingLot | None) -> Iterator[PickLine]:
        key = f"moulding:{segment}.{side}"
        if moulding is None:
            yield PickLine(key, (Cell(f"  {side}: not named", Tone.LOOK),), ("No moulding lot is named.",))
            return
        c = moulding.component
        tool = f", tool {moulding.tool}" if moulding.tool else ""
        text = f"  {side}: moulding lot {moulding.number}, {c.material}{tool}"
        yield PickLine(
            key,
            (text,),
            (
                f"Moulding lot {moulding.number}, {moulding.state}",
                f"component {c.number} {c.name}, {side} side",
                f"material {c.material} ({c.polymer}), {c.supplier}, {c.colour}".rstrip(", "),
                f"moulded {self.moment(moulding.moulded_us)}{tool}",
                f"to be used by {self.moment(moulding.expires_us) or 'no end'}",
            ),
        )
        for at, supplier_lot in enumerate(moulding.deliveries):
            expires = moulding.deliveries_expire_us[at]
            state = moulding.delivery_states[at]
            known = next((d for d in self.seen.deliveries if d.supplier_lot == supplier_lot), None)
            received = "" if known is None else f"received {self.moment(known.received_us)}"
            what = "" if known is None else f"{known.material}, {known.supplier}"
            tone = None if state in ("released", "in use", "") else Tone.LOOK
            yield PickLine(
                f"{key}.{at}",
                (Cell(f"      delivery {supplier_lot}, {state}", tone),),
                (
                    f"Delivery {supplier_lot}, {state}",
                    what,
                    received,
                    f"to be used by {self.moment(expires) or 'no end'}",
                ),
            )

    # What was decided and what happened.

    def decisions(self) -> list[PickLine]:
        lines = []
        for at, done in enumerate(self.page.lot.dispositions):
            part = f" for {done.quantity} parts" if done.quantity is not None else ""
            text = f"{done.kind}{part}, {done.person}, {self.moment(done.at_us)}"
            lines.append(PickLine(f"decision:{at}", (f"  {text}",), (text, f"Reason: {done.reason}")))
        for leave in self.seen.concessions:
            until = f", until {self.moment(leave.until_us)}" if leave.until_us is not None else ""
            parts = f", {leave.used} of {leave.quantity} parts used" if leave.quantity is not None else ""
            signed = "" if leave.signature_id is not None else ", NOT SIGNED"
            text = f"concession {leave.reference}{parts}{until}{signed}"
            lines.append(
                PickLine(f"concession:{leave.id}", (f"  {text}",), (text, f"Reason: {leave.reason}"))
            )
        for at, sent in enumerate(self.page.lot.shipments):
            text = f"shipped {sent.quantity} to {sent.customer or 'a customer not named'}, {self.moment(sent.at_us)}"
            lines.append(PickLine(f"shipment:{at}", (f"  {text}",), (text, f"document {sent.document}")))
        return keyed("Decisions", lines)

    def events(self) -> list[PickLine]:
        lines = []
        for event in self.page.events:
            text = f"{self.moment(event.at_us)}  {event.kind.replace('_', ' ')}"
            where = f"  {event.station}" if event.station else ""
            detail = [text, f"{event.station or event.lot_number}, {event.person}", event.remark]
            lines.append(PickLine(f"event:{event.id}", (f"  {text}{where}",), detail))
        for at, change in enumerate(self.page.corrections):
            new = "void" if change.kind == "void" else change.new_mode or self.figure(change.new_value)
            old = change.old_mode if change.kind == "mode" else self.figure(change.old_value)
            text = (
                f"{self.moment(change.at_us)}  {change.code} sample {change.key.sample}: {old} is now {new}"
            )
            second = f" and {change.second_person}" if change.second_person else ""
            why = (text, f"Reason: {change.reason}", f"by {change.person}{second}")
            lines.append(PickLine(f"correction:{at}", (f"  {text}",), why))
        return keyed("Events and corrections", lines)


def energy_detail(energy: JointEnergy, style: DecimalStyle) -> list[Text]:
    """The working of the energy at the joint."""
    if energy.budget is None:
        return [energy.note or "not known"]
    lines: list[Text] = [
        f"Transmission {number(energy.transmission_pct, 1, style)} %: mean of "
        f"{count(energy.transmission_n, 'reading', 'readings')} of moulding lot {energy.moulding_lot}"
    ]
    if energy.others:
        left = count(energy.others, "reading", "readings")
        lines.append(Cell(f"{left} of it under other conditions are left out.", Tone.LOOK))
    if energy.advice is not None:
        lines.append(Cell(energy.advice.text, Tone.LOOK))
    lines += [f"{figure.label}: {figure.working}" for figure in energy.budget.figures]
    lines += [Cell(note, Tone.LOOK) for note in energy.budget.notes]
    if energy.transmission_u is not None:
        lines.append(
            "± is the expanded uncertainty, k = 2: scatter of the readings and the meter's uncertainty."
        )
    return [
        *lines,
        Cell(
            "An estimate under these formulas; prove the recipe by a window study and sections.", Tone.QUIET
        ),
    ]
