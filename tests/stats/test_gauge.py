"""Gauge studies against published studies, by hand, by simulation; use of a gauge; refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.gauge import gauge_anova, gauge_average_range, gauge_nested, gauge_time_levels
from qualrec.stats.gauge_use import (
    Zone,
    acceptance_limits,
    bias,
    linearity,
    stability,
    uncertainty,
    zone,
)


def _average_range() -> dict[str, object]:
    i = case("grr_aiag_average_range").inputs
    d = read_columns(i["file"])
    study = gauge_average_range(d["value"], d["part"], d["appraiser"], factors=(i["K1"], i["K2"], i["K3"]))
    exact = gauge_average_range(d["value"], d["part"], d["appraiser"])
    assert exact.part("TV").sd == pytest.approx(study.part("TV").sd, rel=2e-4)
    cells = np.zeros((10, 3, 3))
    letters = {"A": 0, "B": 1, "C": 2}
    for p, who, trial, v in zip(d["part"], d["appraiser"], d["trial"], d["value"], strict=True):
        cells[int(p) - 1, letters[who], int(trial) - 1] = v
    found: dict[str, object] = {name: study.part(name).sd for name in ("EV", "AV", "GRR", "PV", "TV")}
    found |= {f"pct_{name}": study.part(name).study for name in ("EV", "AV", "GRR", "PV")}
    found |= {"ndc_raw": study.ndc_raw, "ndc": study.ndc}
    found["r_bar"] = float(np.ptp(cells, axis=2).mean())
    found["xbar_diff"] = float(np.ptp(cells.mean(axis=(0, 2))))
    found["r_p"] = float(np.ptp(cells.mean(axis=(1, 2))))
    return found


def _houf_berman() -> dict[str, object]:
    d = read_columns(case("grr_houf_berman").inputs["file"])
    study = gauge_anova(d["value"], d["part"], d["inspector"])
    rows = {r.source: r for r in study.table}
    order = ("parts", "people", "people by parts", "repeatability")
    v = study.variances
    return {
        "ss": [rows[name].ss for name in (*order, "total")],
        "ms": [rows[name].ms for name in order],
        "F": [rows[name].f for name in order[:3]],
        "var_part": v["part"],
        "var_inspector": v["person"],
        "var_interaction": v["interaction"],
        "var_repeat": v["repeatability"],
        "var_gauge": v["person"] + v["interaction"] + v["repeatability"],
    }


def _resistivity() -> dict[str, object]:
    c = case("grr_nist_resistivity")
    d = {k: np.array(v) for k, v in read_columns(c.inputs["file"]).items()}
    own = d["probe"] == c.inputs["probe"]
    groups = [f"{r}/{w}" for r, w in zip(d["run"][own], d["wafer"][own], strict=True)]
    levels = gauge_time_levels(d["stddev"][own], 6, d["average"][own], groups)
    return {"repeatability_sd": levels.repeatability_sd, "level2_sd": levels.level2_sd}


CASES = {
    "grr_aiag_average_range": _average_range,
    "grr_houf_berman": _houf_berman,
    "grr_nist_resistivity": _resistivity,
}


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "gauge_rr"])
def test_published_case(case_id: str) -> None:
    found = CASES[case_id]()
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


def test_aiag_study_by_anova() -> None:
    """AIAG MSA 4, same data by ANOVA (from memory): interaction pooled, EV 0.200, AV 0.227, GRR 0.302, ndc
    4.86."""
    d = read_columns("data/aiag_grr.csv")
    study = gauge_anova(d["value"], d["part"], d["appraiser"])
    assert study.pooled
    assert study.part("EV").sd == pytest.approx(0.1999, abs=6e-4)
    assert study.part("AV").sd == pytest.approx(0.2268, abs=6e-4)
    assert study.part("GRR").sd == pytest.approx(0.3023, abs=6e-4)
    assert study.part("PV").sd == pytest.approx(1.0423, abs=6e-4)
    assert study.ndc_raw == pytest.approx(4.861, abs=0.005)
    assert study.ndc == 4


def test_anova_table_against_statsmodels() -> None:
    import pandas as pd
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    d = pd.DataFrame(read_columns("data/houf_berman.csv"))
    table = anova_lm(smf.ols("value ~ C(part) * C(inspector)", d).fit())
    study = gauge_anova(d["value"].to_numpy(), d["part"].to_numpy(), d["inspector"].to_numpy())
    np.testing.assert_allclose([r.ss for r in study.table[:4]], table["sum_sq"].to_numpy(), rtol=1e-9)
    assert [r.df for r in study.table[:4]] == table["df"].astype(int).tolist()


def _crossed(seed: int, person_sd: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    part, person, _ = (i.ravel() for i in np.indices((10, 3, 3)))
    y = rng.normal(0, 4, 10)[part] + rng.normal(0, person_sd, 3)[person] + rng.normal(0, 1, 90)
    return y + 100, part, person


def test_components_are_unbiased() -> None:
    """600 simulated studies, interaction never pooled; means within 4 standard errors."""
    raw = []
    for seed in range(600):
        study = gauge_anova(*_crossed(seed), pool_above=1.0)
        raw.append([study.variances["part"], study.variances["repeatability"]])
    table = np.array(raw)
    error = table.std(axis=0) / math.sqrt(len(raw))
    assert (np.abs(table.mean(axis=0) - [16.0, 1.0]) < 4 * error).all()


def test_repeatability_interval_covers() -> None:
    held = 0
    for seed in range(500):
        interval = gauge_anova(*_crossed(seed)).intervals["repeatability"]
        held += interval.low <= 1.0 <= interval.high
    assert 0.92 <= held / 500 <= 0.98


@pytest.mark.parametrize("method", [gauge_anova, gauge_average_range])
def test_shift_scale_order_and_names(method: object) -> None:
    y, part, person = _crossed(1)
    a = method(y, part, person, 80.0, 120.0)
    order = np.random.default_rng(2).permutation(y.size)
    b = method(2 * y[order] + 5, [f"P{i}" for i in part[order]], person[order], 165.0, 245.0)
    for name in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        assert b.part(name).sd == pytest.approx(2 * a.part(name).sd, abs=1e-9)
        assert b.part(name).tolerance == pytest.approx(a.part(name).tolerance, abs=1e-9)
        assert b.part(name).study == pytest.approx(a.part(name).study, abs=1e-9)


def test_tolerance_conventions() -> None:
    y, part, person = _crossed(1)
    two = gauge_anova(y, part, person, 80.0, 120.0).part("GRR")
    assert two.tolerance == pytest.approx(100 * 6 * two.sd / 40)
    one = gauge_anova(y, part, person, 80.0)
    assert one.part("GRR").tolerance == pytest.approx(100 * 3 * one.part("GRR").sd / (y.mean() - 80))
    assert any("our convention" in n for n in one.notes)
    assert math.isnan(gauge_anova(y, part, person).part("GRR").tolerance)


def test_negative_component_is_said() -> None:
    y, part, person = _crossed(4, person_sd=0.0)
    for method in (gauge_anova, gauge_average_range):
        study = method(y, part, person)
        if study.variances["person"] == 0.0:
            assert any("negative" in n for n in study.notes)
            break
    else:
        pytest.fail("no negative component in this data")


def test_nested_study_equals_the_textbook_form() -> None:
    """3 people, 5 own batches each, 2 pieces: batch = (MS batch - MS within)/2, person = (MS person - MS
    batch)/10."""
    rng = np.random.default_rng(5)
    person, batch, _ = (i.ravel() for i in np.indices((3, 5, 2)))
    y = rng.normal(0, 1, 3)[person] + rng.normal(0, 3, 15)[person * 5 + batch] + rng.normal(0, 1, 30)
    study = gauge_nested(y, batch, person, -10.0, 10.0)
    rows = {r.source: r for r in study.table}
    within = rows["within"].ms
    assert study.variances["repeatability"] == pytest.approx(within)
    assert study.variances["part"] == pytest.approx((rows["batch"].ms - within) / 2)
    assert study.variances["person"] == pytest.approx(max((rows["person"].ms - rows["batch"].ms) / 10, 0))
    assert any("at most" in n for n in study.notes)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: gauge_anova([1.0, 2.0], [1, 2], [1, 1]), "2 parts and 1 people"),
        (lambda: gauge_anova([1.0, 2.0, 3.0, 4.0], [1, 1, 2, 2], [1, 2, 1, 2]), "One trial"),
        (
            lambda: gauge_anova([1.0, 2.0, 3.0, 4.0, 5.0], [1, 1, 2, 2, 2], [1, 2, 1, 2, 2]),
            "Part 1, person 1",
        ),
        (lambda: gauge_anova([1.0] * 8, [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2] * 2), "the same"),
        (lambda: gauge_anova([1.0, math.nan] * 4, [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2] * 2), "missing"),
        (lambda: gauge_anova(range(8), [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2] * 2, 3.0, 1.0), "not below"),
        (lambda: gauge_anova(range(8), [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2] * 2, math.nan), "not a number"),
        (lambda: gauge_anova([1.0, 2.0], [1, 2, 3], [1, 1]), "part names"),
        (lambda: gauge_time_levels([1.0, 1.0], 1, [1.0, 2.0], ["a", "a"]), "2 repeats"),
        (lambda: gauge_time_levels([1.0, 1.0], 6, [1.0, 2.0], ["a", "b"]), "two averages"),
        (lambda: bias([1.0], 1.0), "at least 2"),
        (lambda: bias([1.0, 1.0], 1.0), "the same"),
        (lambda: bias([1.0, 2.0], math.nan), "Reference"),
        (lambda: linearity([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]), "never changed"),
        (lambda: linearity([1.0, 2.0, 3.0], [1.0, 2.0, 3.0, 4.0]), "references but"),
        (lambda: stability([1.0, 2.0], [1.0, 2.0]), "at least 3"),
        (lambda: uncertainty({}), "0 or more"),
        (lambda: uncertainty({"a": -1.0}), "0 or more"),
        (lambda: uncertainty({"a": 1.0}, 0.0), "coverage factor"),
        (lambda: acceptance_limits(None, None, 1.0), "no specification"),
        (lambda: acceptance_limits(0.0, 2.0, 1.0), "leaves nothing"),
        (lambda: acceptance_limits(0.0, 2.0, -1.0), "uncertainty"),
        (lambda: zone(math.nan, 0.0, 2.0, 0.1), "reading"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy


def test_gauge_without_variation() -> None:
    study = gauge_anova([1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0], [1, 1, 1, 1, 2, 2, 2, 2], [1, 1, 2, 2] * 2)
    assert study.part("GRR").sd == 0.0
    assert study.ndc == 0
    assert any("cannot be told" in n for n in study.notes)


def test_bias_against_scipy() -> None:
    x = np.random.default_rng(6).normal(10.2, 0.5, 15)
    found, outside = bias(x, 10.0, 5.0), stats.ttest_1samp(x, 10.0)
    low, high = outside.confidence_interval(0.95)
    assert (found.p, found.interval.low, found.interval.high) == pytest.approx(
        (outside.pvalue, low - 10, high - 10)
    )
    assert found.shown == (outside.pvalue < 0.05)
    assert found.percent == pytest.approx(100 * abs(found.value) / 5)


def test_linearity_against_scipy_and_its_size() -> None:
    rng = np.random.default_rng(7)
    ref = np.repeat([2.0, 4.0, 6.0, 8.0, 10.0], 12)
    x = ref + 0.7 - 0.13 * ref + rng.normal(0, 0.2, ref.size)
    found, outside = linearity(ref, x), stats.linregress(ref, x - ref)
    assert found.slope_p == pytest.approx(outside.pvalue)
    assert found.fit.coefficients[1].value == pytest.approx(outside.slope)
    assert not found.holds
    held = sum(linearity(ref, ref + rng.normal(0, 0.2, ref.size)).holds for _ in range(400))
    assert 0.92 <= held / 400 <= 0.985


def test_stability_against_scipy() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(30.0)
    x = 5 + 0.01 * t + rng.normal(0, 0.05, 30)
    found, outside = stability(t, x), stats.linregress(t, x)
    assert (found.slope, found.p) == pytest.approx((outside.slope, outside.pvalue))
    half = stats.t.ppf(0.975, 28) * outside.stderr
    assert found.interval.high == pytest.approx(outside.slope + half)


def test_uncertainty_by_hand() -> None:
    found = uncertainty({"calibration": 3.0, "repeatability": 4.0})
    assert (found.standard, found.expanded) == (5.0, 10.0)
    assert found.shares == {"calibration": pytest.approx(0.36), "repeatability": pytest.approx(0.64)}


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (1.0, Zone.CONFORMS), (0.1, Zone.CONFORMS), (0.05, Zone.NOT_PROVED), (-0.1, Zone.NOT_PROVED),
        (-0.11, Zone.DOES_NOT_CONFORM), (2.05, Zone.NOT_PROVED), (2.2, Zone.DOES_NOT_CONFORM),
    ],
)  # fmt: skip
def test_zones(value: float, expected: Zone) -> None:
    """ISO 14253-1: conformity inside the limits drawn in by U = 0.1, nonconformity beyond them moved out."""
    assert zone(value, 0.0, 2.0, 0.1) is expected


def test_zone_with_one_limit() -> None:
    assert zone(1e9, 5.0, None, 0.5) is Zone.CONFORMS
    assert zone(4.0, 5.0, None, 0.5) is Zone.DOES_NOT_CONFORM
