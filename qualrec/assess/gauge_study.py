"""Working a study out: its plan and what its runs gave, through the same working that `calc` prints."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from qualrec.errors import ComputeError
from qualrec.judge.agreement_working import add_repeats, calls_working
from qualrec.judge.gauge_verdict import MANUAL, add_verdict, stability_verdict
from qualrec.judge.gauge_working import (
    bias_working,
    levels_working,
    linearity_working,
    scatter_working,
)
from qualrec.judge.study_plan import StudyPlan
from qualrec.stats.charts import individuals
from qualrec.stats.gauge_use import Stability, stability
from qualrec.stats.working import Working


@dataclass(frozen=True, slots=True)
class Entry:
    """What a run gave: the value, or the class called."""

    factors: Mapping[str, str]
    value: float | None = None
    called: str = ""


def analyse(plan: StudyPlan, entries: Sequence[Entry]) -> Working:
    """The result of a study from its entered runs. A gauge study also keeps 'grr_pct', the % of study variation.

    Raises ComputeError where the entries are too few for the method or show no spread.
    """
    if not entries:
        raise ComputeError("Nothing is entered.", "Enter the runs of the study first.")
    if plan.calls_classes:
        return _agreement(plan, entries)
    if plan.design == "stability":
        return _stability(plan, entries)
    values = [_value(e) for e in entries]
    if plan.design == "bias":
        reference = _number(plan.references[plan.parts[0]])
        width = None if plan.lsl is None or plan.usl is None else plan.usl - plan.lsl
        return bias_working(values, reference, width, plan.level)
    if plan.design == "linearity":
        known = [_number(plan.references[e.factors["master"]]) for e in entries]
        return linearity_working(values, known, plan.level)
    part = "batch" if plan.design == "nested" else "part"
    found = scatter_working(
        plan.design,
        values,
        [e.factors[part] for e in entries],
        [e.factors["person"] for e in entries],
        (plan.lsl, plan.usl),
        pool_above=plan.pool_above,
        multiplier=plan.multiplier,
        factors=plan.printed_factors,
        against=plan.against,
    )
    found.data["grr_pct"] = found.data["pct_grr"]
    return found


def _value(entry: Entry) -> float:
    if entry.value is None:
        raise ComputeError("A run has no value.", "Enter it, or leave open runs out.")
    return entry.value


def _number(known: float | str) -> float:
    return float(known)


def _agreement(plan: StudyPlan, entries: Sequence[Entry]) -> Working:
    called = {(e.factors["part"], e.factors["person"], e.factors["trial"]): e.called for e in entries}
    trials = [str(n) for n in range(1, plan.trials + 1)]
    cells = [(part, trial) for part in plan.parts for trial in trials]
    whole = [cell for cell in cells if all((cell[0], who, cell[1]) in called for who in plan.people)]
    if not whole:
        raise ComputeError("No part was called by everybody.", "Enter the runs of the study.")
    calls = {who: [called[part, who, trial] for part, trial in whole] for who in plan.people}
    known = [str(plan.references[part]) for part, _ in whole] if plan.references else None
    found = calls_working(calls, known, plan.good or None, plan.level)
    if len(whole) < len(cells):
        found.notes.append(
            f"{len(cells) - len(whole)} of {len(cells)} calls are not there from everybody and are left out."
        )
    if plan.trials > 1:
        repeated = {
            who: [
                each
                for part in plan.parts
                if len(each := [called[part, who, t] for t in trials if (part, who, t) in called]) > 1
            ]
            for who in plan.people
        }
        add_repeats(found, {who: parts for who, parts in repeated.items() if parts})
    return found


def _stability(plan: StudyPlan, entries: Sequence[Entry]) -> Working:
    """Means of each occasion by master: drift, means beyond their limits; with repeats also scatter within and between."""
    cells: dict[tuple[str, str], list[float]] = {}
    for e in entries:
        cells.setdefault((e.factors["master"], e.factors["occasion"]), []).append(_value(e))
    times, unit = _times(plan.occasions)
    answer = Working(f"Stability: {len(plan.parts)} masters, {len(entries)} readings", MANUAL)
    answer.data |= {"n": len(entries), "masters": len(plan.parts), "occasions": len(plan.occasions)}
    drifts: dict[str, Stability] = {}
    beyond: dict[str, int] = {}
    rows = []
    level = 1.0 - (1.0 - plan.level) / len(plan.parts)
    for master in plan.parts:
        held = [o for o in plan.occasions if (master, o) in cells]
        means = [float(np.mean(cells[master, o])) for o in held]
        drifts[master] = found = stability([times[o] for o in held], means, level)
        beyond[master] = _beyond(means)
        ends = f"{found.interval.low:.4g} to {found.interval.high:.4g}"
        shown = "yes" if found.shown else "no"
        words = (f"{np.mean(means):.6g}", f"{found.slope:.4g}", ends, shown, str(beyond[master]))
        rows.append((master, str(len(held)), *words))
    answer.table(
        f"Drift per {unit}", ("master", "means", "mean", "drift", "its interval", "shown", "beyond 3 sigma"), rows
    )  # fmt: skip
    answer.data["drift"] = {
        name: {"slope": s.slope, "low": s.interval.low, "high": s.interval.high, "p": s.p, "shown": s.shown}
        for name, s in drifts.items()
    }
    answer.data["beyond"] = beyond
    _add_levels(answer, cells)
    if len(plan.parts) > 1:
        answer.conventions.append(
            f"Level of each drift {100 * level:.4g} %: {100 * plan.level:g} % for all {len(plan.parts)} masters together."
        )
    add_verdict(answer, stability_verdict(drifts, beyond))
    return answer


def _times(occasions: Sequence[str]) -> tuple[dict[str, float], str]:
    """Occasions on a scale of time: as numbers, else as days, else by their place."""
    try:
        return {o: float(o) for o in occasions}, "unit of time"
    except ValueError:
        pass
    try:
        days = [date.fromisoformat(o).toordinal() for o in occasions]
    except ValueError:
        return {o: float(at) for at, o in enumerate(occasions)}, "occasion"
    return {o: float(d - days[0]) for o, d in zip(occasions, days, strict=True)}, "day"


def _beyond(means: Sequence[float]) -> int:
    """Means beyond three sigma by moving ranges; 0 where nothing varies or they are too few."""
    if len(means) < 3 or len(set(means)) == 1:
        return 0
    track = individuals(means).tracks[0]
    x, low, high = track.values, track.lower, track.upper
    return int(np.sum((x < low) | (x > high)))


def _add_levels(answer: Working, cells: Mapping[tuple[str, str], Sequence[float]]) -> None:
    """Scatter within an occasion and between occasions, where every occasion has the same number of repeats."""
    sizes = {len(v) for v in cells.values()}
    repeats = min(sizes)
    if repeats < 2:
        return
    if len(sizes) > 1:
        answer.notes.append("Occasions have different numbers of readings: no scatter within and between.")
        return
    sds = [float(np.std(v, ddof=1)) for v in cells.values()]
    means = [float(np.mean(v)) for v in cells.values()]
    found = levels_working(sds, repeats, means, [master for master, _ in cells])
    answer.data |= found.data
    answer.gap()
    answer.lines += found.lines
    answer.notes.append(f"Scatter within and between occasions: {found.source}.")


SHARES = (
    ("ev", "repeatability"),
    ("av", "people"),
    ("int", "interaction"),
    ("grr", "gauge together"),
    ("pv", "parts"),
)


def bars_of(data: Mapping[str, Any]) -> tuple[tuple[str, float, str], ...]:
    """What can be drawn as bars of 0 to 100: name, length and words. Shares of the study variation, or kappas."""
    if "pct_ev" in data:
        return tuple((name, float(data[f"pct_{key}"]), f"{data[f'pct_{key}']:.1f} %") for key, name in SHARES)
    kappas: list[tuple[str, float]] = []
    if data.get("kappa") is not None:
        kappas.append(("all together", float(data["kappa"])))
    kappas += [(str(k), float(v)) for k, v in dict(data.get("pairs", {})).items()]
    kappas += [(f"{k}, reference", float(v["kappa"])) for k, v in dict(data.get("reference", {})).items()]
    return tuple(
        (name, 100.0 * max(value, 0.0), f"kappa {value:.3f}")
        for name, value in kappas
        if math.isfinite(value)
    )
