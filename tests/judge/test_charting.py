"""Findings on charts, from charts of the stats room under frozen limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qualrec.errors import QualrecError
from qualrec.judge import kinds
from qualrec.judge.charting import Change, ChartPoint, change_finding, chart_findings, chosen_rules
from qualrec.stats.charts import apply_frozen
from qualrec.stats.results import Frozen
from qualrec.stats.rules import evaluate_chart
from qualrec.values import Characteristic, Finding

LIMITS = Frozen(
    "lot_means", 600.0, 10.0, width=3.5, within=12.0, within_width=3.0, weight=0.2, ewma_width=2.90
)


def found_at(c: Characteristic, means: list[float], sds: list[float] | None = None) -> tuple[Finding, ...]:
    """Findings at the last lot of a row of lots of five."""
    spread = np.full(len(means), 12.0) if sds is None else np.array(sds)
    chart = apply_frozen(LIMITS, means, sizes=np.full(len(means), 5), spreads=spread)
    point = ChartPoint(len(means) - 1, "LOT-9", 77, lot_id=21, limits_id=5, limits_version=2)
    return chart_findings(c, chart, evaluate_chart(chart, chosen_rules(c)), point)


def test_a_lot_mean_beyond_a_limit(made) -> None:
    """The limits are 600 -+ 3.5 x 10; the first EWMA limit is 2.9 x 10 x 0.2 = 5.8 from the centre."""
    found = found_at(made.pull, [564.9])
    assert [f.kind for f in found] == [kinds.LOT_MEAN, kinds.EWMA]
    first = found[0]
    assert (first.level, first.lot_id, first.limits_id, first.at_us) == ("R", 21, 5, 77)
    assert first.sentence == (
        "Pull force, LOT-9: lot mean 564.9 N is below the lower control limit 565.0 N (limits version 2)."
    )
    assert first.what == "LOT-9: beyond limit below, limits 2"
    assert first.figures["lower limit"] == pytest.approx(565.0)


def test_a_lot_mean_on_the_limit_is_not_beyond_it(made) -> None:
    # mean 595 after mean 600 keeps the EWMA inside: z = 599
    assert found_at(made.pull, [600.0, 595.0]) == ()
    assert kinds.LOT_MEAN not in [f.kind for f in found_at(made.pull, [565.0])]


def test_the_good_side_of_a_one_sided_limit_only_informs(made) -> None:
    found = found_at(made.pull, [636.0])
    assert [(f.kind, f.level) for f in found] == [(kinds.LOT_MEAN, "I"), (kinds.EWMA, "I")]
    assert "good news or a wrong fixture" in found[0].sentence
    two_sided = replace(made.pull, usl=900.0)
    assert {f.level for f in found_at(two_sided, [636.0])} == {"R"}


def test_the_moving_average_finds_a_slow_change(made) -> None:
    """Twelve lots 1.2 sigma low: EWMA 600 - 12 (1 - 0.8^12) = 588.8, its limit 600 - 29 x sqrt(1 - 0.8^24)/3 = 590.4."""
    found = found_at(made.pull, [588.0] * 12)
    assert [(f.kind, f.level) for f in found] == [(kinds.EWMA, "R")]
    assert "EWMA" in found[0].sentence


def test_the_spread_within_a_lot(made) -> None:
    """B6 = c4 + 3 sqrt(1 - c4^2) = 0.9400 + 3 x 0.3412 = 1.9636 for n = 5: limit 23.56 at sigma 12 (c4: ISO 7870-2)."""
    assert found_at(made.pull, [600.0], [23.5]) == ()
    (found,) = found_at(made.pull, [600.0], [23.6])
    assert (found.kind, found.level) == (kinds.LOT_SPREAD, "R")


def test_run_rules_speak_only_where_chosen(made) -> None:
    means = [602.0] * 9
    assert found_at(made.pull, means) == ()
    low = [598.0] * 9
    chosen = replace(made.pull, rules=("one_side:9",))
    (found,) = found_at(chosen, low)
    assert (found.kind, found.level, found.figures["points in the run"]) == (kinds.RUN_RULE, "R", 9)
    assert found.rule == "run on one side: 9 points in a row on one side of the centre."
    assert "Nelson" in found.source
    assert found_at(chosen, low[:8]) == ()
    assert [f.level for f in found_at(chosen, means)] == ["I"]


def test_only_signals_of_the_judged_point_count(made) -> None:
    assert [f.kind for f in found_at(made.pull, [520.0, 640.0, 600.0])] == []


def test_rules_of_a_characteristic_are_read_once_each(made) -> None:
    rules = chosen_rules(replace(made.pull, rules=("one_side", "one_side:8", "two_of_three")))
    assert [(r.kind, r.k) for r in rules] == [("beyond_limit", 1), ("one_side", 8), ("two_of_three", 3)]


@pytest.mark.parametrize("text", ["one_side:many", "no such rule", "one_side:3"])
def test_an_unreadable_rule_is_refused(made, text: str) -> None:
    with pytest.raises(QualrecError):
        chosen_rules(replace(made.pull, rules=(text,)))


def test_a_count_beyond_its_limit(made) -> None:
    """p chart, centre 0.02, n 200: limit 0.02 + 3 sqrt(0.02 x 0.98 / 200) = 0.0497."""
    leak = replace(made.collapse, kind="counted", chart="p", unit="")
    frozen = Frozen("p", 0.02, width=3.0)
    for count, expected in ((9, []), (10, [kinds.LOT_COUNT])):
        chart = apply_frozen(frozen, [count], sizes=[200])
        point = ChartPoint(0, "LOT-9", 0, lot_id=21)
        found = chart_findings(leak, chart, evaluate_chart(chart, chosen_rules(leak)), point)
        assert [f.kind for f in found] == expected


def test_any_find_is_beyond_a_zero_count(made) -> None:
    leak = replace(made.collapse, kind="counted", chart="zero count", unit="")
    chart = apply_frozen(Frozen("zero", 0.0, 0.0), [0, 1])
    signals = evaluate_chart(chart, chosen_rules(leak))
    assert chart_findings(leak, chart, signals, ChartPoint(0, "A", 0)) == ()
    assert [f.kind for f in chart_findings(leak, chart, signals, ChartPoint(1, "B", 0))] == [kinds.LOT_COUNT]


@pytest.mark.parametrize(("after", "level"), [(580.0, "R"), (620.0, "I")])
def test_a_change_of_level(made, after: float, level: str) -> None:
    change = Change(3, "LOT-4", 600.0, after, 0.001, "method")
    found = change_finding(made.pull, change, ChartPoint(9, "LOT-9", 77, lot_id=21))
    assert (found.kind, found.level, found.source) == (kinds.CHANGE_POINT, level, "method")
    assert found.what == "since LOT-4, seen at LOT-9"
    assert "from 600 N to" in found.sentence


def test_a_change_tells_its_interval_date_and_what_lies_nearest(made) -> None:
    change = Change(
        3, "LOT-4", 600.0, 580.0, 0.001, "method", "LOT-3", "LOT-5", 0.95, "2026-01-07 10:00", ("glass cleaned, then",), True
    )  # fmt: skip
    found = change_finding(made.pull, change, ChartPoint(9, "LOT-9", 77, lot_id=21))
    assert found.sentence == (
        "Pull force: the lot means went down from 600 N to 580 N with LOT-4 (begun 2026-01-07 10:00, p = 0.001). "
        "It lies between LOT-3 and LOT-5 with 95 % probability. On record nearest to it: glass cleaned, then."
    )
    assert found.figures["earliest first"] == "LOT-3"
    assert found.figures["nearest"] == "glass cleaned, then"
    alone = change_finding(
        made.pull, replace(change, high_number="LOT-3", near=()), ChartPoint(9, "LOT-9", 77)
    )
    assert "It lies at LOT-3 with" in alone.sentence
    assert "Neither events nor changes" in alone.sentence
