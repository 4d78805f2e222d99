"""What the rows of an import come to, while they are staged."""

from __future__ import annotations

from qualrec.records.columns import Columns
from qualrec.records.digests import GroupDigests
from qualrec.records.rollup_store import Plans, Prepared


class Gathered:
    """Sums and digests of the rows so far."""

    def __init__(self) -> None:
        self.sums, self.digests = Prepared(), GroupDigests()

    def add(self, columns: Columns, plans: Plans) -> bool:
        """Take in rows in key order. False where a group does not stand behind what is here of it."""
        if not self.sums.follow(Prepared.of(columns, plans)):
            return False
        self.digests.add(columns)
        return True
