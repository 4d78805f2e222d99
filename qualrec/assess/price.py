"""What the limits and run rules of a characteristic cost: lots between false alarms, and lots until a shift is seen."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from qualrec.judge.charting import chosen_rules
from qualrec.stats.rules import Rule

if TYPE_CHECKING:
    from qualrec.assess.charts import ChartView
    from qualrec.stats.limitscatter import RateScatter

SHIFT = 1.0
LEAST_LOTS = 3
LIMIT_SETS = 1000


def price_notes(view: ChartView) -> tuple[str, ...]:
    """Average run lengths of lot means under all that is looked at, and how far limits from so few lots may miss them.

    None for counts. They hold for independent, normal lot means.
    """
    c, lots = view.characteristic, view.limit_lots
    if c.chart != "lot means":
        return ()
    rules = chosen_rules(c)
    quiet, method = _run_length(rules, 0.0, c.mean_width, c.ewma_lambda, c.ewma_width)
    seen, _ = _run_length(rules, SHIFT, c.mean_width, c.ewma_lambda, c.ewma_width)
    names = ", ".join(f"{r.name} of {r.k}" for r in rules[1:])
    notes = [
        f"Limits {c.mean_width:g} sigma with EWMA {c.ewma_lambda:g}, {c.ewma_width:g}"
        + (f" and {names}" if names else ", no run rule")
        + f": a false alarm on lot means about every {quiet:.0f} lots; a shift of 1 sigma is seen after about "
        f"{seen:.0f} lots ({method}; for known limits and independent lots)."
    ]
    if lots >= LEAST_LOTS:
        notes.append(_scatter_words(_scatter(lots, c.mean_width, c.ewma_lambda, c.ewma_width), bool(names)))
    return tuple(notes)


def _scatter_words(s: RateScatter, with_rules: bool) -> str:
    rest = ", run rules not counted" if with_rules else ""
    return (
        f"Limits from {s.k} lots miss the true centre and sigma: of such limits 1 in 10 alarms falsely every "
        f"{s.low:.0f} lots or more often, half every {s.median:.0f} or more often, 1 in 10 every {s.high:.0f} or more "
        f"rarely, in place of {s.known:.0f} with known limits ({s.sets} simulated sets of limits{rest})."
    )


@lru_cache(maxsize=256)
def _run_length(
    rules: tuple[Rule, ...], shift: float, width: float, weight: float, ewma_width: float
) -> tuple[float, str]:
    from qualrec.stats.runlength import Ewma, rules_arl

    found = rules_arl(rules, shift, width=width, ewma=Ewma(weight, ewma_width, time_varying=True))
    return found.value, found.method


@lru_cache(maxsize=256)
def _scatter(lots: int, width: float, weight: float, ewma_width: float) -> RateScatter:
    from qualrec.stats.limitscatter import rate_scatter
    from qualrec.stats.runlength import Ewma

    return rate_scatter(lots, width=width, ewma=Ewma(weight, ewma_width), sets=LIMIT_SETS)
