"""Capability reports and process findings from the database, figures against numpy and scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from qualrec import assess
from qualrec.assess.capability import _index
from qualrec.assess.process import process_facts
from qualrec.assess.shape_choice import ShapeReport, shape_report
from qualrec.assess.strength import outcomes, strength_report
from qualrec.errors import UnknownRecord
from qualrec.judge import kinds
from qualrec.judge.evidence import IndexStanding, ShapeStanding
from qualrec.records import lookups
from qualrec.stats.capability import capability, lot_summary
from qualrec.values import Values

DAY = 24 * 3_600_000_000


def values_of(x: np.ndarray, lots: np.ndarray, modes: tuple[str, ...] = ()) -> Values:
    n = x.size
    zero = np.zeros(n, dtype=np.int64)
    nan = np.full(n, np.nan)
    return Values(
        1, lots.astype(np.int64), np.arange(1, n + 1), zero, zero, np.arange(n), x,
        modes or ("",) * n, nan.copy(), nan.copy(), zero.astype(bool),
    )  # fmt: skip


def test_the_report_of_the_pull_force(run_shop) -> None:
    with run_shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "PULL", samples=100)
        found = lookups.values(conn, run_shop.ids["PULL"])
    x = found.value
    ppl = (x.mean() - 450.0) / (3 * x.std(ddof=1))
    assert report.capability.index("Ppk").value == pytest.approx(ppl)
    assert report.capability.index("Ppk").bound.value < ppl
    assert (report.lots, report.readings) == (36, 180)
    assert report.histogram.counts.sum() == 180
    assert report.histogram.edges[0] == 450.0  # the limit is in the picture
    links = {link.name: link.answer for link in report.chain.links}
    assert links["data"] == "yes"
    assert links["stability"] == "no"  # the odd lot
    assert links["gauge"] == "unknown"  # no gauge study
    assert report.remark == "performance, not stable"
    assert report.answer == "no"
    assert report.signals == ("F030",)
    assert report.evidence.requirement == 1.33


def test_strength_figures_stand_beside_the_plain_ones(run_shop) -> None:
    with run_shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "PULL", samples=100)
        found = lookups.values(conn, run_shop.ids["PULL"])
    s = report.strength
    assert (s.n, s.mean, s.lowest) == (180, pytest.approx(found.value.mean()), found.value.min())
    assert s.modes == {"cohesive": 72, "parent material": 108}
    assert s.parent.share == pytest.approx(0.6)
    assert (s.interfacial.failures, s.interfacial.n) == (0, 180)
    # 0 of 180: exact 95 % upper bound 1 - 0.05^(1/180)
    assert s.interfacial.upper.value == pytest.approx(1 - 0.05 ** (1 / 180))
    # under 1 %: 299 without a failure (ln 0.05/ln 0.99), under 0.1 %: 2,995; 5 % is shown already
    needed = "Pulls without an interfacial break that are needed: 119 more for under 1 %, 2815 more for under 0.1 %"
    assert f"{needed} with 95 % confidence." in s.notes
    fit = s.fits["weibull"]
    data = stats.CensoredData.right_censored(found.value, np.array(found.mode) == "parent material")
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    assert fit.parameters["shape"] == pytest.approx(shape, rel=1e-3)
    assert fit.parameters["scale"] == pytest.approx(scale, rel=1e-3)


def test_mixed_failures_are_events_by_half_of_the_area() -> None:
    found = values_of(
        np.array([500.0] * 6),
        np.zeros(6),
        ("mixed", "mixed", "mixed", "interfacial", "", "near-surface tear"),
    )
    found.interfacial_pct[:3] = [0.0, 0.0, np.nan]
    found.cohesive_pct[:3] = [50.0, 49.9, np.nan]
    assert outcomes(found).tolist() == [1.0, 0.0, -1.0, 1.0, -1.0, 1.0]
    report = strength_report(found)
    assert (report.n, report.unknown) == (4, 2)
    assert isinstance(report.fits["weibull"], str)  # all alike: a reason in words


def test_no_modes_give_no_strength_report() -> None:
    assert strength_report(values_of(np.array([1.0, 2.0]), np.zeros(2))) is None


def test_components_and_streams(run_shop) -> None:
    with run_shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "TRANS", samples=100)
        one = assess.capability_report(conn, "P-1", "TRANS", stream="cavity 1", samples=100)
    assert report.readings == 36
    assert one.readings == 18
    assert report.components.n == 36
    assert any("Pooled over 2 streams" in s for s in report.sentences)
    assert "too few data" in report.remark
    assert report.chain.link("data").answer == "no"


def test_counted_characteristics_have_a_share_and_no_index(run_shop) -> None:
    with run_shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "LEAK")
        x = lookups.values(conn, run_shop.ids["LEAK"]).value
    assert report.capability is None
    assert report.share.share == pytest.approx(x.mean())
    assert report.chain.link("index").answer == "no"
    assert "counted" in report.refusal


def test_without_readings_everything_is_said_to_be_missing(run_shop) -> None:
    with run_shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "BURN")
        with pytest.raises(UnknownRecord):
            assess.capability_report(conn, "P-1", "BRUN")
    assert (report.lots, report.histogram, report.share, report.answer) == (0, None, None, "no")


def test_a_skewed_shape_is_judged_by_percentiles_and_the_lots_lower_its_bound(run_shop) -> None:
    """Weibull values: the normal index flatters (facts 5.12); lots that differ lower the bound of the percentile index."""
    with run_shop.read() as conn:
        c = lookups.characteristic(conn, "P-1", "PULL")
    rng = np.random.default_rng(7)
    x = 600.0 * rng.weibull(10.0, 300)
    lots = np.repeat(np.arange(60), 5)
    found = capability(lot_summary(x, lots), 300.0, None)
    report = shape_report(replace(c, lsl=300.0), values_of(x, lots), found, 100)
    assert report.normality.p_anderson < 0.05
    assert report.index.value < found.index("Ppk").value
    assert report.standing.name != "normal"
    shifted = x + np.repeat(60.0 * rng.standard_normal(60), 5)
    clustered = capability(lot_summary(shifted, lots), 300.0, None)
    assert clustered.bound_lots.value < clustered.bound_independent.value
    other = shape_report(replace(c, lsl=300.0), values_of(shifted, lots), clustered, 100)
    named = report if other.index is None else other
    ppk = next(i for i in named.percentiles.indices if i.name == "Ppk")
    assert (ppk.k, ppk.n, ppk.bound.value, ppk.bound.method in named.index.method) == (
        60,
        300,
        named.index.bound,
        True,
    )
    if other.index is not None:
        assert "as the 60 lots lower the normal bound" in other.index.method


def test_where_no_shape_fits_the_lower_of_two_indices_is_judged() -> None:
    """GIVEN values that fit no shape WHEN the index is chosen THEN the more favourable of two unproven ones is not quoted."""
    x = np.random.default_rng(5).normal(3.0, 0.1, 100)
    found = capability(lot_summary(x, np.repeat(np.arange(20), 5)), 2.0, None)
    normal = found.index("Ppk")

    def judged(ratio: float, p: float, populations: str = ""):
        other = IndexStanding("Ppk", ratio * normal.value, 0.9 * ratio * normal.value, "by percentiles")
        shape = ShapeReport(ShapeStanding("lognormal", 100, p, 0.001), None, None, other)
        return _index(found, shape, "", populations)

    assert judged(1.2, 0.2).method == "by percentiles"
    assert judged(0.8, 0.01).method == "by percentiles"
    for chosen in (judged(1.2, 0.01), judged(1.2, 0.2, "two populations")):
        assert (chosen.value, chosen.bound) == (normal.value, normal.bound.value)
        assert chosen.method.startswith("no shape fits, the lower of two; normal shape")


def test_normal_values_keep_the_normal_index_and_few_values_have_no_shape(run_shop) -> None:
    with run_shop.read() as conn:
        c = lookups.characteristic(conn, "P-1", "PULL")
    x = np.random.default_rng(1).normal(600.0, 20.0, 200)
    lots = np.repeat(np.arange(40), 5)
    found = capability(lot_summary(x, lots), 450.0, None)
    report = shape_report(c, values_of(x, lots), found, 100)
    assert (report.standing.name, report.percentiles, report.index) == ("normal", None, None)
    few = shape_report(c, values_of(x[:24], lots[:24]), found, 100)
    assert few.standing.name == ""
    assert "24 values" in few.standing.note


def test_needed_data_are_given_where_the_requirement_lies_below_the_index(shop) -> None:
    rng = np.random.default_rng(5)
    for i in range(6):
        at = shop.now_us + DAY
        shop.at(at).lot(f"N{i}", at)
        shop.readings(f"N{i}", "PULL", np.round(650.0 + 15.0 * rng.standard_normal(5)).tolist(), at)
    with shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "PULL", samples=100)
    assert report.index.value > 1.33
    assert report.needed_n >= 2
    assert report.needed_lots >= 2
    assert report.chain.link("stability").answer in ("unknown", "no")


def study(shop, kind: str, analysis: str, **given: object) -> None:
    row = {
        "number": f"S-{kind}", "kind": kind, "title": kind, "state": "analysed", "analysis": analysis,
        "done_us": shop.now_us, **given,
    }  # fmt: skip
    shop.write(lambda w: w.insert("study", {**row, "plant_id": w.plant_id}, act="study stored"))


def test_studies_answer_for_gauge_and_judge(shop) -> None:
    shop.lot("L1", shop.now_us)
    shop.readings("L1", "PULL", [600.0, 610.0, 590.0, 620.0, 605.0], shop.now_us)
    with shop.read() as conn:
        before = assess.judge_process(conn, "P-1")
    assert kinds.NO_AGREEMENT in [f.kind for f in before]
    study(shop, "gauge crossed", '{"grr_pct": 8.5, "ndc": 7}', gauge_id=shop.ids["tester"])
    study(shop, "agreement", "{}", characteristic_id=shop.ids["PULL"])
    with shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "PULL")
        after = assess.judge_process(conn, "P-1")
    assert report.chain.link("gauge").answer == "yes"
    assert report.evidence.gauge.categories == 7
    assert kinds.NO_AGREEMENT not in [f.kind for f in after]


def test_the_findings_on_the_process(run_shop) -> None:
    with run_shop.read() as conn:
        found = assess.judge_process(conn, "P-1", "PULL")
        whole = assess.judge_process(conn, "P-1")
    assert [(f.kind, f.level, f.scope) for f in found] == [
        (kinds.CAPABILITY_LOW, "R", "process"),
        (kinds.NO_AGREEMENT, "I", "process"),
    ]
    assert [(f.kind, f.level) for f in whole if f.characteristic_id == run_shop.ids["TRANS"]] == [
        (kinds.TOO_FEW_LOTS, "I")
    ]


def test_a_change_of_shape_since_the_limits(shop) -> None:
    """GIVEN lots of normal values under frozen limits WHEN later lots hold two populations THEN the shape has changed."""
    rng = np.random.default_rng(11)
    for i in range(50):
        at = shop.now_us + DAY
        shop.at(at).lot(f"N{i:02d}", at, station_id=None)
        noise = 0.008 * (rng.standard_normal(10) if i < 25 else rng.choice([-1.0, 1.0], 10))
        shop.readings(f"N{i:02d}", "COLL", (0.25 + noise).tolist(), at)
        if i == 24:
            with shop.read() as conn:
                shop.freeze(assess.trial_limits(conn, "P-1", "COLL", {}))
    with shop.read() as conn:
        report = assess.capability_report(conn, "P-1", "COLL", samples=100)
        facts = process_facts(conn, report)
        found = assess.judge_process(conn, "P-1", "COLL")
    assert facts.shape_n == (250, 250)
    assert facts.shape_p < 0.001
    assert kinds.SHAPE_CHANGED in [f.kind for f in found]


def test_the_two_sample_figure_is_that_of_scipy() -> None:
    from qualrec.assess.process import _two_sample

    rng = np.random.default_rng(2)
    a, b = rng.standard_normal(80), rng.standard_normal(120) + 0.4
    expected = stats.ks_2samp(a, b, method="asymp")
    en = 80 * 120 / 200
    assert _two_sample(a, b) == pytest.approx(stats.kstwobign.sf(expected.statistic * np.sqrt(en)), rel=1e-9)
