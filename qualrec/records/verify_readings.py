"""Comparing readings with the digests of their batches, and the sums with the readings."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Connection, and_, select, text

from qualrec.records.chain_content import Expected, ExpectedBatch
from qualrec.records.columns import Columns, Key3, scan
from qualrec.records.digests import BatchDigest, units_digest
from qualrec.records.models import metadata
from qualrec.records.overlays import Overlay, all_overlays, apply_overlays, pull_counts
from qualrec.records.rollup import same, shape_counts, starts
from qualrec.records.rollup_store import Plans, Prepared, load_plans, load_rollups, load_shapes

if TYPE_CHECKING:
    from qualrec.records.trail import Findings

READING = metadata.tables["reading"]
KEY = ("subject_id", "characteristic_id", "stream_id", "sample")
STREAMED = {"stream_results": True, "yield_per": 5000}


def check_readings(
    connection: Connection,
    expected: Expected,
    findings: Findings,
    tell: Callable[[str, int, int], None],
    *,
    sums: bool = True,
) -> int:
    """One pass over all readings in key order: digests of batches; with `sums` also what readings hang on, running sums,
    mode counts and shapes. Returns how many there were."""
    accepted = set(connection.execute(text("SELECT id FROM batch WHERE state = 'accepted'")).scalars())
    staged = set(connection.execute(text("SELECT id FROM batch WHERE state <> 'accepted'")).scalars())
    wide = _Wide(connection, findings, accepted) if sums else None
    digests: dict[int, BatchDigest] = {}
    total, done = int(connection.execute(text("SELECT count(*) FROM reading")).scalar_one()), 0
    for columns in scan(connection, "1 = 1", {}):
        _digest(columns, digests, accepted, staged, findings)
        if wide is not None:
            wide.check(columns)
        done += len(columns)
        tell("readings", done, total)
    _digest_side_rows(connection, digests, findings)
    _compare_batches(connection, digests, expected, findings)
    if wide is not None:
        wide.finish()
    return done


class _Wide:
    """What does not follow from the chain: rows that readings point to, and everything that was summed up of them."""

    POINTED_AT = (
        ("subject", "subject"),
        ("characteristic", "characteristic"),
        ("stream", "stream"),
        ("condition", "condition"),
    )

    def __init__(self, connection: Connection, findings: Findings, accepted: set[int]) -> None:
        self._connection, self._findings = connection, findings
        self._accepted = np.fromiter(accepted, dtype=np.int64, count=len(accepted))
        self._known = {
            table: np.fromiter(connection.execute(text(f"SELECT id FROM {table}")).scalars(), dtype=np.int64)
            for _, table in self.POINTED_AT
        }
        self._plans = load_plans(connection, self._known["characteristic"].tolist())
        self._overlays, self._sums = all_overlays(connection), _Sums(connection, findings)

    def check(self, columns: Columns) -> None:
        for column, table in self.POINTED_AT:
            used = np.unique(getattr(columns, column))
            for lost in used[~np.isin(used, self._known[table])].tolist():
                self._findings.add(
                    "removed", table, lost, f"Readings point to {table} {lost}, which is not there."
                )
        counted = columns.pick(np.isin(columns.batch, self._accepted))
        self._sums.check(_corrected(counted, self._overlays), self._plans)

    def finish(self) -> None:
        self._sums.finish()
        _check_modes(self._connection, self._overlays, self._findings)


def _digest(
    columns: Columns,
    digests: dict[int, BatchDigest],
    accepted: set[int],
    staged: set[int],
    findings: Findings,
) -> None:
    order = np.argsort(columns.batch, kind="stable")
    by_batch = columns.pick(order)
    begin = starts(by_batch.batch)
    for low, high in zip(begin.tolist(), [*begin[1:].tolist(), len(by_batch)], strict=True):
        batch_id, part = int(by_batch.batch[low]), by_batch.pick(slice(low, high))
        if batch_id in accepted:
            digests.setdefault(batch_id, BatchDigest()).readings(part)
        elif batch_id not in staged:
            for at in range(len(part)):
                row = (*part.key3(at), int(part.sample[at]))
                findings.add("inserted", "reading", row, f"The reading {row} belongs to no batch.")


def _corrected(columns: Columns, overlays: dict[Key3, dict[int, Overlay]]) -> Columns:
    if not overlays or not len(columns):
        return columns
    value, begin = columns.value.copy(), columns.groups()
    for low, high in zip(begin.tolist(), [*begin[1:].tolist(), len(columns)], strict=True):
        found = overlays.get(columns.key3(low))
        if found:
            value[low:high] = apply_overlays(columns.pick(slice(low, high)), found).value
    return columns.with_value(value)


def _digest_side_rows(connection: Connection, digests: dict[int, BatchDigest], findings: Findings) -> None:
    for name in ("reading_entry", "pull"):
        table = metadata.tables[name]
        joined = and_(*(table.c[column] == READING.c[column] for column in KEY))
        query = select(READING.c.batch_id, *table.c).select_from(table.outerjoin(READING, joined))
        query = query.order_by(*(table.c[column] for column in KEY))
        with connection.execute(query, execution_options=STREAMED) as result:
            for batch_id, *row in result:
                if batch_id is None:
                    findings.add(
                        "inserted", name, row[:4], f"The row {row[:4]} of {name} belongs to no reading."
                    )
                elif batch_id in digests:
                    take = digests[batch_id].entry if name == "reading_entry" else digests[batch_id].pull
                    take(row)


def _compare_batches(
    connection: Connection, digests: dict[int, BatchDigest], expected: Expected, findings: Findings
) -> None:
    for batch_id, batch in expected.batches.items():
        if batch.state != "accepted":
            continue
        found = digests.get(batch_id, BatchDigest())
        if found.hex() == batch.content_digest:
            continue
        named = list(_differences(connection, batch_id, batch))
        for kind, row, message in named:
            findings.add(kind, "reading", row, message)
        if not named:
            where = f" ({batch.file_name})" if batch.file_name else ""
            findings.add(
                "changed",
                "batch",
                batch_id,
                f"Batch {batch_id}{where}: its readings, entries or failure modes are not those that were accepted"
                f" ({batch.rows} rows then, {found.rows} now).",
            )


def _differences(
    connection: Connection, batch_id: int, batch: ExpectedBatch
) -> Iterator[tuple[str, tuple[int, ...], str]]:
    """Readings of a small batch that differ from the trail entry, one by one."""
    if batch.readings is None:
        return
    query = text(
        "SELECT subject_id, characteristic_id, stream_id, sample, value FROM reading WHERE batch_id = :batch"
        " ORDER BY subject_id, characteristic_id, stream_id, sample"
    )
    found = {tuple(row[:4]): row[4] for row in connection.execute(query, {"batch": batch_id})}
    wanted = {tuple(row[:4]): row[4] for row in batch.readings}
    for key in sorted(wanted.keys() | found.keys()):
        if key not in found:
            yield "removed", key, f"The reading {key} of batch {batch_id} was removed."
        elif key not in wanted:
            yield "inserted", key, f"The reading {key} was put into batch {batch_id} past the program."
        elif found[key] != wanted[key]:
            yield "changed", key, f"The reading {key} is {found[key]}; {wanted[key]} was entered."


class _Sums:
    """Compares stored sums and shapes with those made anew."""

    def __init__(self, connection: Connection, findings: Findings) -> None:
        self._findings = findings
        subjects = set(connection.execute(text("SELECT DISTINCT subject_id FROM rollup")).scalars())
        subjects |= set(connection.execute(text("SELECT DISTINCT subject_id FROM shape")).scalars())
        self._rollups = load_rollups(connection, subjects)
        self._shapes = load_shapes(connection, subjects)

    def check(self, columns: Columns, plans: Plans) -> None:
        """Groups that are complete in these rows."""
        if not len(columns):
            return
        anew = Prepared()
        anew.add(columns, plans)
        begin = columns.groups()
        for low, high in zip(begin.tolist(), [*begin[1:].tolist(), len(columns)], strict=True):
            key = columns.key3(low)
            self._compare(key, anew)
            self._compare_shape(key, columns.value[low:high])

    def _compare(self, key: Key3, anew: Prepared) -> None:
        stored, made = self._rollups.pop(key, {}), anew.rows.get(key, {})
        for part in sorted(stored.keys() | made.keys()):
            if part not in stored or part not in made or not same(stored[part], made[part]):
                row = (*key, *part)
                self._findings.add(
                    "sums", "rollup", row, f"The running sums {row} are not those of the readings."
                )

    def _compare_shape(self, key: Key3, values: Any) -> None:
        shape = self._shapes.pop(key, None)
        if shape is not None:
            low, high, counts = shape
            if not np.array_equal(counts, shape_counts(values[~np.isnan(values)], low, high)):
                self._findings.add("sums", "shape", key, f"The shape {key} is not that of the readings.")

    def finish(self) -> None:
        """What is stored and has no readings at all."""
        for table, rest in (("rollup", self._rollups), ("shape", self._shapes)):
            for key in sorted(rest):
                self._findings.add("sums", table, key, f"The row {key} of {table} has no readings.")


def _check_modes(
    connection: Connection, overlays: dict[Key3, dict[int, Overlay]], findings: Findings
) -> None:
    stored: dict[Key3, dict[str, tuple[int, float]]] = {}
    for row in connection.execute(text("SELECT * FROM mode_count")):
        stored.setdefault((row[0], row[1], row[2]), {})[row[3]] = (row[4], row[5])
    for key, made in _modes_anew(connection, overlays):
        found = stored.pop(key, {})
        for mode in sorted(found.keys() | made.keys()):
            n, share = found.get(mode, (0, 0.0))
            wanted, total = made.get(mode, (0, 0.0))
            if n != wanted or abs(share - total) > 1e-6 * max(1.0, abs(total)):
                findings.add(
                    "sums",
                    "mode_count",
                    (*key, mode),
                    f"The count of {mode!r} in {key} is {n}, not {wanted}.",
                )
    for key in stored:
        findings.add("sums", "mode_count", key, f"The mode counts {key} have no pulls.")


def _modes_anew(
    connection: Connection, overlays: dict[Key3, dict[int, Overlay]]
) -> Iterator[tuple[Key3, dict[str, tuple[int, float]]]]:
    query = text(
        "SELECT pull.subject_id, pull.characteristic_id, pull.stream_id, pull.sample, pull.mode, pull.interfacial_pct"
        " FROM pull JOIN reading USING (subject_id, characteristic_id, stream_id, sample)"
        " WHERE reading.batch_id IN (SELECT id FROM batch WHERE state = 'accepted') ORDER BY 1, 2, 3, 4"
    )
    key: Key3 | None = None
    rows: list[Any] = []
    with connection.execute(query, execution_options=STREAMED) as result:
        for row in result:
            now = (row[0], row[1], row[2])
            if key is not None and now != key:
                yield key, pull_counts(rows, overlays.get(key, {}))
                rows = []
            key = now
            rows.append((row[3], row[4], row[5]))
    if key is not None:
        yield key, pull_counts(rows, overlays.get(key, {}))


def check_units(connection: Connection, expected: Expected, findings: Findings) -> None:
    """Serials of each subject against the last digest of them."""
    there = set(connection.execute(text("SELECT DISTINCT subject_id FROM welded_unit")).scalars())
    found = units_digest(connection, there | expected.units.keys())
    for subject in sorted(there | expected.units.keys()):
        if found[str(subject)] != expected.units.get(subject):
            findings.add(
                "changed", "welded_unit", subject, f"The serials of subject {subject} are not those entered."
            )
