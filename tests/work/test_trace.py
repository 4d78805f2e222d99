"""Genealogy on the sample plant of both databases, compared with plain SQL; stretches in which a gauge is in doubt."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from qualrec.config import Settings
from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.records.lookups import GaugeCheck
from qualrec.values import Calibration
from qualrec.work import lot_life, lots
from qualrec.work.accounts import SAMPLE_PASSWORD
from qualrec.work.session import Session, make_session
from qualrec.work.trace import Asked, Node, bad_spans, trace


@pytest.fixture
def plant(plant_url: str) -> Iterator[Session]:
    with open_store(plant_url) as store:
        yield make_session(store, Settings(plant_url, badge="Q-01"))


def rows(plant: Session, query: str) -> set[str]:
    with plant.store.read() as conn:
        return set(conn.exec_driver_sql(query).scalars())


def lots_in(nodes: tuple[Node, ...]) -> set[str]:
    found: set[str] = set()
    for node in nodes:
        found |= {node.name} if node.kind == "lot" else set()
        found |= lots_in(node.children)
    return found


def kinds_in(nodes: tuple[Node, ...]) -> set[str]:
    found: set[str] = set()
    for node in nodes:
        found |= {node.kind} | kinds_in(node.children)
    return found


TOUCHED = "SELECT DISTINCT o.number FROM lot o JOIN lot_segment s ON s.lot_id = o.id "
MEASURED = (
    "JOIN reading r ON r.subject_id = s.id JOIN condition k ON k.id = r.condition_id"
    " JOIN gauge g ON g.id = k.gauge_id WHERE g.code = 'PT-02'"
)


@pytest.mark.parametrize(
    ("asked", "query"),
    [
        (
            Asked("delivery", "R-2606"),
            TOUCHED + "JOIN moulding_parent p ON p.moulding_lot_id = s.upper_moulding_lot_id"
            " JOIN delivery d ON d.id = p.delivery_id WHERE d.supplier_lot = 'R-2606'",
        ),
        (
            Asked("moulding lot", "L0037"),
            TOUCHED + "JOIN moulding_lot m ON m.id = s.lower_moulding_lot_id WHERE m.number = 'L0037'",
        ),
        (Asked("station", "LW-2"), TOUCHED + "JOIN station t ON t.id = s.station_id WHERE t.code = 'LW-2'"),
        (
            Asked("clamp tool", "CT-2040"),
            TOUCHED + "JOIN clamp_tool t ON t.id = s.clamp_tool_id WHERE t.code = 'CT-2040'",
        ),
        (
            Asked("recipe", "RC-2040/2"),
            TOUCHED
            + "JOIN recipe_revision v ON v.id = s.recipe_revision_id JOIN recipe c ON c.id = v.recipe_id"
            " WHERE c.code = 'RC-2040' AND v.revision = 2",
        ),
        (Asked("gauge", "PT-02"), TOUCHED + MEASURED),
        (
            Asked("gauge", "PT-02", since_good=True),
            TOUCHED
            + MEASURED
            + " AND r.at_us >= (SELECT max(c.at_us) FROM calibration c JOIN gauge h ON h.id = c.gauge_id"
            " WHERE h.code = 'PT-02' AND c.verdict = 'good')",
        ),
        (
            Asked("time", "", 1_785_000_000_000_000, 1_788_000_000_000_000),
            TOUCHED + "WHERE s.from_us BETWEEN 1785000000000000 AND 1788000000000000",
        ),
        (
            Asked("station", "LW-1", 1_785_000_000_000_000),
            TOUCHED + "JOIN station t ON t.id = s.station_id WHERE t.code = 'LW-1'"
            " AND s.from_us >= 1785000000000000",
        ),
    ],
)
def test_what_a_thing_touched(plant: Session, asked: Asked, query: str) -> None:
    expected = rows(plant, query)
    assert expected
    assert lots_in(trace(plant, asked).went_to) == expected


def test_up_and_down_agree(plant: Session) -> None:
    """GIVEN a lot's origins WHEN each is traced THEN the lot is among what it touched."""
    found = trace(plant, Asked("lot", "FM00038"))
    assert kinds_in(found.came_from) >= {
        "segment",
        "recipe",
        "station",
        "operator",
        "clamp tool",
        "moulding lot",
        "delivery",
        "gauge",
    }

    def walk(nodes: tuple[Node, ...]) -> None:
        for node in nodes:
            kind, name = node.kind, node.name.replace(" revision ", "/")
            if kind in ("recipe", "station", "clamp tool", "moulding lot", "delivery"):
                assert "FM00038" in lots_in(trace(plant, Asked(kind, name)).went_to), (kind, name)
            if kind == "gauge" and name == "PT-02":
                assert "FM00038" in lots_in(trace(plant, Asked(kind, name)).went_to)
            walk(node.children)

    walk(found.came_from)


def test_a_serial_number_leads_to_its_lot_and_its_readings(plant: Session) -> None:
    found = trace(plant, Asked("serial", "00038-002"))
    assert [n.name for n in found.came_from] == ["FM00038"]
    assert any("interfacial" in n.text for n in found.thing.children)
    with pytest.raises(UnknownRecord, match="38-002"):
        trace(plant, Asked("serial", "38-002"))


def test_shipments_and_child_lots_hang_on_their_lot(plant: Session) -> None:
    lots.dispose(plant, "FM00058", "rework", quantity=10, reason="flash trimmed", password=SAMPLE_PASSWORD)
    lot_life.ship(plant, "FM00058", quantity=20, document="DN-58", customer=None)
    found = trace(plant, Asked("lot", "FM00058"))
    assert {(n.kind, n.name) for n in found.went_to} >= {("shipment", "DN-58"), ("lot", "FM00058-R1")}
    child = trace(plant, Asked("lot", "FM00058-R1"))
    assert ("parent lot", "FM00058") in {(n.kind, n.name) for n in child.came_from}
    assert {"FM00058", "FM00058-R1"} <= lots_in(trace(plant, Asked("moulding lot", "U0057")).went_to)


def test_the_effect_of_a_gauge_found_bad(plant: Session) -> None:
    """Lots measured since the last good calibration before the bad one, and those of them that left the house."""
    with plant.store.read() as conn:
        gauge = lookups.gauge(conn, "PT-02")
    bad_us = gauge.calibrations[-1].at_us - 10 * 86_400_000_000
    with plant.store.write(plant.actor, plant.plant.id) as writer:
        registry.add_calibration(writer, gauge.id, bad_us, verdict="bad")
    found = trace(plant, Asked("gauge", "PT-02"))
    span = next(n for n in found.went_to if n.kind == "in doubt")
    first, last = gauge.calibrations[0].at_us, gauge.calibrations[-1].at_us
    expected = rows(plant, TOUCHED + MEASURED + f" AND r.at_us BETWEEN {first} AND {last}")
    assert lots_in(span.children) == expected
    assert any("in doubt" in s and "left the house" in s for s in found.sentences)


@pytest.mark.parametrize(
    ("asked", "error"),
    [
        (Asked("lot", "FM00038", since_good=True), UsageError),
        (Asked("time"), UsageError),
        (Asked("moon", "1"), UsageError),
        (Asked("recipe", "RC-2040/two"), UsageError),
        (Asked("lot", "fm00038"), UnknownRecord),
        (Asked("gauge", "PT-99"), UnknownRecord),
        (Asked("delivery", "R-1"), UnknownRecord),
    ],
)
def test_what_cannot_be_traced_is_said(plant: Session, asked: Asked, error: Any) -> None:
    with pytest.raises(error):
        trace(plant, asked)


def calibration(at: int, verdict: str) -> Calibration:
    return Calibration(at, at + 365, verdict, None, None, "", "")


def check(at: int, verdict: str) -> GaugeCheck:
    return GaugeCheck(1, 1, at, 0.0, 0.0, 0.0, verdict, "", "")


@pytest.mark.parametrize(
    ("calibrations", "checks", "state", "expected"),
    [
        ([], [], "in use", ()),
        ([calibration(1, "good")], [], "in use", ()),
        ([calibration(1, "good"), calibration(5, "bad")], [], "found bad", ((1, None),)),
        ([calibration(1, "good"), calibration(5, "bad"), calibration(6, "good")], [], "in use", ((1, 6),)),
        ([calibration(1, "good")], [check(3, "good"), check(4, "bad")], "found bad", ((3, None),)),
        ([calibration(1, "good")], [check(4, "bad"), check(5, "good")], "found bad", ((1, None),)),
        ([], [check(4, "bad")], "found bad", ((None, None),)),
        ([calibration(1, "good")], [], "found bad", ((1, None),)),
        (
            [calibration(1, "good"), calibration(5, "bad"), calibration(6, "good")],
            [check(9, "bad")],
            "found bad",
            ((1, 6), (6, None)),
        ),
    ],
)
def test_in_doubt(calibrations: Any, checks: Any, state: str, expected: Any) -> None:
    assert bad_spans(calibrations, checks, state) == expected
