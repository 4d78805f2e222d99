"""The release gate."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge import kinds
from qualrec.judge.gate import Leave, release_gate
from qualrec.judge.kinds import make_finding
from qualrec.judge.verdict import judge_characteristic
from qualrec.values import Flag, FlagFinding

KINDS = (kinds.OUTSIDE_SPECIFICATION, kinds.GAUGE_OVERDUE)


def flag(level: str, state: str = "open", **changes: object) -> Flag:
    plain = Flag(
        id=1,
        kind=kinds.OUTSIDE_SPECIFICATION if level == "H" else kinds.GAUGE_OVERDUE,
        level=level,
        scope="lot",
        state=state,
        part_number="P-1",
        lot_id=21,
        lot_number="LOT-1",
        moulding_lot="",
        characteristic_id=11,
        code="PULL",
        stream="",
        rule="r",
        source="s",
        reaction_plan=(),
        findings=(FlagFinding("w", "449 N is below the limit.", {}, 0),),
        actions=(),
        opened_us=0,
        closed_us=None,
        rules_version="1",
        program_version="0",
    )
    return replace(plain, **changes)


def test_nothing_stands_against_a_clean_lot(made) -> None:
    gate = release_gate(made.lot(), (), ())
    assert (gate.answer, gate.may_release, gate.reasons) == ("open", True, ())


@pytest.mark.parametrize(
    ("level", "state", "answer"),
    [
        ("H", "open", "blocked"),
        ("H", "acknowledged", "blocked"),
        ("H", "closed", "open"),
        ("R", "open", "needs a note"),
        ("R", "acknowledged", "needs a note"),
        ("R", "closed", "open"),
        ("I", "open", "open"),
    ],
)
def test_only_a_closed_flag_frees(made, level: str, state: str, answer: str) -> None:
    gate = release_gate(made.lot(), (), (flag(level, state),))
    assert gate.answer == answer
    assert gate.may_release == (answer == "open")


def test_a_process_flag_never_blocks_a_lot(made) -> None:
    assert release_gate(made.lot(), (), (flag("R", scope="process"),)).answer == "open"


def test_a_finding_not_yet_stored_counts_as_an_open_flag(made) -> None:
    finding = make_finding(kinds.OUTSIDE_SPECIFICATION, "new", "s", {}, made.pull)
    assert release_gate(made.lot(), (), (), (finding,)).answer == "blocked"
    stored = flag("H", "closed", findings=(FlagFinding("new", "s", {}, 0),))
    assert release_gate(made.lot(), (), (stored,), (finding,)).answer == "open"
    other = flag("H", "closed", findings=(FlagFinding("old", "s", {}, 0),))
    assert release_gate(made.lot(), (), (other,), (finding,)).answer == "blocked"


def test_missing_mandatory_samples_block_before_they_are_due_and_are_named_once(made) -> None:
    owed = made.owed(made.pull, "end", 3, 1)
    gate = release_gate(made.lot(owed=(owed,)), (), ())
    assert [r.sentence for r in gate.reasons] == [
        "Pull force: 2 of 3 mandatory samples missing at position end."
    ]
    finding = make_finding(kinds.SAMPLE_MISSING, "position end", "missing", {}, made.pull)
    assert len(release_gate(made.lot(owed=(owed,)), (), (), (finding,)).reasons) == 1
    free = release_gate(made.lot(owed=(replace(owed, mandatory=False),)), (), ())
    assert free.answer == "open"


def test_a_failing_or_incomplete_verdict_blocks_where_no_flag_accounts_for_it(made) -> None:
    bad = judge_characteristic(made.pull, [made.reading(made.pull, 400.0)])
    assert release_gate(made.lot(), (bad,), ()).answer == "blocked"
    assert release_gate(made.lot(), (bad,), (flag("H", "closed"),)).answer == "open"
    modeless = judge_characteristic(made.pull, [made.reading(made.pull, 600.0, pull=None)])
    assert release_gate(made.lot(), (modeless,), ()).answer == "blocked"
    unknown = judge_characteristic(made.pull, [])
    assert release_gate(made.lot(), (unknown,), ()).answer == "open"


@pytest.mark.parametrize("state", ["released", "scrapped", "shipped", "suspect, shipped"])
def test_an_ended_lot_has_nothing_to_release(made, state: str) -> None:
    gate = release_gate(made.lot(state=state), (), ())
    assert gate.answer == "decided"
    assert not gate.may_release
    assert state in gate.sentence


@pytest.mark.parametrize(
    ("leave", "answer", "words"),
    [
        (Leave("K-1", None, None, "r", True), "by concession", ""),
        (Leave("K-1", 500, 100, "r", True), "by concession", ""),
        (Leave("K-1", None, 99, "r", True), "blocked", "has run out"),
        (Leave("K-1", None, None, "r", False), "blocked", "is not signed"),
        (Leave("K-1", 200, None, "r", True), "by concession", "covers 200 parts, the lot holds 500"),
        (Leave("K-1", 0, None, "r", True), "blocked", "is used up"),
    ],
)
def test_a_concession(made, leave: Leave, answer: str, words: str) -> None:
    gate = release_gate(made.lot(), (), (flag("H"),), (), (leave,), now_us=100)
    assert gate.answer == answer
    assert any(words in r.sentence for r in gate.reasons)
    if answer == "by concession":
        assert gate.sentence == "Lot LOT-1 may be released only under concession K-1."
        assert not gate.may_release


def test_reasons_come_worst_first(made) -> None:
    gate = release_gate(made.lot(), (), (flag("I", id=3), flag("R", id=2), flag("H", id=1)))
    assert [r.effect for r in gate.reasons] == ["blocks", "needs a note", "informs"]
    assert len(gate.of("blocks")) == 1
