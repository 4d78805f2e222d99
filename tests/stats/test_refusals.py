"""Arguments that cannot be: limits crossed, counts above their total, levels of 1, lots of none; each refused in words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from qualrec.stats import (
    agreement,
    attributes,
    capability,
    chartdesign,
    charts,
    compare,
    components,
    constants,
    distributions,
    ewma,
    gauge,
    gauge_use,
    hotelling,
    limitscatter,
    proportions,
    rules,
    runlength,
    sampling,
    spread,
    strength,
    table_plans,
    tolerance,
)

Outcome = Callable[[Callable[[], Any]], str]

BASE = 10.0 + np.random.default_rng(0).standard_normal(40)
PAIRS = np.arange(40) // 2

REFUSED: dict[str, Callable[[], Any]] = {
    "limits crossed": lambda: capability.capability_of_values(BASE, 12.0, 8.0),
    "limits alike": lambda: capability.capability_of_values(BASE, 8.0, 8.0),
    "no limit": lambda: capability.capability_of_values(BASE, None, None),
    "limit nan": lambda: capability.capability_of_values(BASE, math.nan, 12.0),
    "target inf": lambda: capability.capability_of_values(BASE, 8.0, 12.0, math.inf),
    "level 1": lambda: capability.capability_of_values(BASE, 8.0, 12.0, level=1.0),
    "lots of another length": lambda: capability.capability_of_values(BASE, 8.0, 12.0, lot_ids=[1, 2]),
    "percentile limits crossed": lambda: distributions.percentile_capability(BASE, 12.0, 8.0),
    "percentile limit inf": lambda: distributions.percentile_capability(BASE, 8.0, math.inf),
    "unknown shape": lambda: distributions.fit_shape(BASE, "square"),
    "needed n above the index": lambda: capability.needed_n(1.5, 1.4),
    "needed n of nothing": lambda: capability.needed_n(math.nan, 1.4),
    "needed n endless": lambda: capability.needed_n(1.33, 1.33 + 1e-9),
    "needed lots of 0 values": lambda: capability.needed_lots(1.33, 1.6, 0, 1.0),
    "needed lots ratio": lambda: capability.needed_lots(1.33, 1.6, 5, -1.0),
    "factor of n 1": lambda: constants.d2(1),
    "factors of n 0": lambda: constants.factors(0),
    "c4 of n 1": lambda: constants.c4(1.0),
    "k of n 1": lambda: tolerance.k_two_sided(1, 0.99, 0.95),
    "k of n 0": lambda: tolerance.k_one_sided(0, 0.99, 0.95),
    "k of coverage 1": lambda: tolerance.k_two_sided(10, 1.0, 0.95),
    "k of no confidence": lambda: tolerance.k_one_sided(10, 0.99, 0.0),
    "k by Natrella": lambda: tolerance.k_natrella(2, 0.99, 0.99),
    "share of none": lambda: proportions.clopper_pearson(0, 0),
    "more failures than parts": lambda: proportions.wilson(6, 5),
    "negative failures": lambda: proportions.upper_share(-1, 5),
    "one lot of shares": lambda: proportions.proportion_by_lot([1], [5]),
    "half a part": lambda: proportions.proportion_by_lot([0.5, 1.0], [5, 5]),
    "success run of certainty": lambda: proportions.success_run_n(0.95, 1.0),
    "success run without end": lambda: proportions.success_run_n(0.95, 1.0 - 1e-12),
    "reliability of none": lambda: proportions.reliability_shown(0),
    "plan of no part": lambda: sampling.acceptance(0, 0, [0.1]),
    "plan that takes all": lambda: sampling.acceptance(5, 5, [0.1]),
    "share above 1": lambda: sampling.acceptance(5, 0, [1.5]),
    "plan points crossed": lambda: sampling.find_plan(0.05, 0.01),
    "variables plan of 1": lambda: sampling.variables_acceptance(1, 1.5, [0.1]),
    "variables without limit": lambda: sampling.judge_variables(BASE, 1.5),
    "lot of 1": lambda: table_plans.code_letter(1),
    "unknown plan": lambda: table_plans.attribute_plan("Z", 1.0),
    "zone without limit": lambda: gauge_use.zone(1.0, None, None, 0.1),
    "nothing between the limits": lambda: gauge_use.acceptance_limits(0.0, 1.0, 0.6),
    "no uncertainty": lambda: gauge_use.uncertainty({}),
    "uncertainty nan": lambda: gauge_use.uncertainty({"a": math.nan}),
    "width 0": lambda: runlength.shewhart_arl(0.0),
    "width nan": lambda: runlength.shewhart_arl(math.nan),
    "EWMA weight 0": lambda: runlength.ewma_arl(runlength.Ewma(0.0, 2.7)),
    "CUSUM decision 0": lambda: runlength.cusum_arl(0.5, 0.0),
    "scale 0": lambda: runlength.shewhart_arl(3.0, 0.0, 0.0),
    "design of no shift": lambda: chartdesign.design(0.0, 5, 370),
    "design without end": lambda: chartdesign.design(1.0, 5, math.inf),
    "limits from 2 lots": lambda: limitscatter.rate_scatter(2),
    "unknown rule": lambda: rules.rule("no such rule"),
    "rule of 3": lambda: rules.rule("one_side", 3),
    "one part agreed": lambda: agreement.fleiss([[2, 0]]),
    "one class": lambda: agreement.cohen(["a", "a"], ["a", "a"]),
    "judges of other lengths": lambda: agreement.cohen(["a", "b"], ["a"]),
    "one lot": lambda: components.lot_components([5], [1.0], [0.1]),
    "lots of one value": lambda: components.lot_components([1, 1, 1], [1.0, 2.0, 3.0], [math.nan] * 3),
    "lot mean nan": lambda: components.lot_components([5, 5], [math.nan, 1.0], [0.1, 0.1]),
    "level that splits nothing": lambda: components.nested_components(BASE, {"lot": PAIRS, "cavity": PAIRS}),
    "all left out": lambda: charts.individuals(BASE, used=np.zeros(40, bool)),
    "marks of another length": lambda: charts.individuals(BASE, used=[True]),
    "sizes of another length": lambda: charts.xbar_s(BASE, BASE, [5, 5]),
    "EWMA without spread": lambda: ewma.frozen_ewma(1.0, spread.Sigma(0.0, "given", 1.0, 2, 1)),
    "defectives above size": lambda: attributes.p_chart([5, 6], 5),
    "counts below 0": lambda: attributes.c_chart([1, -1]),
    "margins crossed": lambda: compare.equivalence(BASE, BASE, 1.0, -1.0),
    "one group": lambda: compare.welch_anova([BASE]),
    "outcomes of another length": lambda: strength.fit_strength(BASE, [True]),
    "quantile of 1": lambda: strength.fit_strength(BASE, shares=(1.0,)),
    "censored above one failure": lambda: strength.fit_strength(BASE, np.arange(40) == 0),
    "parent of 0": lambda: strength.weld_factor(BASE, [0.0, 0.0]),
    "unbalanced gauge study": lambda: gauge.gauge_anova(BASE[:7], [1, 1, 2, 2, 3, 3, 3], [1, 2] * 3 + [1]),
    "T2 of one row": lambda: hotelling.t2_chart([[1.0, 2.0]]),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_is_refused_in_words(case: str, outcome: Outcome) -> None:
    assert outcome(REFUSED[case]) == "refused"
