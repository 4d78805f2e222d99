"""What the energy at the joint says about a strength that moved: transmission, resin and recipe against the lots before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.assess.joint_energy import JointEnergySeries, joint_energy_series
from qualrec.assess.loading import Conn
from qualrec.values import Lot

LEAST_CHANGE = 0.03
"""Relative change of transmission or energy from which it is worth a sentence (judgement)."""
LOTS_BACK = 40
LOTS_SHOWN = 120
"""Lots of a chart that tell of their energy: the newest ones, since the segments of each are read."""
LOTS_OF_BEFORE = 10


@dataclass(frozen=True, slots=True)
class _Before:
    """The lots before a change of supply or recipe, pooled by moulding lot: transmission in %, its standard error, energy."""

    transmission: float
    error: float
    energy: float


def energy_sentence(series: JointEnergySeries, at: int) -> str:
    """What changed at a lot against the lots before its resin, moulding lot or recipe; empty where nothing did.

    Transmission counts as moved beyond two standard errors of the difference (readings of one meter: its own uncertainty
    drops out) and by 3 % or more. A lot outside its qualified window always has its sentence.
    """
    if not math.isfinite(series.energy[at]):
        return ""
    before = _before(series, at, _supply_before(series, at))
    parts = []
    if before is not None:
        moved = _moved(series, at, before)
        if moved:
            supply = _supply(series, at)
            parts.append(
                f"transmission {moved} from {before.transmission:.3g} to {series.transmission[at]:.3g} % with {supply}"
            )
    recipe = _recipe_change(series, at)
    if recipe:
        parts.append(recipe)
    if not parts and not series.side[at]:
        return ""
    parts.append(_energy(series, at, before))
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def lot_story(conn: Conn, lot: Lot) -> str:
    """The sentence of a lot; see `energy_sentence`."""
    series = joint_energy_series(conn, lot.part.number, until_us=lot.started_us, newest=LOTS_BACK)
    if lot.number not in series.numbers:
        return ""
    return energy_sentence(series, series.numbers.index(lot.number))


def lot_stories(conn: Conn, part_number: str) -> dict[int, str]:
    """The sentences of the newest `LOTS_SHOWN` lots of a part that have one, by lot id."""
    series = joint_energy_series(conn, part_number, newest=LOTS_SHOWN)
    told = ((int(lot), energy_sentence(series, at)) for at, lot in enumerate(series.lot_ids))
    return {lot: sentence for lot, sentence in told if sentence}


def _supply_before(series: JointEnergySeries, at: int) -> Sequence[int]:
    """Places of the last lots with another supply, newest first, as far as they have one supply among themselves."""
    own = _key(series, at)
    back = [i for i in range(at - 1, -1, -1) if math.isfinite(series.transmission[i])]
    others = [i for i in back if _key(series, i) != own]
    if not others:
        return ()
    last = _key(series, others[0])
    run: list[int] = []
    for i in others:
        if _key(series, i) != last or len(run) == LOTS_OF_BEFORE:
            break
        run.append(i)
    return run


def _key(series: JointEnergySeries, at: int) -> tuple[str, ...]:
    return series.resins[at] or (series.moulding_lots[at],)


def _before(series: JointEnergySeries, at: int, run: Sequence[int]) -> _Before | None:
    """Mean over the moulding lots of a run, each once; None without one."""
    by_lot = {series.moulding_lots[i]: i for i in run}
    if not by_lot:
        return None
    places = list(by_lot.values())
    n = sum(int(series.readings[i]) for i in places)
    mean = sum(int(series.readings[i]) * float(series.transmission[i]) for i in places) / n
    squares = [
        float(series.transmission_sd[i]) ** 2 for i in places if math.isfinite(series.transmission_sd[i])
    ]
    own = float(series.transmission_sd[at]) ** 2
    within = (sum(squares) / len(squares)) / n if squares else 0.0
    error = math.sqrt(within + (own / int(series.readings[at]) if math.isfinite(own) else 0.0))
    known = [float(series.energy[i]) for i in run if math.isfinite(series.energy[i])]
    return _Before(mean, error, sum(known) / len(known) if known else math.nan)


def _moved(series: JointEnergySeries, at: int, before: _Before) -> str:
    """'fell', 'rose', or empty."""
    change = float(series.transmission[at]) - before.transmission
    if abs(change) <= 2.0 * before.error or abs(change) < LEAST_CHANGE * before.transmission:
        return ""
    return "fell" if change < 0 else "rose"


def _supply(series: JointEnergySeries, at: int) -> str:
    moulding = f"moulding lot {series.moulding_lots[at]}"
    resins = series.resins[at]
    if not resins:
        return moulding
    return (
        f"resin lot {', '.join(resins)} ({moulding})"
        if len(resins) == 1
        else f"resin lots {', '.join(resins)} ({moulding})"
    )


def _recipe_change(series: JointEnergySeries, at: int) -> str:
    """The recipe against the lot before, where it changed the incident energy by enough to tell."""
    if at == 0 or not series.recipes[at] or series.recipes[at - 1] == series.recipes[at]:
        return ""
    was, now = (
        float(series.energy[i]) / float(series.transmission[i]) if series.transmission[i] else math.nan
        for i in (at - 1, at)
    )
    if not (math.isfinite(was) and math.isfinite(now)) or abs(now / was - 1.0) < LEAST_CHANGE:
        return ""
    return f"the recipe went from {series.recipes[at - 1]} to {series.recipes[at]}: {100.0 * (now / was - 1.0):+.0f} % energy"


def _energy(series: JointEnergySeries, at: int, before: _Before | None) -> str:
    u = float(series.uncertainty[at])
    wide = f" ± {2.0 * u:.2g}" if math.isfinite(u) else ""
    text = f"energy at the joint is {series.energy[at]:.3g}{wide} {series.unit}"
    low, high = float(series.low[at]), float(series.high[at])
    if math.isfinite(low) or math.isfinite(high):
        ends = [f"{v:.3g}" if math.isfinite(v) else "open" for v in (low, high)]
        return f"{text} against {ends[0]} to {ends[1]} qualified for {series.recipes[at]} (estimate)"
    if before is not None and math.isfinite(before.energy):
        return f"{text}, before it {before.energy:.3g} (estimate)"
    return f"{text} (estimate)"
