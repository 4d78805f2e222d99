"""Use cases of bench and review on the sample plant: units, commas, blind entries, corrections, roles, the gate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from qualrec.config import Settings
from qualrec.errors import AmbiguousNumber, ImplausibleValue, Refused, UnknownRecord, UsageError
from qualrec.records import lookups, registry, trail
from qualrec.values import Characteristic
from qualrec.weld.failure_modes import Shares
from qualrec.work import bench, corrections, lots, review
from qualrec.work.rights import RIGHTS, require
from qualrec.work.session import Session, open_session
from qualrec.work.target import find_target, scanned


@pytest.fixture
def technician(plant_url: str) -> Iterator[Session]:
    with open_session(Settings(plant_url, badge="T-01")) as session:
        yield session


@pytest.fixture
def quality(plant_url: str) -> Iterator[Session]:
    with open_session(Settings(plant_url, badge="Q-01")) as session:
        yield session


def pull(session: Session, text: str, mode: str = "parent material", **more: object) -> bench.Logged:
    target = find_target(session, "FM00061", "PULL")
    return bench.log(session, target, [bench.Entry(text, mode=mode, **more)])  # type: ignore[arg-type]


FORCE = Characteristic(
    1,
    1,
    1,
    0,
    1,
    "PULL",
    "Pull force",
    "lot",
    "measured",
    "pull force",
    "N",
    plausible_low=0.0,
    plausible_high=5000.0,
)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("612,4", 612.4),
        ("612.4", 612.4),
        ("0,6124 kN", 612.4),
        ("137.67 lbf", 137.67 * 4.4482216152605),
        ("1 234,5", 1234.5),
    ],
)
def test_typed_forces_are_understood_in_newtons(text: str, value: float) -> None:
    """1 lbf = 4.4482216152605 N by definition (international pound and standard gravity)."""
    assert bench.understand_typed(FORCE, text).value == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize("text", ["-5", "5001", "600 mm", "abc", "", "nan", "1e9"])
def test_what_cannot_be_a_force_is_refused_in_words(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        bench.understand_typed(FORCE, text)
    assert caught.value.message
    assert caught.value.remedy


def test_a_number_with_two_readings_carries_both() -> None:
    with pytest.raises(AmbiguousNumber) as caught:
        bench.understand_typed(FORCE, "1.234")
    assert {value for _, value in caught.value.readings} == {1.234, 1234.0}


def test_a_missing_mode_stores_nothing(technician: Session) -> None:
    with pytest.raises(UsageError, match="failure mode is missing"):
        pull(technician, "600", mode="")
    with technician.store.read() as conn:
        assert lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL") == ()


def test_an_implausible_value_is_kept_as_not_taken_and_asked_again(technician: Session) -> None:
    with pytest.raises(ImplausibleValue):
        pull(technician, "61,2")
    done = pull(technician, "61,2", again="612")
    assert (done.rows[0].value, done.rows[0].first_text) == (612.0, "61,2")
    same = pull(technician, "61,2", again="61.2")
    assert same.rows[0].value == 61.2
    with technician.store.read() as conn:
        acts = [row.act for row in lookups.trail_rows(conn, limit=40)]
    assert "entry not taken" in acts


def test_an_interfacial_pull_holds_the_lot_whatever_its_force(technician: Session) -> None:
    done = pull(technician, "690", mode="interfacial")
    assert done.held
    assert done.state == "on hold"
    assert done.reaction_plan
    assert any(f.kind == "interfacial failure" and f.level == "H" for f in done.new_flags)


def test_a_value_under_the_limit_holds_the_lot(technician: Session) -> None:
    done = pull(technician, "340")
    assert done.verdicts[0].answer == "fail"
    assert done.state == "on hold"


def test_a_test_fault_gives_no_value_and_the_repeat_stays_owed(technician: Session) -> None:
    before = sum(o.missing for o in bench.open_lot(technician, "FM00061").owed if o.code == "PULL")
    done = pull(technician, "12", mode="test fault")
    assert done.rows[0].value is None
    assert sum(o.missing for o in done.owed if o.code == "PULL") == before
    again = pull(technician, "600", repeat_of=done.rows[0].key.sample, reason="grip slipped")
    assert again.rows[0].pull is not None
    assert again.rows[0].pull.repeat_of == done.rows[0].key.sample


def test_mixed_shares_have_to_sum_to_100(technician: Session) -> None:
    done = pull(technician, "600", mode="mixed", shares=Shares(0, 60, 10, 30))
    assert done.verdicts[0].answer == "pass"
    with pytest.raises(UsageError, match="100"):
        bench.read_shares("0/60/10/20")
    with pytest.raises(UsageError, match="four shares"):
        bench.read_shares("60/40")


def test_the_same_entry_sent_twice_is_stored_once(technician: Session) -> None:
    target = find_target(technician, "FM00061", "PULL")
    entry = bench.Entry("600", mode="cohesive")
    first = bench.log(technician, target, [entry], entry_key="once")
    second = bench.log(technician, target, [entry], entry_key="once")
    assert second.repeated
    assert second.rows[0].key == first.rows[0].key


def test_transmission_typed_on_a_lot_hangs_on_its_upper_moulding_lot(technician: Session) -> None:
    target = find_target(technician, "FM00061", "TRN")
    assert target.name == "U0061"
    done = bench.log(technician, target, [bench.Entry("23,4")], stream="2")
    assert done.rows[0].stream == "2"
    by_moulding = find_target(technician, "U0061", "TRN")
    assert by_moulding.subject_id == target.subject_id
    with pytest.raises(UnknownRecord, match="PULL"):
        find_target(technician, "U0061", "PULL")


def test_a_correction_that_changes_the_verdict_needs_a_second_person(technician: Session) -> None:
    pull(technician, "340")
    with pytest.raises(Refused, match="would change"):
        corrections.correct_text(technician, "FM00061", "PULL", 1, reason="digits exchanged", value="430")
    done = corrections.correct_text(
        technician, "FM00061", "PULL", 1, reason="digits exchanged", value="430", second_badge="Q-01"
    )
    assert "430" in done.sentence
    with technician.store.read() as conn:
        (row,) = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
        assert (row.value, row.original, row.corrected) == (430.0, 340.0, True)
        assert lookups.lot(conn, "FM00061").state == "on hold"


def test_a_void_stays_visible(technician: Session) -> None:
    pull(technician, "600")
    corrections.correct_text(technician, "FM00061", "PULL", 1, reason="wrong part", second_badge="Q-01")
    with technician.store.read() as conn:
        (row,) = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
    assert row.void
    assert row.original == 600.0


def test_unknown_names_say_near_ones(technician: Session) -> None:
    with pytest.raises(UnknownRecord, match="FM0061") as caught:
        bench.open_lot(technician, "FM0061")
    assert "FM00061" in caught.value.remedy
    with pytest.raises(UnknownRecord, match="PUL"):
        find_target(technician, "FM00061", "PUL")


def test_a_scanned_label_loses_its_data_identifier_and_control_signs() -> None:
    assert scanned("\x1d1TFM00061\r\n") == "FM00061"
    assert scanned(" 00123 ") == "00123"


def test_release_is_refused_with_everything_that_stands_against_it(quality: Session) -> None:
    with pytest.raises(Refused) as caught:
        lots.dispose(quality, "FM00053", "release", reason="looks fine")
    assert "outside the qualified window" in caught.value.message
    with quality.store.read() as conn:
        assert lookups.lot(conn, "FM00053").state == "on hold"


def test_use_as_is_needs_a_concession(quality: Session) -> None:
    with pytest.raises(Refused, match="no concession"):
        lots.dispose(quality, "FM00053", "use as is", reason="customer agrees")
    lots.give_concession(quality, "FM00053", "CON-7", reason="customer agrees", quantity=600)
    done = lots.dispose(quality, "FM00053", "use as is", reason="customer agrees", concession="CON-7")
    assert "released under concession" in done


def test_flags_closed_with_their_action_open_the_gate(quality: Session) -> None:
    page = lots.lot_page(quality, "FM00054")
    for flag in page.flags:
        if flag.state != "closed" and flag.level in ("H", "R"):
            lots.close_flag(quality, flag.id, "Five more pulls good, section seen")
    assert "release" in lots.dispose(quality, "FM00054", "release", reason="all seen")
    with quality.store.read() as conn:
        signatures = lookups.signatures(conn, "lot", page.lot.id)
        assert signatures[-1].meaning == "released"
        assert len(signatures[-1].digest) == 64
    assert trail.verify(quality.store).ok


def test_a_lot_that_another_station_changed_says_so(quality: Session) -> None:
    seen = lots.lot_page(quality, "FM00055").lot.version
    lots.dispose(quality, "FM00055", "scrap", reason="energy too low")
    with pytest.raises(Refused):
        lots.dispose(quality, "FM00055", "hold", reason="look again", expected_version=seen)


@pytest.mark.parametrize("act", sorted(RIGHTS))
def test_every_act_is_refused_to_those_without_its_role(quality: Session, act: str) -> None:
    visitor = replace(quality.actor, name="Visitor", roles=frozenset())
    with pytest.raises(Refused, match="may not"):
        require(visitor, act)
    require(replace(visitor, roles=RIGHTS[act]), act)


def test_limits_are_frozen_only_with_a_reason_and_supersede_the_old_ones(quality: Session) -> None:
    trial = review.limits(quality, "FM-2040", "COL", until="FM00059")
    assert not trial.frozen
    with pytest.raises(UsageError, match="reason"):
        review.limits(quality, "FM-2040", "COL", freeze=True)
    done = review.limits(
        quality,
        "FM-2040",
        "COL",
        leave_out={"FM00002": "wrong nest"},
        until="FM00059",
        freeze=True,
        reason="two nests now",
    )
    assert done.version == 2
    with quality.store.read() as conn:
        made = lookups.limits_by_id(conn, done.limits_id or 0)
        history = lookups.limits(conn, made.characteristic_id, made.stream_id, made.condition_id)
    assert [x.state for x in sorted(history, key=lambda x: x.version)] == ["superseded", "frozen"]
    assert [(out.lot_number, out.reason) for out in made.left_out] == [("FM00002", "wrong nest")]


def test_nobody_approves_the_own_draft(sample_plant: Path) -> None:
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as engineer:
        with engineer.store.write(engineer.actor) as writer:
            recipe = lookups.recipe_revision(writer.conn, "RC-2040", 2)
            registry.add_recipe_revision(
                writer, recipe.recipe_id, settings=recipe.settings, windows=recipe.windows, reason="trial"
            )
        with pytest.raises(Refused, match="drafted"):
            review.approve_recipe(engineer, "RC-2040", 3, reason="fine")
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as other:
        assert "approved" in review.approve_recipe(other, "RC-2040", 3, reason="fine")
