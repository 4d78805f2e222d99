"""What begins on the line: delivery, moulding lot, lot, segment, end; rights; refusals that write nothing. Both databases."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from qualrec.errors import QualrecError, Refused, UnknownRecord, UsageError
from qualrec.records import lookups, trail
from qualrec.work import bench, definitions, opening, people
from qualrec.work.days import moment_of
from qualrec.work.target import find_target

Plant = Any


@pytest.fixture
def plant(small_plant: Plant) -> Plant:
    return small_plant


def test_from_the_delivery_to_the_first_pull(plant: Plant) -> None:
    """A real plant begins like this: resin comes in, both sides are moulded, a lot is welded, a part is pulled."""
    s = plant.as_badge("T-01")
    said = opening.receive(s, "R-9001", "PBT-GF30-NAT", received="2026-10-20", expires="2027-10-20")
    assert (
        said
        == "Delivery R-9001 of PBT-GF30-NAT (resin) entered, received 2026-10-20 00:00, good until 2027-10-20."
    )
    opening.receive(s, "R-9002", "PBT-GF30-NAT", kind="regrind")
    said = opening.mould(
        s, "1TU9001", "FM-2041", deliveries=["R-9001=70", "R-9002=30 %"], moulded="2026-10-21 14:00"
    )
    assert said.startswith("Moulding lot U9001 of FM-2041 ")
    assert said.endswith("moulded 2026-10-21 14:00 from R-9001=70, R-9002=30 %.")
    opening.mould(s, "L9001", "FM-2042")
    done = opening.weld(s, "FM90001", "FM-2040", upper="U9001", lower="L9001", station="LW-1", quantity=500)
    assert done.state == "open"
    assert done.sentences[0] == (
        "Lot FM90001 of FM-2040 Flow-meter housing opened: RC-2040 revision 1, LW-1, upper U9001, lower L9001."
    )
    assert done.sentences[1] == "It owes 5 PULL, 5 COL, 5 TTP, 20 TRN."
    with s.store.read() as conn:
        lot = lookups.lot(conn, "FM90001")
        assert lot.quantity == 500
        assert lot.started_us == plant.clock[0]
        assert lot.segment.operator == s.actor.name
        assert lot.segment.upper.deliveries == ("R-9001", "R-9002")
        fed = plant.rows("SELECT share_pct FROM moulding_parent ORDER BY share_pct")
    assert fed == [(30.0,), (70.0,)]
    target = find_target(s, "FM90001", "PULL")
    logged = bench.log(s, target, [bench.Entry("612,4", mode="cohesive")])
    assert logged.verdicts[0].answer == "pass"
    verdict = trail.verify(s.store)
    assert verdict.ok, verdict.faults


def test_a_lot_goes_on_with_another_moulding_lot_and_ends(plant: Plant) -> None:
    s = plant.as_badge("T-01")
    opening.mould(s, "U9001", "FM-2041")
    opening.mould(s, "U9002", "FM-2041")
    opening.weld(s, "FM90001", "FM-2040", upper="U9001", station="LW-1", began="2026-10-28 07:00")
    plant.clock[0] += 3_600_000_000
    done = opening.change(s, "FM90001", upper="U9002")
    assert "upper U9002" in done.sentences[0]
    assert "lower moulding lot not named" in done.sentences[0]
    with pytest.raises(UsageError, match="Nothing changes"):
        opening.change(s, "FM90001", upper="U9002", since="2026-10-28 08:00")
    plant.clock[0] += 3_600_000_000
    done = opening.end(s, "FM90001", quantity=480)
    assert done.state in ("awaiting tests", "on hold")
    assert "480 parts" in done.sentences[0]
    with s.store.read() as conn:
        lot = lookups.lot(conn, "FM90001")
    assert [g.upper.number for g in lot.segments] == ["U9001", "U9002"]
    assert lot.ended_us == plant.clock[0]
    with pytest.raises(Refused, match="ended"):
        opening.end(s, "FM90001")


WRONG: list[tuple[Callable[[Any], object], type[QualrecError], str]] = [
    (lambda s: opening.weld(s, "FM00061", "FM-2040", station="LW-1"), Refused, "FM00061"),
    (lambda s: opening.weld(s, "FM9", "FM-2041", station="LW-1"), UnknownRecord, "FM-2040"),
    (lambda s: opening.weld(s, "FM9", "FM-2040"), UsageError, "LW-1, LW-2"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", upper="U61"), UnknownRecord, "U61"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", upper="L0061"), Refused, "not of FM-2041"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", recipe="RC-1310/1"), Refused, "not one of part"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", recipe="RC-2040/7"), UnknownRecord, "revision 7"),
    (lambda s: opening.weld(s, "FM9", "VB-1310", station="LW-1"), Refused, "RC-1310/1"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", began="2999-01-01"), UsageError, "still to come"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", began="noon"), UsageError, "no moment"),
    (lambda s: opening.weld(s, "FM9", "FM-2040", station="LW-1", quantity=0), UsageError, "Quantity"),
    (lambda s: opening.weld(s, " ", "FM-2040", station="LW-1"), UsageError, "Lot number"),
    (lambda s: opening.receive(s, "R-1", "PBT"), UnknownRecord, "PBT"),
    (lambda s: opening.receive(s, "R-1", "PBT-GF30-NAT", kind="sand"), UsageError, "resin"),
    (lambda s: opening.receive(s, "R-1", "PBT-GF30-NAT", expires="2001-01-01"), UsageError, "expires before"),
    (lambda s: opening.mould(s, "U9", "FM-2041", deliveries=["R-77"]), UnknownRecord, "R-77"),
    (lambda s: opening.mould(s, "U9", "FM-2041", tool="T-99"), UsageError, "T-99"),
    (lambda s: opening.mould(s, "U0061", "FM-2041"), Refused, "U0061"),
    (lambda s: opening.change(s, "FM00099", upper="U0061"), UnknownRecord, "FM00099"),
    (lambda s: opening.decide_supply(s, "U0061", "on hold", reason=" "), UsageError, "reason"),
    (lambda s: opening.decide_supply(s, "U0061", "accepted", reason="fine"), Refused, "may not"),
    (lambda s: opening.decide_supply(s, "X1", "on hold", reason="wet"), UnknownRecord, "X1"),
]  # fmt: skip


@pytest.mark.parametrize(("wrong", "kind", "words"), WRONG)
def test_what_cannot_begin_is_refused_and_leaves_nothing(
    plant: Plant, wrong: Callable[[Any], object], kind: type[QualrecError], words: str
) -> None:
    before = plant.counts()
    with pytest.raises(kind) as caught:
        wrong(plant.as_badge("T-01"))
    assert words in f"{caught.value.message} {caught.value.remedy}"
    assert caught.value.remedy
    assert plant.counts() == before


def test_a_recipe_that_is_not_approved_is_welded_only_when_named_and_flagged(plant: Plant) -> None:
    done = opening.weld(plant.as_badge("T-01"), "VB90001", "VB-1310", recipe="RC-1310/1", station="LW-2")
    assert [f.kind for f in done.new_flags if "approved" in f.kind or "recipe" in f.kind]


def test_an_auditor_opens_nothing(plant: Plant) -> None:
    s = plant.as_badge("A-01")
    for act in (
        lambda: opening.receive(s, "R-1", "PBT-GF30-NAT"),
        lambda: opening.mould(s, "U9", "FM-2041"),
        lambda: opening.weld(s, "FM9", "FM-2040", station="LW-1"),
        lambda: opening.change(s, "FM00061", upper="U0061"),
        lambda: opening.end(s, "FM00061"),
        lambda: opening.decide_supply(s, "U0061", "on hold", reason="wet"),
    ):
        with pytest.raises(Refused, match="may not"):
            act()


def test_a_blocked_moulding_lot_holds_the_lots_it_went_into(plant: Plant) -> None:
    said = opening.decide_supply(plant.as_badge("T-01"), "U0061", "on hold", reason="transmission too low")
    assert said.startswith("Moulding lot U0061 is on hold.")
    with plant.store.read() as conn:
        assert lookups.moulding_lot(conn, "U0061").state == "on hold"
    said = opening.decide_supply(plant.as_badge("Q-01"), "U0061", "accepted", reason="measured anew")
    assert said.startswith("Moulding lot U0061 is accepted.")


def test_a_delivery_is_held_by_its_number(plant: Plant) -> None:
    s = plant.as_badge("Q-01")
    opening.receive(s, "R-9001", "PBT-GF30-NAT")
    assert opening.decide_supply(s, "R-9001", "refused", reason="wet") == "Delivery R-9001 is refused."
    with plant.store.read() as conn:
        assert lookups.delivery(conn, "R-9001").state == "refused"


def test_a_moment_is_one_of_the_plant(plant: Plant) -> None:
    """Europe/Berlin is an hour before UTC in winter and two in summer (IANA time zone data)."""
    s = plant.as_badge()
    winter = moment_of(s, "2026-11-30 07:30")
    assert moment_of(s, "2026-11-30T06:30+00:00") == winter
    assert moment_of(s, "2026-07-01 07:30") == moment_of(s, "2026-07-01T05:30+00:00")
    assert s.moment(moment_of(s, "2026-11-30")) == "2026-11-30 00:00"


def test_master_data_and_persons_are_not_everybodys(plant: Plant, tmp_path: Any) -> None:
    material = tmp_path / "m.toml"
    material.write_text(
        '[[material]]\ncode = "M1"\nsupplier = "invented"\npolymer = "PP"\ninfrared_role = "absorbing"\n',
        "utf-8",
    )
    person = tmp_path / "p.toml"
    person.write_text('[[person]]\nname = "Invented"\nbadge = "N-1"\nroles = ["quality engineer"]\n', "utf-8")
    for badge in ("A-01", "T-01"):
        with pytest.raises(Refused, match="may not define"):
            definitions.define_file(plant.as_badge(badge), material)
    with pytest.raises(Refused, match="may not manage people"):
        definitions.define_file(plant.as_badge("P-01"), person)
    with plant.store.read() as conn, pytest.raises(UnknownRecord):
        lookups.person_by_badge(conn, "N-1")
    assert definitions.define_file(plant.as_badge("P-01"), material).added == {"material": 1}
    assert definitions.define_file(plant.as_badge("X-01"), person).added == {"person": 1}


def test_persons_come_change_and_leave(plant: Plant) -> None:
    s = plant.as_badge("X-01")
    assert (
        people.add_person(s, "N-1", "Invented new", ["technician"])
        == "Invented new added with badge N-1: technician."
    )
    said = people.change_person(s, "N-1", give=["process engineer"], take=["technician"], reason="new post")
    assert said == "Invented new (N-1) is active: process engineer."
    people.change_person(s, "N-1", state="disabled", reason="left")
    with pytest.raises(Refused, match="disabled"):
        plant.as_badge("N-1")
    for wrong in (
        lambda: people.add_person(s, "N-2", "Nobody", []),
        lambda: people.change_person(s, "N-1", reason="none"),
        lambda: people.change_person(s, "X-01", state="disabled", reason="left"),
        lambda: people.change_person(s, "X-01", take=["administrator"], reason="left"),
        lambda: people.add_person(plant.as_badge("Q-01"), "N-3", "Nobody", ["technician"]),
    ):
        with pytest.raises((Refused, UsageError)):
            wrong()


def test_a_lot_from_a_measured_moulding_lot_opens_without_a_missing_first_off(plant: Plant) -> None:
    s = plant.as_badge("T-01")
    bench.log(s, find_target(s, "U0061", "TRN"), [bench.Entry("23,1")])
    done = opening.weld(s, "FM90001", "FM-2040", upper="U0061", station="LW-1")
    assert "first-off missing" not in [f.kind for f in done.new_flags]
