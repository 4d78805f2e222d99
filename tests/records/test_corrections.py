"""Corrections: the reading stays as entered, what counts changes, and the sums follow."""

from __future__ import annotations

import math
from typing import Any

import pytest

from qualrec.errors import QualrecError, Refused, UnknownRecord
from qualrec.values import ReadingKey

ROLLUP = "SELECT n, low, high, first, last FROM rollup WHERE subgroup = 0"


def test_correction_of_a_value(site: Any) -> None:
    first, second = site.add(site.reading(500.0, pull=site.pull()), site.reading(5400.0, pull=site.pull()))
    with site.store.write(site.actor) as writer:
        done = writer.correct(
            second, kind="value", new_value=540.0, reason="typed a nought too many", entered_text="540"
        )
    assert (done.old_value, done.new_value, done.lot_number, done.code) == (5400.0, 540.0, "L-001", "F")
    assert (done.person, done.old_mode, done.key) == ("First Person", "cohesive", second)
    assert site.rows("SELECT value FROM reading WHERE sample = 2") == [(5400.0,)]
    assert site.rows(ROLLUP) == [(2, 500.0, 540.0, 500.0, 540.0)]
    with site.store.write(site.actor) as writer:
        again = writer.correct(
            second, kind="value", new_value=545.0, reason="read again", second_person_id=site.second_id
        )
    assert (again.old_value, again.second_person) == (540.0, "Second Person")
    assert site.rows("SELECT position FROM correction ORDER BY position") == [(1,), (2,)]
    assert site.rows(ROLLUP) == [(2, 500.0, 545.0, 500.0, 545.0)]
    assert first.sample == 1
    assert site.faults() == []


def test_void_and_back(site: Any) -> None:
    key, _ = site.add(
        site.reading(500.0, pull=site.pull("interfacial")), site.reading(520.0, pull=site.pull())
    )
    with site.store.write(site.actor) as writer:
        writer.correct(key, kind="void", reason="wrong specimen")
    assert site.rows(ROLLUP) == [(1, 520.0, 520.0, 520.0, 520.0)]
    assert site.rows("SELECT mode, n FROM mode_count") == [("cohesive", 1)]
    with site.store.write(site.actor) as writer:
        back = writer.correct(key, kind="value", new_value=500.0, reason="it was the right one")
    assert back.old_value is None
    assert site.rows(ROLLUP) == [(2, 500.0, 520.0, 500.0, 520.0)]
    assert site.rows("SELECT mode, n FROM mode_count ORDER BY mode") == [("cohesive", 1), ("interfacial", 1)]
    assert site.faults() == []


def test_void_of_the_only_reading_leaves_no_sums(site: Any) -> None:
    (key,) = site.add(site.reading(500.0))
    with site.store.write(site.actor) as writer:
        writer.correct(key, kind="void", reason="wrong lot")
    assert site.rows("SELECT count(*) FROM rollup") == [(0,)]
    assert site.faults() == []


def test_correction_of_a_mode(site: Any) -> None:
    key, fault = site.add(
        site.reading(500.0, pull=site.pull("cohesive")), site.reading(None, pull=site.pull("test fault"))
    )
    with site.store.write(site.actor) as writer:
        done = writer.correct(key, kind="mode", new_mode="interfacial", reason="seen under the microscope")
    assert (done.old_mode, done.new_mode, done.old_value) == ("cohesive", "interfacial", 500.0)
    assert site.rows("SELECT mode, n, interfacial_sum_pct FROM mode_count ORDER BY mode") == [
        ("interfacial", 1, 100.0),
        ("test fault", 1, 0.0),
    ]
    with site.store.write(site.actor) as writer:
        writer.correct(key, kind="mode", new_mode="test fault", reason="grip slipped")
    assert site.rows("SELECT count(*) FROM rollup") == [(0,)]
    with site.store.write(site.actor) as writer, pytest.raises(Refused, match="is a test fault"):
        writer.correct(fault, kind="value", new_value=1.0, reason="x")
    with site.store.write(site.actor) as writer:
        writer.correct(fault, kind="mode", new_mode="cohesive", reason="it was a pull")
        writer.correct(fault, kind="value", new_value=480.0, reason="from the tester's own log")
    assert site.rows(ROLLUP) == [(1, 480.0, 480.0, 480.0, 480.0)]
    assert site.faults() == []


@pytest.mark.parametrize(
    "more, words",
    [
        ({"kind": "value", "new_value": 1.0, "reason": "  "}, "needs a reason"),
        ({"kind": "value", "reason": "x"}, "needs the new value"),
        ({"kind": "value", "new_value": math.nan, "reason": "x"}, "no number"),
        ({"kind": "value", "new_value": 500.0, "reason": "x"}, "is the value that stands"),
        ({"kind": "mode", "new_mode": "cohesive", "reason": "x"}, "is the one that stands"),
        ({"kind": "mode", "new_mode": "torn", "reason": "x"}, "not known"),
        ({"kind": "mode", "new_mode": "mixed", "reason": "x"}, "needs its shares"),
        ({"kind": "other", "reason": "x"}, "not known"),
        ({"kind": "void", "new_value": 1.0, "reason": "x"}, "Only a correction of the value"),
        ({"kind": "void", "reason": "x", "second_person_id": 1}, "second person is not known"),
        ({"kind": "void", "reason": "x", "second_person_id": "self"}, "Another person must confirm"),
    ],
)
def test_refused_corrections(site: Any, more: dict[str, Any], words: str) -> None:
    (key,) = site.add(site.reading(500.0, pull=site.pull()))
    if more.get("second_person_id") == "self":
        more = {**more, "second_person_id": site.person_id}
    with pytest.raises(QualrecError, match=words), site.store.write(site.actor) as writer:
        writer.correct(key, **more)
    assert site.rows("SELECT count(*) FROM correction") == [(0,)]


def test_correction_of_what_is_not_there(site: Any) -> None:
    with pytest.raises(UnknownRecord), site.store.write(site.actor) as writer:
        writer.correct(ReadingKey(site.segments[0], site.force, 0, 1), kind="void", reason="x")
