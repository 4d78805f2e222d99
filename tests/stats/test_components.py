"""Variance components: certified sets, statsmodels, balanced textbook forms, cover, refusals."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.components import anova_oneway, lot_components, nested_components

ANOVA = [c.id for c in load_cases() if c.kind == "anova_oneway"]


@pytest.mark.parametrize("case_id", ANOVA)
def test_published_case(case_id: str) -> None:
    """NIST StRD one-way sets to their digits, and the gear data (sources in cases.json)."""
    c = case(case_id)
    columns = read_columns(c.inputs["file"])
    value, group = ("diameter", "batch") if "diameter" in columns else ("y", "treatment")
    table = anova_oneway(columns[value], columns[group])
    found = {"F": table.f} | {
        name: getattr(table, name)
        for name in ("df_between", "df_within", "ss_between", "ss_within", "r_squared", "residual_sd")
    }
    for name, expected in c.expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


def test_p_value_against_scipy() -> None:
    rng = np.random.default_rng(1)
    x, g = rng.normal(size=30), np.repeat(["a", "b", "c"], (8, 12, 10))
    table = anova_oneway(x, g)
    f, p = stats.f_oneway(*(x[g == name] for name in "abc"))
    assert (table.f, table.p) == (pytest.approx(f), pytest.approx(p))


def _nested(seed: int, lots: int = 12) -> tuple[list[float], list[str], list[int]]:
    rng = np.random.default_rng(seed)
    x, lot, cavity = [], [], []
    for name in range(lots):
        a = rng.normal(0, 2)
        for c in range(int(rng.integers(2, 5))):
            b = rng.normal()
            for _ in range(int(rng.integers(1, 4))):
                x.append(100 + a + b + rng.normal())
                lot.append(f"L{name}")
                cavity.append(c)
    return x, lot, cavity


@pytest.mark.parametrize("seed", [0, 3])
def test_reml_against_statsmodels(seed: int) -> None:
    import statsmodels.formula.api as smf

    x, lot, cavity = _nested(seed)
    found = nested_components(x, {"lot": lot, "cavity": cavity}, "reml")
    frame = pd.DataFrame({"x": x, "lot": lot, "cavity": cavity})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = smf.mixedlm(
            "x ~ 1", frame, groups="lot", re_formula="1", vc_formula={"cavity": "0 + C(cavity)"}
        )
        outside = model.fit(reml=True)
    expected = [float(outside.cov_re.iloc[0, 0]), float(outside.vcomp[0]), float(outside.scale)]
    np.testing.assert_allclose([p.variance for p in found.parts], expected, rtol=2e-3)


def test_balanced_anova_equals_reml_and_the_textbook_form() -> None:
    """Balanced with no negative component: both methods agree; lot = (MSB - MSW) / m."""
    rng = np.random.default_rng(2)
    mean, sd = rng.normal(0, 2, 10), np.sqrt(rng.chisquare(3, 10) / 3)
    n = np.full(10, 4)
    a, r = lot_components(n, mean, sd), lot_components(n, mean, sd, "reml")
    msw, msb = float((sd**2).mean()), 4 * float(mean.var(ddof=1))
    assert a.part("within").variance == pytest.approx(msw)
    assert a.part("lot").variance == pytest.approx((msb - msw) / 4)
    for name in ("lot", "within"):
        assert r.part(name).variance == pytest.approx(a.part(name).variance, rel=1e-4)
    low, high = a.part("within").interval.low, a.part("within").interval.high
    assert low == pytest.approx(30 * msw / stats.chi2.ppf(0.975, 30))
    assert high == pytest.approx(30 * msw / stats.chi2.ppf(0.025, 30))


def test_three_levels_balanced_textbook_form() -> None:
    """Lot, station, cavity, 2 readings: each component is a difference of mean squares over a count."""
    rng = np.random.default_rng(3)
    shape = (6, 3, 4, 2)
    x = (
        rng.normal(0, 2, (6, 1, 1, 1))
        + rng.normal(0, 1, (6, 3, 1, 1))
        + rng.normal(0, 1, (6, 3, 4, 1))
        + rng.normal(0, 0.5, shape)
    )
    index = np.indices(shape).reshape(4, -1)
    found = nested_components(x.ravel(), {"lot": index[0], "station": index[1], "cavity": index[2]})
    ms = found.mean_squares
    cell = x.mean(axis=3)
    assert ms[3] == pytest.approx(float(np.square(x - cell[..., None]).sum()) / 72)
    assert found.part("cavity").unbounded == pytest.approx((ms[2] - ms[3]) / 2)
    assert found.part("station").unbounded == pytest.approx((ms[1] - ms[2]) / 8)
    assert found.part("lot").unbounded == pytest.approx((ms[0] - ms[1]) / 24)
    assert found.df == (5, 12, 54, 72)


def test_unbalanced_anova_is_unbiased() -> None:
    """Henderson's method 1: means of 1,500 simulated estimates within 4 standard errors of the truth."""
    rng = np.random.default_rng(4)
    lot = np.repeat([0, 0, 0, 1, 1, 2, 2, 2, 3, 3, 3, 3], [1, 2, 3, 4, 1, 2, 2, 1, 3, 1, 2, 2])
    cavity = np.repeat([0, 1, 2, 0, 1, 0, 1, 2, 0, 1, 2, 3], [1, 2, 3, 4, 1, 2, 2, 1, 3, 1, 2, 2])
    key = lot * 4 + cavity
    raw = []
    for _ in range(1500):
        x = rng.normal(0, 2, 4)[lot] + rng.normal(0, 1, 16)[key] + rng.normal(0, 1, lot.size)
        found = nested_components(x, {"lot": lot, "cavity": cavity})
        raw.append([p.unbounded for p in found.parts])
    table = np.array(raw)
    error = table.std(axis=0) / math.sqrt(1500)
    assert (np.abs(table.mean(axis=0) - [4.0, 1.0, 1.0]) < 4 * error).all()


@pytest.mark.parametrize("ratio", [0.0, 0.25, 1.0, 4.0])
@pytest.mark.parametrize("equal", [True, False])
def test_lot_interval_covers(ratio: float, equal: bool) -> None:
    """Burdick & Graybill 1992: the 95 % interval of the lot variance covers 93 % or more (1,000 samples)."""
    rng = np.random.default_rng(5)
    n = np.full(12, 5) if equal else np.array([2, 3, 3, 4, 5, 5, 6, 7, 8, 8, 4, 5])
    hits = 0
    for _ in range(1000):
        mean = rng.normal(0, math.sqrt(ratio), 12) + rng.normal(0, 1, 12) / np.sqrt(n)
        interval = lot_components(n, mean, np.sqrt(rng.chisquare(n - 1) / (n - 1))).parts[0].interval
        hits += interval.low <= ratio <= interval.high
    assert hits / 1000 >= 0.93


@pytest.mark.parametrize(("tail", "end"), [(0.975, "low"), (0.025, "high")])
def test_lot_interval_reaches_zero_where_the_f_test_does(tail: float, end: str) -> None:
    """Burdick & Graybill 1992: a limit is 0 exactly where the F ratio sits on its critical value."""
    n = np.full(12, 5)
    f = float(stats.f.ppf(tail, 11, 48))
    mean = np.random.default_rng(9).normal(size=12)
    mean *= math.sqrt(f / 5 / mean.var(ddof=1))
    interval = lot_components(n, mean, np.ones(12)).parts[0].interval
    assert getattr(interval, end) == pytest.approx(0.0, abs=1e-9)
    more = lot_components(n, mean * 1.02, np.ones(12)).parts[0].interval
    assert getattr(more, end) > 1e-4


def test_profile_interval_covers() -> None:
    """REML with 12 lots of 5, ratio 1; profile likelihood is approximate: 85 % or more of 40 samples."""
    rng = np.random.default_rng(6)
    n = np.full(12, 5)
    hits = 0
    for _ in range(40):
        mean = rng.normal(0, 1, 12) + rng.normal(0, 1, 12) / np.sqrt(5)
        interval = lot_components(n, mean, np.sqrt(rng.chisquare(4, 12) / 4), "reml").parts[0].interval
        hits += interval.low <= 1.0 <= interval.high
    assert hits / 40 >= 0.85


@given(st.integers(0, 1000), st.floats(-1e4, 1e4), st.floats(0.01, 100))
def test_shift_and_scale(seed: int, shift: float, scale: float) -> None:
    x, lot, cavity = _nested(seed, lots=4)
    levels = {"lot": lot, "cavity": cavity}
    a = nested_components(x, levels)
    b = nested_components(np.array(x) * scale + shift, levels)
    np.testing.assert_allclose(
        [p.unbounded for p in b.parts], np.array([p.unbounded for p in a.parts]) * scale**2, rtol=1e-5,
        atol=1e-9 * scale**2 * a.total,
    )  # fmt: skip


def test_order_and_names_of_groups_do_not_matter() -> None:
    x, lot, cavity = _nested(7)
    order = np.random.default_rng(8).permutation(len(x))
    renamed = [f"{a}/{b}" for a, b in zip(lot, cavity, strict=True)]
    a = nested_components(x, {"lot": lot, "cavity": cavity})
    b = nested_components(
        np.array(x)[order], {"lot": np.array(lot)[order], "cavity": np.array(renamed)[order]}
    )
    np.testing.assert_allclose([p.variance for p in a.parts], [p.variance for p in b.parts], rtol=1e-9)


def test_negative_component_is_set_to_zero_and_said() -> None:
    found = lot_components([2, 2, 2], [1.0, 1.0, 1.01], [1.0, 1.0, 1.0])
    assert found.part("lot").variance == 0.0
    assert found.part("lot").unbounded < 0
    assert found.part("lot").interval.low == 0.0
    assert "negative" in found.notes[0]
    reml = lot_components([2, 2, 2], [1.0, 1.0, 1.01], [1.0, 1.0, 1.0], "reml")
    assert reml.part("lot").variance == 0.0


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: anova_oneway([1.0, 2.0], ["a", "a"]), "One group only"),
        (lambda: anova_oneway([1.0, 2.0], ["a", "b"]), "second value"),
        (lambda: anova_oneway([1.0, 1.0, 1.0], ["a", "b", "b"]), "the same"),
        (lambda: anova_oneway([1.0, math.nan], ["a", "b"]), "missing"),
        (lambda: anova_oneway([1.0, 2.0], ["a"]), "group names"),
        (lambda: lot_components([2, 2], [1.0, math.nan], [1.0, 1.0]), "missing or infinite"),
        (lambda: lot_components([2, 2], [1.0], [1.0, 1.0]), "differ in length"),
        (lambda: lot_components([2], [1.0], [1.0]), "One lot only"),
        (lambda: lot_components([0, 0], [1.0, 1.0], [1.0, 1.0]), "One lot only"),
        (lambda: lot_components([2, 2], [1.0, 1.0], [0.0, 0.0]), "the same"),
        (lambda: lot_components([2, 2], [1.0, 2.0], [0.0, 0.0], "reml"), "Nothing varies"),
        (lambda: lot_components([2, 2], [1.0, 2.0], [1.0, 1.0], "other"), "Unknown method"),
        (lambda: nested_components([1.0, 2.0, 3.0], {}), "No level"),
        (lambda: nested_components([1.0, 2.0, 3.0, 4.0], {"lot": "aabb", "cavity": "ccdd"}), "name"),
        (
            lambda: nested_components([1.0, 2.0, 3.0, 4.0], {"lot": list("aabb"), "cavity": list("ccdd")}),
            "one cavity only",
        ),
        (
            lambda: nested_components([1.0, 2.0, 3.0, 4.0], {"lot": list("aabb"), "cavity": list("cdcd")}),
            "second value",
        ),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy


def test_groups_without_spread_inside() -> None:
    table = anova_oneway([1.0, 1.0, 2.0, 2.0], list("aabb"))
    assert (table.f, table.p, table.residual_sd) == (math.inf, 0.0, 0.0)
