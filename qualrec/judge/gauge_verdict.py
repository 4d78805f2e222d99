"""What a study of a gauge or of people who judge says: a word, the reasons with their figures, and the convention.

Scatter: below 10 % acceptable, 10 to 30 % conditional (the customer decides), above 30 % not acceptable, and at least 5
categories told apart (measurement-system manual, as cited in Int. J. Metrol. Qual. Eng. 2017). Against the spread of the
study or the tolerance, as the plan of the study says. Bias, linearity, drift: acceptable while none is shown at the stated
confidence (AIAG MSA 4, from memory). Agreement: kappa above 0.75 good, below 0.40 poor (AIAG MSA 4, from memory); the lowest
of the kappas counts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.judge.evidence import GRR_GOOD, GRR_POOR, GRR_SOURCE, LEAST_CATEGORIES
from qualrec.stats.agreement import Kappa
from qualrec.stats.gauge import GaugeStudy
from qualrec.stats.gauge_use import Bias, Linearity, Stability
from qualrec.stats.working import Working

ACCEPTABLE, CONDITIONAL, NOT_ACCEPTABLE = "acceptable", "conditional", "not acceptable"
WORDS = (ACCEPTABLE, CONDITIONAL, NOT_ACCEPTABLE)
"""From the best to the worst."""
AGAINST = ("study variation", "tolerance")
MANUAL = "AIAG MSA, 4th edition (from memory)"
KAPPA_GOOD, KAPPA_POOR = 0.75, 0.40
ROUNDING = 1e-12
"""A kappa on a bound is neither above nor below it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    word: str
    reasons: tuple[str, ...]
    convention: str


def add_verdict(answer: Working, verdict: Verdict) -> None:
    """Put a verdict with its convention into a result."""
    answer.data["verdict"] = verdict.word
    answer.data["verdict_reasons"] = list(verdict.reasons)
    answer.lines.append(("verdict", verdict.word, " ".join(verdict.reasons)))
    answer.conventions.append(verdict.convention)


def scatter_verdict(
    study: GaugeStudy, against: str = AGAINST[0], multiplier: float = 6.0, categories: int | None = None
) -> Verdict:
    """Verdict of a crossed or nested study by its share of the study variation or of the tolerance, and its categories.

    `categories`: as counted by another convention than the study's own.
    """
    ndc = study.ndc if categories is None else categories
    part = study.part("GRR")
    tolerance = part.tolerance * multiplier / 6.0
    share = tolerance if against == AGAINST[1] else part.study
    what = "the tolerance" if against == AGAINST[1] else "the study variation"
    reasons = []
    if math.isnan(share):
        word = NOT_ACCEPTABLE
        reasons.append("There is no tolerance to compare with.")
    elif share > GRR_POOR:
        word = NOT_ACCEPTABLE
        reasons.append(f"GRR is {share:.1f} % of {what}, above {GRR_POOR:g} %.")
    elif share >= GRR_GOOD:
        word = CONDITIONAL
        reasons.append(
            f"GRR is {share:.1f} % of {what}: from {GRR_GOOD:g} to {GRR_POOR:g} % the customer decides."
        )
    else:
        word = ACCEPTABLE
        reasons.append(f"GRR is {share:.1f} % of {what}, below {GRR_GOOD:g} %.")
    if ndc < LEAST_CATEGORIES and math.isfinite(study.ndc_raw):
        word = NOT_ACCEPTABLE
        reasons.append(f"{ndc} categories are told apart; {LEAST_CATEGORIES} are needed.")
    convention = (
        f"Verdict: GRR against {what}, below {GRR_GOOD:g} % acceptable, to {GRR_POOR:g} % conditional, and at least "
        f"{LEAST_CATEGORIES} categories ({GRR_SOURCE})."
    )
    return Verdict(word, tuple(reasons), convention)


def bias_verdict(found: Bias) -> Verdict:
    """No bias is shown where its interval holds 0."""
    level = f"{100 * found.interval.level:g} %"
    word = NOT_ACCEPTABLE if found.shown else ACCEPTABLE
    said = "leaves 0 out: a bias is shown" if found.shown else "holds 0: no bias is shown"
    return Verdict(
        word,
        (f"The {level} interval of the bias {said}.",),
        f"Verdict: {level} interval of the bias holds 0 ({MANUAL}).",
    )


def linearity_verdict(found: Linearity) -> Verdict:
    """Linear and without bias where the band of the mean bias holds 0 over the whole range."""
    word = ACCEPTABLE if found.holds else NOT_ACCEPTABLE
    said = "holds 0 over the whole range" if found.holds else "leaves 0 out in a part of the range"
    return Verdict(
        word,
        (f"The band of the mean bias {said}.",),
        f"Verdict: band of the whole line holds 0 between the lowest and the highest reference ({MANUAL}).",
    )


def stability_verdict(drifts: Mapping[str, Stability], beyond: Mapping[str, int]) -> Verdict:
    """Stable where no master drifts and no mean of an occasion lies beyond its limits."""
    reasons = [f"Master {name} drifts." for name, found in drifts.items() if found.shown]
    reasons += [f"Master {name}: {n} means of an occasion beyond 3 sigma." for name, n in beyond.items() if n]
    word = NOT_ACCEPTABLE if reasons else ACCEPTABLE
    return Verdict(
        word,
        tuple(reasons) or ("No drift is shown and no mean lies beyond its limits.",),
        f"Verdict: no drift shown, no mean of an occasion beyond 3 sigma by moving ranges ({MANUAL}).",
    )


def agreement_verdict(kappas: Mapping[str, Kappa]) -> Verdict:
    """By the lowest kappa of all that were worked out; `kappas` by what they compare."""
    name, lowest = min(kappas.items(), key=lambda pair: pair[1].value)
    value = lowest.value
    word = CONDITIONAL
    if value > KAPPA_GOOD + ROUNDING:
        word = ACCEPTABLE
    elif value < KAPPA_POOR - ROUNDING:
        word = NOT_ACCEPTABLE
    bounds = f"above {KAPPA_GOOD:g} good, below {KAPPA_POOR:g} poor"
    return Verdict(
        word,
        (f"The lowest kappa is {value:.3f} ({name}): {bounds}.",),
        f"Verdict: lowest kappa {bounds} ({MANUAL}).",
    )
