"""Verdicts of readings and of characteristics."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.judge import kinds
from qualrec.judge.verdict import judge_characteristic, judge_reading, overall_answer
from qualrec.values import PullResult


def mixed(
    interfacial: float | None, cohesive: float = 0.0, tear: float = 0.0, parent: float = 0.0
) -> PullResult:
    return PullResult("mixed", interfacial, cohesive, tear, parent)


@pytest.mark.parametrize(
    ("value", "answer", "side"),
    [(0.1499, "fail", -1), (0.15, "pass", 0), (0.3, "pass", 0), (0.40, "pass", 0), (0.4001, "fail", 1)],
)
def test_a_value_on_a_limit_is_not_beyond_it(made, value: float, answer: str, side: int) -> None:
    verdict = judge_reading(made.collapse, value)
    assert (verdict.answer, verdict.side) == (answer, side)


def test_the_sentence_of_a_fail_names_value_limit_and_unit(made) -> None:
    assert judge_reading(made.collapse, 0.41).reasons == ("0.410 mm is above the upper limit 0.400 mm.",)


def test_without_limits_nothing_passes_or_fails(made) -> None:
    bare = replace(made.collapse, lsl=None, usl=None)
    assert judge_reading(bare, 0.2).answer == "unknown"


def test_no_value_and_a_test_fault_are_unknown(made) -> None:
    assert judge_reading(made.collapse, None).answer == "unknown"
    assert judge_reading(made.collapse, math.nan).answer == "unknown"
    assert judge_reading(made.pull, 700.0, PullResult("test fault")).answer == "unknown"


@pytest.mark.parametrize("value", [100.0, 450.0, 2000.0])
def test_interfacial_always_fails_even_where_it_is_listed_as_accepted(made, value: float) -> None:
    kind = replace(made.pull, accepted_modes=("interfacial", "cohesive"), interfacial_limit_pct=100.0)
    verdict = judge_reading(kind, value, PullResult("interfacial", 100.0, 0.0, 0.0, 0.0))
    assert verdict.answer == "fail"
    assert kinds.INTERFACIAL in [v.kind for v in verdict.violations]


def test_a_low_interfacial_pull_fails_twice_over(made) -> None:
    verdict = judge_reading(made.pull, 400.0, PullResult("interfacial", 100.0))
    assert [v.kind for v in verdict.violations] == [kinds.OUTSIDE_SPECIFICATION, kinds.INTERFACIAL]
    assert verdict.side == -1


@pytest.mark.parametrize(
    ("share", "limit", "answer"),
    [
        (0.0, None, "pass"),
        (1.0, None, "fail"),
        (10.0, 10.0, "pass"),
        (10.5, 10.0, "fail"),
        (60.0, 10.0, "fail"),
    ],
)
def test_a_mixed_failure_goes_by_its_interfacial_share(
    made, share: float, limit: float | None, answer: str
) -> None:
    kind = replace(made.pull, interfacial_limit_pct=limit)
    assert judge_reading(kind, 600.0, mixed(share, 100.0 - share)).answer == answer


def test_the_other_shares_of_a_mixed_failure_go_by_the_accepted_modes(made) -> None:
    kind = replace(made.pull, accepted_modes=("cohesive", "parent material"))
    assert judge_reading(kind, 600.0, mixed(0.0, 60.0, 0.0, 40.0)).answer == "pass"
    refused = judge_reading(kind, 600.0, mixed(0.0, 60.0, 40.0, 0.0))
    assert [v.kind for v in refused.violations] == [kinds.MODE_NOT_ACCEPTED]
    assert "near-surface tear" in refused.reasons[0]
    listed = replace(kind, accepted_modes=("cohesive", "mixed"))
    assert judge_reading(listed, 600.0, mixed(0.0, 60.0, 40.0, 0.0)).answer == "pass"


def test_a_mixed_failure_without_shares_cannot_be_judged(made) -> None:
    verdict = judge_reading(made.pull, 600.0, PullResult("mixed"))
    assert verdict.answer == "unknown"
    assert verdict.reasons == ("The shares of the mixed failure are not recorded.",)
    assert judge_reading(made.pull, 400.0, PullResult("mixed")).answer == "fail"


def test_a_mode_that_is_not_accepted_fails_and_an_empty_list_accepts_all(made) -> None:
    tear = PullResult("near-surface tear", 0.0, 0.0, 100.0, 0.0)
    assert judge_reading(made.pull, 600.0, tear).answer == "pass"
    strict = replace(made.pull, accepted_modes=("parent material",))
    assert [v.kind for v in judge_reading(strict, 600.0, tear).violations] == [kinds.MODE_NOT_ACCEPTED]


def test_a_parent_material_break_below_the_limit_fails_as_any_value(made) -> None:
    assert (
        judge_reading(made.pull, 449.0, PullResult("parent material", 0.0, 0.0, 0.0, 100.0)).answer == "fail"
    )


def test_a_pull_without_its_mode_is_unknown_unless_it_fails_anyway(made) -> None:
    assert judge_reading(made.pull, 600.0).answer == "unknown"
    assert judge_reading(made.pull, 400.0).answer == "fail"


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_mirrored_limits_mirror_the_verdict(made, value: float, a: float, b: float) -> None:
    low, high = sorted((a, b))
    plain = replace(made.collapse, lsl=low, usl=high)
    mirror = replace(made.collapse, lsl=-high, usl=-low)
    one, other = judge_reading(plain, value), judge_reading(mirror, -value)
    assert one.answer == other.answer
    assert one.side == -other.side


def test_a_characteristic_passes_with_its_figures(made) -> None:
    values = [600.0, 612.0, 588.0, 630.0]
    rows = [made.reading(made.pull, v, i) for i, v in enumerate(values, 1)]
    verdict = judge_characteristic(made.pull, rows, (made.owed(made.pull, "", 4, 4),))
    assert verdict.answer == "pass"
    assert verdict.reasons == ("All 4 readings are within the limits.",)
    assert (verdict.n, verdict.low, verdict.high, verdict.fails) == (4, 588.0, 630.0, 0)
    assert verdict.mean == pytest.approx(statistics.fmean(values))
    assert verdict.sd == pytest.approx(statistics.stdev(values))  # the standard library as outside reference


def test_the_spread_keeps_its_digits_far_from_zero(made) -> None:
    values = [1e7 + 0.1, 1e7 + 0.2, 1e7 + 0.3]
    rows = [made.reading(made.collapse, v, i) for i, v in enumerate(values, 1)]
    assert judge_characteristic(made.collapse, rows).sd == pytest.approx(statistics.stdev(values), rel=1e-12)


def test_one_failing_reading_fails_the_characteristic(made) -> None:
    rows = [made.reading(made.pull, 600.0, 1), made.reading(made.pull, 449.9, 2)]
    verdict = judge_characteristic(made.pull, rows)
    assert (verdict.answer, verdict.fails) == ("fail", 1)


def test_a_void_reading_does_not_count(made) -> None:
    rows = [made.reading(made.pull, 600.0, 1), made.reading(made.pull, None, 2, void=True, original=100.0)]
    verdict = judge_characteristic(made.pull, rows)
    assert (verdict.answer, verdict.n) == ("pass", 1)


def test_missing_mandatory_samples_make_it_incomplete_others_do_not(made) -> None:
    rows = [made.reading(made.pull, 600.0, 1)]
    owed = made.owed(made.pull, "end", 3, 1)
    verdict = judge_characteristic(made.pull, rows, (owed,))
    assert (verdict.answer, verdict.missing) == ("incomplete", 2)
    assert verdict.reasons == ("2 mandatory samples are missing.",)
    free = judge_characteristic(made.pull, rows, (replace(owed, mandatory=False),))
    assert (free.answer, free.missing) == ("pass", 2)
    assert "not mandatory" in free.reasons[1]


def test_a_test_fault_owes_a_repeat_and_a_pull_without_mode_is_incomplete(made) -> None:
    fault = made.reading(made.pull, None, 1, pull=PullResult("test fault"))
    verdict = judge_characteristic(made.pull, [fault])
    assert (verdict.answer, verdict.test_faults, verdict.n) == ("unknown", 1, 0)
    modeless = judge_characteristic(made.pull, [made.reading(made.pull, 600.0, 1, pull=None)])
    assert modeless.answer == "incomplete"
    assert modeless.reasons == ("1 pull lacks its failure mode.",)


def test_no_readings_and_no_limits_are_unknown(made) -> None:
    assert judge_characteristic(made.pull, []).reasons[0] == "There are no readings."
    bare = replace(made.collapse, lsl=None, usl=None)
    found = judge_characteristic(bare, [made.reading(bare, 0.2)])
    assert (found.answer, found.reasons[0]) == ("unknown", "No specification limit is stated.")


def test_the_worst_answer_is_that_of_the_lot(made) -> None:
    good = judge_characteristic(made.collapse, [made.reading(made.collapse, 0.2)])
    bad = judge_characteristic(made.collapse, [made.reading(made.collapse, 0.5)])
    none = judge_characteristic(made.collapse, [])
    short = judge_characteristic(made.collapse, [], (made.owed(made.collapse, "", 1, 0),))
    assert overall_answer([good, none]) == "pass"
    assert overall_answer([good, short]) == "incomplete"
    assert overall_answer([good, short, bad]) == "fail"
    assert overall_answer([none]) == "unknown"
    assert overall_answer([]) == "unknown"


def test_very_many_failing_readings_are_not_all_put_in_words(made) -> None:
    rows = [made.reading(made.collapse, 0.5, i) for i in range(1, 51)]
    verdict = judge_characteristic(made.collapse, rows)
    assert (verdict.fails, len(verdict.reasons), verdict.reasons[-1]) == (50, 11, "And 40 more.")
