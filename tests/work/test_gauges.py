"""Gauges on both databases: what is due, calibrations with what was found and left, and the lots in doubt."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.judge import kinds
from qualrec.records import lookups, registry
from qualrec.values import Condition
from qualrec.work import bench, gauges, lots
from qualrec.work.target import find_target

DAY_US = 86_400_000_000
PART = "FM-2040"


def lot_with_pulls(plant: Any, number: str, gauge: str = "PT-02") -> None:
    """A lot that was welded and pulled now."""
    with plant.store.write(plant.as_badge("T-01").actor) as writer:
        part = lookups.part(writer.conn, PART)
        registry.add_lot(writer, number, part.id, plant.clock[0], quantity=100)
        gauge_id = lookups.gauge(writer.conn, gauge).id
    session = plant.as_badge("T-01")
    bench.log(
        session,
        find_target(session, number, "PULL"),
        [bench.Entry("600", mode="parent material", again="600")],
        condition=Condition(gauge_id=gauge_id),
    )


def day(plant: Any) -> str:
    return str(plant.as_badge().moment(plant.clock[0]))[:10]


def told(plant: Any) -> list[tuple[str, str, str, bool]]:
    """Gauge, lot, standing in words without numbers, settled."""
    found = gauges.in_doubt(plant.as_badge())
    return [
        (
            d.gauge,
            lot.number,
            lot.standing.translate(str.maketrans("", "", "0123456789-")).strip(),
            lot.settled,
        )
        for d in found
        for lot in d.lots
    ]


def test_an_adjusted_gauge_is_back_in_use_and_the_lots_since_the_last_good_one_are_in_doubt(
    lean_plant: Any,
) -> None:
    lot_with_pulls(lean_plant, "L1")
    assert gauges.in_doubt(lean_plant.as_badge()) == ()
    lean_plant.clock[0] += 10 * DAY_US
    said = gauges.record_calibration(
        lean_plant.as_badge("P-01"),
        "PT-02",
        day=day(lean_plant),
        as_found="9",
        as_left="0,2",
        limit="5",
        standard="class 0.5",
    )
    assert "recorded: adjusted. The gauge is in use" in said
    assert (
        "1 lot measured with it since it was last found good is in doubt, 0 of them left the house." in said
    )
    lean_plant.clock[0] += DAY_US
    lot_with_pulls(lean_plant, "L2")
    with lean_plant.store.read() as conn:
        gauge = lookups.gauge(conn, "PT-02")
        flags = [f for f in lookups.flags(conn, lot="L1") if f.kind == kinds.GAUGE_BAD]
        assert not [f for f in lookups.flags(conn, lot="L2") if f.kind == kinds.GAUGE_BAD]
    assert [(c.verdict, c.as_found, c.as_left) for c in gauge.calibrations[-2:]] == [
        ("bad", 9.0, None),
        ("good", None, 0.2),
    ]
    assert gauge.calibrations[-1].standard == "class 0.5"
    assert (gauge.state, gauge.overdue_at(lean_plant.clock[0])) == ("in use", False)
    assert len(flags) == 1
    assert told(lean_plant) == [("PT-02", "L1", "flag  open", False)]
    (doubt,) = gauges.in_doubt(lean_plant.as_badge(), "PT-02")
    assert "as found 9 N" in doubt.why
    lots.close_flag(lean_plant.as_badge("Q-01"), flags[0].id, "all pulls far above the limit")
    assert told(lean_plant) == [("PT-02", "L1", "settled", True)]


def test_a_bad_check_judges_the_lots_and_a_shipped_one_is_counted(lean_plant: Any) -> None:
    lot_with_pulls(lean_plant, "L1")
    lot_with_pulls(lean_plant, "L2")
    with lean_plant.store.write(lean_plant.as_badge("Q-01").actor) as writer:
        registry.add_shipment(writer, lookups.lot(writer.conn, "L2").id, 40, writer.now_us, document="D-1")
    lean_plant.clock[0] += DAY_US
    said = gauges.record_check(
        lean_plant.as_badge("T-01"), "PT-02", reference="1000", found="1020", tolerance="5"
    )
    assert (
        "2 lots measured with it since it was last found good are in doubt, 1 of them left the house." in said
    )
    (doubt,) = gauges.in_doubt(lean_plant.as_badge())
    assert [(lot.number, lot.shipped, lot.settled) for lot in doubt.lots] == [
        ("L1", 0, False),
        ("L2", 40, False),
    ]
    assert doubt.until_us is None
    assert doubt.why.endswith("bad: 1020 for 1000 N")
    page = gauges.gauge_page(lean_plant.as_badge(), _id(lean_plant, "PT-02"))
    assert page.doubts == (doubt,)


def _id(plant: Any, code: str) -> int:
    with plant.store.read() as conn:
        return lookups.gauge(conn, code).id


@pytest.mark.parametrize(
    ("given", "verdict"),
    [
        ({"as_found": "5", "as_left": "0", "limit": "5"}, "good"),
        ({"as_found": "-5.01", "as_left": "0", "limit": "5"}, "adjusted"),
        ({"as_found": "9", "as_left": "6", "limit": "5"}, "bad"),
        ({"as_found": "9", "limit": "5"}, "bad"),
        ({"as_left": "1", "limit": "5"}, "good"),
        ({"as_found": "9", "limit": "5", "verdict": "good"}, "good"),
    ],
)
def test_the_verdict_follows_from_the_figures_unless_it_is_given(given: dict[str, str], verdict: str) -> None:
    values = {"verdict": "", "as_found": "", "as_left": "", "limit": "", **given}
    figures = (float(values[k]) if values[k] else None for k in ("as_found", "as_left", "limit"))
    assert gauges._verdict(values["verdict"], *figures) == verdict


def test_calibrations_that_are_none(lean_plant: Any) -> None:
    engineer = lean_plant.as_badge("P-01")
    for given, words in (
        ({"verdict": ""}, "verdict is missing"),
        ({"verdict": "fine"}, "not known"),
        ({"verdict": "", "limit": "5"}, "verdict is missing"),
        ({"verdict": "good", "as_found": "much"}, "much"),
    ):
        with pytest.raises(UsageError, match=words):
            gauges.record_calibration(engineer, "PT-02", day="2026-03-01", **given)
    with pytest.raises(Refused, match="may not record calibrations"):
        gauges.record_calibration(lean_plant.as_badge("T-01"), "PT-02", day="2026-03-01", verdict="good")


def test_what_is_due_comes_first_with_the_last_check(lean_plant: Any) -> None:
    lean_plant.clock[0] = max(
        c.due_us for d in gauges.due_list(lean_plant.as_badge()) for c in d.gauge.calibrations[:1]
    )
    lean_plant.clock[0] += DAY_US  # a day after the last of the first calibrations had run out
    gauges.record_check(lean_plant.as_badge("T-01"), "TM-01", reference="25", found="25", tolerance="1")
    rows = gauges.due_list(lean_plant.as_badge())
    assert [r.gauge.code for r in rows] == sorted(
        (r.gauge.code for r in rows),
        key=lambda code: next((not r.overdue, r.due_us) for r in rows if r.gauge.code == code),
    )
    by_code = {r.gauge.code: r for r in rows}
    assert by_code["TM-01"].checked_today
    assert by_code["PT-02"].checked is None
    assert by_code["TM-01"].overdue
    lean_plant.clock[0] += DAY_US
    later = {r.gauge.code: r for r in gauges.due_list(lean_plant.as_badge())}
    assert not later["TM-01"].checked_today
    soon = gauges.due_list(lean_plant.as_badge(), 0)
    assert {r.gauge.code for r in soon} == {r.gauge.code for r in later.values() if r.overdue}
    with lean_plant.store.write(lean_plant.as_badge("Q-01").actor) as writer:
        registry.set_gauge_state(writer, by_code["TM-01"].gauge.id, "withdrawn", why="worn")
    assert "TM-01" not in {r.gauge.code for r in gauges.due_list(lean_plant.as_badge())}
