"""Opening, reading and refusing databases."""

from __future__ import annotations

from qualrec.records.database import Store


def test_smoke(store: Store) -> None:
    with store.read() as c:
        assert c.exec_driver_sql("select count(*) from trail").scalar() == 0
