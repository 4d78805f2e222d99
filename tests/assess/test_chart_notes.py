"""What a chart says beyond its limits: change of level with its causes, spread, streams, price; and the EWMA begun anew.

Figures are checked against scipy and numpy from the typed values; the shop is invented.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from qualrec import assess
from qualrec.judge import kinds
from qualrec.records import lookups, registry
from qualrec.records.findings import close_flag, reopen_flag, store_findings

HOUR = 3_600_000_000
DAY = 24 * HOUR
PHASE_ONE = 12
SHIFTED = 12
"""Index of the first lot of the low level."""


def note(view: assess.ChartView, start: str) -> str:
    return next((n for n in view.notes if n.startswith(start)), "")


def view_of(shop: Any, code: str = "PULL", *, price: bool = False) -> assess.ChartView:
    with shop.read() as conn:
        return assess.chart_view(conn, "P-1", code, price=price)


def judged(shop: Any, number: str) -> Any:
    with shop.read() as conn:
        return assess.judge_lot(conn, number, now_us=shop.now_us)


def weld(shop: Any, index: int, level: float, **given: Any) -> str:
    """One lot a day of five pulls; `level` moves them all."""
    number, begun = f"L{index + 1:02d}", shop.ids["first day"] + index * DAY
    shop.at(begun).lot(number, begun, **given)
    wobble = np.random.default_rng(index)
    values = level + 8.0 * wobble.standard_normal() + 10.0 * wobble.standard_normal(5)
    shop.readings(number, "PULL", np.round(values, 0).tolist(), begun + HOUR)
    return number


@pytest.fixture
def frozen_shop(shop: Any) -> Any:
    """Limits of PULL frozen after 12 good lots."""
    shop.ids["first day"] = shop.now_us
    for index in range(PHASE_ONE):
        weld(shop, index, 600.0)
    with shop.read() as conn:
        trial = assess.trial_limits(conn, "P-1", "PULL")
    shop.at(shop.now_us + 2 * HOUR).freeze(trial)
    return shop


def dirty(shop: Any, count: int) -> list[str]:
    """Lots that are low because the glass is dirty."""
    return [weld(shop, SHIFTED + i, 575.0) for i in range(count)]


def averages(shop: Any, numbers: list[str]) -> list[Any]:
    found = []
    for number in numbers:
        found += [f for f in judged(shop, number).findings if f.kind == kinds.EWMA]
    return found


def flag_and_close(shop: Any, number: str, words: str = "glass was dirty, cleaned") -> int:
    findings = [f for f in judged(shop, number).findings if f.kind == kinds.EWMA]
    (flag,) = shop.write(lambda w: store_findings(w, shop.ids["part"], findings))
    shop.write(lambda w: close_flag(w, flag, words))
    return int(flag)


def clean(shop: Any, after_us: int) -> None:
    """The glass is cleaned; the clock stands at that moment."""
    shop.at(after_us).write(
        lambda w: registry.add_event(w, "glass_cleaned", after_us, station_id=shop.ids["welder"])
    )


def dealt_with(shop: Any, *, close: bool = True, cleaned: bool = True) -> tuple[list[str], list[str], int]:
    """Five dirty lots, cleaning, closing, six good lots; returns both runs of lots and the flag."""
    low = dirty(shop, 5)
    first = next(n for n in low if averages(shop, [n]))
    last_us = shop.now_us
    if cleaned:
        clean(shop, last_us + 3 * HOUR)
    shop.at(last_us + 4 * HOUR)
    flag = flag_and_close(shop, first) if close else 0
    good = [weld(shop, SHIFTED + 5 + i, 600.0) for i in range(6)]
    return low, good, flag


def test_one_dealt_with_cause_does_not_flood_later_lots(frozen_shop) -> None:
    low, good, _ = dealt_with(frozen_shop)
    assert averages(frozen_shop, low)
    assert averages(frozen_shop, good) == []
    view = view_of(frozen_shop)
    place = view.series.numbers.index(good[0])
    track = next(t for t in view.chart.tracks if t.name == "EWMA")
    centre = float(track.centre[place])
    assert track.values[place] == pytest.approx(0.8 * centre + 0.2 * view.series.mean[place])
    assert track.upper[place] == pytest.approx(track.upper[0])
    said = note(view, "The EWMA begins anew")
    assert said.startswith(f"The EWMA begins anew from the centre at {good[0]}: its flag on L")
    assert "by Ada Example ('glass was dirty, cleaned'), after clamp glass cleaned, 20" in said
    assert said in view.points[place].lines
    assert view.chart.method.endswith(f"EWMA begun anew at {good[0]}")
    assert [(r.index, r.cause.recorded) for r in view.restarts] == [(place, True)]


@pytest.mark.parametrize("given", [{"close": False}, {"cleaned": False}])
def test_without_the_closed_flag_or_the_event_the_average_goes_on(
    frozen_shop, given: dict[str, bool]
) -> None:
    _, good, _ = dealt_with(frozen_shop, **given)
    view = view_of(frozen_shop)
    assert view.restarts == ()
    assert averages(frozen_shop, good[:1])
    assert not note(view, "The EWMA begins anew")


def test_a_reopened_flag_takes_the_restart_back(frozen_shop) -> None:
    _, good, flag = dealt_with(frozen_shop)
    frozen_shop.write(lambda w: reopen_flag(w, flag, "the cause is still there"))
    assert view_of(frozen_shop).restarts == ()
    assert averages(frozen_shop, good[:1])


def test_a_shift_that_is_still_there_signals_again(frozen_shop) -> None:
    low = dirty(frozen_shop, 5)
    first = next(n for n in low if averages(frozen_shop, [n]))
    clean(frozen_shop, frozen_shop.now_us + 3 * HOUR)
    frozen_shop.at(frozen_shop.now_us + HOUR)
    flag_and_close(frozen_shop, first, "cleaned, it was not the glass")
    later = [weld(frozen_shop, SHIFTED + 5 + i, 570.0) for i in range(8)]
    assert averages(frozen_shop, later)


def test_a_change_of_delivery_restarts_without_an_entered_event(frozen_shop) -> None:
    low = dirty(frozen_shop, 4)
    first = next(n for n in low if averages(frozen_shop, [n]))
    before = frozen_shop.now_us
    material = frozen_shop.write(_new_delivery(frozen_shop, before))
    good = [weld(frozen_shop, SHIFTED + 4 + i, 600.0, upper_moulding_lot_id=material) for i in range(2)]
    flag_and_close(frozen_shop, first, "the resin delivery was changed")
    view = view_of(frozen_shop)
    assert [view.series.numbers[r.index] for r in view.restarts] == [good[0]]
    said = note(view, "The EWMA begins anew")
    assert f"upper resin delivery D-1 to D-2 with {good[0]}" in said
    assert "no event entered" in said


def _new_delivery(shop: Any, at_us: int) -> Any:
    def act(w: Any) -> int:
        with shop.read() as conn:
            clear = next(m.id for m in lookups.materials(conn) if m.code == "M1")
        delivery = registry.add_delivery(w, clear, "D-2", at_us, expires_us=at_us + 900 * DAY)
        return registry.add_moulding_lot(w, "U-2", shop.ids["upper"], at_us, parents=[delivery])

    return act


def test_a_change_of_level_is_dated_and_names_what_lies_nearest(frozen_shop) -> None:
    """Step at a known lot with a new delivery and no event for it; the finding and the chart tell the same."""
    frozen_shop.at(frozen_shop.now_us + 2 * HOUR)
    material = frozen_shop.write(_new_delivery(frozen_shop, frozen_shop.now_us))
    clean(frozen_shop, frozen_shop.now_us + HOUR)
    low = [weld(frozen_shop, SHIFTED + i, 540.0, upper_moulding_lot_id=material) for i in range(6)]
    found = [f for n in low for f in judged(frozen_shop, n).findings if f.kind == kinds.CHANGE_POINT]
    assert len(found) == 1
    assert f"with {low[0]} (begun 20" in found[0].sentence
    assert "upper resin delivery D-1 to D-2 with L13" in found[0].sentence
    assert "clamp glass cleaned" in found[0].figures["nearest"]
    said = note(view_of(frozen_shop), "Change of level: the lot means went down")
    assert "upper resin delivery D-1 to D-2 with L13" in said
    assert "Since then 6 lots" in said


def test_no_change_no_note(frozen_shop) -> None:
    assert not note(view_of(frozen_shop), "Change of level")


def test_spread_between_and_within_lots_stands_beside_the_chart(run_shop) -> None:
    """Equal lots: within = pooled variance with its chi-square interval, between = (MS between - MS within)/5."""
    view = view_of(run_shop)
    n, k = 5, len(view.series)
    within = float(np.mean(view.series.sd**2))
    between = float(np.var(view.series.mean, ddof=1)) - within / n
    df = k * (n - 1)
    ends = np.sqrt(df * within / stats.chi2.ppf([0.975, 0.025], df))
    said = note(view, "Spread over 36 lots")
    assert f"within lots s = {within**0.5:.1f} N (95 % {ends[0]:.1f} to {ends[1]:.1f})" in said
    assert f"between lots s = {between**0.5:.1f} N (95 % " in said
    assert f"{100 * between / (between + within):.0f} % of the variance lies between lots" in said


def test_streams_that_differ_are_named_with_their_figures(shop) -> None:
    """Cavity 2 lies 2 % lower; two groups: Welch's analysis of variance is the square of Welch's t (scipy)."""
    rng = np.random.default_rng(3)
    rows = {"cavity 1": [], "cavity 2": []}
    for i in range(8):
        x = np.round(22.0 + 0.5 * rng.standard_normal(6), 1)
        x[1::2] -= 2.0
        shop.moulding(f"V-{i}", tuple(x), moulded_us=shop.now_us + i * DAY)
        rows["cavity 1"].append(x[::2].mean())
        rows["cavity 2"].append(x[1::2].mean())
    with shop.read() as conn:
        c = lookups.characteristic(conn, "P-1", "TRANS")
        alone = assess.chart_view(conn, "P-1", "TRANS", stream="cavity 1", price=False)
        first = lookups.lot_series(conn, c.id, stream_id=shop.ids["cavity 1"]).mean
        second = lookups.lot_series(conn, c.id, stream_id=shop.ids["cavity 2"]).mean
    np.testing.assert_allclose(first[1:], rows["cavity 1"])
    t = stats.ttest_ind(first, second, equal_var=False)
    said = note(view_of(shop, "TRANS"), "The streams differ")
    assert f"F(1, {t.df:.1f}) = {t.statistic**2:.2f}, p = {t.pvalue:.2g}" in said
    assert f"cavity 2 {second.mean():.2f} % (9 lots)" in said
    low, high = t.confidence_interval(0.95)
    assert (
        f"cavity 1 less cavity 2 = {first.mean() - second.mean():.2f} % (95 % {low:.2f} to {high:.2f})"
        in said
    )
    assert not note(alone, "The streams")


def test_streams_alike_are_said_to_be_so(run_shop) -> None:
    assert note(view_of(run_shop, "TRANS"), "The streams do not differ beyond chance (Welch's")


def test_the_scatter_of_limits_from_few_lots_stands_beside_their_price(run_shop) -> None:
    view = view_of(run_shop, price=True)
    assert view.limit_lots == 26
    said = note(view, "Limits from 26 lots miss the true centre and sigma")
    assert "1 in 10 alarms falsely every" in said
    assert note(view, "Limits 3.5 sigma with EWMA 0.2, 2.9")
    assert not [n for n in view_of(run_shop, "LEAK", price=True).notes if "false" in n]
