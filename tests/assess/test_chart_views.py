"""Views of a chart: other kinds against figures by hand, points told apart, characteristics over one axis of lots."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from qualrec import assess
from qualrec.assess import ChartView
from qualrec.assess.chart_kinds import kind_view, kinds_for
from qualrec.assess.chart_notes import autocorrelation_notes
from qualrec.assess.chart_strata import MOST, OTHERS, divisions_for, stratify
from qualrec.assess.chart_strips import ENERGY, MOST_STRIPS, strips, usual_codes
from qualrec.assess.joint_energy import joint_energy_series
from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.records.lookups.characteristics import names_of_all

PART = "FM-2040"
D2, C4 = 1.128, 0.9400
"""d2 of 2 and c4 of 5 as ISO 7870-2 and ASTM manuals print them (from memory)."""


@pytest.fixture(scope="module")
def conn(written_sample_plant: Path) -> Iterator[Any]:
    with open_store(f"sqlite:///{written_sample_plant}") as store, store.read() as opened:
        yield opened


@pytest.fixture(scope="module")
def pull(conn: Any) -> ChartView:
    return assess.chart_view(conn, PART, "PULL", price=False)


@pytest.fixture(scope="module")
def light(conn: Any) -> ChartView:
    return assess.chart_view(conn, PART, "TRN", price=False)


# Other kinds.


def used_of(view: ChartView) -> Any:
    limits = view.spans[-1].limits
    assert limits is not None
    return np.isin(view.series.lot_ids, limits.used_lots)


def test_single_values_have_the_limits_of_the_handbook(pull: ChartView) -> None:
    """Centre -+ 3 mean moving range/1.128 of the lots that the limits of record rest on (ISO 7870-2)."""
    found = kind_view(pull, "single values")
    x = pull.series.mean[used_of(pull)]
    half = 3 * np.abs(np.diff(x)).mean() / D2
    track = found.track(found.main)
    assert track is not None
    assert (track.lower[0], track.upper[0]) == pytest.approx((x.mean() - half, x.mean() + half), rel=2e-4)
    assert found.below == "moving range"
    assert "lots of limits version 1" in found.basis
    beyond = set(np.flatnonzero((pull.series.mean > track.upper) | (pull.series.mean < track.lower)).tolist())
    assert {s.points[-1] for s in found.signals if s.track == found.main} == beyond


def test_limits_from_within_lots_follow_sbar_over_c4(pull: ChartView) -> None:
    """Centre -+ 3 sbar/(c4 sqrt(n)) for lots of 5, and a word that they do not judge lots."""
    found = kind_view(pull, "subgroups")
    used = used_of(pull) & (pull.series.n == 5)
    assert used.sum() == used_of(pull).sum()
    half = 3 * pull.series.sd[used].mean() / C4 / math.sqrt(5)
    track = found.track(found.main)
    assert track is not None
    assert track.upper[0] - track.centre[0] == pytest.approx(half, rel=1e-3)
    assert any("not to judge a lot" in note for note in found.notes)


def test_cumulative_sums_start_from_centre_and_sigma_of_record(light: ChartView) -> None:
    """C+ = max(0, C+ + x - centre - sigma/2), C- likewise downwards (Montgomery, from memory), by plain recursion."""
    limits = light.spans[-1].limits
    assert limits is not None
    up = down = 0.0
    rise, fall = [], []
    gone = {out.lot_id for out in light.left_out}
    for lot, x in zip(light.series.lot_ids.tolist(), light.series.mean.tolist(), strict=True):
        assert lot not in gone
        up = max(0.0, up + x - limits.centre - limits.sigma / 2)
        down = max(0.0, down + limits.centre - x - limits.sigma / 2)
        rise.append(up)
        fall.append(-down)
    found = kind_view(light, "cusum")
    assert found.chart.tracks[0].values == pytest.approx(rise)
    assert found.chart.tracks[1].values == pytest.approx(fall)
    assert found.basis == "Centre and sigma of record"


def test_views_follow_the_kind_of_data(conn: Any, pull: ChartView) -> None:
    leak = assess.chart_view(conn, "VB-1310", "LEAK", price=False)
    assert [k.id for k in kinds_for(leak.characteristic, leak.series)] == ["p'", "u", "u'", "np"]
    assert [k.id for k in kinds_for(pull.characteristic, pull.series)] == [
        "single values",
        "subgroups",
        "cusum",
    ]
    counts = np.rint(leak.series.n * leak.series.mean)
    rate = counts.sum() / leak.series.n.sum()
    track = kind_view(leak, "u").chart.tracks[0]
    assert track.centre[0] == pytest.approx(rate)
    assert track.upper == pytest.approx(rate + 3 * np.sqrt(rate / leak.series.n))
    with pytest.raises(UsageError, match="no view of kind 'cusum'") as caught:
        kind_view(leak, "cusum")
    assert "u'" in caught.value.remedy


def test_a_view_leaves_the_chart_of_record_alone(conn: Any, pull: ChartView) -> None:
    before = (pull.state, len(pull.history), [s.points for s in pull.signals])
    for kind in kinds_for(pull.characteristic, pull.series):
        kind_view(pull, kind.id)
    again = assess.chart_view(conn, PART, "PULL", price=False)
    assert (again.state, len(again.history), [s.points for s in again.signals]) == before


# Autocorrelation.


def test_autocorrelation_is_pooled_and_set_against_chance(pull: ChartView) -> None:
    c = replace(pull.characteristic, subgroup_size=5, subgroup_every=50)
    series = replace(
        pull.series,
        n=np.array([200, 100] + [2] * 58),
        r1=np.array([0.4, 0.1] + [np.nan] * 58),
    )
    said = autocorrelation_notes(c, series)
    assert said[0].startswith("Subgroups: 5 consecutive values of every 50")
    assert f"r1 = {(200 * 0.4 + 100 * 0.1) / 300:.2f} over 2 lots and 300 values" in said[1]
    assert f"within {2 / math.sqrt(300):.2f}" in said[1]
    assert "too narrow" in said[1]
    calm = replace(series, r1=np.where(np.isnan(series.r1), np.nan, 0.01))
    assert "within chance" in autocorrelation_notes(replace(c, subgroup_size=0), calm)[0]
    assert autocorrelation_notes(pull.characteristic, pull.series) == (), (
        "5 pulls of a lot are not all its parts"
    )


# Points told apart.


def test_streams_apart_agree_with_readings_and_with_scipy(conn: Any, light: ChartView) -> None:
    """Means of the readings of each cavity by numpy; Welch's test by scipy.stats.f_oneway(equal_var=False)."""
    found = stratify(conn, light, "stream")
    ids = {s.label: s.id for s in lookups.streams_of(conn, light.characteristic.id)}
    assert [g.name for g in found.groups] == list(light.choice.streams)
    for group in found.groups:
        x = lookups.values(conn, light.characteristic.id, stream_id=ids[group.name]).value
        assert (group.n, group.mean) == (x.size, pytest.approx(x.mean()))
        assert np.isfinite(group.values).sum() == group.lots == 31
    test = stats.f_oneway(*(g.values for g in found.groups), equal_var=False)
    assert f"p = {test.pvalue:.2g}" in found.sentence
    assert "differ" in found.sentence
    assert found.names_at(0) == light.choice.streams


def test_groups_of_lots_follow_the_segments(conn: Any, pull: ChartView) -> None:
    segments = lookups.segments(conn, pull.series.lot_ids.tolist())
    found = stratify(conn, pull, "upper material")
    for at, lot in enumerate(pull.series.lot_ids.tolist()):
        upper = segments[lot][0].upper
        assert upper is not None
        assert found.names_at(at) in (upper.deliveries, (OTHERS,))
    assert "R-2607" in [g.name for g in found.groups], "the newest delivery has a sign of its own"
    many = stratify(conn, pull, "upper lot")
    assert len(many.groups) == MOST + 1
    assert many.groups[-1].name == OTHERS
    assert "of 30 the lowest and highest" in many.sentence
    assert sum(g.lots for g in many.groups) == len(pull.series)


def test_what_cannot_be_told_apart_is_refused(conn: Any, pull: ChartView, light: ChartView) -> None:
    assert "stream" not in [d.id for d in divisions_for(pull)]
    assert [d.id for d in divisions_for(light)] == ["stream", "material", "tool"]
    with pytest.raises(UsageError, match="cannot be told apart by 'stream'"):
        stratify(conn, pull, "stream")
    assert [g.name for g in stratify(conn, light, "tool").groups] == ["not on record"]


# Over one axis.


def test_moulding_lots_stand_under_the_lots_they_went_into(conn: Any) -> None:
    found = strips(conn, PART, ("PULL", "TRN", ENERGY))
    force, light, energy = found.strips
    trn = lookups.characteristic(conn, PART, "TRN")
    segments = lookups.segments(conn, found.lot_ids.tolist())
    for at in (0, 20, 52):
        upper = segments[int(found.lot_ids[at])][0].upper
        assert upper is not None
        assert light.values[at] == pytest.approx(lookups.values(conn, trn.id, [upper.id]).value.mean())
    both = np.isfinite(force.values) & np.isfinite(light.values)
    assert light.r == pytest.approx(stats.pearsonr(force.values[both], light.values[both])[0])
    assert light.common == both.sum()
    own = joint_energy_series(conn, PART)
    assert energy.values == pytest.approx(own.energy[np.isin(own.lot_ids, found.lot_ids)], nan_ok=True)
    assert energy.sides.tolist() == own.side[np.isin(own.lot_ids, found.lot_ids)].tolist()


def test_strips_carry_signals_and_events_of_the_charts_of_record(conn: Any, pull: ChartView) -> None:
    found = strips(conn, PART, ("PULL",))
    flagged = {found.numbers[at] for at in np.flatnonzero(found.strips[0].sides)}
    assert flagged == {pull.series.numbers[s.points[-1]] for s in pull.signals}
    told = [event.id for held in found.before for event in held]
    assert told == [event.id for point in pull.points for event in point.events]


def test_range_and_number_of_strips_are_checked(conn: Any) -> None:
    part = strips(conn, PART, ("PULL",), since="FM00010", until="FM00020")
    assert (part.numbers[0], part.numbers[-1], len(part)) == ("FM00010", "FM00020", 11)
    assert usual_codes(conn, PART)[0] == "PULL"
    assert usual_codes(conn, PART)[-1] == ENERGY
    with pytest.raises(UsageError, match="comes before"):
        strips(conn, PART, ("PULL",), since="FM00020", until="FM00010")
    with pytest.raises(UnknownRecord, match="'FM99999' is not a lot"):
        strips(conn, PART, ("PULL",), since="FM99999")
    with pytest.raises(UsageError, match=f"{MOST_STRIPS + 1} characteristics"):
        strips(conn, PART, [str(at) for at in range(MOST_STRIPS + 1)])


def test_views_are_the_same_on_a_server(server_plant: str, conn: Any, light: ChartView) -> None:
    with open_store(server_plant) as store, store.read() as other:
        assert names_of_all(other) == names_of_all(conn)
        there, here = strips(other, PART), strips(conn, PART)
        assert there.numbers == here.numbers
        for one, two in zip(there.strips, here.strips, strict=True):
            assert one.values == pytest.approx(two.values, nan_ok=True)
        view = assess.chart_view(other, PART, "TRN", price=False)
        assert stratify(other, view, "stream").sentence == stratify(conn, light, "stream").sentence
