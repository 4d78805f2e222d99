"""Acceptance sampling: published plans and curves, scipy's distributions, brute-force searches, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases
from qualrec.stats.sampling import (
    acceptance,
    find_plan,
    find_variables_plan,
    judge_variables,
    operating_curve,
    variables_acceptance,
)
from qualrec.stats.table_plans import attribute_plan, code_letter, variables_plan
from qualrec.stats.tolerance import k_one_sided


def _oc() -> dict[str, object]:
    i = case("oc_nist_52_3").inputs
    curve = operating_curve(i["n"], i["c"], i["p"], i["N"])
    ati = operating_curve(i["n"], i["c"], i["ati_p"], i["N"]).ati
    return {"Pa": curve.pa, "AOQ": curve.aoq, "ATI": ati}


def _letters(case_id: str) -> dict[str, object]:
    c = case(case_id)
    bounds = [b if b is not None else 10**7 for b in c.inputs["lot_upper_bounds"]]
    for level in c.expected:
        assert all(code_letter(b, level) == code_letter(max(b - 1, 2), level) for b in bounds)
    return {level: "".join(code_letter(b, level) for b in bounds) for level in c.expected}


def _plans() -> dict[str, object]:
    i = case("iso2859_plans_a").inputs
    plans = [attribute_plan(letter, aql) for letter, aql in zip(i["letter"], i["AQL"], strict=True)]
    assert all("from memory" in p.source for p in plans)
    pa = [float(acceptance(p.n, p.accept, p.aql / 100)) for p in plans]
    return {"n": [p.n for p in plans], "Ac": [p.accept for p in plans], "Re": [p.reject for p in plans],
            "Pa_at_AQL": pa}  # fmt: skip


def _form1() -> dict[str, object]:
    i = case("mil414_form1_example").inputs
    v = judge_variables(i["x"], i["k"], usl=i["usl"])
    return {"n": v.n, "mean": v.mean, "s": v.sd, "Q_U": v.q, "accept": v.accept}


def _k_table() -> dict[str, object]:
    i = case("mil414_k_aql1").inputs
    plans = [variables_plan(letter, i["AQL"]) for letter in i["letter"]]
    assert all("medium" in p.source for p in plans)
    for p in plans:
        assert 0.87 <= float(variables_acceptance(p.n, p.k, 0.01)) <= 0.96
    return {"n": [p.n for p in plans], "k": [p.k for p in plans]}


CASES = {
    "oc_nist_52_3": _oc,
    "iso2859_code_letters_general": lambda: _letters("iso2859_code_letters_general"),
    "iso2859_code_letters_special": lambda: _letters("iso2859_code_letters_special"),
    "iso2859_plans_a": _plans,
    "mil414_form1_example": _form1,
    "mil414_k_aql1": _k_table,
}


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind.startswith("acceptance")])
def test_published_case(case_id: str) -> None:
    found = CASES[case_id]()
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


@pytest.mark.parametrize(("n", "c", "lot"), [(50, 1, 200), (20, 0, 25), (80, 5, 80), (10, 3, 1000)])
def test_models_against_scipy(n: int, c: int, lot: int) -> None:
    p = np.linspace(0, 1, 41)
    np.testing.assert_allclose(acceptance(n, c, p), stats.binom.cdf(c, n, p), atol=1e-12)
    np.testing.assert_allclose(acceptance(n, c, p, "poisson"), stats.poisson.cdf(c, n * p), atol=1e-12)
    outside = stats.hypergeom.cdf(c, lot, np.rint(lot * p).astype(int), n)
    np.testing.assert_allclose(acceptance(n, c, p, "hypergeometric", lot), outside, atol=1e-9)


def test_found_plan_is_the_smallest() -> None:
    """NIST 6.2.3.2 points (from memory): p1 0.01, p2 0.08, risks 5 and 10 %; against a search through all
    plans."""
    plan = find_plan(0.01, 0.08)
    assert plan.pa_good >= 0.95
    assert plan.pa_bad <= 0.10
    for n in range(1, plan.n):
        ok = [c for c in range(n) if acceptance(n, c, 0.08) <= 0.10 and acceptance(n, c, 0.01) >= 0.95]
        assert not ok


@given(st.floats(0.002, 0.05), st.floats(2.5, 8.0))
def test_plans_hold_both_risks(good: float, times: float) -> None:
    for model, lot in (("binomial", None), ("poisson", None), ("hypergeometric", 5000)):
        plan = find_plan(good, min(good * times, 0.5), model=model, lot=lot)
        assert plan.pa_good >= 0.95
        assert plan.pa_bad <= 0.10


def test_variables_curve_by_simulation() -> None:
    """20,000 samples of 12, k 1.7, 3 % beyond the limit."""
    rng = np.random.default_rng(1)
    x = rng.normal(size=(20_000, 12))
    limit = stats.norm.ppf(0.97)
    q = (limit - x.mean(axis=1)) / x.std(axis=1, ddof=1)
    expected = float(variables_acceptance(12, 1.7, 0.03))
    assert float(np.mean(q >= 1.7)) == pytest.approx(expected, abs=0.011)


def test_variables_plan_needs_fewer_values_than_attributes() -> None:
    plan = find_variables_plan(0.01, 0.06)
    assert plan.pa_good >= 0.95
    assert plan.pa_bad == pytest.approx(0.10, abs=1e-6)
    assert plan.n < find_plan(0.01, 0.06).n
    for n in range(2, plan.n):
        assert float(variables_acceptance(n, k_one_sided(n, 0.94, 0.90), 0.01)) < 0.95


def test_aoql_and_replacement() -> None:
    curve = operating_curve(52, 3, np.linspace(0.01, 0.2, 2000), 10_000)
    assert curve.aoql == pytest.approx(float(curve.aoq.max()), rel=1e-4)
    with_replacement = operating_curve(52, 3, [0.05], 10_000, replaced=True)
    assert with_replacement.aoq[0] == pytest.approx(
        curve.aoql * 0 + float(acceptance(52, 3, 0.05)) * 0.05 * 0.9948
    )
    assert np.isnan(operating_curve(52, 3, [0.05]).ati).all()


def test_two_limits_take_the_smaller_distance() -> None:
    v = judge_variables([9.0, 10.0, 11.0], 1.0, 7.0, 12.0)
    assert v.q == pytest.approx(2.0)
    assert v.accept
    assert not judge_variables([9.0, 10.0, 11.0], 2.1, 7.0, 12.0).accept


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: acceptance(0, 0, 0.1), "not possible"),
        (lambda: acceptance(5, 5, 0.1), "accepts every"),
        (lambda: acceptance(5, -1, 0.1), "not possible"),
        (lambda: acceptance(5, 1, 1.5), "outside 0 to 1"),
        (lambda: acceptance(5, 1, math.nan), "outside 0 to 1"),
        (lambda: acceptance(5, 1, 0.1, "other"), "Unknown model"),
        (lambda: acceptance(5, 1, 0.1, "hypergeometric"), "lot of None"),
        (lambda: acceptance(5, 1, 0.1, "hypergeometric", 4), "lot of 4"),
        (lambda: operating_curve(5, 1, [0.1], replaced=True), "size of the lot"),
        (lambda: find_plan(0.1, 0.05), "not below"),
        (lambda: find_plan(0.0, 0.05), "good share"),
        (lambda: find_plan(0.01, 0.0100001), "No single plan"),
        (lambda: find_plan(0.01, 0.02, model="hypergeometric", lot=10), "No single plan"),
        (lambda: variables_acceptance(1, 1.5, 0.1), "At least 2|1 values"),
        (lambda: variables_acceptance(5, 1.5, 0.0), "outside 0 to 1"),
        (lambda: judge_variables([1.0, 2.0], 1.5), "no specification"),
        (lambda: judge_variables([1.0, 2.0], 1.5, 3.0, 2.0), "not below"),
        (lambda: judge_variables([1.0, 1.0], 1.5, 0.0), "the same"),
        (lambda: code_letter(1), "A lot of 1"),
        (lambda: code_letter(50, "IV"), "Unknown inspection level"),
        (lambda: code_letter(50, "lot_up_to"), "Unknown inspection level"),
        (lambda: attribute_plan("A", 1.0), "not packaged"),
        (lambda: variables_plan("D", 2.5), "not packaged"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy
