"""A reading of an instrument on its way into a lot: the link gives the value, the person the failure mode."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import ImplausibleValue, Refused, UsageError
from qualrec.intake.line_protocol import LineProfile, LineReader, LineReading
from qualrec.intake.links import LinkLost
from qualrec.records import trail
from qualrec.work import bench, links
from qualrec.work.links import Asked, LinkQueue, load_link, take_reading, understood_of
from qualrec.work.sample_files import locate
from qualrec.work.target import find_target


def never(reason: str) -> str:
    raise AssertionError(reason)


def reading(line: str) -> LineReading:
    reader = LineReader(load_link(locate("force_gauge_link.toml")))
    reader.begin(silent_before=True)
    found = reader.feed(f"{line}\r\n".encode())[0]
    assert isinstance(found, LineReading)
    return found


class Script:
    """A source that gives pieces of bytes one after the other, then is lost."""

    def __init__(self, *pieces: bytes) -> None:
        self.pieces = list(pieces)

    def read(self, wait_s: float) -> bytes:
        if not self.pieces:
            raise LinkLost("gone")
        return self.pieces.pop(0)

    def close(self) -> None:
        return


def pulls(plant: Any) -> list[tuple[Any, ...]]:
    return plant.rows(
        "SELECT r.sample, r.value, p.mode, e.entered_text FROM reading r"
        " JOIN pull p ON p.subject_id = r.subject_id AND p.characteristic_id = r.characteristic_id AND p.sample = r.sample"
        " JOIN reading_entry e ON e.subject_id = r.subject_id AND e.characteristic_id = r.characteristic_id"
        " AND e.sample = r.sample ORDER BY 1"
    )


def test_a_pull_of_a_link_is_stored_once_with_what_the_instrument_sent(small_plant: Any) -> None:
    s = small_plant.as_badge("T-01")
    sent = reading("T 137.25 LB")
    for _ in range(2):  # sent again after a lost connection
        done = take_reading(s, "FM00061", "PULL", sent, Asked("p"), key="link:1:1", again=never)
    assert done.repeated
    assert pulls(small_plant) == [
        (1, pytest.approx(137.25 * 4.4482216152605, rel=1e-12), "parent material", "137.25 lbf")
    ]
    take_reading(s, "FM00061", "PULL", reading("401.200 N"), Asked("i"), key="link:1:2", again=never)
    assert pulls(small_plant)[1][1:3] == (401.2, "interfacial")
    assert trail.verify(small_plant.store).ok


def test_shares_and_the_repeat_after_a_test_fault(copied_plant: Any) -> None:
    s = copied_plant.as_badge("T-01")
    take_reading(s, "FM00061", "PULL", reading("3 N"), Asked("x"), key="a", again=never)
    take_reading(s, "FM00061", "PULL", reading("600 N"), Asked("m", "0/60/10/30"), key="b", again=never)
    found = copied_plant.rows("SELECT mode, cohesive_pct, repeat_of FROM pull ORDER BY sample")
    assert found == [("test fault", None, None), ("mixed", 60.0, 1)]


def test_a_value_far_from_the_usual_is_asked_for_on_the_display(copied_plant: Any) -> None:
    s = copied_plant.as_badge("T-01")
    target = find_target(s, "FM00060", "PULL")
    bench.log(s, target, [bench.Entry(str(600 + i), mode="cohesive") for i in range(30)])
    asked: list[str] = []

    def answer(text: str) -> Any:
        return lambda reason: asked.append(reason) or text

    far = reading("1900 N")
    with pytest.raises(ImplausibleValue):
        take_reading(s, "FM00060", "PULL", far, Asked("c"), key="a", again=answer(""))
    with pytest.raises(ImplausibleValue):
        take_reading(s, "FM00060", "PULL", far, Asked("c"), key="b", again=answer("1700"))
    done = take_reading(s, "FM00060", "PULL", far, Asked("c"), key="c", again=answer("1900"))
    assert done.rows[0].value == 1900.0
    assert len(asked) == 3


def test_what_cannot_be_taken_is_said_and_stores_nothing(copied_plant: Any) -> None:
    s = copied_plant.as_badge("T-01")
    with pytest.raises(UsageError, match="mode is missing"):
        take_reading(s, "FM00061", "PULL", reading("600 N"), Asked(), key="a", again=never)
    with pytest.raises(UsageError, match="not four shares"):
        take_reading(s, "FM00061", "PULL", reading("600 N"), Asked("m"), key="b", again=never)
    c = find_target(s, "FM00061", "COL").characteristic
    with pytest.raises(UsageError):
        understood_of(c, reading("600 N"))  # a force where a length is measured
    with pytest.raises(Refused, match="may not log readings"):
        take_reading(
            copied_plant.as_badge("A-01"),
            "FM00061",
            "PULL",
            reading("600 N"),
            Asked("c"),
            key="c",
            again=never,
        )
    assert pulls(copied_plant) == []


def test_events_wait_in_a_queue_and_the_thread_ends() -> None:
    given = LineProfile("gauge", "(?P<value>[0-9.]+)", unit="N", address="x", whole_lines=True)
    before = threading.active_count()
    with LinkQueue(given, lambda profile, address: Script(b"1.5\r\n2.5\r\n", b"3")) as queue:
        events = list(first(queue, 5))
    assert [e.kind for e in events] == ["connected", "reading", "reading", "trouble", "lost"]
    assert threading.active_count() == before


def first(queue: LinkQueue, count: int) -> Iterator[links.LinkEvent]:
    for _ in range(count):
        event = queue.next(5.0)
        assert event is not None
        yield event


def test_wrong_settings_reach_the_reader_of_the_queue() -> None:
    with (
        LinkQueue(LineProfile("gauge", "(?P<value>[0-9.]+)", unit="N", address="tcp://h")) as queue,
        pytest.raises(UsageError),
    ):
        queue.next(5.0)


def test_link_files_that_cannot_be_used(tmp_path: Path) -> None:
    path = tmp_path / "link.toml"
    with pytest.raises(UsageError, match="cannot be read"):
        load_link(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(UsageError, match="UTF-8"):
        load_link(path)
    path.write_text("form = 1\nname = 'x'\npattern = '(?P<value>.)'\nunit = 'N'\n", encoding="utf-8")
    with pytest.raises(UsageError, match="no address"):
        load_link(path)
    assert load_link(path, "COM9").address == "COM9"
