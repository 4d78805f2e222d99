"""Charts and trial limits of an invented shop, figures checked against numpy from the typed values."""

from __future__ import annotations

import numpy as np
import pytest

from qualrec import assess
from qualrec.errors import ComputeError, UnknownRecord, UsageError
from qualrec.records import lookups, registry

D2 = 2 / np.sqrt(np.pi)  # mean range of two standard normal values, exact


def raw(conn, code: str) -> dict[str, np.ndarray]:
    """Single values by lot number, from the raw readings."""
    c = lookups.characteristic(conn, "P-1", code)
    found = lookups.values(conn, c.id)
    names = {lot.id: lot.number for lot in lookups.lots_of_part(conn, "P-1")}
    return {names[i]: found.value[found.lot_ids == i] for i in dict.fromkeys(found.lot_ids.tolist())}


def test_frozen_limits_are_drawn_with_their_figures(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "PULL", price=False)
        values = raw(conn, "PULL")
    means = np.array([v.mean() for v in values.values()])
    used = means[:26]
    sigma = np.abs(np.diff(used)).mean() / D2
    assert view.state == "frozen"
    assert [(s.first, s.last, s.version, s.state) for s in view.spans] == [(0, 35, 1, "frozen")]
    lot_mean, ewma, spread = view.chart.tracks
    np.testing.assert_allclose(lot_mean.values, means, rtol=1e-12)
    np.testing.assert_allclose(lot_mean.centre, used.mean(), rtol=1e-12)
    np.testing.assert_allclose(lot_mean.upper, used.mean() + 3.5 * sigma, rtol=1e-10)
    np.testing.assert_allclose(spread.values, [v.std(ddof=1) for v in values.values()], rtol=1e-9)
    assert ewma.name == "EWMA"
    assert view.chart.used.tolist() == [True] * 26 + [False] * 10


def test_the_odd_lot_signals_and_its_point_tells_everything(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "PULL", price=False)
    place = view.series.numbers.index("F030")
    assert {s.track for s in view.signals_at(place)} >= {"lot mean"}
    point = view.points[place]
    text = "\n".join(point.lines)
    assert point.number == "F030"
    assert "Signal: lot mean" in text
    assert "Limits version 1, frozen" in text
    assert "R-1 revision 1, W1, upper U-5" in text
    assert "2 cohesive, 3 parent material" in text
    assert "clamp glass cleaned" in text
    assert [e.kind for e in point.events] == ["glass_cleaned"]
    assert "2026-03-04 01:00" in text  # plant time, one hour ahead of UTC
    assert "this lot among their lots" in "\n".join(view.points[3].lines)


def test_trial_limits_are_said_to_be_so_and_raise_no_flag(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "TRANS", price=False)
        judged = assess.judge_lot(conn, "F036", now_us=run_shop.now_us)
    assert view.state == "trial, not frozen"
    assert len(view.series) == 6
    assert any("Pooled over 2 streams" in note for note in view.notes)
    trans = next(c.id for c in judged.characteristics if c.code == "TRANS")
    assert not [f for f in judged.findings if f.characteristic_id == trans]


def test_one_stream_alone(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "TRANS", stream="cavity 2", price=False)
        assert view.series.n.tolist() == [3] * 6
        with pytest.raises(UnknownRecord) as refused:
            assess.chart_view(conn, "P-1", "TRANS", stream="cavity 9")
    assert "cavity 1, cavity 2" in refused.value.remedy


def test_counted_characteristics(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "LEAK")
        shares = np.array([v.mean() for v in raw(conn, "LEAK").values()])
        none = assess.chart_view(conn, "P-1", "BURN")
    (track,) = view.chart.tracks
    np.testing.assert_allclose(track.values, shares)
    centre = shares[:26].mean()
    np.testing.assert_allclose(track.centre, centre)
    np.testing.assert_allclose(track.upper, centre + 3 * np.sqrt(centre * (1 - centre) / 40))
    assert view.state == "frozen"
    assert len(none.series) == 0
    assert none.notes[0] == "There are no readings."


def test_the_price_of_the_rules_is_named(run_shop) -> None:
    """Joint in-control run length of 3.5 sigma and EWMA 0.2, 2.90: about 370, at 1 sigma about 10 (simulated, facts 5.4)."""
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "COLL")
    (note,) = [n for n in view.notes if "false alarm" in n]
    figures = [float(word) for word in note.replace(",", "").split() if word.isdigit()]
    assert any(340 <= f <= 400 for f in figures)
    assert any(8 <= f <= 11 for f in figures)


def test_until_shows_the_chart_of_then(run_shop) -> None:
    with run_shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "PULL", until="F010", price=False)
    assert view.series.numbers[-1] == "F010"


def test_trial_limits_leave_lots_out_with_their_reason(run_shop) -> None:
    with run_shop.read() as conn:
        trial = assess.trial_limits(conn, "P-1", "PULL", {"F030": "wrong nest"}, since="F011")
        means = np.array([v.mean() for k, v in raw(conn, "PULL").items() if k >= "F011" and k != "F030"])
    assert len(trial.used_lots) == 25
    assert [(o.lot_number, o.reason) for o in trial.left_out] == [("F030", "wrong nest")]
    assert trial.frozen.centre == pytest.approx(means.mean())
    sigma = np.abs(np.diff(means)).mean() / D2
    assert trial.fields["sigma"] == pytest.approx(sigma)
    assert trial.fields["lower"] == pytest.approx(means.mean() - 3.5 * sigma)
    assert trial.from_us == int(trial.series.at_us[-1]) + 1
    assert "Left out: F030 (wrong nest)." in trial.sentences


def test_trial_limits_refuse_what_cannot_be(run_shop) -> None:
    with run_shop.read() as conn:
        with pytest.raises(UsageError, match="without a reason"):
            assess.trial_limits(conn, "P-1", "PULL", {"F030": " "})
        with pytest.raises(UnknownRecord, match="F999"):
            assess.trial_limits(conn, "P-1", "PULL", {"F999": "x"})
        with pytest.raises(UsageError, match="comes before"):
            assess.trial_limits(conn, "P-1", "PULL", {}, since="F020", until="F010")
        with pytest.raises(ComputeError):
            assess.trial_limits(conn, "P-1", "PULL", {}, until="F001")
        with pytest.raises(UsageError, match="takes no limits"):
            assess.trial_limits(conn, "P-1", "BURN", {})


def test_old_points_keep_their_old_limits(shop) -> None:
    """GIVEN two frozen versions WHEN the chart is drawn THEN each point is judged by the version it began under."""
    start = shop.now_us
    for i in range(12):
        at = start + i * 2 * 24 * 3_600_000_000
        shop.at(at).lot(f"A{i:02d}", at)
        step = 100.0 if i >= 6 else 0.0
        shop.readings(
            f"A{i:02d}", "COLL", [0.2 + 0.001 * ((3 * i) % 5) + step / 1000 + 0.001 * j for j in range(5)], at
        )
        if i in (5, 11):
            with shop.read() as conn:
                trial = assess.trial_limits(conn, "P-1", "COLL", {}, since="A06" if i == 11 else None)
            fields = {**trial.fields, "from_us": at - 11 * 24 * 3_600_000_000} if i == 11 else trial.fields
            object.__setattr__(trial, "fields", fields)
            shop.freeze(trial)
    with shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "COLL", price=False)
    assert [(s.version, s.first, s.last) for s in view.spans] == [(1, 0, 5), (2, 6, 11)]
    centre = view.chart.tracks[0].centre
    assert centre[5] == pytest.approx(0.204, abs=0.003)
    assert centre[6] == pytest.approx(0.304, abs=0.003)
    ewma = view.chart.tracks[1]
    assert ewma.centre[6] == centre[6]


def test_trial_limits_that_were_never_frozen_are_not_in_force(shop) -> None:
    from qualrec.records.findings import store_limits

    start = shop.now_us
    for i in range(4):
        at = start + i * 24 * 3_600_000_000
        shop.at(at).lot(f"A{i}", at)
        shop.readings(f"A{i}", "COLL", [0.25 + 0.001 * ((3 * i) % 4), 0.26, 0.255], at)
    with shop.read() as conn:
        trial = assess.trial_limits(conn, "P-1", "COLL", {})
    for _ in range(2):  # the first becomes superseded without having been frozen
        shop.write(
            lambda w: store_limits(w, trial.characteristic.id, used_lots=trial.used_lots, **trial.fields)
        )
    with shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "COLL", price=False)
    assert view.state == "trial, not frozen"
    assert len(view.history) == 2


def test_separating_conditions_are_never_mixed(shop) -> None:
    """GIVEN pulls at two speeds that are kept apart THEN the most used speed is drawn and the other is named."""
    speed = shop.write(
        lambda w: registry.add_characteristic(
            w, shop.ids["part"], code="PEEL", name="Peel", quantity="force", unit="N", decimals=0,
            separating=("speed_mm_min",), plausible_low=0.0, plausible_high=900.0,
        )
    )  # fmt: skip
    shop.ids["PEEL"] = speed
    fast = shop.write(lambda w: registry.get_or_add_condition(w, speed_mm_min=50.0))
    slow = shop.ids["tester condition"]
    start = shop.now_us
    for i in range(5):
        at = start + i * 24 * 3_600_000_000
        shop.at(at).lot(f"A{i}", at)
        shop.readings(f"A{i}", "PEEL", [100.0 + i, 103.0], at, condition_id=slow)
        if i < 2:
            shop.readings(f"A{i}", "PEEL", [150.0 + i, 152.0], at + 9, condition_id=fast)
    with shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "PEEL", price=False)
        other = assess.chart_view(conn, "P-1", "PEEL", condition=fast, price=False)
        lot = lookups.lot(conn, "A4")
        c = lookups.characteristic(conn, "P-1", "PEEL")
        usual = assess.reading_context(conn, lot, c)
        at_speed = assess.reading_context(conn, lot, c, condition_id=fast)
    assert (len(view.series), len(other.series)) == (5, 2)
    assert view.series.high.max() == 104.0
    assert len(view.choice.others) == 1
    assert any("Kept apart, not on this chart" in n for n in view.notes)
    assert (usual.history.lots, at_speed.history.lots) == (5, 2)
    assert at_speed.history.mean == pytest.approx(151.25)


def test_corrected_points_are_marked(shop) -> None:
    at = shop.now_us
    shop.lot("A0", at)
    receipt = shop.readings("A0", "COLL", [0.25, 0.26], at)
    shop.write(lambda w: w.correct(receipt.keys[0], kind="value", new_value=0.27, reason="read again"))
    with shop.read() as conn:
        view = assess.chart_view(conn, "P-1", "COLL", price=False)
    assert view.points[0].corrected
    assert "It holds a corrected reading." in view.points[0].lines
    assert view.series.mean[0] == pytest.approx(0.265)
    assert view.state == "no limits"  # one lot gives none


def test_history_of_a_reading(run_shop) -> None:
    with run_shop.read() as conn:
        found = assess.reading_context_of(conn, "F025", "PULL")
        values = [v for k, v in raw(conn, "PULL").items() if "F006" <= k <= "F025"]
    together = np.concatenate(values)
    assert (found.history.lots, found.history.n) == (20, 100)
    assert found.history.mean == pytest.approx(together.mean())
    assert found.history.sd == pytest.approx(together.std(ddof=1))
    assert found.last[-1].number == "F025"
    assert found.last[0].low == values[0].min()


def test_no_history_at_first(shop) -> None:
    shop.lot("A0", shop.now_us)
    with shop.read() as conn:
        found = assess.reading_context_of(conn, "A0", "PULL")
    assert (found.history.n, found.last) == (0, ())


def test_history_of_a_moulding_lot(shop) -> None:
    with shop.read() as conn:
        c = lookups.characteristic(conn, "P-1", "TRANS")
        found = assess.reading_context(conn, lookups.moulding_lot(conn, "U-1"), c)
    assert found.history.mean == pytest.approx(22.0)
