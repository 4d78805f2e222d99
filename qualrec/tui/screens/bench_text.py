"""Words of the bench: what stands about a lot and its entries."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.tui.labels import VERDICTS, DecimalStyle, Label, cut, number

if TYPE_CHECKING:
    from qualrec.values import Owed, ReadingRow
    from qualrec.work.bench import BenchLot

LAST_SHOWN = 6


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


def state_changed(before: str, found: BenchLot) -> str:
    by = f" by {found.last_change}" if found.last_change else ""
    return f"Lot {found.lot.number} was {before}; it was changed{by} and is now {found.lot.state}."


def owed_text(owed: tuple[Owed, ...], code: str) -> str:
    lines = ["Owed by this lot"]
    codes = list(dict.fromkeys(o.code for o in owed))
    for one in codes:
        rows = [o for o in owed if o.code == one]
        missing = sum(o.missing for o in rows)
        total = sum(o.count for o in rows)
        mark = ">" if one == code else " "
        lines.append(cut(f"{mark} {one:<7} {f'{missing} of {total}' if missing else 'done'}", 28))
        if one == code:
            lines += [f"    {o.missing} at {o.position}" for o in rows if o.missing and o.position]
    return "\n".join(lines)


def verdict_label(answer: str, side: int) -> Label:
    if answer == "pass":
        return VERDICTS["ok"]
    if answer == "fail":
        return VERDICTS["low"] if side < 0 else VERDICTS["high"] if side > 0 else VERDICTS["hold"]
    return VERDICTS["open"]


def readings_text(readings: tuple[ReadingRow, ...], code: str, style: DecimalStyle) -> str:
    """The last readings of a characteristic, newest first: value, mode, what it repeats, and who."""
    own = [r for r in readings if r.code == code][-LAST_SHOWN:]
    if not own:
        return f"No reading of {code} in this lot yet."
    lines = ["Last readings:"]
    for row in reversed(own):
        value = (
            "no value"
            if row.value is None
            else f"{number(row.value, row.decimals or None, style)} {row.unit}"
        )
        words = [f"{row.key.sample:>3}", f"{value:>10}"]
        if row.pull is not None:
            words.append(row.pull.mode)
            words += [f"repeat of {row.pull.repeat_of}"] if row.pull.repeat_of is not None else []
        words += ["void"] if row.void else ["corrected"] if row.corrected else []
        words += [row.serial] if row.serial else []
        lines += ["  ".join(words), f"       {row.person}"]
    return "\n".join(lines)
