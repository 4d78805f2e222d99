"""A clock that is set back, and a program that goes on while a newer one upgrades the database."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec import config
from qualrec.errors import DatabaseError, SchemaMismatch
from qualrec.records import registry, trail
from qualrec.records.bulk import BulkImport
from qualrec.records.database import open_store
from qualrec.work.session import make_session
from qualrec.work.set_up import PROGRAM

HOUR_US = 3_600_000_000
NOW_US = 1_790_000_000_000_000


def test_entries_keep_their_order_when_the_clock_is_set_back(store_url: str, small_plant: Any) -> None:
    """GIVEN entries of noon WHEN the clock says ten and entries go on THEN numbers keep the order, and verifying says so."""
    clock = [NOW_US]
    with open_store(store_url, clock=lambda: clock[0]) as store:
        site = small_plant(store)
        site.add(site.reading(500.0))
        clock[0] -= 2 * HOUR_US
        site.add(site.reading(510.0))
        site.add(site.reading(520.0))
        clock[0] += 4 * HOUR_US
        site.add(site.reading(530.0))
        found = trail.verify(store)
        assert found.ok
        assert len(found.notes) == 1
        assert found.notes[0].startswith("2 entries are dated before an earlier entry")
        order = site.rows("SELECT seq, at_us FROM trail ORDER BY seq DESC LIMIT 4")
    moments = [at for _, at in reversed(order)]
    assert moments == [NOW_US, NOW_US - 2 * HOUR_US, NOW_US - 2 * HOUR_US, NOW_US + 2 * HOUR_US]


def test_clocks_of_two_stations_may_differ_a_little(store_url: str, small_plant: Any) -> None:
    clock = [NOW_US]
    with open_store(store_url, clock=lambda: clock[0]) as store:
        site = small_plant(store)
        site.add(site.reading(500.0))
        clock[0] -= 50_000_000
        site.add(site.reading(510.0))
        assert trail.verify(store).notes == ()


def test_a_station_whose_clock_is_behind_is_told_at_the_start(store_url: str) -> None:
    clock = [NOW_US]
    with open_store(store_url, clock=lambda: clock[0]) as store:
        with store.write(PROGRAM) as writer:
            registry.add_plant(writer, "P1", "Plant", "UTC", single_user=True)
            registry.add_person(writer, "Somebody", "1", roles=["technician"])
        settings = config.Settings(store_url)
        assert not any("clock" in r for r in make_session(store, settings).remarks)
        clock[0] -= 2 * HOUR_US
        told = [r for r in make_session(store, settings).remarks if "clock" in r]
        assert len(told) == 1
        assert "120 min behind" in told[0]


def test_an_older_program_writes_nothing_after_an_upgrade(store_url: str, small_plant: Any) -> None:
    """Both were open; the newer one changes the revision. The older one is refused at its next write, and may still read."""
    with open_store(store_url) as old:
        site = small_plant(old)
        site.add(site.reading(500.0))
        with old.engine.begin() as connection:
            connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
        entries = site.rows("SELECT count(*) FROM trail")
        with pytest.raises(SchemaMismatch, match="9999") as refused:
            site.add(site.reading(510.0))
        assert "newer" in refused.value.remedy
        with pytest.raises(SchemaMismatch):
            BulkImport(old, site.actor, file_name="line.csv").__enter__()
        assert site.rows("SELECT count(*) FROM trail") == entries
        assert site.rows("SELECT count(*) FROM reading") == [(1,)]
        with pytest.raises(DatabaseError, match="9999"):
            open_store(store_url)
        with old.engine.begin() as connection:
            connection.exec_driver_sql(f"UPDATE alembic_version SET version_num = '{old.revision}'")
        site.add(site.reading(510.0))
