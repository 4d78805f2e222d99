"""Words of the bench: what stands about a lot and its entries."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import VERDICTS, DecimalStyle, Label, cut, number
from qualrec.tui.screens.bench_entry import last_text

if TYPE_CHECKING:
    from qualrec.values import Characteristic, Owed, ReadingRow
    from qualrec.work.bench import BenchLot
    from qualrec.work.bench_facts import Gate, WaitingLot
    from qualrec.work.queue import Kept

LAST_SHOWN = 6
MINUTE_US = 60_000_000
REASON_ROOM = 150


def first_owed(found: BenchLot) -> str:
    owed = [o.code for o in found.owed if o.missing and o.mandatory]
    codes = [c.code for c in found.characteristics]
    strength = [c.code for c in found.characteristics if c.strength and c.code in owed]
    return next(iter([*strength, *[c for c in codes if c in owed], *codes]), "")


def lot_head(found: BenchLot) -> str:
    lot, segment = found.lot, found.lot.segment
    recipe = "no recipe" if segment.recipe is None else f"{segment.recipe.code} rev {segment.recipe.revision}"
    upper = "upper not named" if segment.upper is None else f"upper {segment.upper.number}"
    lower = "lower not named" if segment.lower is None else f"lower {segment.lower.number}"
    return (
        f"{lot.number}   {lot.part.number} {lot.part.name}   {lot.state.upper() if 'hold' in lot.state else lot.state}\n"
        f"{recipe}   {segment.station}   {upper}   {lower}"
    )


def gate_words(gate: Gate, clock: str) -> str:
    """What a set-up without a first-off asks for. The program says so; it stops no welder."""
    return f"» First-off owed: {gate.what}, {clock}. Weld on after a good {' or '.join(gate.codes)}."


def state_changed(before: str, found: BenchLot) -> str:
    by = f" by {found.last_change}" if found.last_change else ""
    return f"Lot {found.lot.number} was {before}; it was changed{by} and is now {found.lot.state}."


def due_words(due_us: int, now_us: int) -> str:
    """A moment as a countdown to the minute: 'due in 25 min', 'due in 2 h 05', '! overdue 5 min'."""
    ahead = due_us >= now_us
    minutes = abs(due_us - now_us) // MINUTE_US
    span = f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d}"
    if minutes >= 48 * 60:
        span = f"{minutes // 1440} days"
    return f"due in {span}" if ahead else f"! overdue {span}"


def owed_text(owed: tuple[Owed, ...], code: str, now_us: int) -> str:
    lines = ["Owed by this lot"]
    codes = list(dict.fromkeys(o.code for o in owed))
    for one in codes:
        rows = [o for o in owed if o.code == one]
        missing = sum(o.missing for o in rows)
        total = sum(o.count for o in rows)
        mark = ">" if one == code else " "
        lines.append(cut(f"{mark} {one:<7} {f'{missing} of {total}' if missing else 'done'}", 28))
        for o in rows:
            due = "" if o.due_us is None else due_words(o.due_us, now_us)
            if o.missing and (due or (one == code and o.position)):
                lines.append(cut(f"    {o.missing} {f'at {o.position}' if o.position else due}", 28))
                if o.position and due:
                    lines.append(cut(f"      {due}", 28))
    return "\n".join(lines)


def waiting_line(lot: WaitingLot, now_us: int, clock: str) -> str:
    """A lot that owes tests: what is due when, number, part, station, what is owed. `clock`: when its welding ended."""
    due = "" if lot.due_us is None else due_words(lot.due_us, now_us)
    if not due and lot.ended_us is not None:
        due = f"ended {clock}"
    owed = ", ".join(f"{n} {code}" for code, n in lot.owed.items())
    return f"{lot.number:<14} {lot.part:<10} {lot.station:<7} {due:<17} owed: {owed}"


def verdict_label(answer: str, side: int) -> Label:
    if answer == "pass":
        return VERDICTS["ok"]
    if answer == "fail":
        return VERDICTS["low"] if side < 0 else VERDICTS["high"] if side > 0 else VERDICTS["hold"]
    return VERDICTS["open"]


def readings_text(
    readings: tuple[ReadingRow, ...], code: str, style: DecimalStyle, kept: Sequence[Kept] = ()
) -> str:
    """What is kept and not stored yet, then the last readings of a characteristic, newest first.

    Who entered stands below what one person entered.
    """
    lines = []
    if kept:
        lines.append("Kept here, not judged yet:")
        for one in kept[-LAST_SHOWN:]:
            rows = one.content["rows"]
            more = f" and {len(rows) - 1} more" if len(rows) > 1 else ""
            lines.append(f"       {last_text(one):>8}{more}  {rows[-1].get('mode') or ''}".rstrip())
    own = [r for r in readings if r.code == code][-LAST_SHOWN:]
    if not own:
        return "\n".join([*lines, f"No reading of {code} in this lot yet."])
    lines.append("Last readings:")
    newest = own[::-1]
    for at, row in enumerate(newest):
        lines.append(_reading_line(row, style))
        if at + 1 == len(newest) or newest[at + 1].person != row.person:
            lines.append(f"       {row.person}")
    return "\n".join(lines)


def _reading_line(row: ReadingRow, style: DecimalStyle) -> str:
    value = (
        "no value" if row.value is None else f"{number(row.value, row.decimals or None, style)} {row.unit}"
    )
    words = [f"{row.key.sample:>3}", f"{value:>10}"]
    if row.stream:
        words.append(f"cavity {row.stream}")
    if row.pull is not None:
        words.append(row.pull.mode)
        words += [f"repeat of {row.pull.repeat_of}"] if row.pull.repeat_of is not None else []
    words += ["void"] if row.void else ["corrected"] if row.corrected else []
    words += [row.serial] if row.serial else []
    return "  ".join(words)


def limits_words(c: Characteristic, style: DecimalStyle) -> str:
    ends = [
        f"{name} {number(v, c.decimals, style)}"
        for name, v in (("from", c.lsl), ("to", c.usl))
        if v is not None
    ]
    return f"   {' '.join(ends)} {c.unit}" if ends else ""


def whole(text: str, room: int) -> str:
    """As many whole sentences as `room` takes; a first sentence that is longer is cut."""
    if len(text) <= room:
        return text
    end = text.rfind(". ", 0, room)
    return text[: end + 1] if end > 0 else cut(text, room)


def hold_text(found: BenchLot, c: Characteristic | None, sign: str) -> str:
    """Why the lot is on hold, and the reaction plan."""
    lines = [f"{sign}  Lot {found.lot.number} is {found.lot.state}."]
    lines += [
        f"  {whole(r.sentence, REASON_ROOM)}"
        for r in found.judgement.gate.reasons
        if r.level == "H" and r.kind != "mandatory sample missing"
    ][:3]
    if c is not None and c.reaction_plan:
        lines.append("Reaction plan:")
        lines += [f"  {at}. {step}" for at, step in enumerate(c.reaction_plan, 1)]
    return "\n".join(lines)
