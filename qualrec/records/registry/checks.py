"""Checks of what is to be written: each gives the value in the form in which it is stored, or says in words what is wrong."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import guards
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata

EARLIEST_US = 946_684_800_000_000
"""2000-01-01 00:00 UTC."""
LONGEST_PROSE = 20_000
LATEST_US = 7_258_118_400_000_000
"""2200-01-01 00:00 UTC."""


def name(value: object, what: str) -> str:
    """An identifier or name: outer blanks dropped, case and zeros kept; not empty, no control signs."""
    text = line(value, what)
    if not text:
        raise UsageError(f"{what} is empty.", "Fill it in.")
    return text


def line(value: object, what: str) -> str:
    """One line of text that may be empty: outer blanks dropped, no control signs."""
    if not isinstance(value, str):
        raise UsageError(
            f"{what} must be text, not {value!r}.", "Give it as text; leading zeros are kept only so."
        )
    text = value.strip()
    if guards.NOT_IN_LINE.search(text):
        raise UsageError(f"{what} {text[:80]!r} holds a control sign.", "Scan or type it again.")
    return text


def prose(value: object, what: str, *, filled: bool = False) -> str:
    """Text of several lines, at most LONGEST_PROSE signs; with `filled` not empty."""
    if not isinstance(value, str):
        raise UsageError(f"{what} must be text, not {value!r}.", "Give it as text.")
    text = value.strip()
    if filled and not text:
        raise UsageError(f"{what} is empty.", "Say it in words.")
    if len(text) > LONGEST_PROSE:
        raise UsageError(f"{what} holds {len(text)} signs, {LONGEST_PROSE} are allowed.", "Shorten it.")
    if guards.NOT_IN_PROSE.search(text):
        raise UsageError(f"{what} holds a control sign.", "Type it again.")
    return text


def moment(value: object, what: str) -> int:
    """A moment in UTC microseconds between the years 2000 and 2200."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise UsageError(f"{what} must be a moment in UTC microseconds, not {value!r}.", "Convert it first.")
    if not EARLIEST_US <= value < LATEST_US:
        raise UsageError(
            f"{what} {value} is not between the years 2000 and 2200.", "Give UTC microseconds since 1970."
        )
    return value


def moment_or_none(value: object, what: str) -> int | None:
    return None if value is None else moment(value, what)


def number(
    value: object,
    what: str,
    *,
    least: float | None = None,
    most: float | None = None,
    above: float | None = None,
) -> float:
    """A finite number within bounds."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UsageError(f"{what} must be a finite number, not {value!r}.", "Give a number.")
    wrong = (least is not None and value < least) or (most is not None and value > most)
    if wrong or (above is not None and value <= above):
        bounds = [f"above {above:g}"] if above is not None else []
        bounds += [f"at least {least:g}"] if least is not None else []
        bounds += [f"at most {most:g}"] if most is not None else []
        raise UsageError(f"{what} is {value:g}; it must be {' and '.join(bounds)}.", "Give another number.")
    return float(value)


def number_or_none(
    value: object,
    what: str,
    *,
    least: float | None = None,
    most: float | None = None,
    above: float | None = None,
) -> float | None:
    return None if value is None else number(value, what, least=least, most=most, above=above)


def whole(value: object, what: str, *, least: int | None = None, most: int | None = None) -> int:
    """A whole number within bounds."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise UsageError(f"{what} must be a whole number, not {value!r}.", "Give a whole number.")
    number(value, what, least=least, most=most)
    return value


def whole_or_none(value: object, what: str, *, least: int | None = None) -> int | None:
    return None if value is None else whole(value, what, least=least)


def yes_no(value: object, what: str) -> bool:
    if not isinstance(value, bool):
        raise UsageError(f"{what} must be yes or no, not {value!r}.", "Give true or false.")
    return value


def one_of(value: object, known: Collection[str], what: str) -> str:
    """One of the known words."""
    if isinstance(value, str) and value in known:
        return value
    near = difflib.get_close_matches(str(value), list(known), n=1)
    hint = f"Did you mean {near[0]!r}? " if near else ""
    raise UsageError(f"{what} {value!r} is not known.", f"{hint}Use one of: {', '.join(known)}.")


def several(values: object, known: Collection[str], what: str) -> list[str]:
    """Different ones of the known words, in the order given."""
    return [one_of(value, known, what) for value in texts(values, what)]


def texts(values: object, what: str) -> list[str]:
    """A list of non-empty texts without repeats."""
    if isinstance(values, str) or not isinstance(values, Sequence):
        raise UsageError(f"{what} must be a list of texts, not {values!r}.", "Give a list.")
    found = [name(value, what) for value in values]
    if len(set(found)) != len(found):
        raise UsageError(
            f"{what} holds {next(x for x in found if found.count(x) > 1)!r} twice.", "Give it once."
        )
    return found


def not_crossed(low: float | None, high: float | None, what: str, *, equal: bool = False) -> None:
    """Raises UsageError where both ends are given and the lower is not below the upper."""
    if low is None or high is None or low < high or (equal and low == high):
        return
    raise UsageError(
        f"{what}: the lower end {low:g} is not below the upper end {high:g}.", "Exchange or mend them."
    )


def known_keys(given: Iterable[str], known: Collection[str], what: str) -> None:
    for key in given:
        one_of(key, known, what)


def row(writer: Writer, table_name: str, record_id: object, what: str) -> Any:
    """The row that an id names. Raises UsageError for no id, UnknownRecord for none such."""
    t = metadata.tables[table_name]
    wanted = whole(record_id, f"The id of the {what}")
    found = writer.conn.execute(select(t).where(t.c.id == wanted)).one_or_none()
    if found is None:
        raise UnknownRecord(f"There is no {what} with id {wanted}.", "Look it up again.")
    return found


def row_or_none(writer: Writer, table_name: str, record_id: object, what: str) -> Any:
    return None if record_id is None else row(writer, table_name, record_id, what)


def new_name(writer: Writer, table_name: str, what: str, **columns: object) -> None:
    """Raises Refused where a row with these columns is there already; `what` is how the message names it."""
    t = metadata.tables[table_name]
    same = [t.c[column] == value for column, value in columns.items()]
    if writer.conn.execute(select(t).where(*same).limit(1)).first() is not None:
        raise Refused(f"{what} is there already.", "Use it, or choose another name.")


def person_acts(writer: Writer, what: str) -> None:
    """Raises Refused where the program itself acts."""
    if writer.actor.person_id is None:
        raise Refused(f"The program itself cannot {what}.", "A person must do it, with a badge.")
