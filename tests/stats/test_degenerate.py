"""Degenerate input, one by one, to every public method of values: a documented answer or a worded error, never a warning.

The table names for each method the inputs it answers; every other one must be refused with a remedy. numpy's overflow,
division and invalid-value warnings count as failures. Nothing here is published: it is what the docstrings promise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from qualrec.stats import (
    agreement,
    attributes,
    batch,
    capability,
    capability_batch,
    charts,
    compare,
    components,
    cusum,
    describe,
    distributions,
    drift,
    ewma,
    gauge,
    gauge_use,
    groups,
    hotelling,
    laney,
    logistic,
    normality,
    outliers,
    proportions,
    rare,
    regression,
    rules,
    sampling,
    shortrun,
    spread,
    strength,
    tolerance,
)

Outcome = Callable[[Callable[[], Any]], str]

BASE = 10.0 + np.random.default_rng(0).standard_normal(40)
INPUTS: dict[str, Any] = {
    "none": [],
    "one": [5.0],
    "two": [5.0, 6.0],
    "alike": [5.0, 5.0],
    "three": [5.0, 6.0, 7.5],
    "flat": [5.0] * 40,
    "zeros": [0.0] * 40,
    "nan": [*BASE, np.nan],
    "inf": [*BASE, np.inf],
    "low_inf": [*BASE, -np.inf],
    "only_nan": [np.nan] * 10,
    "far": 1e7 + 1e-3 * np.random.default_rng(0).standard_normal(40),
    "very_far": 1e15 + np.arange(40.0),
    "huge": 1e200 * BASE,
    "largest": [1e308, -1e308] * 20,
    "tiny": 1e-300 * BASE,
    "least": [5e-324 * i for i in range(40)],
    "two_values": [1.0, 2.0] * 20,
    "one_odd": [5.0] * 39 + [6.0],
    "below_0": -BASE,
    "marks": [1, 0] * 20,
    "table": [[1.0, 2.0], [3.0, 4.0]],
}


def every(k: int) -> Callable[[Any], Any]:
    """Groups of k successive values."""
    return lambda v: np.arange(np.size(v)) // k


def alternating(v: Any) -> Any:
    return np.arange(np.size(v)) % 2 == 0


def steps(v: Any) -> Any:
    return np.arange(np.size(v))


def lot_signals(v: Any) -> Any:
    rows = ([np.full(np.shape(v), 5)], [v], [np.abs(v)])
    return batch.lot_signals(*rows, batch.lot_limits(*rows), rules=rules.ALL_RULES)


METHODS: dict[str, Callable[[Any], Any]] = {
    "describe": describe.describe,
    "moving_range": spread.moving_range,
    "median_moving_range": spread.median_moving_range,
    "overall": spread.overall,
    "from_ranges": lambda v: spread.from_ranges(v, 5),
    "from_sds": lambda v: spread.from_sds(v, 5),
    "pooled": lambda v: spread.pooled(v, 5),
    "individuals": charts.individuals,
    "xbar_r": lambda v: charts.xbar_r(v, np.abs(v), 5),
    "xbar_s": lambda v: charts.xbar_s(v, np.abs(v), 5),
    "lot_means": lambda v: charts.lot_means(np.full(np.shape(v), 5), v, np.abs(v)),
    "second phase": lambda v: charts.apply_frozen(charts.individuals([1.0, 2.0, 4.0]).frozen, v),
    "second phase lots": lambda v: charts.apply_frozen(
        charts.lot_means([5] * 3, [1.0, 2.0, 4.0], [1.0] * 3).frozen, v, sizes=5.0, spreads=np.abs(v)
    ),
    "ewma_chart": ewma.ewma_chart,
    "cusum_chart": lambda v: cusum.shift_of(cusum.cusum_chart(v)),
    "p_chart": lambda v: attributes.p_chart(v, 100),
    "np_chart": lambda v: attributes.np_chart(v, 100),
    "c_chart": attributes.c_chart,
    "u_chart": lambda v: attributes.u_chart(v, 2.0),
    "zero_tolerance": attributes.zero_tolerance,
    "p_prime_chart": lambda v: laney.p_prime_chart(v, 100),
    "u_prime_chart": lambda v: laney.u_prime_chart(v, 2.0),
    "g_chart": rare.g_chart,
    "t_chart": rare.t_chart,
    "t_chart power": lambda v: rare.t_chart(v, method="power"),
    "gaps_between": rare.gaps_between,
    "deviation_chart": lambda v: shortrun.deviation_chart(
        v, 5.0, parts=["a" if i % 2 else "b" for i in steps(v)]
    ),
    "standardised_chart": lambda v: shortrun.standardised_chart(v, 5.0, 1.0),
    "t2_chart": lambda v: hotelling.t2_chart(np.column_stack([np.ravel(v), steps(v) ** 2 % 7])),
    "t2_chart twins": lambda v: hotelling.t2_chart(np.column_stack([v, v])),
    "matches": lambda v: rules.matches(v, 10.0, 1.0, 7.0, 13.0, rules.ALL_RULES),
    "lot_signals": lot_signals,
    "capability one lot": lambda v: capability.capability_of_values(v, 0.0, 20.0),
    "capability one side": lambda v: capability.capability_of_values(v, 0.0, None, lot_ids=every(5)(v)),
    "capability lots": lambda v: capability.capability_of_values(v, 0.0, 20.0, 10.0, lot_ids=every(5)(v)),
    "capability lots of one": lambda v: capability.capability_of_values(v, 0.0, 20.0, lot_ids=steps(v)),
    "capability_batch": lambda v: capability_batch.capability_batch(
        [np.full(np.shape(v), 5)], [v], [np.abs(v)], 0.0, 20.0
    ),
    "choose_shape": distributions.choose_shape,
    "percentile_capability": lambda v: distributions.percentile_capability(v, 0.0, 20.0, ("normal",), 100),
    "normality": normality.normality,
    "anderson_darling": normality.anderson_darling,
    "probability_plot": normality.probability_plot,
    "shapiro_wilk": normality.shapiro_wilk,
    "grubbs": outliers.grubbs,
    "esd": lambda v: outliers.esd(v, 3),
    "tietjen_moore": lambda v: outliers.tietjen_moore(v, 2, samples=200),
    "tolerance_interval": tolerance.tolerance_interval,
    "distribution_free": lambda v: tolerance.distribution_free(v, 0.8),
    "share_beyond": lambda v: tolerance.share_beyond(v, 3.0),
    "free_share_beyond": lambda v: tolerance.free_share_beyond(v, 3.0),
    "change_point": drift.change_point,
    "trend": drift.trend,
    "runs_test": drift.runs_test,
    "runs_test dropped": lambda v: drift.runs_test(v, on_median="dropped"),
    "two_groups": groups.two_groups,
    "weibull": strength.fit_strength,
    "lognormal": lambda v: strength.fit_strength(v, shape="lognormal"),
    "normal": lambda v: strength.strength_plot(strength.fit_strength(v, shape="normal")),
    "weibull half censored": lambda v: strength.fit_strength(v, alternating(v)),
    "normal half censored": lambda v: strength.fit_strength(v, alternating(v), "normal"),
    "all censored": lambda v: strength.fit_strength(v, np.zeros(np.size(v), bool)),
    "one failure": lambda v: strength.fit_strength(v, steps(v) == 0),
    "two failures": lambda v: strength.fit_strength(v, steps(v) < 2),
    "two failures normal": lambda v: strength.fit_strength(v, steps(v) < 2, "normal"),
    "fit_modes": lambda v: strength.fit_modes(v, [("a", "b", "c")[i % 3] for i in steps(v)]),
    "kaplan_meier": strength.kaplan_meier,
    "kaplan_meier all censored": lambda v: strength.kaplan_meier(v, np.zeros(np.size(v), bool)),
    "weld_factor": lambda v: strength.weld_factor(v, [9.0, 10.0, 11.0]),
    "weld_factor parent": lambda v: strength.weld_factor([9.0, 10.0, 11.0], v),
    "mean_test": lambda v: compare.mean_test(v, 5.0),
    "welch_t": lambda v: compare.welch_t(v, BASE),
    "welch_t pooled": lambda v: compare.welch_t(v, BASE, pooled=True),
    "welch_t itself": lambda v: compare.welch_t(v, v),
    "welch_anova": lambda v: compare.welch_anova([v, BASE]),
    "levene": lambda v: compare.levene([v, BASE]),
    "bartlett": lambda v: compare.bartlett([v, BASE]),
    "f_test": lambda v: compare.f_test(v, BASE),
    "sd_test": lambda v: compare.sd_test(v, 1.0),
    "mann_whitney": lambda v: compare.mann_whitney(v, BASE),
    "equivalence": lambda v: compare.equivalence(v, BASE, -1.0, 1.0),
    "pairs": lambda v: compare.pairs({"a": v, "b": BASE}),
    "anova_oneway": lambda v: components.anova_oneway(v, every(5)(v)),
    "anova one group": lambda v: components.anova_oneway(v, np.zeros(np.size(v))),
    "nested_components": lambda v: components.nested_components(v, {"lot": every(5)(v)}),
    "nested reml": lambda v: components.nested_components(v, {"lot": every(5)(v)}, "reml"),
    "lot_components": lambda v: components.lot_components(np.full(np.shape(v), 5), v, np.abs(v)),
    "gauge_anova": lambda v: gauge.gauge_anova(v, every(4)(v), every(2)(v) % 2),
    "gauge_average_range": lambda v: gauge.gauge_average_range(v, every(4)(v), every(2)(v) % 2),
    "gauge_nested": lambda v: gauge.gauge_nested(v, every(2)(v), every(20)(v)),
    "bias": lambda v: gauge_use.bias(v, 5.0),
    "linearity": lambda v: gauge_use.linearity(steps(v) % 5, v),
    "linearity references": lambda v: gauge_use.linearity(v, steps(v) % 5),
    "stability": lambda v: gauge_use.stability(steps(v), v),
    "line": lambda v: regression.line(steps(v), v),
    "line settings": lambda v: regression.line(v, steps(v)),
    "polynomial": lambda v: regression.polynomial(v, steps(v), 3),
    "polynomial results": lambda v: regression.polynomial(steps(v), v, 2),
    "logistic": lambda v: logistic.logistic(v, steps(v) * 7 % 3 == 0, ["x"]),
    "judge_variables": lambda v: sampling.judge_variables(v, 1.5, 0.0, 20.0),
    "cohen": lambda v: agreement.cohen(v, v),
    "cohen_table": agreement.cohen_table,
    "fleiss": agreement.fleiss,
    "proportion_by_lot": lambda v: proportions.proportion_by_lot(v, np.full(np.shape(v), 50)),
}

ANSWERED = {
    "describe": "one two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "moving_range": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "median_moving_range": (
        "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks"
    ),
    "overall": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "from_ranges": "one two alike three flat zeros far very_far tiny least two_values one_odd marks table",
    "from_sds": "one two alike three flat zeros far very_far tiny least two_values one_odd marks table",
    "pooled": "one two alike three flat zeros far very_far tiny least two_values one_odd marks table",
    "individuals": "two three nan far very_far tiny least two_values one_odd below_0 marks",
    "xbar_r": "two alike three flat nan far very_far tiny least two_values one_odd below_0 marks",
    "xbar_s": "two alike three flat nan far very_far tiny least two_values one_odd below_0 marks",
    "lot_means": "two three nan far very_far tiny least two_values one_odd below_0 marks",
    "second phase": (
        "none one two alike three flat zeros nan only_nan far very_far tiny least two_values one_odd "
        "below_0 marks"
    ),
    "second phase lots": (
        "none one two alike three flat zeros nan only_nan far very_far tiny least two_values one_odd "
        "below_0 marks"
    ),
    "ewma_chart": "two three nan far very_far tiny least two_values one_odd below_0 marks",
    "cusum_chart": "two three nan far very_far tiny least two_values one_odd below_0 marks",
    "p_chart": "two alike three flat zeros nan tiny least two_values one_odd marks",
    "np_chart": "two alike three flat zeros nan tiny least two_values one_odd marks",
    "c_chart": "two alike three flat zeros nan far very_far tiny least two_values one_odd marks",
    "u_chart": "two alike three flat zeros nan far very_far tiny least two_values one_odd marks",
    "zero_tolerance": (
        "none one two alike three flat zeros nan only_nan far very_far huge tiny least two_values "
        "one_odd marks"
    ),
    "p_prime_chart": "two three nan tiny two_values one_odd marks",
    "u_prime_chart": "two three nan far very_far tiny least two_values one_odd marks",
    "g_chart": "two alike flat very_far two_values one_odd marks",
    "t_chart": "two alike three flat nan far very_far tiny two_values one_odd",
    "t_chart power": "two three nan far very_far tiny two_values one_odd",
    "gaps_between": (
        "none one two alike three flat zeros nan inf low_inf only_nan far very_far huge largest tiny "
        "least two_values one_odd below_0 marks table"
    ),
    "deviation_chart": "two three nan far very_far two_values one_odd below_0 marks",
    "standardised_chart": (
        "none one two alike three flat zeros nan only_nan far very_far tiny least two_values one_odd "
        "below_0 marks"
    ),
    "t2_chart": "nan far very_far two_values one_odd below_0 marks table",
    "t2_chart twins": "",
    "matches": (
        "none one two alike three flat zeros nan inf low_inf only_nan far very_far huge largest tiny "
        "least two_values one_odd below_0 marks table"
    ),
    "lot_signals": (
        "none one two alike three flat zeros nan inf low_inf only_nan far very_far huge largest tiny "
        "least two_values one_odd below_0 marks"
    ),
    "capability one lot": "two three far very_far two_values one_odd below_0 marks",
    "capability one side": "two three far very_far two_values one_odd below_0 marks",
    "capability lots": "two three far very_far two_values one_odd below_0 marks",
    "capability lots of one": "two three far very_far two_values one_odd below_0 marks",
    "capability_batch": (
        "one two alike three flat zeros nan inf low_inf only_nan far very_far huge largest tiny least "
        "two_values one_odd below_0 marks"
    ),
    "choose_shape": "far very_far two_values one_odd below_0 marks",
    "percentile_capability": "far very_far two_values one_odd below_0 marks",
    "normality": "far very_far two_values one_odd below_0 marks",
    "anderson_darling": "far very_far two_values one_odd below_0 marks",
    "probability_plot": "two three far very_far two_values one_odd below_0 marks",
    "shapiro_wilk": "three far very_far two_values one_odd below_0 marks",
    "grubbs": "three far very_far two_values one_odd below_0 marks",
    "esd": "far very_far two_values one_odd below_0 marks",
    "tietjen_moore": "far very_far two_values one_odd below_0 marks",
    "tolerance_interval": "two three far very_far two_values one_odd below_0 marks",
    "distribution_free": "flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "share_beyond": "two three far very_far two_values one_odd below_0 marks",
    "free_share_beyond": (
        "one two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks"
    ),
    "change_point": "nan far very_far two_values one_odd below_0 marks",
    "trend": "nan far very_far tiny least two_values one_odd below_0 marks",
    "runs_test": "nan far very_far tiny least two_values below_0 marks",
    "runs_test dropped": "nan far very_far tiny least two_values below_0 marks",
    "two_groups": "far very_far two_values one_odd below_0 marks",
    "weibull": "two three far tiny two_values one_odd",
    "lognormal": "two three far tiny two_values one_odd",
    "normal": "two three far two_values one_odd below_0 marks",
    "weibull half censored": "three far tiny two_values one_odd",
    "normal half censored": "three far two_values one_odd below_0",
    "all censored": "",
    "one failure": "",
    "two failures": "two three far tiny two_values one_odd",
    "two failures normal": "two three far two_values one_odd below_0 marks",
    "fit_modes": "one two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "kaplan_meier": "one two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "kaplan_meier all censored": "",
    "weld_factor": "two alike three flat far very_far two_values one_odd below_0 marks",
    "weld_factor parent": "two alike three flat far very_far two_values one_odd marks",
    "mean_test": "two three far very_far two_values one_odd below_0 marks",
    "welch_t": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "welch_t pooled": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "welch_t itself": "two three far very_far two_values one_odd below_0 marks",
    "welch_anova": "two three far very_far two_values one_odd below_0 marks",
    "levene": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "bartlett": "two three far very_far two_values one_odd below_0 marks",
    "f_test": "two three far very_far two_values one_odd below_0 marks",
    "sd_test": "two three far very_far two_values one_odd below_0 marks",
    "mann_whitney": "one two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "equivalence": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "pairs": "two alike three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "anova_oneway": "far very_far two_values one_odd below_0 marks",
    "anova one group": "",
    "nested_components": "far very_far two_values one_odd below_0 marks",
    "nested reml": "far very_far two_values one_odd below_0 marks",
    "lot_components": "two alike three flat far very_far two_values one_odd below_0 marks",
    "gauge_anova": "far very_far two_values one_odd below_0 marks",
    "gauge_average_range": "far very_far two_values one_odd below_0 marks",
    "gauge_nested": "far very_far two_values one_odd below_0 marks",
    "bias": "two three far very_far two_values one_odd below_0 marks",
    "linearity": "three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "linearity references": "three far very_far two_values one_odd below_0 marks",
    "stability": "three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "line": "three flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "line settings": "three far very_far two_values one_odd below_0 marks",
    "polynomial": "far very_far below_0",
    "polynomial results": "flat zeros far very_far tiny least two_values one_odd below_0 marks",
    "logistic": "far very_far two_values below_0 marks",
    "judge_variables": "two three far very_far two_values one_odd below_0 marks",
    "cohen": (
        "two three nan inf low_inf far very_far huge largest tiny least two_values one_odd below_0 marks"
    ),
    "cohen_table": "table",
    "fleiss": "",
    "proportion_by_lot": "two alike flat zeros two_values one_odd marks",
}
"""Inputs that each method answers."""


@pytest.mark.parametrize("method", METHODS)
def test_each_degenerate_input_is_answered_or_refused_in_words(method: str, outcome: Outcome) -> None:
    found = [
        name for name, values in INPUTS.items() if outcome(lambda v=values: METHODS[method](v)) == "answered"
    ]
    assert " ".join(found) == ANSWERED[method]


def test_one_limit_gives_the_indices_against_it_and_no_others() -> None:
    for lsl, usl, name in ((8.0, None, "Ppl"), (None, 12.0, "Ppu")):
        found = capability.capability_of_values(BASE, lsl, usl)
        assert [i.name for i in found.overall] == ["Ppk", name]
        assert found.index("Pp") is None
        assert found.index("Ppk").value == found.index(name).value


def test_rows_of_a_batch_that_cannot_be_computed_say_why_and_stop_no_other() -> None:
    n = np.full((7, 4), 5)
    mean, sd = np.tile([1.0, 2.0, 3.0, 4.0], (7, 1)), np.ones((7, 4))
    mean[1], sd[1] = 5.0, 0.0
    mean[2, 0], mean[3, 0] = np.inf, 1e200
    n[4] = [1, 0, 0, 0]
    low, high = np.full(7, 0.0), np.full(7, 9.0)
    low[5], low[6], high[6] = 20.0, np.nan, np.nan
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        found = capability_batch.capability_batch(n, mean, sd, low, high)
    assert found.problem == (
        "", "no spread", "not finite", "not finite", "fewer than 2 values", "limits crossed", "no limit"
    )  # fmt: skip
    assert np.isfinite(found.values["Ppk"]).tolist() == [True] + [False] * 6
    assert np.isfinite(found.bounds["Ppk"]).tolist() == [True] + [False] * 6


def test_lots_that_cannot_give_limits_have_none_and_signal_nothing() -> None:
    mean = np.tile([1.0, 2.0, 3.0, 4.0], (4, 1))
    mean[1], mean[2, 1], mean[3] = 2.0, np.inf, np.nan
    n, sd = np.full(mean.shape, 5), np.ones(mean.shape)
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        limits = batch.lot_limits(n, mean, sd)
        signals = batch.lot_signals(n, mean, sd, limits)
    assert np.isfinite(limits.centre).tolist() == [True, False, False, False]
    assert not signals.mean[1:].any()
    assert not signals.rules[:, 1:].any()


def test_far_from_0_keeps_the_digits() -> None:
    """1e7 + tiny: spread, indices and components are those of the tiny part, as far as parsing to double allows."""
    near, far = INPUTS["far"] - 1e7, INPUTS["far"]
    assert describe.describe(far).sd == pytest.approx(describe.describe(near).sd, rel=1e-12)
    assert spread.moving_range(far).value == pytest.approx(spread.moving_range(near).value, rel=1e-12)
    lots = every(5)(far)
    here = capability.capability_of_values(near, -0.01, 0.01, lot_ids=lots)
    there = capability.capability_of_values(far, 1e7 - 0.01, 1e7 + 0.01, lot_ids=lots)
    for name in ("Cp", "Pp", "Ppk"):
        assert there.index(name).value == pytest.approx(here.index(name).value, rel=1e-6)
        assert there.index(name).bound.value == pytest.approx(here.index(name).bound.value, rel=1e-6)
    a, b = (components.anova_oneway(x, lots) for x in (near, far))
    assert b.f == pytest.approx(a.f, rel=1e-9)
    assert compare.welch_t(far, far[::2]).statistic == pytest.approx(
        compare.welch_t(near, near[::2]).statistic, rel=1e-5
    )
    assert outliers.grubbs(far).statistics[0] == pytest.approx(outliers.grubbs(near).statistics[0], rel=1e-6)
    assert drift.change_point(far).p == drift.change_point(near).p


MILLION = 10.0 + np.random.default_rng(5).standard_normal(1_000_000)
MILLION_ANSWERED = (
    "describe", "moving_range", "overall", "individuals", "lot_means", "ewma_chart", "c_chart", "matches",
    "capability lots", "normality", "probability_plot", "grubbs", "tolerance_interval", "distribution_free",
    "free_share_beyond", "runs_test", "kaplan_meier", "mean_test", "welch_t", "levene", "anova_oneway", "bias",
    "line", "polynomial",
)  # fmt: skip
MILLION_REFUSED = (
    "percentile_capability", "shapiro_wilk", "tietjen_moore", "change_point", "trend", "weibull", "mann_whitney",
    "kaplan_meier all censored", "all censored",
)  # fmt: skip


@pytest.mark.parametrize("method", [*MILLION_ANSWERED, *MILLION_REFUSED])
def test_a_million_values_are_answered_in_seconds_or_refused_at_once(method: str, outcome: Outcome) -> None:
    expected = "answered" if method in MILLION_ANSWERED else "refused"
    assert outcome(lambda: METHODS[method](MILLION)) == expected
