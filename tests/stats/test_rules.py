"""Rules: every pattern by hand and against a slow restatement of its words, missing points, speed of many points."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError
from qualrec.stats.results import Track
from qualrec.stats.rules import ALL_RULES, DEFAULT_RULES, RULE_KINDS, Rule, evaluate, matches, rule


def track_of(z: list[float], *, run_rules: bool = True) -> Track:
    """A track in units of sigma: centre 0, sigma 1, limits -3 and 3."""
    x = np.asarray(z, dtype=float)
    one = np.ones(x.shape)
    return Track("lot mean", x, 0 * one, -3 * one, 3 * one, one, run_rules)


def slow(z: list[float], item: Rule) -> list[bool]:
    """The words of each rule, point by point, written without regard to speed."""
    out = []
    for end in range(1, len(z) + 1):
        last = z[max(0, end - item.k) : end]
        full = len(last) == item.k
        steps = [b - a for a, b in pairwise(last)]
        out.append(
            {
                "beyond_limit": abs(z[end - 1]) > 3,
                "one_side": full and (all(v > 0 for v in last) or all(v < 0 for v in last)),
                "rise_or_fall": full and (all(s > 0 for s in steps) or all(s < 0 for s in steps)),
                "two_of_three": any(s * last[-1] > 2 and sum(s * v > 2 for v in last) >= 2 for s in (1, -1)),
                "four_of_five": any(s * last[-1] > 1 and sum(s * v > 1 for v in last) >= 4 for s in (1, -1)),
                "alternation": full and all(a * b < 0 for a, b in pairwise(steps)),
                "near_centre": full and all(abs(v) < 1 for v in last),
                "far_from_centre": full and all(abs(v) > 1 for v in last),
            }[item.kind]
        )
    return out


EVERY = (*ALL_RULES, rule("one_side", 7), rule("one_side", 9), rule("rise_or_fall", 6))
GRID = st.lists(st.integers(-8, 8).map(lambda i: i / 2), min_size=1, max_size=40)


@given(GRID)
def test_fast_form_says_what_the_words_say(z: list[float]) -> None:
    found = matches(z, 0.0, 1.0, -3.0, 3.0, EVERY)
    for row, item in zip(found, EVERY, strict=True):
        assert row.tolist() == slow(z, item), item


@pytest.mark.parametrize("item", EVERY, ids=lambda item: f"{item.kind}-{item.k}")
def test_long_random_rows_fire_every_rule(item: Rule) -> None:
    """Rows built so that each rule fires somewhere; else the comparison above could pass on silence."""
    rng = np.random.default_rng(8)
    z = np.concatenate(
        [
            rng.normal(0, 1.5, 200),
            rng.uniform(0.1, 0.9, 20),
            np.linspace(-2, 2, 12),
            np.linspace(2, -2, 12),
            [(-1) ** i * 1.5 for i in range(20)],
            [0.3, 2.5, 0.1, 2.5, 2.6, 1.2, 1.4, 0.2, 1.6, 1.1],
        ]
    ).tolist()
    expected = slow(z, item)
    assert any(expected)
    assert matches(z, 0.0, 1.0, -3.0, 3.0, [item])[0].tolist() == expected
    assert {s.points[-1] for s in evaluate(track_of(z), [item])} == {
        i for i, hit in enumerate(expected) if hit
    }


@given(GRID)
def test_mirrored_points_change_the_side_only(z: list[float]) -> None:
    up, down = evaluate(track_of(z), EVERY), evaluate(track_of([-v for v in z]), EVERY)
    assert sorted((s.rule, s.points, s.side) for s in up) == sorted((s.rule, s.points, -s.side) for s in down)


@given(GRID, st.floats(-1e3, 1e3), st.sampled_from([0.25, 0.5, 2.0, 8.0]))
def test_shift_and_scale_change_nothing(z: list[float], shift: float, scale: float) -> None:
    shift = round(shift * 4) / 4
    x = np.asarray(z) * scale + shift
    moved = matches(x, shift, scale, shift - 3 * scale, shift + 3 * scale, EVERY)
    np.testing.assert_array_equal(moved, matches(z, 0.0, 1.0, -3.0, 3.0, EVERY))


@given(GRID, st.sets(st.integers(0, 40)))
def test_missing_points_are_skipped(z: list[float], gaps: set[int]) -> None:
    places = [g for g in sorted(gaps) if g <= len(z)]
    x = np.insert(np.asarray(z), places, np.nan)
    kept = ~np.isnan(x)
    found = matches(x, 0.0, 1.0, -3.0, 3.0, EVERY)
    np.testing.assert_array_equal(found[:, kept], matches(z, 0.0, 1.0, -3.0, 3.0, EVERY))
    assert not found[:, ~kept].any()
    single = evaluate(track_of(x.tolist()), EVERY)
    for row, item in zip(found, EVERY, strict=True):
        assert {s.points[-1] for s in single if s.rule == item.name} >= set(np.flatnonzero(row).tolist())


def test_limits_that_change_from_point_to_point_travel_with_their_points() -> None:
    x = np.array([[np.nan, 5.0, 1.0], [5.0, np.nan, 1.0]])
    upper = np.array([[0.0, 6.0, 0.5], [4.0, 0.0, 2.0]])
    found = matches(x, 0.0, 1.0, np.nan, upper)[0]
    np.testing.assert_array_equal(found, [[False, False, True], [True, False, False]])


def test_points_of_a_finding() -> None:
    z = [0.0, 2.5, 0.1, 2.2, 4.0]
    found = evaluate(track_of(z), [rule("two_of_three"), rule("beyond_limit")])
    assert [(s.rule, s.points, s.side) for s in found] == [
        ("two of three far out", (1, 3), 1),
        ("two of three far out", (3, 4), 1),
        ("beyond limit", (4,), 1),
    ]
    assert "4" in found[-1].text
    assert "upper limit 3" in found[-1].text
    fall = evaluate(track_of([3, 2, 1, 0.5, -0.5, -1, -2]), [rule("rise_or_fall")])
    assert fall[0].points == tuple(range(7))
    assert "falling" in fall[0].text


def test_dependent_tracks_only_know_their_limits() -> None:
    z = [0.5] * 20 + [5.0]
    assert {s.rule for s in evaluate(track_of(z, run_rules=False), ALL_RULES)} == {"beyond limit"}
    assert {s.rule for s in evaluate(track_of(z), ALL_RULES)} > {"beyond limit"}


def test_missing_limits_and_sigma_give_no_signal() -> None:
    nothing = matches([9.0, 9.0, 9.0, 9.0, 9.0], 0.0, np.nan, np.nan, np.nan, ALL_RULES)
    assert not nothing.any()


def test_empty_row() -> None:
    assert matches([], 0.0, 1.0, -3.0, 3.0, ALL_RULES).shape == (8, 0)
    assert evaluate(track_of([]), ALL_RULES) == ()


def test_every_rule_has_words_with_its_figures_and_a_source() -> None:
    assert len(RULE_KINDS) == 8
    for item in EVERY:
        assert item.source
        assert "{" not in item.text
    assert rule("one_side", 9).text.startswith("9 points")
    assert "ISO 7870-2" in rule("one_side", 7).source
    assert [item.kind for item in DEFAULT_RULES] == ["beyond_limit"]


@pytest.mark.parametrize(
    ("kind", "k"), [("one_side", 6), ("one_side", 10), ("two_of_three", 4), ("no rule", None)]
)
def test_unknown_rules_are_refused_in_words(kind: str, k: int | None) -> None:
    with pytest.raises(ComputeError) as refused:
        rule(kind, k)
    assert refused.value.remedy


def test_a_million_points_cost_less_than_three_times_twenty_sums() -> None:
    x = np.random.default_rng(9).standard_normal(1_000_000)

    def best(call, rounds: int = 3) -> float:
        times = []
        for _ in range(rounds):
            start = time.perf_counter()
            call()
            times.append(time.perf_counter() - start)
        return min(times)

    yardstick = best(lambda: [np.cumsum(x) for _ in range(20)])
    assert best(lambda: matches(x, 0.0, 1.0, -3.0, 3.0, ALL_RULES)) < 3 * yardstick
