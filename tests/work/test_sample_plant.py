"""The sample plant as written: every planted story is found by the program itself, and the records hold."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Connection

from qualrec import assess
from qualrec.config import Settings
from qualrec.errors import DatabaseError
from qualrec.records import lookups, trail
from qualrec.records.database import open_store
from qualrec.work import sample_plant as writer
from qualrec.work.sample_plan import (
    DIRTY_GLASS_LOTS,
    INTERFACIAL_LOT,
    OPEN_LOT,
    OVERDUE_GAUGE_LOTS,
    POOR_RESIN_LOTS,
    TYPING_ERROR_LOT,
    UNAPPROVED_LOT,
)
from qualrec.work.session import open_session


@pytest.fixture
def conn(written_sample_plant: Path) -> Iterator[Connection]:
    with open_store(f"sqlite:///{written_sample_plant}") as store, store.read() as connection:
        yield connection


def kinds_of(conn: Connection, position: int) -> set[tuple[str, str]]:
    return {(f.code, f.kind) for f in lookups.flags(conn, lot=f"FM{position:05d}")}


def test_it_says_that_it_is_invented(conn: Connection) -> None:
    plant = lookups.plant(conn)
    assert plant.invented
    assert "invented" in plant.name


def test_all_four_process_types_and_the_sizes_asked_for(conn: Connection) -> None:
    parts = {p.number: p for p in lookups.parts(conn)}
    assert {p.process for p in parts.values()} == {"contour", "simultaneous", "quasi-simultaneous", "mask"}
    lead = lookups.lots_of_part(conn, "FM-2040")
    assert len(lead) >= 50
    pulls = lookups.characteristic(conn, "FM-2040", "PULL")
    assert len(lookups.values(conn, pulls.id).value) >= 250
    assert (lead[-1].started_us - lead[0].started_us) / 86_400e6 > 230


def test_interfacial_lot(conn: Connection) -> None:
    assert ("PULL", "interfacial failure") in kinds_of(conn, INTERFACIAL_LOT)
    assert lookups.lot(conn, f"FM{INTERFACIAL_LOT:05d}").state == "scrapped"


def test_dirty_glass_shows_in_time_to_path_then_in_strength_and_the_cleaning_was_late(
    conn: Connection,
) -> None:
    found = {p: kinds_of(conn, p) for p in DIRTY_GLASS_LOTS}
    in_time = [p for p, k in found.items() if any(c == "TTP" and "beyond" in kind for c, kind in k)]
    in_strength = [p for p, k in found.items() if any(c == "PULL" and "beyond" in kind for c, kind in k)]
    assert in_time
    assert in_strength
    assert in_time[0] < in_strength[0]
    assert any(kind == "cleaning overdue" for k in found.values() for _, kind in k)


def test_poor_resin_holds_the_lots_by_the_energy_at_the_joint(conn: Connection) -> None:
    held = [p for p in POOR_RESIN_LOTS if ("", "outside the qualified window") in kinds_of(conn, p)]
    assert len(held) >= 3
    flag = next(
        f for f in lookups.flags(conn, lot=f"FM{held[0]:05d}") if f.kind == "outside the qualified window"
    )
    assert flag.level == "H"
    assert "joint energy" in flag.findings[0].sentence
    assert any(c == "TRN" for p in POOR_RESIN_LOTS for c, _ in kinds_of(conn, p))


def test_unapproved_recipe_and_the_revision_after_it(conn: Connection) -> None:
    assert ("", "recipe revision not approved") in kinds_of(conn, UNAPPROVED_LOT)
    assert ("", "recipe revision not approved") not in kinds_of(conn, UNAPPROVED_LOT + 1)
    states = {r.revision: r.state for r in lookups.recipe_revisions(conn, "FM-2040")}
    assert states == {1: "superseded", 2: "approved"}


def test_overdue_gauge(conn: Connection) -> None:
    for position in OVERDUE_GAUGE_LOTS:
        assert ("PULL", "gauge overdue") in kinds_of(conn, position)
    assert ("PULL", "gauge overdue") not in kinds_of(conn, OVERDUE_GAUGE_LOTS.start - 1)


def test_corrected_typing_error_keeps_the_old_value(conn: Connection) -> None:
    lot = lookups.lot(conn, f"FM{TYPING_ERROR_LOT:05d}")
    (row,) = [r for r in lookups.readings_of_lot(conn, lot.id, "PULL") if r.corrected]
    assert row.original != row.value
    assert "exchanged" in row.correction_reason


def test_small_parts_have_too_few_lots_and_say_so(conn: Connection) -> None:
    for number in ("VB-1310", "CU-0720", "MC-0055"):
        assert any(f.kind == "too few lots" for f in lookups.flags(conn, part=number))
    report = assess.capability_report(conn, "CU-0720", "PULL")
    assert report.answer != "yes"
    assert "too few data" in report.remark


def test_lead_part_is_not_stable_and_no_index_stands_alone(conn: Connection) -> None:
    report = assess.capability_report(conn, "FM-2040", "PULL")
    assert report.chain.link("stability").answer == "no"
    assert "not stable" in report.remark
    assert report.strength is not None
    assert report.strength.modes["interfacial"] == 2


def test_limits_carry_version_lots_and_reason(conn: Connection) -> None:
    pulls = lookups.characteristic(conn, "FM-2040", "PULL")
    (limits,) = [x for x in lookups.all_limits_in_force(conn).values() if x.characteristic_id == pulls.id]
    assert limits.version == 1
    assert len(limits.used_lots) == 30
    assert limits.person == "Sample quality engineer"
    assert limits.reason


def test_the_open_lot_waits_on_the_bench(conn: Connection) -> None:
    lot = lookups.lot(conn, f"FM{OPEN_LOT:05d}")
    assert lot.state == "open"
    assert sum(o.missing for o in lot.owed if o.code == "PULL") == 5


def test_trail_and_sums_hold(written_sample_plant: Path) -> None:
    with open_store(f"sqlite:///{written_sample_plant}") as store:
        found = trail.verify(store)
    assert found.ok, found.faults[:3]


def test_it_is_not_written_over_records(sample_plant: Path) -> None:
    with pytest.raises(DatabaseError, match="already holds records"):
        writer.write(f"sqlite:///{sample_plant}")


def test_a_session_without_badge_acts_as_the_sample_engineer_and_says_so(sample_plant: Path) -> None:
    with open_session(Settings(f"sqlite:///{sample_plant}")) as session:
        assert session.actor.badge == "Q-01"
        assert "acting as Q-01" in session.remarks[0]
