"""Partitions of `reading` on PostgreSQL: ranges of subject ids, made ahead by the program. SQLite has none."""

from __future__ import annotations

from sqlalchemy import Connection, text
from sqlalchemy.exc import DBAPIError

from qualrec.records.driver_errors import is_busy
from qualrec.records.ids import COUNTER_BITS, first_id

RANGE_BITS = 17
"""131,072 ids to a partition: about a month of a busy plant."""
BY_OWNER = "make_reading_partition(bigint,bigint)"
"""Function of the owner that makes one for an account that may not; see `grants`."""


def statements(name: str, low: int | str, high: int | str) -> tuple[str, ...]:
    """What makes a partition from `low` to below `high` and guards it."""
    return (
        f"CREATE TABLE {name} (LIKE reading INCLUDING ALL)",
        f"ALTER TABLE reading ATTACH PARTITION {name} FOR VALUES FROM ({low}) TO ({high})",
        f"CREATE TRIGGER keep_{name}_truncate BEFORE TRUNCATE ON {name}"
        " FOR EACH STATEMENT EXECUTE FUNCTION keep_from_truncate()",
    )


def ensure(connection: Connection, plant_id: int, numbers: range) -> None:
    """Make the partitions for a block of ids and the range after it.

    Where a reader holds the table, the partition is tried again with a later block; until then rows go into the
    default partition, which holds them just as well. A range whose rows lie there already gets no partition of its own.
    """
    if connection.dialect.name != "postgresql":
        return
    for index in (numbers[0] >> RANGE_BITS, (numbers[-1] >> RANGE_BITS) + 1):
        if index < 1 << (COUNTER_BITS - RANGE_BITS):
            make_partition(connection, plant_id, index)


def make_partition(connection: Connection, plant_id: int, index: int) -> None:
    """Make the partition of one range of a plant's subjects, where there is none.

    An account that does not own the table has the owner's function do it (see `grants`), where the owner gave it that.
    """
    name = f"reading_p{plant_id}_{index}"
    if connection.execute(text("SELECT to_regclass(:name)"), {"name": name}).scalar() is not None:
        return
    owner = "SELECT pg_has_role(relowner, 'USAGE') FROM pg_class WHERE oid = to_regclass('reading')"
    owned = bool(connection.execute(text(owner)).scalar())
    if (
        not owned
        and not connection.execute(text(f"SELECT to_regprocedure('{BY_OWNER}') IS NOT NULL")).scalar()
    ):
        return
    low = first_id(plant_id) + (index << RANGE_BITS)
    high = low + (1 << RANGE_BITS)
    span = {"low": low, "high": high}
    held = "SELECT 1 FROM reading_pdefault WHERE subject_id >= :low AND subject_id < :high LIMIT 1"
    if connection.execute(text(held), span).first() is not None:
        return
    step = connection.begin_nested()
    try:
        connection.exec_driver_sql("SET LOCAL lock_timeout = '200ms'")
        if owned:
            for statement in statements(name, low, high):
                connection.exec_driver_sql(statement)
        else:
            connection.exec_driver_sql(f"SELECT make_reading_partition({plant_id}, {index})")
        connection.exec_driver_sql("SET LOCAL lock_timeout TO DEFAULT")
        step.commit()
    except DBAPIError as error:
        step.rollback()
        if not is_busy(error):
            raise
