"""The hand-over of a shift: which shift runs, what the page holds, the note. On both databases."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.records.lookups.people import CalendarRevision, Shift
from qualrec.work import bench, hand_over
from qualrec.work.bench import Entry
from qualrec.work.queue import Kept
from qualrec.work.target import find_target

BERLIN = ZoneInfo("Europe/Berlin")
SHIFTS = (Shift("early", 360), Shift("late", 840), Shift("night", 1320))
CALENDAR = (CalendarRevision(1, "Europe/Berlin", 0, 360, SHIFTS),)


def us(*moment: int) -> int:
    return int(datetime(*moment, tzinfo=BERLIN).astimezone(UTC).timestamp() * 1e6)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("at", "name", "begin"),
    [
        ((2026, 3, 2, 6, 0), "early", (2026, 3, 2, 6, 0)),
        ((2026, 3, 2, 13, 59), "early", (2026, 3, 2, 6, 0)),
        ((2026, 3, 2, 23, 30), "night", (2026, 3, 2, 22, 0)),
        ((2026, 3, 3, 5, 59), "night", (2026, 3, 2, 22, 0)),
        ((2026, 3, 29, 7, 0), "early", (2026, 3, 29, 6, 0)),
        ((2026, 10, 25, 5, 0), "night", (2026, 10, 24, 22, 0)),
    ],
)
def test_the_shift_that_runs(at: tuple[int, ...], name: str, begin: tuple[int, ...]) -> None:
    """Also over the nights in which the clock of the plant is put forward or back (EU: last Sunday of March, October)."""
    assert hand_over.shift_at(CALENDAR, us(*at), "UTC") == hand_over.ShiftSpan(name, us(*begin))


def test_without_a_calendar_the_last_eight_hours_count() -> None:
    at = us(2026, 3, 2, 12, 0)
    assert hand_over.shift_at((), at, "UTC") == hand_over.ShiftSpan("", us(2026, 3, 2, 4, 0))


def test_the_page_holds_what_was_done_is_open_and_waits(small_plant: Any) -> None:
    session = small_plant.as_badge("T-01")
    target = find_target(session, "FM00061", "PULL")
    for text in ("600", "601"):
        bench.log(session, target, [Entry(text, mode="cohesive")])
    bench.log(session, find_target(session, "FM00061", "TRN"), [Entry("23,4", stream="1")])
    small_plant.clock[0] += 60_000_000
    bench.log(session, target, [Entry("602", mode="interfacial")])
    bench.log_event(session, "stop", station="LW-1")
    hand_over.leave_note(session, "Glass 2 scratched")
    hand_over.take_over(small_plant.as_badge("T-02"))
    waits = Kept("a:1", "reading", small_plant.clock[0], "T-01", "", "FM00061  PULL 612 N", {})
    page = hand_over.page(session, waiting=[waits])
    assert [(e.number, e.code, e.n, e.person) for e in page.entered] == [
        ("FM00061", "PULL", 3, "Sample technician A"),
        ("U0061", "TRN", 1, "Sample technician A"),
    ]
    assert [r.number for r in page.held] == ["FM00061"]
    assert "interfacial failure" in {f.kind for f in page.flags}
    assert [e.kind for e in page.events] == ["stop"]
    assert [(n.position, n.person) for n in page.notes] == [
        (2, "Sample technician B"),
        (1, "Sample technician A"),
    ]
    text = hand_over.text(session, page)
    for words in (
        "HAND-OVER  Sample plant",
        "Lots on hold: 1",
        "Glass 2 scratched",
        "Sample technician B: taken over",
        "FM00061  3 PULL, Sample technician A",
        "Entries that wait on this machine: 1",
        "LW-1  stop, Sample technician A",
        "Entries refused: none",
    ):
        assert words in text, text


def test_a_note_without_words_and_of_an_auditor_is_refused(small_plant: Any) -> None:
    with pytest.raises(UsageError, match="empty"):
        hand_over.leave_note(small_plant.as_badge("T-01"), "  ")
    with pytest.raises(Refused, match="may not log events"):
        hand_over.take_over(small_plant.as_badge("A-01"))
