"""What the limits and run rules of a characteristic cost: lots between false alarms, and lots until a shift is seen."""

from __future__ import annotations

from functools import lru_cache

from qualrec.judge.charting import chosen_rules
from qualrec.stats.rules import Rule
from qualrec.values import Characteristic

SHIFT = 1.0


def price_notes(c: Characteristic) -> tuple[str, ...]:
    """One sentence on the average run length of lot means under all that is looked at; none for counts.

    It holds for known limits and independent, normal lot means.
    """
    if c.chart != "lot means":
        return ()
    rules = chosen_rules(c)
    quiet, method = _run_length(rules, 0.0, c.mean_width, c.ewma_lambda, c.ewma_width)
    seen, _ = _run_length(rules, SHIFT, c.mean_width, c.ewma_lambda, c.ewma_width)
    names = ", ".join(f"{r.name} of {r.k}" for r in rules[1:])
    return (
        f"Limits {c.mean_width:g} sigma with EWMA {c.ewma_lambda:g}, {c.ewma_width:g}"
        + (f" and {names}" if names else ", no run rule")
        + f": a false alarm on lot means about every {quiet:.0f} lots; a shift of 1 sigma is seen after about "
        f"{seen:.0f} lots ({method}; for known limits and independent lots).",
    )


@lru_cache(maxsize=256)
def _run_length(
    rules: tuple[Rule, ...], shift: float, width: float, weight: float, ewma_width: float
) -> tuple[float, str]:
    from qualrec.stats.runlength import Ewma, rules_arl

    found = rules_arl(rules, shift, width=width, ewma=Ewma(weight, ewma_width, time_varying=True))
    return found.value, found.method
