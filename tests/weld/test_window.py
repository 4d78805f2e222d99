"""Window study: plans, fits, map and set point."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError, UsageError
from qualrec.weld.failure_modes import Shares
from qualrec.weld.window import WindowRule, fit_window, map_region, propose_set_point
from qualrec.weld.window_fit import fit_interfacial, fit_strength, model_matrix, model_terms
from qualrec.weld.window_plan import (
    DEFAULT_GENERATORS,
    Factor,
    box_behnken,
    defining_relation,
    face_centred,
    fractional_factorial,
    full_factorial,
)

POWER = Factor("power", 60, 140, "W")
FORCE = Factor("clamp_force", 200, 800, "N")
FACTORS = [POWER, FORCE, *(Factor(name, 0, 1) for name in ("c", "d", "e", "f", "g"))]


@pytest.mark.parametrize("key", DEFAULT_GENERATORS)
def test_resolution_of_stored_fractions(key: tuple[int, int]) -> None:
    """Resolutions of NIST e-Handbook table 5.3.3.4.7 (3-1 III, 4-1 IV, 5-1 V, 5-2 III, 6-1 VI, 6-2 IV, 7-3 IV, 7-4 III)."""
    known = {(3, 1): 3, (4, 1): 4, (5, 1): 5, (5, 2): 3, (6, 1): 6, (6, 2): 4, (7, 3): 4, (7, 4): 3}
    plan = fractional_factorial(FACTORS[: key[0]], key[1], centre_runs=0)
    assert plan.resolution == known[key]
    assert len(plan.runs) == 2 ** (key[0] - key[1])
    assert np.array_equal(plan.coded.T @ plan.coded, len(plan.runs) * np.eye(key[0])), "orthogonal, balanced"
    assert not plan.coded.sum(axis=0).any()
    for word in plan.defining_words:
        assert (np.prod(plan.coded[:, ["ABCDEFG".index(letter) for letter in word]], axis=1) == 1).all()


def test_defining_relation() -> None:
    """D = AB and E = AC give I = ABD = ACE = BCDE."""
    assert defining_relation(["D=AB", "E=AC"]) == ("ABD", "ACE", "BCDE")


@pytest.mark.parametrize("count, runs", [(3, 12), (4, 24), (5, 40)])
def test_box_behnken_size(count: int, runs: int) -> None:
    """12, 24 and 40 runs besides the centre: Box and Behnken 1960, NIST e-Handbook 5.3.3.6.2."""
    plan = box_behnken(FACTORS[:count], centre_runs=3)
    assert len(plan.runs) == runs + 3
    assert ((plan.coded != 0).sum(axis=1) <= 2).all()
    assert np.linalg.matrix_rank(model_matrix(plan.coded, "quadratic")) == len(
        model_terms("abcde"[:count], "quadratic")
    )


@pytest.mark.parametrize("count", [2, 3, 4])
def test_face_centred_carries_a_quadratic(count: int) -> None:
    plan = face_centred(FACTORS[:count], centre_runs=4)
    assert len(plan.runs) == 2**count + 2 * count + 4
    assert set(np.unique(plan.coded)) == {-1.0, 0.0, 1.0}
    terms = model_terms("abcd"[:count], "quadratic")
    assert len(terms) == (count + 1) * (count + 2) // 2
    assert np.linalg.matrix_rank(model_matrix(plan.coded, "quadratic")) == len(terms)


def test_full_factorial_has_every_combination() -> None:
    plan = full_factorial(FACTORS[:3], levels=3, centre_runs=0, repeats=2)
    wanted = sorted(list(itertools.product((-1.0, 0.0, 1.0), repeat=3)) * 2)
    assert sorted(run.coded for run in plan.runs) == wanted
    assert any("No centre runs" in note for note in plan.notes)


def test_order_is_random_and_repeatable() -> None:
    first, again, other = (face_centred([POWER, FORCE], seed=seed) for seed in (5, 5, 6))
    assert first.runs == again.runs
    assert [run.standard for run in first.runs] != [run.standard for run in other.runs]
    assert sorted(run.standard for run in first.runs) == list(range(1, len(first.runs) + 1))
    assert [run.order for run in first.runs] == list(range(1, len(first.runs) + 1))
    assert {run.values["power"] for run in first.runs} == {60.0, 100.0, 140.0}


@given(st.floats(-1e3, 1e3), st.floats(0.1, 1e3), st.floats(-2, 2))
def test_coding_inverts(low: float, width: float, level: float) -> None:
    factor = Factor("x", low, low + width)
    assert factor.coded(factor.actual(level)) == pytest.approx(level, abs=1e-8)


@pytest.mark.parametrize(
    "generators", [("D=AD",), ("D=A",), ("Z=AB",), ("D",), ("C=AB", "D=AC"), ("C=AB", "D=AB"), ()]
)
def test_bad_generators(generators: tuple[str, ...]) -> None:
    with pytest.raises(UsageError):
        fractional_factorial(FACTORS[:4], generators)


def test_bad_plans() -> None:
    with pytest.raises(UsageError):
        Factor("x", 2, 1)
    with pytest.raises(UsageError):
        full_factorial([POWER, POWER])
    with pytest.raises(UsageError):
        full_factorial(FACTORS[:6], levels=5)
    with pytest.raises(UsageError):
        box_behnken(FACTORS[:2])
    with pytest.raises(UsageError):
        fractional_factorial(FACTORS[:4], 3)
    with pytest.raises(UsageError):
        face_centred(FACTORS[:2], centre_runs=-1)


def test_strength_fit_against_statsmodels() -> None:
    """statsmodels OLS: coefficients, standard errors, bounds of mean and of a single value."""
    import statsmodels.api as sm

    plan = face_centred([POWER, FORCE], centre_runs=4, repeats=2)
    rng = np.random.default_rng(11)
    x = plan.coded
    strength = 500 + 60 * x[:, 0] - 90 * x[:, 0] ** 2 + 10 * x[:, 1] + rng.normal(0, 12, len(x))
    fit = fit_strength(x, strength, ["power", "clamp_force"])
    outside = sm.OLS(strength, model_matrix(x, "quadratic")).fit()
    assert fit.coefficients == pytest.approx(outside.params, rel=1e-9)
    assert fit.standard_errors == pytest.approx(outside.bse, rel=1e-9)
    assert fit.r_squared == pytest.approx(outside.rsquared, rel=1e-9)
    points = np.array([[0.2, -0.4], [1.0, 1.0]])
    frame = outside.get_prediction(model_matrix(points, "quadratic")).summary_frame(alpha=0.1)
    assert fit.lower(points, 0.95) == pytest.approx(frame["obs_ci_lower"].to_numpy(), rel=1e-9)
    assert fit.lower(points, 0.95, single_pull=False) == pytest.approx(
        frame["mean_ci_lower"].to_numpy(), rel=1e-9
    )


def test_lack_of_fit() -> None:
    """F = (SSE - SSPE)/(misfit df) / (SSPE/df), worked here by comparing two statsmodels fits."""
    import statsmodels.api as sm

    x = np.repeat([-1.0, 0.0, 1.0], 4)[:, np.newaxis]
    rng = np.random.default_rng(3)
    strength = 100 + 5 * x[:, 0] - 12 * x[:, 0] ** 2 + rng.normal(0, 4, 12)
    fit = fit_strength(x, strength, ["power"], "linear")
    groups = (x == np.array([-1.0, 0.0, 1.0])).astype(float)
    p = sm.OLS(strength, groups).fit().compare_f_test(sm.OLS(strength, model_matrix(x, "linear")).fit())[1]
    assert fit.lack_of_fit_p == pytest.approx(p, rel=1e-9)
    assert fit_strength(x, strength, ["power"], "quadratic").lack_of_fit_p is None


@pytest.mark.parametrize("low_fails, high_fails", [(3, 1), (6, 0), (0, 0), (6, 6)])
def test_firth_on_two_groups_adds_half_to_each_cell(low_fails: int, high_fails: int) -> None:
    """For a saturated two-group model Firth's fit is the log odds with 1/2 added to every cell (Heinze, Schemper 2002)."""
    x = np.repeat([-1.0, 1.0], 6)[:, np.newaxis]
    failed = np.array([i < low_fails for i in range(6)] + [i < high_fails for i in range(6)])
    fit = fit_interfacial(x, failed, ["power"])
    odds = [math.log((count + 0.5) / (6 - count + 0.5)) for count in (low_fails, high_fails)]
    assert fit.coefficients == pytest.approx([sum(odds) / 2, (odds[1] - odds[0]) / 2], abs=1e-8)


def test_firth_is_near_plain_likelihood_for_many_pulls() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(17)
    x = rng.uniform(-1, 1, (4000, 2))
    failed = rng.random(4000) < 1 / (1 + np.exp(1.0 + 2.0 * x[:, 0]))
    fit = fit_interfacial(x, failed, ["power", "clamp_force"])
    outside = sm.Logit(failed.astype(float), model_matrix(x, "linear")).fit(disp=0)
    assert fit.coefficients == pytest.approx(outside.params, abs=0.01)
    assert fit.standard_errors == pytest.approx(outside.bse, rel=0.01)
    assert (fit.upper(x[:50]) > fit.chance(x[:50])).all()


def _study(seed: int = 4) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Invented study: plateau about 105 W, interfacial below about 75 W."""
    plan = full_factorial([POWER, FORCE], levels=5, centre_runs=2, repeats=2, seed=seed)
    values = np.array([[run.values["power"], run.values["clamp_force"]] for run in plan.runs])
    rng = np.random.default_rng(seed)
    strength = 600 - 0.12 * (values[:, 0] - 105) ** 2 + 0.02 * values[:, 1] + rng.normal(0, 10, len(values))
    modes = ["interfacial" if power < 75 else "cohesive" for power in values[:, 0]]
    return values, strength, modes


def test_set_point_lies_on_the_plateau_with_margins() -> None:
    values, strength, modes = _study()
    fit = fit_window([POWER, FORCE], values, strength, modes)
    rule = WindowRule(min_strength=540, max_interfacial=0.1)
    point = propose_set_point(fit, rule)
    assert 90 < point.values["power"] < 120
    assert point.smallest_margin > 0.2
    assert point.strength_lower >= 540
    assert point.interfacial <= 0.1
    assert fit.inside(fit.coded(point.values), rule).all()
    power, force = point.margins
    assert power.low < power.set_value < power.high
    assert not power.high_is_study_edge
    assert force.low_is_study_edge
    for end in (power.low, power.high):
        assert fit.inside(fit.coded({**point.values, "power": end}), rule).all()
    beyond = power.high + 0.5
    assert not fit.inside(fit.coded({**point.values, "power": beyond}), rule).any()


def test_map_agrees_with_the_rule_and_shrinks_with_the_requirement() -> None:
    values, strength, modes = _study()
    fit = fit_window([POWER, FORCE], values, strength, modes)
    shares = [
        map_region(
            fit, WindowRule(min_strength=limit, max_interfacial=0.1), "power", "clamp_force"
        ).share_inside
        for limit in (450, 540, 580, 700)
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[2]
    assert shares[3] == 0
    rule = WindowRule(min_strength=540, max_interfacial=0.1)
    region = map_region(fit, rule, "power", "clamp_force", steps=9)
    for row, column in ((0, 0), (4, 5), (8, 8)):
        point = {"power": region.x_values[column], "clamp_force": region.y_values[row]}
        assert region.inside[row, column] == fit.inside(fit.coded(point), rule)[0]
    cautious = WindowRule(min_strength=540, max_interfacial=0.1, bound_on_mode=True)
    assert map_region(fit, cautious, "power", "clamp_force").share_inside <= shares[1]


def test_no_window_says_what_was_best() -> None:
    values, strength, modes = _study()
    fit = fit_window([POWER, FORCE], values, strength, modes)
    with pytest.raises(ComputeError, match="best lower bound of strength is 603"):
        propose_set_point(fit, WindowRule(min_strength=5000))


def test_faults_and_censored_pulls_are_counted() -> None:
    values, strength, modes = _study()
    modes[0], modes[1], modes[2] = "test fault", "parent material", "mixed"
    strength[0] = np.nan
    shares: list[Shares | None] = [None] * len(modes)
    shares[2] = Shares(interfacial=50, cohesive=50)
    others = sum(mode == "interfacial" for mode in modes)
    fit = fit_window([POWER, FORCE], values, strength, modes, shares)
    assert fit.interfacial.n == len(modes) - 1
    assert fit.interfacial.failures == others + 1, "half of the area interfacial counts"
    assert any("1 test faults" in note for note in fit.notes)
    assert any("lower bound" in note for note in fit.notes)
    quiet = fit_window([POWER, FORCE], values, np.nan_to_num(strength, nan=500), ["cohesive"] * len(modes))
    assert any("No interfacial failure" in note for note in quiet.notes)


def test_wrong_use() -> None:
    values, strength, modes = _study()
    with pytest.raises(UsageError, match="differ in number"):
        fit_window([POWER, FORCE], values, strength[:-1], modes)
    with pytest.raises(ComputeError, match="cannot carry"):
        fit_window([POWER, FORCE], values[:4], strength[:4], modes[:4])
    with pytest.raises(UsageError, match="missing"):
        fit_window([POWER, FORCE], values, np.full_like(strength, np.nan), modes)
    fit = fit_window([POWER, FORCE], values, strength, modes)
    rule = WindowRule(min_strength=500)
    with pytest.raises(UsageError, match="two factors"):
        map_region(fit, rule, "power", "power")
    with pytest.raises(UsageError, match="No factor"):
        fit.coded({"speed": 1})
    with pytest.raises(UsageError):
        WindowRule(min_strength=500, max_interfacial=5)
    with pytest.raises(UsageError, match="not known"):
        fit_strength(np.zeros((3, 1)), np.zeros(3), ["x"], "cubic")
