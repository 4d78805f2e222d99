"""Lists of lots by flags and period, and ticked steps of a reaction plan. On both databases."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups
from qualrec.work import bench, lots
from qualrec.work.target import find_target


def numbers(plant: Any, **asked: Any) -> list[str]:
    with plant.store.read() as conn:
        rows = [row.number for row in lookups.lots_page(conn, **asked)]
        counted = {k: v for k, v in asked.items() if k not in ("after", "limit")}
        assert (
            asked.get("after") is not None
            or "limit" in asked
            or lookups.count_lots(conn, **counted) == len(rows)
        )
    return rows


def interfacial(plant: Any) -> int:
    """Pull lot FM00061 apart at the joint line; the id of the flag."""
    session = plant.as_badge("T-01")
    done = bench.log(
        session, find_target(session, "FM00061", "PULL"), [bench.Entry("600", mode="interfacial")]
    )
    return next(f.id for f in done.new_flags if f.kind == "interfacial failure")


def test_lots_are_listed_by_their_flags(small_plant: Any) -> None:
    assert numbers(small_plant, flags="none") == ["FM00061", "FM00060"]
    interfacial(small_plant)
    assert numbers(small_plant, flags="H") == ["FM00061"]
    assert numbers(small_plant, flags="any") == ["FM00061"]
    assert numbers(small_plant, flags="none") == ["FM00060"]
    assert numbers(small_plant, flags="H", state="open") == []
    with pytest.raises(UsageError, match="Flags 'X' are not known"):
        numbers(small_plant, flags="X")


def test_lots_are_listed_by_the_begin_of_their_welding_both_ends_included(small_plant: Any) -> None:
    with small_plant.store.read() as conn:
        second, first = lookups.lots_page(conn)
    assert numbers(small_plant, from_us=second.started_us) == ["FM00061"]
    assert numbers(small_plant, until_us=second.started_us - 1) == ["FM00060"]
    assert numbers(small_plant, from_us=first.started_us, until_us=second.started_us) == [
        "FM00061",
        "FM00060",
    ]
    assert numbers(small_plant, after=second) == ["FM00060"]
    assert numbers(small_plant, after=(second.started_us, second.id), limit=1) == ["FM00060"]


def test_a_step_is_ticked_once(small_plant: Any) -> None:
    flag = interfacial(small_plant)
    session = small_plant.as_badge("T-01")
    lots.tick_step(session, flag, 2, "glass clean")
    with pytest.raises(Refused, match="Step 2 is ticked already"):
        lots.tick_step(session, flag, 2)
    with pytest.raises(UsageError, match="no step 6"):
        lots.tick_step(session, flag, 6)
    with pytest.raises(Refused, match="may not acknowledge flags"):
        lots.tick_step(small_plant.as_badge("A-01"), flag, 1)
    with session.store.read() as conn:
        (step,) = lookups.steps_of_flags(conn, [flag])[flag]
        told = lookups.flag(conn, flag)
    assert (step.position, step.person, step.remark, step.done_us) == (
        2,
        "Sample technician A",
        "glass clean",
        small_plant.clock[0],
    )
    assert step.step == told.reaction_plan[1]
    assert told.actions[-1].what.startswith("Step 2 done: ")
