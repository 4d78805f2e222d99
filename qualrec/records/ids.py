"""Ids: the plant number (13 bits) above a counter (40 bits), taken from the database in blocks.

So plants merge without renumbering, and a program asks the database once per block. A number that was taken and not used
is a gap, which means nothing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from sqlalchemy import Connection, text

from qualrec.errors import DatabaseError

COUNTER_BITS = 40
BLOCK = 256


def plant_of(record_id: int) -> int:
    """Plant number inside an id."""
    return record_id >> COUNTER_BITS


def counter_of(record_id: int) -> int:
    """Counter inside an id: the number by which people know the record."""
    return record_id & ((1 << COUNTER_BITS) - 1)


def first_id(plant_id: int) -> int:
    """Id of counter 0 of a plant."""
    return plant_id << COUNTER_BITS


class IdPool:
    """Blocks that were committed and not used up, shared by the writers of one store."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._left: dict[int, range] = {}

    def take(self, plant_id: int) -> range:
        with self._lock:
            return self._left.pop(plant_id, range(0))

    def give_back(self, plant_id: int, numbers: range) -> None:
        with self._lock:
            if len(numbers) > len(self._left.get(plant_id, range(0))):
                self._left[plant_id] = numbers


class Ids:
    """Numbers for one transaction. `commit` gives what is left to the pool; `rollback` only what was committed before."""

    def __init__(
        self,
        pool: IdPool,
        connection: Connection,
        plant_id: int,
        on_block: Callable[[range], None] | None = None,
    ) -> None:
        self._pool = pool
        self._connection = connection
        self._plant_id = plant_id
        self._numbers = pool.take(plant_id)
        self._fresh = False
        self._on_block = on_block

    def next(self) -> int:
        """A new id. Raises DatabaseError where the plant is not set up."""
        if not self._numbers:
            self._numbers = self._block(BLOCK)
        value = self._numbers[0]
        self._numbers = self._numbers[1:]
        return first_id(self._plant_id) | value

    def _block(self, size: int) -> range:
        found = self._connection.execute(
            text(
                "UPDATE id_counter SET next_value = next_value + :size WHERE plant_id = :plant RETURNING next_value"
            ),
            {"size": size, "plant": self._plant_id},
        ).scalar()
        if found is None:
            raise DatabaseError(
                f"Plant {self._plant_id} has no id counter.", "Verify the database: qualrec db verify."
            )
        if found >= 1 << COUNTER_BITS:
            raise DatabaseError(
                f"Plant {self._plant_id} has used all its ids.", "Give the site a second plant number."
            )
        self._fresh = True
        block = range(found - size, found)
        if self._on_block is not None:
            self._on_block(block)
        return block

    def commit(self) -> None:
        self._pool.give_back(self._plant_id, self._numbers)

    def rollback(self) -> None:
        if not self._fresh:
            self._pool.give_back(self._plant_id, self._numbers)
