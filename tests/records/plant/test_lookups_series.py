"""Series from running sums: against numpy on all values, and against statsmodels for the autocorrelation."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.tsa.stattools import acf

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.lookups.merge import Points, RollupRows, merge_rows
from qualrec.values import FloatArray

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US

steps = st.integers(-400, 400)
rows_of_run = st.lists(st.lists(steps, min_size=1, max_size=6), min_size=1, max_size=4)
runs_of_point = st.lists(rows_of_run, min_size=1, max_size=3)


def sums(values: FloatArray, shift: float) -> tuple[float, ...]:
    d = values - shift
    return (
        shift,
        d.sum(),
        (d**2).sum(),
        values.min(),
        values.max(),
        values[0],
        values[-1],
        (d[1:] * d[:-1]).sum(),
    )


def merged(points: list[list[list[FloatArray]]], shifts: list[float]) -> Points:
    """`points` -> runs -> rows -> values; each row's sums are about the next of `shifts`."""
    point, run, n, rest = [], [], [], []
    for i, runs in enumerate(points):
        for j, rows in enumerate(runs):
            for values in rows:
                point.append(i)
                run.append(j)
                n.append(len(values))
                rest.append(sums(values, shifts[len(rest) % len(shifts)]))
    columns = [np.array(column, float) for column in zip(*rest, strict=True)]
    return merge_rows(RollupRows(np.array(point), np.array(run), np.array(n), *columns))


@given(
    points=st.lists(runs_of_point, min_size=1, max_size=4),
    origin=st.sampled_from([0.0, 0.5, -300.0, 1e7]),
    offsets=st.lists(st.integers(-50, 50), min_size=1, max_size=5),
)
def test_merged_sums_are_those_of_all_values(
    points: list[list[list[list[int]]]], origin: float, offsets: list[int]
) -> None:
    scaled = [[[np.array(values, float) / 8 + origin for values in rows] for rows in runs] for runs in points]
    found = merged(scaled, [origin + offset for offset in offsets])
    assert len(found.n) == len(points)
    for i, runs in enumerate(scaled):
        whole = np.concatenate([values for rows in runs for values in rows])
        assert found.n[i] == len(whole)
        assert found.mean[i] == pytest.approx(whole.mean(), rel=1e-13, abs=1e-12)
        assert (found.low[i], found.high[i]) == (whole.min(), whole.max())
        if len(whole) < 2:
            assert np.isnan(found.sd[i])
        else:
            assert found.sd[i] == pytest.approx(whole.std(ddof=1), rel=1e-9, abs=1e-9)
        if len(set(whole)) == 1 and len(whole) > 1:
            assert found.sd[i] == 0.0


@given(
    rows=rows_of_run,
    origin=st.sampled_from([0.0, 40.0, 1e6]),
    shift=st.integers(-30, 30),
)
def test_the_autocorrelation_of_one_run_is_that_of_its_values_in_order(
    rows: list[list[int]], origin: float, shift: int
) -> None:
    arrays = [np.array(values, float) / 4 + origin for values in rows]
    whole = np.concatenate(arrays)
    found = merged([[arrays]], [origin + shift]).r1[0]
    if len(whole) < 3 or len(set(whole)) == 1:
        assert np.isnan(found)
    else:
        expected = acf(whole, nlags=1, adjusted=False, fft=False)[1]
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-8)


def test_offsets_between_streams_are_no_autocorrelation() -> None:
    rng = np.random.default_rng(7)
    noise = [rng.normal(0.0, 1.0, 400) for _ in range(2)]
    apart = merged([[[noise[0]], [noise[1] + 50.0]]], [0.0])
    own = [acf(one, nlags=1, fft=False)[1] * ((one - one.mean()) ** 2).sum() for one in noise]
    spread = sum(((one - one.mean()) ** 2).sum() for one in noise)
    assert apart.r1[0] == pytest.approx(sum(own) / spread, abs=1e-10)
    assert abs(apart.r1[0]) < 0.1
    assert apart.sd[0] == pytest.approx(np.concatenate([noise[0], noise[1] + 50.0]).std(ddof=1))


def test_digits_survive_far_from_zero() -> None:
    """Sums about a near shift keep the spread of values near 1e9, where plain sums of squares lose it all."""
    base = 1e9 + np.array([0.001, 0.002, 0.004, 0.007])
    found = merged([[[base[:2], base[2:]]]], [1e9, 1e9 + 1])
    exact = np.array([1, 2, 4, 7]) / 1000.0
    assert found.sd[0] == pytest.approx(exact.std(ddof=1), rel=1e-4)


def test_no_rows_give_no_points() -> None:
    none = np.empty(0)
    empty = np.empty(0, np.int64)
    found = merge_rows(RollupRows(empty, empty, empty, *([none] * 8)))
    assert len(found.n) == len(found.r1) == len(found.start) == 0


def fill(plant: Any) -> dict[str, list[float]]:
    """Lots with two segments, two streams, corrections and faults; returns the values that count, by lot, in order."""
    rng = np.random.default_rng(3)
    expected: dict[str, list[float]] = {}
    for day, number in ((3, "C"), (1, "A"), (2, "B")):
        lot, first = plant.lot(number, day=day)
        second = plant.do(
            registry.add_segment, lot, plant.begin_us + day * DAY_US + HOUR_US, station_id=plant.station
        )
        held: list[float] = []
        for stream in (plant.cavity1, plant.cavity2):
            for segment in (first, second):
                values = np.round(rng.normal(600.0, 20.0, 4), 1).tolist()
                keys = plant.read(segment, "PULL", *values, None, stream_id=stream, condition_id=plant.slow)
                if segment == second:
                    plant.correct(keys[0], kind="value", new_value=555.5)
                    plant.correct(keys[2], kind="void")
                    values = [555.5, values[1], values[3]]
                held += values
        expected[number] = held
    return expected


def test_a_series_is_that_of_the_values_that_count(plant: Any) -> None:
    expected = fill(plant)
    series = plant.ask(lookups.lot_series, plant.PULL)
    assert series.numbers == ("A", "B", "C")
    assert series.at_us.tolist() == [plant.begin_us + day * DAY_US for day in (1, 2, 3)]
    for i, number in enumerate(series.numbers):
        whole = np.array(expected[number])
        assert series.n[i] == len(whole) == 14
        assert series.mean[i] == pytest.approx(whole.mean(), rel=1e-12)
        assert series.sd[i] == pytest.approx(whole.std(ddof=1), rel=1e-10)
        assert (series.low[i], series.high[i]) == (whole.min(), whole.max())
    assert series.corrected.tolist() == [True] * 3
    one = plant.ask(lookups.lot_series, plant.PULL, stream_id=plant.cavity1)
    assert one.stream_id == plant.cavity1
    for i, number in enumerate(one.numbers):
        run = np.array(expected[number][:7])
        assert one.mean[i] == pytest.approx(run.mean(), rel=1e-12)
        assert one.r1[i] == pytest.approx(acf(run, nlags=1, fft=False)[1], rel=1e-8)
    early = plant.ask(lookups.lot_series, plant.PULL, until_us=plant.begin_us + 2 * DAY_US)
    assert early.numbers == ("A", "B")
    values = plant.ask(lookups.values, plant.PULL)
    assert sorted(values.value.tolist()) == sorted(v for held in expected.values() for v in held)
    assert [s.label for s in plant.ask(lookups.streams_of, plant.PULL)] == ["cavity 1", "cavity 2"]
    modes = plant.ask(lookups.mode_counts, plant.PULL)
    assert [(m.mode, m.n) for m in modes] == [("cohesive", 14), ("test fault", 4)] * 3
    assert len(plant.ask(lookups.mode_counts, plant.PULL, [modes[0].lot_id])) == 2


def test_moulding_lots_make_points_of_their_own(plant: Any) -> None:
    later = plant.do(registry.add_moulding_lot, "U0002", plant.upper, plant.begin_us + DAY_US)
    plant.read(later, "TRN", 24.0, 26.0)
    plant.read(plant.moulded, "TRN", 20.0)
    series = plant.ask(lookups.lot_series, plant.TRN)
    assert series.numbers == ("U0001", "U0002")
    assert series.lot_ids.tolist() == [plant.moulded, later]
    assert series.mean.tolist() == [20.0, 25.0]
    assert np.isnan(series.sd[0])
    assert series.sd[1] == pytest.approx(np.sqrt(2.0))
    assert plant.ask(lookups.values, plant.TRN, [later]).value.tolist() == [24.0, 26.0]
    assert plant.ask(lookups.values, plant.TRN, []).value.tolist() == []


def test_conditions_that_separate_are_never_mixed(plant: Any) -> None:
    _, a = plant.lot("A")
    _, b = plant.lot("B", day=1)
    warm = plant.do(registry.get_or_add_condition, speed_mm_min=5.0, temperature_c=40.0)
    plant.read(a, "PULL", 500.0, 510.0, condition_id=plant.slow)
    plant.read(a, "PULL", 530.0, condition_id=warm)
    assert plant.ask(lookups.lot_series, plant.PULL).n.tolist() == [3]
    plant.read(b, "PULL", 700.0, condition_id=plant.fast)
    with pytest.raises(UsageError, match=r"kept apart \(speed_mm_min\): speed 5 mm/min; speed 50 mm/min"):
        plant.ask(lookups.lot_series, plant.PULL)
    groups = plant.ask(lookups.conditions_of, plant.PULL)
    assert [(g.id, g.ids, g.readings) for g in groups] == [
        (plant.slow, (plant.slow, warm), 3),
        (plant.fast, (plant.fast,), 1),
    ]
    assert groups[0].condition.temperature_c is None
    for condition in (plant.slow, warm):
        series = plant.ask(lookups.lot_series, plant.PULL, condition_id=condition)
        assert (series.numbers, series.condition_id) == (("A",), plant.slow)
        assert series.mean[0] == pytest.approx((500.0 + 510.0 + 530.0) / 3)
    assert plant.ask(lookups.lot_series, plant.PULL, condition_id=0).numbers == ()
    with pytest.raises(UnknownRecord, match="no condition with id 5"):
        plant.ask(lookups.lot_series, plant.PULL, condition_id=5)
    picked = plant.ask(lookups.values, plant.PULL, condition_ids=groups[0].ids)
    assert picked.value.tolist() == [500.0, 510.0, 530.0]


def test_conditions_that_do_not_separate_are_pooled(plant: Any) -> None:
    _, a = plant.lot("A")
    plant.read(a, "PATH", 0.4, condition_id=plant.slow)
    plant.read(a, "PATH", 0.6, condition_id=plant.fast)
    assert plant.ask(lookups.lot_series, plant.PATH).mean.tolist() == [0.5]
    assert plant.ask(lookups.lot_series, plant.PATH, condition_id=0).n.tolist() == [2]
    assert plant.ask(lookups.lot_series, plant.PATH, condition_id=plant.fast).mean.tolist() == [0.6]
    (group,) = plant.ask(lookups.conditions_of, plant.PATH)
    assert (group.id, group.ids, group.readings) == (0, (plant.slow, plant.fast), 2)


def test_many_series_at_once_are_the_single_ones(plant: Any) -> None:
    fill(plant)
    _, d = plant.lot("D", day=5)
    plant.read(d, "PULL", 700.0, condition_id=plant.fast)
    plant.read(d, "PATH", 0.4, 0.5)
    plant.read(plant.moulded, "TRN", 20.0)
    ids = [plant.PULL, plant.PATH, plant.TRN]
    with plant.counted() as few:
        plant.ask(lookups.lot_series_many, ids[:1])
    with plant.counted() as sent:
        many = plant.ask(lookups.lot_series_many, [*ids, 77])
    assert len(sent) <= len(few) + 1 <= 7
    assert [s.condition_id for s in many[plant.PULL]] == [plant.slow, plant.fast]
    assert many[77] == ()
    pairs = [
        (plant.PULL, 0, plant.slow),
        (plant.PULL, 1, plant.fast),
        (plant.PATH, 0, None),
        (plant.TRN, 0, None),
    ]
    for characteristic, place, condition in pairs:
        one = plant.ask(lookups.lot_series, characteristic, condition_id=condition)
        other = many[characteristic][place]
        assert (one.numbers, one.condition_id) == (other.numbers, other.condition_id)
        for name in ("lot_ids", "at_us", "n", "mean", "sd", "low", "high", "r1", "corrected"):
            np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_a_series_costs_the_same_few_queries_for_any_number_of_lots(plant: Any) -> None:
    counts = []
    for day in range(1, 4):
        _, segment = plant.lot(str(day), day=day)
        plant.read(segment, "PATH", 0.4, 0.5)
        with plant.counted() as sent:
            plant.ask(lookups.lot_series, plant.PATH)
        counts.append(len(sent))
    assert counts == [counts[0]] * 3
    assert counts[0] <= 4, sent


def test_a_characteristic_without_readings_has_an_empty_series(plant: Any) -> None:
    series = plant.ask(lookups.lot_series, plant.PULL)
    assert (len(series), series.mean.tolist(), series.corrected.tolist()) == (0, [], [])
    assert plant.ask(lookups.conditions_of, plant.PULL) == ()
    assert plant.ask(lookups.shape, plant.PULL) is None
    with pytest.raises(UnknownRecord, match="no characteristic with id 9"):
        plant.ask(lookups.lot_series, 9)


def test_shapes_of_lots_add_up(plant: Any) -> None:
    wide = plant.do(
        registry.add_characteristic,
        plant.part,
        code="GAP",
        name="Gap",
        quantity="gap",
        unit="mm",
        lsl=0.0,
        usl=1.0,
        valid_from_us=plant.begin_us,
    )
    plant.ids["GAP"] = wide
    rng = np.random.default_rng(2)
    values = np.round(rng.normal(0.5, 0.3, 600), 3)
    for day in range(2):
        _, segment = plant.lot(str(day), day=day)
        plant.read(segment, "GAP", *values[day * 300 : (day + 1) * 300].tolist())
    shape = plant.ask(lookups.shape, wide)
    assert (shape.low, shape.high, len(shape.counts)) == (-0.25, 1.25, 256)
    inside, _ = np.histogram(values, bins=256, range=(-0.25, 1.25))
    # A value on an edge may fall to either side by rounding.
    assert np.abs(np.cumsum(shape.counts) - np.cumsum(inside)).max() <= 1
    assert (shape.under, shape.over) == ((values < -0.25).sum(), (values > 1.25).sum())
