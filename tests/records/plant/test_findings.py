"""Flags, control limits and verdicts as they are stored."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import findings, lookups
from qualrec.records.ids import counter_of
from qualrec.values import Actor, Finding, Flag, LeftOut

DAY_US = 86_400_000_000


def finding(plant: Any, what: str = "reading 1", **more: Any) -> Finding:
    given: dict[str, Any] = {
        "kind": "interfacial failure",
        "level": "H",
        "scope": "reading",
        "what": what,
        "sentence": f"{what}: the parts came apart at the joint line.",
        "figures": {"value": 512.0, "share": float("nan"), "samples": 3, "mode": "interfacial", "none": None},
        "rule": "any interfacial failure",
        "source": "common practice, no source",
        "characteristic_id": plant.PULL,
        "reaction_plan": ("Stop the station.", "Call."),
        "at_us": plant.begin_us + 5,
    }
    return Finding(**{**given, **more})


def store(plant: Any, *found: Finding) -> tuple[int, ...]:
    return plant.do(findings.store_findings, plant.part, list(found))  # type: ignore[no-any-return]


def flag(plant: Any, flag_id: int) -> Flag:
    return plant.ask(lookups.flag, flag_id)  # type: ignore[no-any-return]


def test_findings_of_one_kind_on_one_lot_are_one_flag(plant: Any) -> None:
    lot, _ = plant.lot("A")
    other, _ = plant.lot("B")
    ids = store(
        plant,
        finding(plant, "reading 1", lot_id=lot),
        finding(plant, "reading 2", lot_id=lot, at_us=plant.begin_us + 6),
        finding(plant, "reading 1", lot_id=other),
        finding(plant, "position end", kind="mandatory sample missing", lot_id=lot),
    )
    assert len(set(ids)) == 3
    one = flag(plant, ids[0])
    assert [f.what for f in one.findings] == ["reading 1", "reading 2"]
    assert one.findings[0].figures == {
        "value": 512.0,
        "share": None,
        "samples": 3,
        "mode": "interfacial",
        "none": None,
    }
    assert (one.lot_number, one.code, one.part_number, one.state) == ("A", "PULL", "0042", "open")
    assert (one.reaction_plan, one.rules_version, one.opened_us) == (
        ("Stop the station.", "Call."),
        "1",
        plant.begin_us,
    )
    assert plant.rows("flag_finding") == 4


def test_judging_twice_adds_nothing(plant: Any) -> None:
    lot, _ = plant.lot("A")
    found = [finding(plant, f"reading {i}", lot_id=lot) for i in range(3)]
    assert len(store(plant, *found)) == 1
    before = plant.rows("trail")
    assert store(plant, *found) == ()
    assert store(plant, *reversed(found), found[0]) == ()
    assert plant.rows("trail") == before
    assert store(plant) == ()


def test_a_closed_flag_is_not_opened_by_the_same_finding(plant: Any) -> None:
    lot, _ = plant.lot("A")
    (first,) = store(plant, finding(plant, lot_id=lot))
    plant.do(findings.close_flag, first, "sorted, 3 parts scrapped")
    assert store(plant, finding(plant, lot_id=lot)) == ()
    assert flag(plant, first).state == "closed"
    (second,) = store(plant, finding(plant, lot_id=lot), finding(plant, "reading 9", lot_id=lot))
    assert second != first
    assert [f.what for f in flag(plant, second).findings] == ["reading 9"]
    assert [f.what for f in flag(plant, first).findings] == ["reading 1"]


def test_an_extended_flag_is_open_again_and_takes_the_highest_level(plant: Any) -> None:
    lot, _ = plant.lot("A")
    (one,) = store(plant, finding(plant, lot_id=lot, level="R", stream_id=plant.cavity1))
    assert flag(plant, one).stream == "cavity 1"
    plant.do(findings.acknowledge, one, "seen", by=plant.second)
    assert flag(plant, one).state == "acknowledged"
    assert store(plant, finding(plant, "reading 2", lot_id=lot, level="H", stream_id=plant.cavity2)) == (one,)
    now = flag(plant, one)
    assert (now.state, now.level, now.stream) == ("open", "H", "")
    assert [(a.kind, a.person) for a in now.actions] == [
        ("acknowledged", "Berta Example"),
        ("reopened", "Anna Example"),
    ]
    assert store(plant, finding(plant, "reading 3", lot_id=lot, level="I")) == (one,)
    assert flag(plant, one).level == "H"


def test_process_and_moulding_lot_flags_have_keys_of_their_own(plant: Any) -> None:
    lot, _ = plant.lot("A")
    process = finding(
        plant, "bound 12", kind="capability bound under the requirement", scope="process", level="R"
    )
    other = replace(process, what="bound 13", characteristic_id=plant.PATH)
    moulded = finding(plant, kind="transmission below the minimum", moulding_lot_id=plant.moulded)
    low = replace(moulded, moulding_lot_id=plant.moulded_low)
    on_lot = replace(moulded, lot_id=lot)
    assert len(set(store(plant, process, other, moulded, low, on_lot))) == 5
    assert store(plant, process, other, moulded, low, on_lot) == ()
    assert {f.moulding_lot for f in plant.ask(lookups.flags, scope="reading")} == {"U0001", "L0001"}
    assert [f.code for f in plant.ask(lookups.flags, scope="process", part="0042")] == ["PATH", "PULL"]


def test_only_a_person_with_an_action_closes_a_flag(plant: Any) -> None:
    lot, _ = plant.lot("A")
    (one,) = store(plant, finding(plant, lot_id=lot))
    with pytest.raises(UsageError, match="action is empty"):
        plant.do(findings.close_flag, one, "  ")
    with pytest.raises(Refused, match="cannot close a flag"):
        plant.do(findings.close_flag, one, "done", by=Actor(None, "program"))
    plant.do(findings.add_action, one, "glass cleaned")
    plant.do(findings.add_action, one, "looked at the glass", kind="note")
    plant.clock[0] += 1000
    plant.do(findings.close_flag, one, "cause was the glass", by=plant.second)
    closed = flag(plant, one)
    assert (closed.state, closed.closed_us) == ("closed", plant.clock[0])
    assert [(a.kind, a.what, a.person) for a in closed.actions] == [
        ("action", "glass cleaned", "Anna Example"),
        ("note", "looked at the glass", "Anna Example"),
        ("closed", "cause was the glass", "Berta Example"),
    ]
    for again in (findings.close_flag, findings.acknowledge, findings.add_action):
        with pytest.raises(Refused, match=f"Flag {counter_of(one)} is closed by Berta Example"):
            plant.do(again, one, "again")


def test_a_flag_is_reopened_with_a_reason(plant: Any) -> None:
    lot, _ = plant.lot("A")
    (one,) = store(plant, finding(plant, lot_id=lot))
    with pytest.raises(Refused, match="not closed"):
        plant.do(findings.reopen_flag, one, "why")
    plant.do(findings.close_flag, one, "done")
    plant.do(findings.reopen_flag, one, "the cause came back")
    assert (flag(plant, one).state, flag(plant, one).closed_us) == ("open", None)
    plant.do(findings.close_flag, one, "done")
    (other,) = store(plant, finding(plant, "reading 2", lot_id=lot))
    with pytest.raises(Refused, match=f"Flag {counter_of(other)} on the same"):
        plant.do(findings.reopen_flag, one, "why")


def test_unknown_levels_and_records_are_refused(plant: Any) -> None:
    with pytest.raises(UsageError, match="Level 'X'"):
        store(plant, finding(plant, level="X"))
    with pytest.raises(UsageError, match="What was found is empty"):
        store(plant, finding(plant, ""))
    with pytest.raises(UnknownRecord, match="no part with id 3"):
        plant.do(findings.store_findings, 3, [finding(plant)])
    with pytest.raises(UnknownRecord, match="no flag with id 3"):
        plant.do(findings.acknowledge, 3, "x")
    assert plant.rows("flag") == 0


# Control limits.


def limits(plant: Any, lots: list[int], **more: Any) -> int:
    given = {
        "centre": 610.0,
        "sigma": 12.0,
        "lower": 568.0,
        "upper": 652.0,
        "estimator": "moving range of lot means",
        "from_us": plant.begin_us + 10 * DAY_US,
        "used_lots": lots,
        "condition_id": plant.slow,
    }
    return plant.do(findings.store_limits, plant.PULL, **{**given, **more})  # type: ignore[no-any-return]


def test_frozen_limits_hold_until_the_next_ones_begin(plant: Any) -> None:
    lots = [plant.lot(str(i), day=i)[0] for i in range(3)]
    left = [LeftOut(lots[2], "2", "glass was dirty")]
    trial = limits(plant, lots[:2], left_out=left)
    at = plant.begin_us + 10 * DAY_US
    ask = {"condition_id": plant.slow}
    assert plant.ask(lookups.limits_in_force, plant.PULL, at, **ask) is None
    plant.do(findings.freeze_limits, trial, "30 lots, stable")
    second = limits(plant, lots, centre=615.0, from_us=at + 5 * DAY_US, state="frozen", reason="new glass")
    assert plant.ask(lookups.limits_in_force, plant.PULL, at - 1, **ask) is None
    held = plant.ask(lookups.limits_in_force, plant.PULL, at, **ask)
    assert (held.id, held.state, held.used_lots, held.left_out) == (
        trial,
        "superseded",
        tuple(lots[:2]),
        tuple(left),
    )
    assert plant.ask(lookups.limits_in_force, plant.PULL, at + 5 * DAY_US - 1, **ask).id == trial
    for moment in (at + 5 * DAY_US, None):
        assert plant.ask(lookups.limits_in_force, plant.PULL, moment, **ask).id == second
    assert [(one.version, one.state) for one in plant.ask(lookups.limits, plant.PULL, **ask)] == [
        (1, "superseded"),
        (2, "frozen"),
    ]
    assert plant.ask(lookups.limits, plant.PULL, condition_id=plant.fast) == ()
    every = plant.ask(lookups.all_limits_in_force, at)
    assert {key: one.id for key, one in every.items()} == {(plant.PULL, 0, plant.slow): trial}
    assert plant.ask(lookups.limits_by_id, second).person == "Anna Example"


def test_limits_are_found_by_any_condition_that_a_chart_may_mix(plant: Any) -> None:
    from qualrec.records import registry

    lots = [plant.lot("A")[0]]
    one = limits(plant, lots, state="frozen", reason="r")
    warm = plant.do(registry.get_or_add_condition, speed_mm_min=5.0, temperature_c=40.0)
    assert plant.ask(lookups.limits_in_force, plant.PULL, condition_id=warm).id == one


def test_new_trial_limits_supersede_the_trial_before(plant: Any) -> None:
    lots = [plant.lot("A")[0]]
    first, second = limits(plant, lots), limits(plant, lots)
    states = {one.id: one.state for one in plant.ask(lookups.limits, plant.PULL, condition_id=plant.slow)}
    assert states == {first: "superseded", second: "trial"}
    with pytest.raises(Refused, match="superseded, no trial"):
        plant.do(findings.freeze_limits, first, "r")


def test_frozen_limits_never_reach_back(plant: Any) -> None:
    lots = [plant.lot("A")[0]]
    limits(plant, lots, state="frozen", reason="r")
    with pytest.raises(Refused, match="old verdicts stay"):
        limits(plant, lots, state="frozen", reason="r", from_us=plant.begin_us)
    assert [one.version for one in plant.ask(lookups.limits, plant.PULL, condition_id=plant.slow)] == [1]


def test_limits_are_checked(plant: Any) -> None:
    lots = [plant.lot("A")[0]]
    wrong: tuple[tuple[str, dict[str, Any]], ...] = (
        ("Centre and upper", {"upper": 600.0}),
        ("Lower control limit and centre", {"lower": 611.0}),
        ("Sigma", {"sigma": -1.0}),
        ("need lots", {"used_lots": []}),
        ("twice", {"left_out": [LeftOut(lots[0], "A", "x")]}),
        ("reason for leaving out lot B", {"left_out": [LeftOut(9, "B", " ")]}),
        ("State 'old'", {"state": "old"}),
        ("reason is empty", {"state": "frozen"}),
        ("Chart 'x'", {"chart": "x"}),
    )
    for words, more in wrong:
        with pytest.raises(UsageError, match=words):
            limits(plant, lots, **more)
    with pytest.raises(UnknownRecord, match="no lot with id 9"):
        limits(plant, [9])
    with pytest.raises(Refused, match="cannot freeze limits"):
        plant.do(findings.freeze_limits, limits(plant, lots), "r", by=Actor(None, "program"))


# Verdicts.


def test_a_verdict_is_stored_once_and_judging_again_needs_a_reason(plant: Any) -> None:
    lot, _ = plant.lot("A")
    revision = plant.ask(lookups.characteristic, "0042", "PULL").revision_id

    def judge(verdict: str, **more: Any) -> int:
        given = {"figures": {"n": 5}, "characteristic_id": plant.PULL, "characteristic_revision_id": revision}
        return plant.do(findings.store_judgement, lot, verdict, **{**given, **more})  # type: ignore[no-any-return]

    first = judge("incomplete")
    assert judge("incomplete") == first
    second = judge("pass")
    assert second != first
    assert judge("incomplete") not in (first, second)
    other = plant.ask(lookups.characteristic, "0042", "PATH").revision_id
    with pytest.raises(Refused, match="judged by another revision"):
        judge("fail", characteristic_revision_id=other)
    judge("fail", characteristic_revision_id=other, rejudged="customer agreed to the new limit")
    assert [(j.verdict, j.rejudged) for j in plant.ask(lookups.judgements, lot, plant.PULL)] == [
        ("incomplete", ""),
        ("pass", ""),
        ("incomplete", ""),
        ("fail", "customer agreed to the new limit"),
    ]
    whole = plant.do(findings.store_judgement, lot, "fail", figures={})
    assert plant.ask(lookups.judgements, lot)[-1].id == whole
    with pytest.raises(UsageError, match="Verdict 'good'"):
        judge("good")
