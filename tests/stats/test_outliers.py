"""Outlier tests: handbook figures, size by simulation, refusals. Nothing is ever removed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.outliers import esd, grubbs, tietjen_moore


def _found(case_id: str) -> dict[str, float]:
    i = case(case_id).inputs
    x = i["x"] if "x" in i else read_columns(i["file"])["y"]
    if case_id.startswith("grubbs"):
        result = grubbs(x, i["alpha"], i["side"])
        return {"G": result.statistics[0], "critical": result.critical[0]}
    if case_id == "tietjen_moore_venus":
        return {"E2": tietjen_moore(x, i["k"]).statistics[0]}
    raise KeyError(case_id)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "outlier"])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name])


def test_grubbs_names_the_uranium_reading() -> None:
    """NIST 1.3.5.17.1 (from memory): 245.57 is an outlier at 5 %, upper tail."""
    result = grubbs(case("grubbs_nist_uranium").inputs["x"], 0.05, "upper")
    assert result.outliers == (7,)
    assert "not removed" in result.note


ROSNER = (
    "-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70 1.76 1.77 1.81 "
    "1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40 2.47 2.54 2.62 2.64 2.90 2.92 "
    "2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"
)


def test_esd_of_the_rosner_data() -> None:
    """NIST 1.3.5.17.3, Rosner 1983: data and figures from memory; 3 outliers, R and lambda to 3 decimals."""
    result = esd([float(x) for x in ROSNER.split()], 10)
    r = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    np.testing.assert_allclose(result.statistics, r, atol=0.0011)
    np.testing.assert_allclose(result.critical, critical, atol=0.0011)
    assert len(result.outliers) == 3


def test_tietjen_moore_names_the_two_venus_values() -> None:
    """NIST 1.3.5.17.2 (from memory): E_2 = 0.292 against a critical value of 0.317 at 5 %."""
    x = case("tietjen_moore_venus").inputs["x"]
    result = tietjen_moore(x, 2)
    assert result.critical[0] == pytest.approx(0.317, abs=0.01)
    assert sorted(x[i] for i in result.outliers) == [-1.4, 1.01]
    assert tietjen_moore(x, 2).critical == result.critical


@pytest.mark.parametrize("side", ["two", "upper", "lower"])
def test_grubbs_false_alarm_rate(side: str) -> None:
    """5 % of 4,000 normal samples of 15, within the scatter of counting (the limit is near exact)."""
    rng = np.random.default_rng(1)
    alarms = sum(bool(grubbs(rng.normal(size=15), 0.05, side).outliers) for _ in range(4000))
    assert 0.038 <= alarms / 4000 <= 0.06


def test_grubbs_critical_value_against_scipy() -> None:
    for n in (3, 8, 50, 1000):
        t = stats.t.ppf(1 - 0.05 / (2 * n), n - 2)
        expected = (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
        x = np.random.default_rng(2).normal(size=n)
        assert grubbs(x).critical[0] == pytest.approx(expected, rel=1e-9)


@given(st.integers(0, 500), st.floats(-100, 100), st.floats(0.1, 10))
def test_shift_scale_and_mirror(seed: int, shift: float, scale: float) -> None:
    x = np.random.default_rng(seed).normal(size=12)
    a, b = esd(x, 3), esd(x * scale + shift, 3)
    np.testing.assert_allclose(a.statistics, b.statistics, rtol=1e-6)
    assert a.suspects == b.suspects
    up, down = grubbs(x, 0.05, "upper"), grubbs(-x, 0.05, "lower")
    assert up.suspects == down.suspects
    assert up.statistics[0] == pytest.approx(down.statistics[0])


def test_esd_stops_where_no_spread_is_left() -> None:
    result = esd([1.0, 1.0, 1.0, 1.0, 9.0], 3)
    assert len(result.statistics) == 1
    assert result.suspects == (4,)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: grubbs([1.0, 2.0]), "at least 3"),
        (lambda: grubbs([1.0, 1.0, 1.0]), "the same"),
        (lambda: grubbs([1.0, 2.0, math.nan]), "missing"),
        (lambda: grubbs([1.0, 2.0, 4.0], side="left"), "Unknown side"),
        (lambda: grubbs([1.0, 2.0, 4.0], alpha=0.0), "significance"),
        (lambda: esd([1.0, 2.0, 3.0, 4.0], 0), "at least 1|Up to 0"),
        (lambda: esd([1.0, 2.0, 3.0, 4.0], 3), "at least 5"),
        (lambda: tietjen_moore([1.0, 2.0, 3.0], 2), "at least 4"),
        (lambda: tietjen_moore([1.0, 2.0, 3.0], 0), "0 outliers"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word):
        call()
