"""Run lengths against published figures, other methods and simulation; the price of the default charts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.batch import LotLimits, lot_signals
from qualrec.stats.chartdesign import design
from qualrec.stats.charts import LOT_MEAN_WIDTH
from qualrec.stats.ewma import WEIGHT, WIDTH
from qualrec.stats.limitscatter import rate_scatter
from qualrec.stats.rules import ALL_RULES, Rule, rule
from qualrec.stats.runlength import Ewma, cusum_arl, ewma_arl, rules_arl, shewhart_arl, simulated_arl

LIMIT = rule("beyond_limit")
DEFAULT_PAIR = Ewma(WEIGHT, WIDTH, time_varying=True)


@pytest.mark.parametrize(
    ("rules", "at_rest", "at_one_sigma"),
    [
        ([LIMIT], 370.40, 43.89),
        ([LIMIT, rule("two_of_three")], 225.44, 20.01),
        ([LIMIT, rule("four_of_five")], 166.05, 12.66),
        ([LIMIT, rule("one_side", 8)], 152.73, 14.58),
        ([LIMIT, rule("two_of_three"), rule("four_of_five"), rule("one_side", 8)], 91.75, 9.22),
    ],
)
def test_champ_and_woodall(rules: list[Rule], at_rest: float, at_one_sigma: float) -> None:
    """Champ & Woodall, Technometrics 29(4), 1987, table of run lengths (from memory), 2 decimals."""
    assert rules_arl(rules).value == pytest.approx(at_rest, abs=0.006)
    assert rules_arl(rules, 1.0).value == pytest.approx(at_one_sigma, abs=0.006)


@pytest.mark.parametrize(
    "kinds",
    [
        ["near_centre"],
        ["far_from_centre"],
        ["beyond_limit", "near_centre", "far_from_centre", "one_side", "four_of_five"],
    ],
)
def test_zone_chain_against_simulation(kinds: list[str]) -> None:
    rules = [rule(kind) for kind in kinds]
    exact, simulated = rules_arl(rules), simulated_arl(rules, runs=3000)
    assert exact.method == "Markov chain"
    assert simulated.value == pytest.approx(exact.value, abs=4 * simulated.error)


def test_wide_limits_and_off_centre_zones() -> None:
    rules = [LIMIT, rule("two_of_three")]
    exact, simulated = rules_arl(rules, 0.7, width=3.5), simulated_arl(rules, 0.7, width=3.5, runs=4000)
    assert simulated.value == pytest.approx(exact.value, abs=4 * simulated.error)


def test_trend_and_alternation_are_simulated_and_say_so() -> None:
    found = rules_arl([LIMIT, rule("rise_or_fall")], runs=2000)
    assert "simulation" in found.method
    assert found.error > 0
    assert found.value < 370


def test_mean_time_to_a_rise_or_fall_in_closed_form() -> None:
    """All k! orders are equally likely, so a window of 6 rises or falls with chance 2/6!; no window before the 6th.

    The chance that the first 6 points rise or fall is 1/360; simulated over many runs.
    """
    from qualrec.stats.rules import matches

    rows = np.random.default_rng(1).standard_normal((60_000, 6))
    share = matches(rows, 0.0, 1.0, -9.0, 9.0, [rule("rise_or_fall", 6)])[0, :, -1].mean()
    assert share == pytest.approx(1 / 360, abs=4 * math.sqrt(1 / 360 / 60_000))


@pytest.mark.parametrize(
    ("head", "shift", "published"), [(0.5, 0.0, 430.0), (0.5, 1.0, 6.35), (0.0, 0.0, 465.0)]
)
def test_cusum_with_head_start(head: float, shift: float, published: float) -> None:
    """Lucas & Crosier 1982, k 0.5, h 5, head start h/2, two-sided (from memory)."""
    assert cusum_arl(0.5, 5.0, shift, head_start=head).value == pytest.approx(published, rel=0.005)


def test_one_sided_cusum_against_siegmund() -> None:
    """Siegmund's approximation, b = h + 1.166: (exp(-2 d b) + 2 d b - 1)/(2 d^2), within 3 %."""
    for shift in (0.0, 1.0):
        d, b = shift - 0.5, 5 + 1.166
        rough = (math.exp(-2 * d * b) + 2 * d * b - 1) / (2 * d * d)
        assert cusum_arl(0.5, 5.0, shift, sides=1).value == pytest.approx(rough, rel=0.03)


@pytest.mark.parametrize(
    ("weight", "width", "shift", "value"),
    [
        (0.1, 2.70, 0.0, 369),
        (0.2, 2.86, 0.0, 371),
        (0.2, 2.70, 1.0, 8.8),
        (0.4, 3.054, 0.0, 500),
        (0.2, 3.0, 2.0, 3.8),
    ],
)
def test_ewma_table(weight: float, width: float, shift: float, value: float) -> None:
    """Lucas & Saccucci 1990 and a table computed with an independent chain, 2 to 3 digits."""
    assert ewma_arl(Ewma(weight, width), shift).value == pytest.approx(value, rel=0.012)


def test_weight_one_is_the_shewhart_chart() -> None:
    assert ewma_arl(Ewma(1.0, 3.0)).value == shewhart_arl(3.0).value
    assert ewma_arl(Ewma(1.0, 3.0), 1.0, point_width=2.5).value == shewhart_arl(2.5, 1.0).value
    near = ewma_arl(Ewma(0.999, 3.0), 0.5, states=200).value
    assert near == pytest.approx(shewhart_arl(3.0, 0.5).value, rel=0.01)


def test_wider_true_sigma_is_the_same_as_narrower_limits() -> None:
    assert ewma_arl(Ewma(0.2, 3.0), 0.6, point_width=3.6, scale=1.2).value == pytest.approx(
        ewma_arl(Ewma(0.2, 2.5), 0.5, point_width=3.0).value, rel=1e-9
    )


@pytest.mark.parametrize("shift", [0.0, 1.0])
@pytest.mark.parametrize("time_varying", [False, True])
def test_joint_run_length_against_simulation(shift: float, time_varying: bool) -> None:
    scheme = Ewma(WEIGHT, WIDTH, time_varying)
    exact = ewma_arl(scheme, shift, point_width=LOT_MEAN_WIDTH)
    simulated = simulated_arl([LIMIT], shift, width=LOT_MEAN_WIDTH, ewma=scheme, runs=4000)
    assert simulated.value == pytest.approx(exact.value, abs=4 * simulated.error)
    assert rules_arl([LIMIT], shift, width=LOT_MEAN_WIDTH, ewma=scheme).value == exact.value


def test_false_alarms_of_the_default_lot_charts() -> None:
    """Lot means in control through the product's own charts: 3,000 rows of lots, fixed seed.

    The run length to the first signal of mean or EWMA agrees with the computed one, and that one is near 370.
    """
    exact = ewma_arl(DEFAULT_PAIR, point_width=LOT_MEAN_WIDTH).value
    assert exact == pytest.approx(360.2, abs=0.1)
    assert exact == pytest.approx(370, rel=0.03)
    rows, lots = 1500, 400
    x = np.random.default_rng(8).normal(50.0, 2.0, (rows, lots))
    ones, none = np.ones(rows), np.full(rows, np.nan)
    limits = LotLimits(50.0 * ones, 2.0 * ones, none, ones.astype(int), ones.astype(int))
    found = lot_signals(np.full(x.shape, 3), x, np.full(x.shape, np.nan), limits)
    hit = found.mean | found.ewma
    ended = hit.any(axis=1)
    seen = np.where(ended, np.argmax(hit, axis=1) + 1, lots)
    rate = ended.sum() / seen.sum()
    assert 1 / rate == pytest.approx(exact, abs=4 * exact / math.sqrt(ended.sum()))


def test_price_of_all_rules() -> None:
    found = rules_arl(ALL_RULES, runs=3000)
    assert "simulation" in found.method
    assert found.value == pytest.approx(73, abs=4)


def test_more_rules_never_lengthen_the_run() -> None:
    sets = [[LIMIT], [LIMIT, rule("two_of_three")], [LIMIT, rule("two_of_three"), rule("one_side", 9)]]
    lengths = [rules_arl(rules).value for rules in sets]
    assert lengths == sorted(lengths, reverse=True)
    sides = [rules_arl([LIMIT, rule("one_side", k)]).value for k in (7, 8, 9)]
    assert sides == sorted(sides)


def test_scatter_of_the_rate_narrows_with_lots() -> None:
    few, many = (rate_scatter(k, width=3.0) for k in (25, 400))
    assert few.low < many.low < many.known < many.high < few.high
    assert few.too_often > many.too_often
    assert many.median == pytest.approx(many.known, rel=0.1)


def test_interpolated_scatter_agrees_with_single_chains() -> None:
    found = rate_scatter(30, width=3.5, ewma=Ewma(0.2, 2.9), sets=12, seed=5)
    rng = np.random.default_rng(5)
    lots = rng.standard_normal((12, 30))
    centre, sigma = lots.mean(axis=1), np.abs(np.diff(lots, axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2
    direct = [
        ewma_arl(Ewma(0.2, 2.9), -c / s, point_width=3.5, scale=1 / s).value
        for c, s in zip(centre, sigma, strict=True)
    ]
    assert found.median == pytest.approx(np.median(direct), rel=0.01)
    assert found.low == pytest.approx(np.quantile(direct, 0.1), rel=0.01)


def test_design_holds_the_rate_and_finds_the_shift() -> None:
    found = design(1.0, 10, 370)
    assert found.met
    assert found.in_control == pytest.approx(370, rel=0.002)
    assert found.to_find < 10
    assert (
        ewma_arl(Ewma(found.weight, found.width), 1.0, point_width=found.point_width).value == found.to_find
    )
    assert found.to_find < shewhart_arl(3.0, 1.0).value / 4
    assert found.shift_found < 1.0
    weak = design(0.25, 10, 1000)
    assert not weak.met
    assert weak.shift_found > 0.25
    reach = ewma_arl(Ewma(weak.weight, weak.width), weak.shift_found, point_width=weak.point_width).value
    assert reach == pytest.approx(10, rel=0.001)


def test_small_shifts_ask_for_small_weights() -> None:
    assert design(0.5, 40, 370).weight < design(2.5, 3, 370).weight


@pytest.mark.parametrize(
    "call",
    [
        lambda: rules_arl([]),
        lambda: rules_arl([LIMIT], width=0.0),
        lambda: shewhart_arl(-1.0),
        lambda: ewma_arl(Ewma(0.0, 3.0)),
        lambda: ewma_arl(Ewma(0.2, 3.0), point_width=0.0),
        lambda: cusum_arl(0.5, 0.0),
        lambda: cusum_arl(0.5, 5.0, sides=3),
        lambda: rate_scatter(2),
        lambda: design(0.0, 10, 370),
        lambda: design(1.0, 10, 5),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
