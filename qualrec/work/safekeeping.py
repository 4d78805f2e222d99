"""Keeping records safe: copies and taking them back, verifying, and heads of the chain written down outside."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from qualrec.errors import UsageError
from qualrec.records import backup, trail
from qualrec.records.backup import Backup, Restored
from qualrec.records.trail import Head, TrailVerdict
from qualrec.work.rights import require
from qualrec.work.session import Session

Say = Callable[[str], None]
SECONDS_BETWEEN = 2.0
"""Pause between two sentences of progress within one step."""
_ANCHOR = re.compile(r"(\d+):(\d+):([0-9a-f]{64})")


class Narrator:
    """Turns progress into sentences: each step as it begins, then its share done every two seconds."""

    def __init__(self, say: Say | None, verb: str) -> None:
        self._say, self._verb = say, verb
        self._step, self._said_s = "", 0.0

    def __call__(self, step: str, done: int, total: int) -> None:
        if self._say is None:
            return
        now = time.monotonic()
        if step != self._step:
            self._step, self._said_s = step, now
            self._say(f"{self._verb} {step}")
        elif now - self._said_s > SECONDS_BETWEEN:
            self._said_s = now
            share = f"{100 * done // total} %" if total else f"{done}"
            self._say(f"{self._verb} {step}: {share}")


def back_up(session: Session, to: Path, say: Say | None = None) -> Backup:
    """Copy the database while it is in use, look at the copy again, and note in the trail that it was made."""
    require(session.actor, "copy the database")
    made = backup.back_up(session.store, to, Narrator(say, "writing"))
    content = {"file": to.name, "sha256": made.sha256, "heads": backup.heads_out(made.contents.heads)}
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note("copy made", "plant", session.plant.id, content)
    return made


def backup_sentences(made: Backup) -> tuple[str, ...]:
    """A copy in words."""
    rows = sum(made.contents.counts.values())
    return (
        f"Copied to {made.path}: {made.bytes} bytes, {rows} rows in {len(made.contents.counts)} tables; "
        "looked at again: structure, counts and heads agree.",
        f"SHA-256 {made.sha256}",
        f"Manifest {made.manifest}. Keep both on another machine.",
        *(anchor_text(head) for head in made.contents.heads),
    )


def restore(
    source: Path,
    to: Path,
    *,
    replace: bool = False,
    without_manifest: bool = False,
    say: Say | None = None,
) -> Restored:
    """Take a copy back into a new file; see `records.backup.restore`."""
    return backup.restore(
        source, to, replace=replace, without_manifest=without_manifest, progress=Narrator(say, "checking")
    )


def restored_sentences(done: Restored) -> tuple[str, ...]:
    """What was taken back, in words."""
    manifest = (
        "Digest, counts and heads agree with the manifest; "
        if done.checked_by_manifest
        else "There was no manifest to compare with; "
    )
    aside = () if done.aside is None else (f"The database that was there lies at {done.aside}.",)
    return (
        f"Taken back to {done.path}. {manifest}chain, rows and sums were recomputed and agree.",
        *aside,
        *(anchor_text(head) for head in done.verdict.heads),
        "Compare the heads with the last ones written down: what was entered after the copy was made is not in it.",
    )


def verify(
    session: Session, say: Say | None = None, *, sums: bool = True, anchors: Sequence[Head] = ()
) -> TrailVerdict:
    """Recompute the chain and compare rows and readings with it; with `sums` everything else as well."""
    return trail.verify(session.store, Narrator(say, "checking"), sums=sums, anchors=anchors)


def verdict_sentences(found: TrailVerdict) -> tuple[str, ...]:
    """A verdict on the database in words."""
    checked = f"{found.entries} trail entries, {found.rows} rows and {found.readings} readings checked."
    lines = [f"{f.table} {f.row}: {f.message}" for f in found.faults]
    if found.fault_count > len(found.faults):
        lines.append(f"and {found.fault_count - len(found.faults)} more faults.")
    heads = [f"Head of plant {h.plant_id}: entry {h.seq}, {h.digest}" for h in found.heads]
    answer = "Sound: everything agrees." if found.ok else f"NOT SOUND: {found.fault_count} faults."
    return (checked, *lines, answer, *found.notes, *heads, found.remark)


def anchor_text(head: Head) -> str:
    """A head as it is written down outside."""
    return f"{head.plant_id}:{head.seq}:{head.digest}"


def read_anchor(text: str) -> tuple[Head, ...]:
    """Heads from what was written down: PLANT:ENTRY:DIGEST, or the manifest of a copy or an archive.

    Raises UsageError for text that is neither.
    """
    found = _ANCHOR.fullmatch(text.strip())
    if found is not None:
        return (Head(int(found.group(1)), int(found.group(2)), found.group(3)),)
    path = Path(text)
    if len(text) < 4096 and path.is_file():
        return backup.heads_in(path)
    raise UsageError(
        f"{text[:80]!r} is no head of a chain.",
        "Give PLANT:ENTRY:DIGEST as `qualrec trail anchor` prints it, or the path of a manifest.",
    )


def head_now(session: Session) -> Head:
    """The head of the chain as it stands."""
    return trail.head(session.store, session.plant.id)


def record_anchor(session: Session, place: str) -> Head:
    """Keep the head as it stands, with the place where it was written down outside; `verify` compares it from now on."""
    require(session.actor, "write heads down")
    if not place.strip():
        raise UsageError(
            "The place is missing.", "Say where the head was written down, as 'weekly report 48'."
        )
    head = head_now(session)
    with session.store.write(session.actor, session.plant.id) as writer:
        row = {
            "of_plant": head.plant_id,
            "seq": head.seq,
            "digest": head.digest,
            "at_us": writer.now_us,
            "place": place.strip(),
        }
        writer.insert("trail_anchor", row, act="head written down")
    return head


def anchor_sentences(session: Session, head: Head) -> tuple[str, ...]:
    """The head for a report, in words."""
    return (
        f"Head of the trail of plant {session.plant.code} on {session.moment(session.store.clock())}: entry {head.seq}.",
        anchor_text(head),
        "Write this line down where nobody who can reach the database can change it.",
    )
