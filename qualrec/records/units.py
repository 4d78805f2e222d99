"""Serial numbers of welded parts: worked out before the transaction that stores them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from sqlalchemy import Connection, text

from qualrec.errors import Refused
from qualrec.records import guards
from qualrec.records.digests import serials_digest
from qualrec.records.fast_insert import insert_rows
from qualrec.records.models import metadata

SERIAL = metadata.tables["welded_unit"].c.serial
LISTED = 500


@dataclass(slots=True)
class NewUnits:
    """What is to be stored.

    rows     subject, sample, serial
    digests  digest of all serials of each subject that gets one, keyed by its id as text
    known    how many serials each subject had; where that has changed, it is worked out anew
    """

    given: Mapping[tuple[int, int], str]
    rows: list[tuple[int, int, str]] = field(default_factory=list)
    digests: dict[str, str] = field(default_factory=dict)
    known: dict[int, int] = field(default_factory=dict)


def collect(units: Iterable[tuple[int, int, str]]) -> dict[tuple[int, int], str]:
    """Serials by subject and sample; empty ones left out. Raises Refused where a sample comes with two."""
    found: dict[tuple[int, int], str] = {}
    for subject, sample, serial in units:
        if serial and found.setdefault((subject, sample), serial) != serial:
            raise _another(sample, found[subject, sample], serial)
    return found


def _another(sample: int, there: str, given: str) -> Refused:
    return Refused(
        f"Sample {sample} has the serial {there!r}, not {given!r}.", "Check the serial or the sample number."
    )


def plan_units(connection: Connection, given: Mapping[tuple[int, int], str]) -> NewUnits:
    """`given`: serials by subject and sample. Raises Refused where a sample has another serial already."""
    planned = NewUnits(given)
    fresh: dict[int, dict[int, str]] = {}
    for (subject, sample), serial in given.items():
        fresh.setdefault(subject, {})[sample] = serial
    for subject in sorted(fresh):
        query = text("SELECT sample, serial FROM welded_unit WHERE subject_id = :subject")
        there = {row.sample: row.serial for row in connection.execute(query, {"subject": subject})}
        planned.known[subject] = len(there)
        new = {sample: serial for sample, serial in fresh[subject].items() if sample not in there}
        for sample in fresh[subject].keys() & there.keys():
            if there[sample] != fresh[subject][sample]:
                raise _another(sample, there[sample], fresh[subject][sample])
        if new:
            new = {sample: str(guards.fit("welded_unit", SERIAL, serial)) for sample, serial in new.items()}
            planned.rows += [(subject, sample, serial) for sample, serial in sorted(new.items())]
            planned.digests[str(subject)] = serials_digest({**there, **new}.items())
    return planned


def store_units(connection: Connection, planned: NewUnits) -> dict[str, str]:
    """Store serials; returns the digest of each subject that got one. Raises Refused as `plan_units`."""
    if _counts(connection, planned.known) != planned.known:
        planned = plan_units(connection, planned.given)
    insert_rows(connection, "welded_unit", ("subject_id", "sample", "serial"), planned.rows)
    return planned.digests


def _counts(connection: Connection, subjects: Iterable[int]) -> dict[int, int]:
    wanted = sorted(subjects)
    found = dict.fromkeys(wanted, 0)
    for i in range(0, len(wanted), LISTED):
        listed = ", ".join(str(int(s)) for s in wanted[i : i + LISTED])
        query = (
            f"SELECT subject_id, count(*) FROM welded_unit WHERE subject_id IN ({listed}) GROUP BY subject_id"
        )
        found.update((row[0], row[1]) for row in connection.execute(text(query)))
    return found
