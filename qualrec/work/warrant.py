"""Data of the declaration as people type them, and whether the results in the records meet all requirements."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Mapping, Sequence

from qualrec.errors import UsageError
from qualrec.export.messages import Words
from qualrec.export.pack import MISSING, CharacteristicSheet, Element, ResultView
from qualrec.export.submission_elements import ELEMENTS
from qualrec.export.warrant import CHOICE, COUNT, NUMBER, WARRANT, Datum
from qualrec.values import Lot
from qualrec.work.submission_state import is_dimension

NOT_DELIVERED = ("scrapped", "reworked", "on hold")
"""Lots in these states are nothing that the customer gets; their values are in no answer of the declaration."""
PLACES = {"weight": 4, "run_hours": 1}


def understood(key: str, text: str) -> str:
    """A datum as it is to stand in the declaration; '' takes it away. Raises UsageError for an unknown or impossible one."""
    if key not in WARRANT:
        near = difflib.get_close_matches(key, WARRANT, n=1)
        hint = f"Did you mean {near[0]!r}? " if near else ""
        raise UsageError(f"There is no datum {key!r}.", f"{hint}Data: {', '.join(WARRANT)}.")
    datum, given = WARRANT[key], text.strip()
    if not given:
        return ""
    if datum.kind == CHOICE:
        return _chosen(datum, given)
    if datum.kind in (NUMBER, COUNT):
        return _number(datum, given)
    return given


def _chosen(datum: Datum, given: str) -> str:
    found = [c for c in datum.choices if c.casefold().startswith(given.casefold())]
    if given in datum.choices:
        return given
    if len(found) != 1:
        raise UsageError(
            f"{datum.english}: {given!r} is no answer.", f"Use one of: {'; '.join(datum.choices)}."
        )
    return found[0]


def _number(datum: Datum, given: str) -> str:
    from qualrec.intake.numbers import understand

    value = understand(given, "").value
    if value <= 0:
        raise UsageError(f"{datum.english} is {given}.", "Give a number above 0.")
    if datum.kind == COUNT:
        if value != int(value):
            raise UsageError(f"{datum.english} is {given}.", "Give a whole number.")
        return str(int(value))
    return f"{value:.{PLACES[datum.key]}f}"


def lacking(
    given: Mapping[str, str], results: Iterable[ResultView], run_length: int | None
) -> tuple[str, ...]:
    """What the declaration lacks before it may be signed, in words."""
    found = [
        f"{d.english} is not filled in ({d.key})."
        for d in WARRANT.values()
        if d.must and not given.get(d.key)
    ]
    parts = int(given.get("run_parts") or 0)
    if run_length is not None and 0 < parts < run_length:
        found.append(f"The production run is of {parts} parts; the customer asks {run_length}.")
    unmet = [r.key for r in results if r.answer != "yes"]
    if unmet and not given.get("explanation"):
        found.append(f"Results not shown to be met ({', '.join(unmet)}) need an explanation (explanation).")
    return tuple(found)


def results(
    sheets: Sequence[CharacteristicSheet], lots: Sequence[Lot], elements: Sequence[Element], words: Words
) -> tuple[ResultView, ...]:
    """Answers of the four groups of results, each with what it rests on."""
    out = {lot.number for lot in lots if lot.state in NOT_DELIVERED}
    appearance = next(e for e in elements if e.number == 13)
    return (
        _limits("dimensions", [s for s in sheets if is_dimension(s)], out, words),
        _limits("tests", [s for s in sheets if not is_dimension(s)], out, words),
        ResultView(
            "appearance",
            "unknown" if appearance.state == MISSING else "yes",
            words("y.by_element").format(state=words.word(appearance.state)),
        ),
        _statistics(sheets, words),
    )


def _limits(
    key: str, sheets: Sequence[CharacteristicSheet], out: Collection[str], words: Words
) -> ResultView:
    count = beyond = 0
    judged, unlimited = [], []
    for s in sheets:
        c = s.characteristic
        if c.lsl is None and c.usl is None:
            unlimited.append(c.code)
            continue
        values = [
            r.value for r, used in zip(s.readings, s.used, strict=True)
            if used and r.value is not None and r.lot_number not in out
        ]  # fmt: skip
        if values:
            judged.append(c.code)
        count += len(values)
        beyond += sum((c.lsl is not None and v < c.lsl) or (c.usl is not None and v > c.usl) for v in values)
    if not count:
        return ResultView(key, "unknown", words("y.no_values"))
    sentence = words("y.beyond" if beyond else "y.within")
    said = [sentence.format(count=count, beyond=beyond, names=", ".join(judged))]
    if unlimited:
        said.append(words("y.unlimited").format(names=", ".join(unlimited)))
    return ResultView(key, "no" if beyond else "yes", " ".join(said))


def _statistics(sheets: Sequence[CharacteristicSheet], words: Words) -> ResultView:
    asked = [s for s in sheets if s.requirement is not None]
    if not asked:
        return ResultView("statistics", "yes", words("y.none_asked"))
    answers = {s.answer for s in asked}
    answer = "no" if "no" in answers else "unknown" if "unknown" in answers else "yes"
    names = "; ".join(f"{s.characteristic.code} {words.word(s.answer)}" for s in asked)
    return ResultView("statistics", answer, words("y.verdicts").format(names=names))


def pairs(texts: Iterable[str]) -> dict[str, str]:
    """'key=value' texts as a mapping. Raises UsageError for one without a sign of equality or a key given twice."""
    found: dict[str, str] = {}
    for text in texts:
        key, sign, value = text.partition("=")
        if not sign or not key.strip():
            raise UsageError(
                f"{text!r} is no pair.", "Write it as key=value, with quotes where a blank is in it."
            )
        if key.strip() in found:
            raise UsageError(f"{key.strip()!r} is given twice.", "Give it once.")
        found[key.strip()] = value.strip()
    return found


def element_numbers(text: str) -> tuple[int, ...]:
    """Numbers of elements written as '1,7,9-11'. Raises UsageError."""
    found: set[int] = set()
    for part in text.replace(";", ",").split(","):
        first, dash, last = (piece.strip() for piece in part.partition("-"))
        if not first.isdigit() or (dash and not last.isdigit()):
            raise UsageError(f"{text!r} is no list of elements.", "Write numbers 1 to 18, as 1,7,9-11,18.")
        found |= set(range(int(first), int(last or first) + 1))
    if not found or min(found) < 1 or max(found) > len(ELEMENTS):
        raise UsageError(f"{text!r} names elements that are none.", "Elements are 1 to 18.")
    return tuple(sorted(found))
