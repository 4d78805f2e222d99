"""Writing: rows, readings, corrections, and what is refused."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import FileRefused, QualrecError, Refused, UnknownRecord, UsageError
from qualrec.records import guards
from qualrec.records.chain import canonical, entry_digest
from qualrec.records.models import metadata
from qualrec.values import Actor

ROLLUP = "SELECT n, low, high, first, last FROM rollup WHERE subgroup = 0"


def test_reading_side_tables_sums_and_trail_come_together(site: Any) -> None:
    before = site.rows("SELECT count(*) FROM trail")[0][0]
    keys = site.add(
        site.reading(
            512.5, entered_text="512,5", decimals=1, pull=site.pull(), serial="A-0007", first_text="5125"
        ),
        site.reading(540.0, entered_text="540", pull=site.pull("interfacial")),
        site.reading(None, pull=site.pull("test fault", reason="grip slipped")),
    )
    assert [k.sample for k in keys] == [1, 2, 3]
    assert site.rows("SELECT sample, value FROM reading ORDER BY sample") == [
        (1, 512.5),
        (2, 540.0),
        (3, None),
    ]
    assert site.rows("SELECT entered_text, decimals, first_text FROM reading_entry ORDER BY sample")[0] == (
        "512,5",
        1,
        "5125",
    )
    assert site.rows("SELECT sample, mode, status FROM pull ORDER BY sample") == [
        (1, "cohesive", "valid"),
        (2, "interfacial", "valid"),
        (3, "test fault", "test fault"),
    ]
    assert site.rows("SELECT sample, serial FROM welded_unit") == [(1, "A-0007")]
    assert site.rows(ROLLUP) == [(2, 512.5, 540.0, 512.5, 540.0)]
    assert site.rows("SELECT mode, n, interfacial_sum_pct FROM mode_count ORDER BY mode") == [
        ("cohesive", 1, 0.0),
        ("interfacial", 1, 100.0),
        ("test fault", 1, 0.0),
    ]
    assert site.rows("SELECT count(*) FROM trail")[0][0] == before + 1
    assert site.rows("SELECT state, rows FROM batch") == [("accepted", 3)]
    assert site.faults() == []


def test_nothing_is_stored_where_the_block_raises(site: Any) -> None:
    before = site.rows("SELECT count(*) FROM trail")

    def fail_half_way() -> None:
        with site.store.write(site.actor) as writer:
            writer.add_readings([site.reading(1.0)])
            writer.insert("lot", {"number": "X", "part_id": site.part_id, "started_us": 1}, act="lot opened")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert site.rows("SELECT count(*) FROM reading") == [(0,)]
    assert site.rows("SELECT count(*) FROM rollup") == [(0,)]
    assert site.rows("SELECT count(*) FROM trail") == before
    assert site.rows("SELECT count(*) FROM lot WHERE number = 'X'") == [(0,)]
    assert site.faults() == []


def test_repeated_entry_adds_nothing(site: Any) -> None:
    with site.store.write(site.actor) as writer:
        first = writer.add_readings([site.reading(500.0), site.reading(501.0)], entry_key="station1-1")
    with site.store.write(site.actor) as writer:
        again = writer.add_readings([site.reading(500.0), site.reading(501.0)], entry_key="station1-1")
    assert not first.repeated
    assert again.repeated
    assert (again.batch_id, again.keys) == (first.batch_id, first.keys)
    assert site.rows("SELECT count(*) FROM reading") == [(2,)]
    assert site.faults() == []


def test_entry_key_belongs_to_a_plant(site: Any, set_up_plant: Any) -> None:
    other = set_up_plant(site.store, "P2")
    site.add(site.reading(500.0), entry_key="1")
    other.add(other.reading(600.0), entry_key="1")
    assert site.rows("SELECT count(*) FROM reading") == [(2,)]
    assert site.faults() == []


def test_sample_numbers(site: Any) -> None:
    two = {"characteristic_id": site.collapse}
    keys = site.add(site.reading(1.0), site.reading(2.0), site.reading(3.0, stream_id=site.stream))
    assert [k.sample for k in keys] == [1, 2, 1]
    assert [k.sample for k in site.add(site.reading(1.0, sample=7))] == [7]
    assert [k.sample for k in site.add(site.reading(1.0))] == [8]
    # A unit with a serial has one number in a lot, whatever is measured on it.
    assert [
        k.sample for k in site.add(site.reading(1.0, serial="U1"), site.reading(2.0, serial="U1", **two))
    ] == [9, 9]
    assert [k.sample for k in site.add(site.reading(2.0, serial="U2", **two))] == [10]
    assert [k.sample for k in site.add(site.reading(2.0, serial="U2"))] == [10]
    # Without a serial no number of a known unit is taken.
    assert [k.sample for k in site.add(site.reading(2.0, **two))] == [11]
    assert site.faults() == []


def test_serial_of_a_sample_does_not_change(site: Any) -> None:
    site.add(site.reading(1.0, sample=1, serial="A"))
    with pytest.raises(Refused, match="has the serial 'A', not 'B'"):
        site.add(site.reading(1.0, sample=1, serial="B", characteristic_id=site.collapse))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e301])
def test_a_value_that_is_no_number_is_refused(site: Any, value: float) -> None:
    with pytest.raises(Refused, match="no number that can be stored"):
        site.add(site.reading(1.0), site.reading(value))
    assert site.rows("SELECT count(*) FROM reading") == [(0,)]


def test_minus_zero_is_zero(site: Any) -> None:
    site.add(site.reading(-0.0))
    assert math.copysign(1, site.rows("SELECT value FROM reading")[0][0]) == 1
    assert site.faults() == []


@pytest.mark.parametrize(
    "more, words",
    [
        ({"value": None}, "has no value"),
        ({"value": 5.0, "pull": "test fault"}, "is a test fault and has a value"),
        ({"value": 5.0, "pull": "torn"}, "failure mode 'torn' is not known"),
        ({"value": 5.0, "sample": 0}, "not a sample number"),
        ({"value": 5.0, "subject_id": 99}, "There is no subject with id 99"),
        ({"value": 5.0, "characteristic_id": 99}, "There is no characteristic with id 99"),
        ({"value": 5.0, "stream_id": 99}, "There is no stream with id 99"),
        ({"value": 5.0, "condition_id": 99}, "There is no condition with id 99"),
        ({"value": 5.0, "serial": "x" * 81}, "80 are allowed"),
        ({"value": 5.0, "entered_text": "x\x00"}, "sign that cannot be stored"),
    ],
)
def test_refused_readings(site: Any, more: dict[str, Any], words: str) -> None:
    if "pull" in more:
        more = {**more, "pull": site.pull(more["pull"])}
    with pytest.raises(QualrecError, match=words) as caught:
        site.add(site.reading(**more))
    assert caught.value.remedy
    assert site.rows("SELECT count(*) FROM batch") == [(0,)]


@pytest.mark.parametrize(
    "shares, good",
    [
        ((25.0, 25.0, 25.0, 25.0), True),
        ((100.0, 0.0, 0.0, 0.0), True),
        ((33.3, 33.3, 33.3, 0.0), True),
        ((30.0, 30.0, 30.0, 0.0), False),
        ((50.0, 50.0, None, None), False),
        ((110.0, -10.0, 0.0, 0.0), False),
    ],
)
def test_shares_of_a_mixed_failure(site: Any, shares: tuple[Any, ...], good: bool) -> None:
    names = ("interfacial_pct", "cohesive_pct", "tear_pct", "parent_pct")
    reading = site.reading(5.0, pull=site.pull("mixed", **dict(zip(names, shares, strict=True))))
    if good:
        site.add(reading)
        assert site.rows("SELECT interfacial_sum_pct FROM mode_count") == [(shares[0],)]
        assert site.faults() == []
    else:
        with pytest.raises(Refused, match="share"):
            site.add(reading)


def test_a_characteristic_of_moulding_lots_is_not_entered_on_a_lot(site: Any) -> None:
    with pytest.raises(Refused, match="measured on a moulding lot"):
        site.add(site.reading(30.0, characteristic_id=site.transmission))
    site.add(site.reading(30.0, characteristic_id=site.transmission, subject_id=site.moulding_lot))
    with pytest.raises(Refused, match="measured on a lot"):
        site.add(site.reading(30.0, subject_id=site.moulding_lot))


def test_readings_of_another_plant_are_refused(site: Any, set_up_plant: Any) -> None:
    other = set_up_plant(site.store, "P2")
    with pytest.raises(Refused, match="belongs to plant"):
        site.add(other.reading(5.0))


def test_doubles_are_named(site: Any) -> None:
    site.add(site.reading(1.0, sample=3))
    with pytest.raises(FileRefused) as caught:
        site.add(site.reading(1.0, sample=2), site.reading(1.0, sample=3), site.reading(1.0, sample=2))
    assert [(p.row, p.message) for p in caught.value.problems] == [
        (2, "Sample 3 is already there."),
        (3, "Sample 2 comes twice."),
    ]
    assert site.rows("SELECT count(*) FROM reading") == [(1,)]


def test_update_holds_before_and_after(site: Any) -> None:
    with site.store.write(site.actor) as writer:
        writer.update(
            "lot", site.lots[0], {"state": "on hold", "version": 2}, act="lot held", why="interfacial failure"
        )
        seq = writer.conn.exec_driver_sql("SELECT max(seq) FROM trail").scalar()
    found = site.rows(f"SELECT content FROM trail WHERE seq = {seq + 1}")[0][0]
    assert '"before":{"state":"open","version":1}' in found
    assert '"after":{"state":"on hold","version":2}' in found
    assert '"why":"interfacial failure"' in found
    with site.store.write(site.actor) as writer:
        writer.update("lot", site.lots[0], {"state": "on hold"}, act="lot held")
    assert site.rows("SELECT max(seq) FROM trail")[0][0] == seq + 1
    assert site.faults() == []


def test_update_and_remove_with_a_key_of_several_columns(site: Any) -> None:
    role = {"person_id": site.person_id, "plant_id": site.plant_id, "role": "auditor"}
    with site.store.write(site.actor) as writer:
        writer.insert("role", role, act="role given")
    assert site.faults() == []
    with site.store.write(site.actor) as writer:
        writer.remove("role", role, act="role taken")
    assert site.rows("SELECT count(*) FROM role") == [(0,)]
    assert site.faults() == []
    with site.store.write(site.actor) as writer:
        writer.insert("role", role, act="role given")
    assert site.faults() == []


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda w, s: w.insert("reading", {}, act="x"), "written by the ledger only"),
        (lambda w, s: w.insert("nothing", {}, act="x"), "There is no table"),
        (lambda w, s: w.insert("lot", {"colour": 1}, act="x"), "no column 'colour'"),
        (
            lambda w, s: w.insert("lot", {"number": "L", "part_id": s.part_id}, act="x"),
            "lot.started_us is empty",
        ),
        (
            lambda w, s: w.insert("lot", {"number": "L" * 61, "part_id": 1, "started_us": 1}, act="x"),
            "60 are allowed",
        ),
        (
            lambda w, s: w.insert("lot", {"number": "L-001", "part_id": s.part_id, "started_us": 1}, act="x"),
            "already such",
        ),
        (
            lambda w, s: w.insert("lot", {"number": "L-9", "part_id": 5, "started_us": 1}, act="x"),
            "points to is not there",
        ),
        (
            lambda w, s: w.insert(
                "lot", {"number": "L-9", "part_id": s.part_id, "started_us": 1, "state": "?"}, act="x"
            ),
            "not allowed",
        ),
        (
            lambda w, s: w.insert("lot", {"number": 5, "part_id": s.part_id, "started_us": 1}, act="x"),
            "cannot hold 5",
        ),
        (lambda w, s: w.update("correction", 1, {"reason": "y"}, act="x"), "never changed"),
        (lambda w, s: w.update("lot", 1, {"state": "open"}, act="x"), "There is no lot with id 1"),
        (lambda w, s: w.update("lot", s.lots[0], {"id": 5}, act="x"), "no column 'id' that could change"),
        (lambda w, s: w.update("role", 1, {"role": "auditor"}, act="x"), "The key of role is"),
        (lambda w, s: w.remove("lot", s.lots[0], act="x"), "never removed"),
        (lambda w, s: w.new_subject("dog"), "not known"),
        (
            lambda w, s: w.insert("event", {"kind": "x", "at_us": 1, "entered_us": 1 << 63}, act="x"),
            "too large",
        ),
        (
            lambda w, s: w.insert(
                "gauge", {"code": "G", "name": "G", "family": "f", "resolution": math.nan}, act="x"
            ),
            "no number",
        ),
    ],
)
def test_refused_rows(site: Any, call: Any, words: str) -> None:
    before = site.rows("SELECT count(*) FROM trail")
    with pytest.raises(QualrecError, match=words), site.store.write(site.actor) as writer:
        call(writer, site)
    assert site.rows("SELECT count(*) FROM trail") == before


def test_a_long_text_is_refused_alike_everywhere() -> None:
    """SQLite would take it: the program keeps the length of every text column on both databases."""
    table = metadata.tables["lot"]
    with pytest.raises(Refused):
        guards.fit("lot", table.c.number, "x" * 61)


def test_attempt_is_kept(site: Any) -> None:
    with site.store.write(site.actor) as writer:
        writer.note_attempt(
            site.segments[0], site.force, entered_text="5430", value=5430.0, why="implausible, given up"
        )
    assert site.rows("SELECT entered_text, value, why FROM entry_attempt") == [
        ("5430", 5430.0, "implausible, given up")
    ]
    assert site.faults() == []


def test_before_a_plant_there_is_nothing_to_write(store: Any) -> None:
    with pytest.raises(UsageError, match="no plant yet"), store.write(Actor(None, "set-up")) as writer:
        writer.insert("person", {"name": "A", "badge": "1", "created_us": 1}, act="person added")


def test_several_plants_must_be_named(site: Any, set_up_plant: Any) -> None:
    set_up_plant(site.store, "P2")
    with pytest.raises(UsageError, match="several plants"), site.store.write(site.actor):
        pass


def test_a_plant_that_is_not_there(site: Any) -> None:
    with pytest.raises(UnknownRecord, match="no plant 77"), site.store.write(site.actor, 77):
        pass


def test_names_stand_in_the_chain_as_digests_only(site: Any) -> None:
    texts = "".join(row[0] for row in site.rows("SELECT content FROM trail"))
    assert "First Person" not in texts
    assert "P1-First" not in texts


def test_chain_can_be_recomputed_from_its_documentation(site: Any) -> None:
    """The digest rule of chain.py, written out here once more with hashlib and json alone."""
    import hashlib
    import json

    previous = "0" * 64
    rows = site.rows(
        "SELECT plant_id, seq, at_us, person_id, station_id, act, what_table, what_id, content, previous, digest"
        " FROM trail ORDER BY seq"
    )
    assert len(rows) > 10
    for row in rows:
        assert row[9] == previous
        listed = json.dumps([*row[:9], previous], separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(listed.encode()).hexdigest()
        assert row[10] == previous == entry_digest(*row[:10])
    assert site.rows("SELECT seq, digest FROM trail_head") == [(rows[-1][1], previous)]


@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.integers()
        | st.floats(allow_nan=False, allow_infinity=False)
        | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=10,
    )
)
def test_canonical_text_is_read_back_and_stable(content: Any) -> None:
    import json

    shown = canonical(content)
    assert json.loads(shown) == content
    assert canonical(json.loads(shown)) == shown


def test_ids_carry_the_plant_and_never_repeat(site: Any) -> None:
    from qualrec.records.ids import BLOCK, plant_of

    found: list[int] = []
    for round_ in range(4):
        try:
            with site.store.write(site.actor) as writer:
                found += [writer.new_id() for _ in range(BLOCK - 7)]
                if round_ == 1:
                    raise ZeroDivisionError
        except ZeroDivisionError:
            # The ids of a transaction that was rolled back name nothing and may come again.
            del found[-(BLOCK - 7) :]
    assert len(set(found)) == len(found)
    assert {plant_of(i) for i in found} == {site.plant_id}
    top = site.rows("SELECT next_value FROM id_counter")[0][0]
    assert max(found) & ((1 << 40) - 1) < top
