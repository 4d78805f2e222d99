"""When each part is to be qualified again by its customer's rule, and what is owed when something changes.

IATF 16949 8.6.2 sets no interval for layout inspection and functional test; published customer rules run from 12 to 36 months
(read in a comparison). So the interval is the customer's, counted from the last signed submission. What a customer is told
of before it happens follows the part approval manual 3.1 and 3.2 (read in a summary); the list for welds is common
practice, no source.
"""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import UTC, datetime

from qualrec.errors import UsageError
from qualrec.records import lookups, registry
from qualrec.records.lookups import NoticeStep
from qualrec.work.rights import require
from qualrec.work.session import Session

SOON_US = 60 * 86_400_000_000
"""How long before its day a requalification is called due soon: 60 days (common practice, no source)."""
KINDS = (
    "material or supplier",
    "resin grade, colour or absorber",
    "wall thickness or seam",
    "tool new, changed or idle",
    "site",
    "process or method",
    "laser source or optics",
    "clamp glass or fixture",
    "stop mode",
    "test method or pull speed",
    "specification limits",
    "earlier finding mended",
    "other",
)
STEPS = (
    "Tell the customer before the first delivery and get leave in writing. {rule}",
    "Pull and section the first-off of the first lot after the change.",
    "Show that before and after are equal within a margin set beforehand: qualrec equivalence.",
    "Renew the control plan, the risk analysis and the flow of the process where they are touched.",
    "Study the gauge again where the test is touched.",
    "Submit again as the customer asks: qualrec submission open.",
    "Write the customer's answer down with its reference.",
)
"""Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Requalification:
    """`state`: overdue, due soon, in time, or no rule. `since`: what the months are counted from."""

    part: str
    name: str
    customer: str
    months: int | None
    since: str
    since_us: int | None
    due_us: int | None
    state: str


def due_list(session: Session) -> tuple[Requalification, ...]:
    """Every part with its customer's rule, what is overdue first."""
    now = session.store.clock()
    found = []
    with session.store.read() as conn:
        signed: dict[int, tuple[int, str]] = {}
        for s in lookups.submissions(conn):
            if s.signed_us is not None and s.signed_us >= signed.get(s.part_id, (0, ""))[0]:
                signed[s.part_id] = (s.signed_us, s.number)
        for part in lookups.parts(conn):
            revisions = lookups.part_revisions(conn, part.id)
            months = part.customer.requalify_months if part.customer is not None else None
            since_us, since = None, ""
            if part.id in signed:
                since_us, since = signed[part.id][0], f"submission {signed[part.id][1]} signed"
            elif revisions:
                since_us, since = revisions[0].valid_from_us, "first drawing; no submission is signed"
            due = None if months is None or since_us is None else months_later(session, since_us, months)
            found.append(
                Requalification(
                    part=part.number,
                    name=part.name,
                    customer=part.customer.code if part.customer is not None else "",
                    months=months,
                    since=since,
                    since_us=since_us,
                    due_us=due,
                    state=_state(due, now),
                )
            )
    return tuple(sorted(found, key=lambda r: (r.due_us is None, r.due_us or 0, r.part)))


def _state(due_us: int | None, now_us: int) -> str:
    if due_us is None:
        return "no rule"
    if now_us > due_us:
        return "overdue"
    return "due soon" if now_us > due_us - SOON_US else "in time"


def months_later(session: Session, at_us: int, months: int) -> int:
    """The same day and time so many months later in the plant's zone; the last day of a month that is shorter."""
    local = datetime.fromtimestamp(at_us // 1_000_000, UTC).astimezone(session.zone)
    year, month = divmod(local.year * 12 + local.month - 1 + months, 12)
    day = min(local.day, calendar.monthrange(year, month + 1)[1])
    return int(local.replace(year=year, month=month + 1, day=day).timestamp()) * 1_000_000


def begin_notice(session: Session, part: str, kind: str, what: str) -> str:
    """Owe the steps of a change of a part, with the customer's rule for its kind. Raises UsageError, UnknownRecord."""
    require(session.actor, "tend change notices")
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.part(writer.conn, part)
        rules = found.customer.notices if found.customer is not None else {}
        if kind not in KINDS and kind not in rules:
            known = ", ".join(dict.fromkeys((*KINDS, *rules)))
            raise UsageError(f"There is no kind of change {kind!r}.", f"Kinds: {known}.")
        name = found.customer.name if found.customer is not None else "the customer"
        rule = f"Rule of {name}: {rules[kind]}" if kind in rules else f"No rule of {name} is recorded: ask."
        number = registry.add_notice(writer, found.id, kind, what, [s.format(rule=rule) for s in STEPS])
    return f"Change notice {number} of {part}, {kind}: {len(STEPS)} steps are owed. See: qualrec notice list"


def close_step(session: Session, notice: int, position: int, remark: str) -> str:
    """Record what came of a step of a notice. Raises UsageError for an unknown one, Refused for one that is done."""
    require(session.actor, "tend change notices")
    with session.store.write(session.actor, session.plant.id) as writer:
        steps = [s for s in lookups.notice_steps(writer.conn) if s.notice == notice]
        step = next((s for s in steps if s.position == position), None)
        if step is None:
            raise UsageError(
                f"There is no step {position} of change notice {notice}.", "See: qualrec notice list"
            )
        registry.close_notice_step(writer, step.id, remark)
        left = sum(s.done_us is None for s in steps) - 1
    return f"Change notice {notice}, step {position} is done. {left} {'step is' if left == 1 else 'steps are'} open."


def notices(session: Session, part: str | None = None) -> tuple[NoticeStep, ...]:
    """Steps of change notices, oldest first. Raises UnknownRecord for an unknown part."""
    with session.store.read() as conn:
        if part is not None:
            lookups.part(conn, part)
        return lookups.notice_steps(conn, part=part)
