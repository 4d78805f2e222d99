"""Taking in files with many readings: staged in small transactions, accepted in one, judged after that."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

from qualrec.intake.files import Block, BlockIntake, read_blocks
from qualrec.intake.import_blocks import BlockResolver
from qualrec.intake.importer import Conn, Draft
from qualrec.records import lookups
from qualrec.records.bulk import BulkImport, clear_staged
from qualrec.records.bulk_input import NewColumns
from qualrec.values import NO_CONDITION, Characteristic
from qualrec.work.intake_job import PREVIEWED, Job, counted
from qualrec.work.intake_result import LotOutcome, Taken
from qualrec.work.profiles import keep_profile

STAGED_DRAFTS = 20_000
JUDGED_BETWEEN = 20
"""Progress is told every so many lots."""


def take_blocks(job: Job, blocks: Iterable[Block], intake: BlockIntake) -> Taken:
    """Take in a machine file block by block; memory does not grow with its rows, but for serials and repeats.

    Where lots are to be opened, the file is looked through before, so that a file with problems opens none.
    """
    job.notes = intake.notes
    firsts: dict[str, int] = {}
    if job.open_lots:
        firsts = _new_lots(job)
        again = _read(job)
        checked = _check_blocks(job, again.blocks, again, firsts)
        if job.problems or job.dry_run:
            return checked
    elif job.dry_run:
        return _check_blocks(job, blocks, intake, firsts)
    profile_id, opened = _open(job, firsts)
    resolver = BlockResolver(job.resolver(None), lambda c: _condition_id(job, c))
    rows = 0
    with _bulk(job, profile_id) as bulk:
        for block in ahead(blocks):
            rows += len(block)
            with job.session.store.read() as conn:
                resolver.resolver.conn = conn
                pieces = list(resolver.columns(block))
            if not job.problems:
                for piece in pieces:
                    bulk.stage(piece)
            job.say(f"{rows} rows read")
        job.merge(intake.problems)
        if job.problems:
            raise job.problems.refused(job.file)
        batch_id = None
        if resolver.counts:
            batch_id = bulk.accept().id
        else:
            bulk.abandon("all readings are there already")
    lots = tuple(resolver.lots)
    return job.result(
        batch_id=batch_id,
        rows=rows,
        counts=resolver.counts,
        there=resolver.there,
        lots=lots,
        new_lots=opened,
        judged=_judge(job, lots) if batch_id is not None else (),
    )


def ahead(blocks: Iterable[Block]) -> Iterator[Block]:
    """The blocks, each read in a thread of its own while the one before is stored."""
    items = iter(blocks)
    with ThreadPoolExecutor(1) as reader:
        coming = reader.submit(next, items, None)
        while (block := coming.result()) is not None:
            coming = reader.submit(next, items, None)
            yield block


def _check_blocks(job: Job, blocks: Iterable[Block], intake: BlockIntake, firsts: Mapping[str, int]) -> Taken:
    """Everything but the storing."""
    store, rows = job.session.store, 0
    with store.read() as conn:
        resolver = BlockResolver(job.resolver(conn, firsts), lambda c: _seen_condition(job, conn, c))
        for block in blocks:
            for _ in resolver.columns(block):
                pass
            if not rows:
                heads = _head(block, PREVIEWED)
                job.show(resolver.resolver, list(heads.rows(job.profile))[:PREVIEWED])
            rows += len(block)
            job.say(f"{rows} rows checked")
    job.merge(intake.problems)
    return job.result(
        rows=rows,
        counts=resolver.counts,
        there=resolver.there,
        lots=tuple(resolver.lots),
        new_lots=tuple(firsts),
    )


def _head(block: Block, count: int) -> Block:
    samples = None if block.samples is None else block.samples[:count]
    return Block(
        block.row_numbers[:count],
        block.lots[:count],
        block.streams[:count],
        block.serials[:count],
        samples,
        block.at_us[:count],
        tuple(column[:count] for column in block.values),
    )


def take_drafts(
    job: Job, fresh: Sequence[Draft], *, rows: int, there: int, firsts: Mapping[str, int]
) -> Taken:
    """Take in many readings of a file that was read row by row."""
    profile_id, opened = _open(job, firsts)
    store, actor, plant = job.session.store, job.session.actor, job.session.plant.id
    lots = tuple(dict.fromkeys(d.target for d in fresh))
    with store.write(actor, plant) as writer:
        ids = {
            (d.characteristic.id, d.stated): job.condition_id(writer, d.characteristic, d.stated)
            for d in fresh
        }
        places = lookups.lot_places(writer.conn, opened, plant)
    with _bulk(job, profile_id) as bulk:
        for start in range(0, len(fresh), STAGED_DRAFTS):
            part = fresh[start : start + STAGED_DRAFTS]
            readings = [
                d.stored(
                    d.reading.subject_id or places[d.target].segments[0],
                    ids[d.characteristic.id, d.stated],
                )
                for d in part
            ]
            bulk.stage(NewColumns.of(readings, [d.row for d in part]))
        batch = bulk.accept()
    return job.result(
        batch_id=batch.id,
        rows=rows,
        counts=counted(fresh),
        there=there,
        lots=lots,
        new_lots=opened,
        judged=_judge(job, lots),
    )


def _bulk(job: Job, profile_id: int) -> BulkImport:
    session = job.session
    clear_staged(session.store)
    return BulkImport(
        session.store,
        session.actor,
        plant_id=session.plant.id,
        kind=job.kind,
        file_name=job.file,
        file_digest=job.digest,
        profile_id=profile_id,
    )


def _read(job: Job) -> BlockIntake:
    return read_blocks(job.path, job.profile, plant_zone=job.session.plant.zone)


def _new_lots(job: Job) -> dict[str, int]:
    """Lots that are to be opened, each with its first moment."""
    firsts: dict[str, int] = {}
    for block in _read(job).blocks:
        codes, names = pd.factorize(np.asarray(block.lots, dtype=object))
        least = np.full(len(names), np.iinfo(np.int64).max)
        np.minimum.at(least, codes, block.at_us)
        for name, at in zip(names.tolist(), least.tolist(), strict=True):
            firsts[name] = min(at, firsts.get(name, at))
    with job.session.store.read() as conn:
        return job.unknown(conn, firsts)


def _open(job: Job, firsts: Mapping[str, int]) -> tuple[int, tuple[str, ...]]:
    """Store the profile and open lots; returns the id of the profile and the lots."""
    with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
        profile_id = keep_profile(writer, job.profile)
        return profile_id, tuple(job.open(writer, job.unknown(writer.conn, firsts)))


def _condition_id(job: Job, c: Characteristic) -> int:
    with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
        return job.condition_id(writer, c, ())


def _seen_condition(job: Job, conn: Conn, c: Characteristic) -> int:
    """What `_condition_id` would choose is said; nothing is written."""
    job.condition(conn, c, ())
    return NO_CONDITION


def _judge(job: Job, lots: Sequence[str]) -> tuple[LotOutcome, ...]:
    """Judge lots one by one, so that no station waits for long."""
    found: list[LotOutcome] = []
    with job.session.store.read() as conn:
        names = job.lots_to_judge(conn, lots)
    for position, name in enumerate(names, 1):
        if position % JUDGED_BETWEEN == 0:
            job.say(f"{position} of {len(names)} lots judged")
        with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
            found += job.judge(writer, [name])
    return tuple(found)
