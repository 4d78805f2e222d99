"""Master data and lots: what is kept, what is refused, and that a refused call writes nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.database import Store
from qualrec.records.ledger import Writer
from qualrec.values import Condition, RecipeSetting, Window

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
SETTINGS = {"power": 100.0, "speed": 1000.0, "seam_width": 2.0}

Wrong = Callable[[Writer, Any], Any]
WRONG: dict[str, Wrong] = {
    "empty code": lambda w, p: registry.add_material(w, "  ", "S", "PA6", "transmissive"),
    "number not text": lambda w, p: registry.add_material(w, 17, "S", "PA6", "transmissive"),  # type: ignore[arg-type]
    "control sign": lambda w, p: registry.add_tool(w, p.upper, "T\n1"),
    "infrared role": lambda w, p: registry.add_material(w, "X", "S", "PA6", "clear"),
    "share above 100": lambda w, p: registry.add_material(
        w, "X", "S", "PA6", "transmissive", filler_pct=101.0
    ),
    "melt range crossed": lambda w, p: registry.add_material(
        w, "X", "S", "PA6", "transmissive", melt_low_c=260.0, melt_high_c=250.0
    ),
    "side": lambda w, p: registry.add_component(w, "X", "X", "left", p.clear),
    "thickness zero": lambda w, p: registry.add_component(w, "X", "X", "upper", p.clear, thickness_mm=0.0),
    "thickness nan": lambda w, p: registry.add_component(
        w, "X", "X", "upper", p.clear, thickness_mm=float("nan")
    ),
    "language": lambda w, p: registry.add_customer(w, "X", "X", language="fr"),
    "run length": lambda w, p: registry.add_customer(w, "X", "X", run_length=1),
    "seconds for microseconds": lambda w, p: registry.add_delivery(w, p.clear, "X", 1_770_000_000),
    "float moment": lambda w, p: registry.add_delivery(w, p.clear, "X", 1.77e15),  # type: ignore[arg-type]
    "expires before received": lambda w, p: registry.add_delivery(
        w, p.clear, "X", p.begin_us, expires_us=p.begin_us - 1
    ),
    "shares of deliveries": lambda w, p: registry.add_moulding_lot(
        w, "X", p.upper, p.begin_us, parents=[(p.delivery, 100.1)]
    ),
    "delivery twice": lambda w, p: registry.add_moulding_lot(
        w, "X", p.upper, p.begin_us, parents=[p.delivery, p.delivery]
    ),
    "lower limit above upper": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", lsl=5.0, usl=4.0
    ),
    "limits equal": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", lsl=5.0, usl=5.0
    ),
    "target outside": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", lsl=5.0, target=4.0
    ),
    "unknown field": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", lower=5.0
    ),
    "unknown run rule": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", rules=("seven",)
    ),
    "interfacial accepted": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", strength=True, accepted_modes=("interfacial",)
    ),
    "unknown separating": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", separating=("colour",)
    ),
    "strength on moulding lot": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", strength=True, hangs_on="moulding lot"
    ),
    "more positions than samples": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", samples=1, sample_positions=("start", "end")
    ),
    "lambda": lambda w, p: registry.add_characteristic(
        w, p.part, code="X", name="X", quantity="q", unit="N", ewma_lambda=1.2
    ),
    "nothing revised": lambda w, p: registry.revise_characteristic(w, p.PULL, change="none"),
    "no change named": lambda w, p: registry.revise_characteristic(w, p.PULL, change=" ", lsl=1.0),
    "setting of another process": lambda w, p: registry.add_recipe_revision(
        w, p.recipe, settings={**SETTINGS, "passes": 3.0}, reason="x"
    ),
    "setting missing": lambda w, p: registry.add_recipe_revision(
        w, p.recipe, settings={"power": 90.0}, reason="x"
    ),
    "setting outside its range": lambda w, p: registry.add_recipe_revision(
        w,
        p.recipe,
        settings=[
            RecipeSetting("power", 100.0, "W", 110.0, 120.0),
            RecipeSetting("speed", 1000.0, "mm/s"),
            RecipeSetting("seam_width", 2.0, "mm"),
        ],
        reason="x",
    ),
    "unit of a setting": lambda w, p: registry.add_recipe_revision(
        w,
        p.recipe,
        settings=[
            RecipeSetting("power", 0.1, "kW"),
            RecipeSetting("speed", 1000.0, "mm/s"),
            RecipeSetting("seam_width", 2.0, "mm"),
        ],
        reason="x",
    ),
    "window without an end": lambda w, p: registry.add_recipe_revision(
        w, p.recipe, settings=SETTINGS, windows=[Window("transmission", None, None, "%")], reason="x"
    ),
    "approval in the past": lambda w, p: registry.approve_recipe_revision(
        w, p.rev1, valid_from_us=p.begin_us - 1
    ),
    "kind of station": lambda w, p: registry.add_station(w, "X", "X", "robot"),
    "verified range crossed": lambda w, p: registry.add_gauge(
        w, "X", "X", "f", verified_low=9.0, verified_high=1.0
    ),
    "verdict": lambda w, p: registry.add_calibration(w, p.gauge, p.begin_us, verdict="fine"),
    "due before done": lambda w, p: registry.add_calibration(
        w, p.gauge, p.begin_us, verdict="good", due_us=p.begin_us
    ),
    "tolerance": lambda w, p: registry.add_gauge_check(
        w, p.gauge, p.begin_us, reference=1.0, found=1.0, tolerance=0.0
    ),
    "field of a condition": lambda w, p: registry.get_or_add_condition(w, colour="red"),
    "speed of a condition": lambda w, p: registry.get_or_add_condition(w, speed_mm_min=-1.0),
    "quantity of a lot": lambda w, p: registry.add_lot(w, "X", p.part, p.begin_us, quantity=0),
    "kind of event": lambda w, p: registry.add_event(w, "party", p.begin_us, station_id=p.station),
    "event nowhere": lambda w, p: registry.add_event(w, "stop", p.begin_us),
    "concession without an end": lambda w, p: registry.add_concession(w, p.part, "K", reason="r"),
    "digest": lambda w, p: registry.add_signature(w, "approved", "lot", 1, "abc"),
    "meaning": lambda w, p: registry.add_signature(w, "seen", "lot", 1, "0" * 64),
    "role": lambda w, p: registry.add_role(w, p.anna, "boss"),
    "role not held": lambda w, p: registry.remove_role(w, p.anna, "auditor"),
    "zone": lambda w, p: registry.add_plant(w, "P2", "X", "Mars/Olympus"),
    "decimal style": lambda w, p: registry.add_plant(w, "P2", "X", "UTC", "dot"),
    "shift minute": lambda w, p: registry.add_calendar(w, [("early", 1440)], valid_from_us=p.begin_us),
    "temporary change crossed": lambda w, p: registry.add_temporary_change(
        w, p.part, what="x", extra_checks="y", from_us=p.begin_us, until_us=p.begin_us
    ),
}


def test_wrong_input_is_said_in_words_and_writes_nothing(plant: Any) -> None:
    before = plant.rows("trail")
    for wrong in WRONG.values():
        with pytest.raises(UsageError) as caught:
            plant.do(wrong, plant)
        assert caught.value.message
        assert caught.value.remedy
    assert plant.rows("trail") == before


MISSING: dict[str, Wrong] = {
    "material": lambda w, p: registry.add_component(w, "X", "X", "upper", 5),
    "part": lambda w, p: registry.add_lot(w, "X", 5, p.begin_us),
    "station": lambda w, p: registry.add_lot(w, "X", p.part, p.begin_us, station_id=5),
    "gauge": lambda w, p: registry.get_or_add_condition(w, gauge_id=5),
    "person": lambda w, p: registry.add_role(w, 5, "auditor"),
    "lot": lambda w, p: registry.set_lot_state(w, 5, "open", expected_version=1),
}


def test_an_id_that_names_nothing(plant: Any) -> None:
    for what, missing in MISSING.items():
        with pytest.raises(UnknownRecord, match=f"no {what} with id 5"):
            plant.do(missing, plant)


TAKEN: dict[str, Wrong] = {
    "plant": lambda w, p: registry.add_plant(w, "P1", "X", "UTC"),
    "badge": lambda w, p: registry.add_person(w, "Other Person", "0101"),
    "material": lambda w, p: registry.add_material(w, "PA-N", "S", "PA6", "transmissive"),
    "part": lambda w, p: registry.add_part(
        w,
        "0042",
        "X",
        upper_id=p.upper,
        lower_id=p.lower,
        process="mask",
        joint="lap",
        revision="A",
        drawing="D",
    ),
    "characteristic": lambda w, p: registry.add_characteristic(
        w, p.part, code="PULL", name="X", quantity="q", unit="N"
    ),
    "delivery": lambda w, p: registry.add_delivery(w, p.clear, "R-001", p.begin_us),
    "moulding lot": lambda w, p: registry.add_moulding_lot(w, "U0001", p.upper, p.begin_us),
    "gauge": lambda w, p: registry.add_gauge(w, "G-1", "X", "f"),
    "stream": lambda w, p: registry.add_stream(w, p.part, "cavity 1"),
    "recipe": lambda w, p: registry.add_recipe(w, p.part, "R-42"),
}


def test_a_name_that_is_taken(plant: Any) -> None:
    before = plant.rows("trail")
    for taken in TAKEN.values():
        with pytest.raises(Refused, match="is there already"):
            plant.do(taken, plant)
    assert plant.rows("trail") == before


def test_numbers_keep_case_and_leading_zeros(plant: Any) -> None:
    for number in ("0007", "007", "lot 7", "LOT 7"):
        plant.lot(number)
    for number in ("0007", "007", "lot 7", "LOT 7"):
        assert plant.ask(lookups.lot, number).number == number
    with pytest.raises(Refused, match="'0007' is there already"):
        plant.lot(" 0007 ")


def test_a_plant_through_the_store_and_through_a_writer(store: Store) -> None:
    first = registry.add_plant(store, "A", "First", "UTC")
    second = registry.add_plant(store, "B", "Second", "Asia/Tokyo", single_user=True)
    assert (first, second) == (1, 2)
    with store.read() as conn:
        assert [(p.code, p.zone, p.single_user) for p in lookups.plants(conn)] == [
            ("A", "UTC", False),
            ("B", "Asia/Tokyo", True),
        ]
        assert lookups.plant(conn, "B").id == 2
        with pytest.raises(UsageError, match="2 plants: A, B"):
            lookups.plant(conn)
        with pytest.raises(UnknownRecord, match="plant 'b'"):
            lookups.plant(conn, "b")


def test_a_component_of_the_other_side_makes_no_part(plant: Any) -> None:
    with pytest.raises(UsageError, match="L-100 is the lower part"):
        plant.do(
            registry.add_part,
            "1",
            "X",
            upper_id=plant.lower,
            lower_id=plant.lower,
            process="mask",
            joint="lap",
            revision="A",
            drawing="D",
        )


def test_roles_are_given_once_and_taken_with_a_trace(plant: Any) -> None:
    plant.do(registry.add_role, plant.anna, "auditor")
    before = plant.rows("trail")
    plant.do(registry.add_role, plant.anna, "auditor")
    assert plant.rows("trail") == before
    assert plant.ask(lookups.person, plant.anna).roles == {"quality engineer", "auditor"}
    plant.do(registry.remove_role, plant.anna, "auditor", why="moved")
    assert plant.ask(lookups.person, plant.anna).roles == {"quality engineer"}
    assert plant.rows("trail") == before + 1


def test_a_disabled_person_neither_signs_nor_acts(plant: Any) -> None:
    assert plant.do(registry.add_signature, "approved", "lot", 1, "a" * 64, by=plant.second)
    plant.do(registry.set_person_state, plant.berta, "disabled", why="left")
    with pytest.raises(Refused, match="Berta Example is disabled and cannot act; nothing was stored"):
        plant.do(registry.add_signature, "approved", "lot", 1, "a" * 64, by=plant.second)
    with pytest.raises(Refused, match="Berta Example is disabled and cannot sign"):
        plant.do(registry.add_signature, "approved", "lot", 1, "a" * 64, person_id=plant.berta)
    with pytest.raises(Refused, match="disabled"):
        plant.ask(lookups.actor, "0102")
    (signed,) = plant.ask(lookups.signatures, "lot", 1)
    assert (signed.person, signed.meaning, signed.digest) == ("Berta Example", "approved", "a" * 64)


def test_authorisation_and_calendar(plant: Any) -> None:
    until = plant.begin_us + DAY_US
    plant.do(registry.add_authorisation, plant.berta, "pull tester", until_us=until)
    (leave,) = plant.ask(lookups.authorisations, plant.berta)
    assert leave.holds_at(until)
    assert not leave.holds_at(until + 1)
    with pytest.raises(UsageError, match="ended already"):
        plant.do(registry.add_authorisation, plant.berta, "pull tester", until_us=plant.begin_us)
    plant.do(registry.add_calendar, [("late", 840), ("early", 360)], valid_from_us=plant.begin_us)
    (revision,) = plant.ask(lookups.calendar, plant.plant)
    assert [(s.name, s.from_minute) for s in revision.shifts] == [("early", 360), ("late", 840)]
    assert (revision.zone, revision.revision) == ("Europe/Berlin", 1)
    with pytest.raises(Refused, match="later moment"):
        plant.do(registry.add_calendar, [], valid_from_us=plant.begin_us)


def test_the_same_condition_is_stored_once(plant: Any) -> None:
    asked = Condition(gauge_id=plant.gauge, speed_mm_min=50, gauge="any", id=99)
    assert plant.do(registry.get_or_add_condition, asked) == plant.fast
    assert plant.do(registry.get_or_add_condition, speed_mm_min=50.0) not in (plant.fast, plant.slow, 0)
    assert plant.do(registry.get_or_add_condition, Condition()) == 0
    held = plant.ask(lookups.condition, plant.fast)
    assert (held.gauge, held.gauge_id, held.speed_mm_min) == ("G-1", plant.gauge, 50.0)


def test_calibrations_and_checks_move_the_state_of_a_gauge(plant: Any) -> None:
    def state() -> str:
        return str(plant.ask(lookups.gauge, "G-1").state)

    plant.do(registry.add_gauge_check, plant.gauge, plant.begin_us, reference=10.0, found=10.1, tolerance=0.1)
    assert state() == "in use"
    plant.do(
        registry.add_gauge_check, plant.gauge, plant.begin_us, reference=10.0, found=10.11, tolerance=0.1
    )
    assert state() == "found bad"
    assert [c.verdict for c in plant.ask(lookups.gauge_checks, plant.gauge)] == ["good", "bad"]
    plant.do(registry.add_calibration, plant.gauge, plant.begin_us + DAY_US, verdict="good")
    assert state() == "in use"
    plant.do(registry.add_calibration, plant.gauge, plant.begin_us + 2 * DAY_US, verdict="bad")
    assert state() == "found bad"
    gauge = plant.ask(lookups.gauge_by_id, plant.gauge)
    assert [c.due_us - c.at_us for c in gauge.calibrations] == [30 * DAY_US] * 3
    assert not gauge.overdue_at(plant.begin_us + 31 * DAY_US)
    assert gauge.overdue_at(plant.begin_us + 31 * DAY_US + 1)
    plant.do(registry.set_gauge_state, plant.gauge, "withdrawn", why="broken")
    plant.do(registry.add_calibration, plant.gauge, plant.begin_us + 3 * DAY_US, verdict="good")
    assert state() == "withdrawn"


# Recipes.


def test_approval_supersedes_the_revision_before(plant: Any) -> None:
    windows = [Window("transmission", 18.0, 30.0, "%", "window study 3")]
    new = plant.do(
        registry.add_recipe_revision, plant.recipe, settings=SETTINGS, windows=windows, reason="more"
    )
    draft = plant.ask(lookups.recipe_revision_by_id, new)
    assert (draft.revision, draft.state, draft.approved_at(plant.begin_us)) == (2, "draft", False)
    assert draft.windows == tuple(windows)
    assert [(s.name, s.unit) for s in draft.settings] == [
        ("power", "W"),
        ("seam_width", "mm"),
        ("speed", "mm/s"),
    ]
    plant.clock[0] += HOUR_US
    since = plant.clock[0] + HOUR_US
    plant.do(registry.approve_recipe_revision, new, valid_from_us=since, by=plant.second)
    first, second = plant.ask(lookups.recipe_revisions, "0042")
    assert (first.state, second.state, second.approver) == ("superseded", "approved", "Berta Example")
    assert first.approved_at(since - 1)
    assert not second.approved_at(since - 1)
    assert second.approved_at(since)
    assert not first.approved_at(since)
    with pytest.raises(Refused, match="approved, not a draft"):
        plant.do(registry.approve_recipe_revision, new)
    assert [r.revision for r in plant.ask(lookups.recipes)] == [2]


def test_a_withdrawn_revision_is_no_longer_approved(plant: Any) -> None:
    plant.clock[0] += HOUR_US
    plant.do(registry.withdraw_recipe_revision, plant.rev1, reason="glass broke")
    revision = plant.ask(lookups.recipe_revision, "R-42", 1)
    assert (revision.state, revision.ended_us) == ("withdrawn", plant.clock[0])
    assert revision.approved_at(plant.begin_us)
    assert not revision.approved_at(plant.clock[0])
    with pytest.raises(Refused, match="withdrawn already"):
        plant.do(registry.withdraw_recipe_revision, plant.rev1, reason="again")


def test_a_recipe_has_the_process_of_its_part(plant: Any) -> None:
    with pytest.raises(Refused, match="welded by the contour process"):
        plant.do(registry.add_recipe, plant.part, "R-X", "mask")


def test_temporary_changes_end(plant: Any) -> None:
    change = plant.do(
        registry.add_temporary_change,
        plant.part,
        what="sensor off",
        extra_checks="10 pulls",
        from_us=plant.begin_us,
        until_us=plant.begin_us + DAY_US,
        station_id=plant.station,
    )
    assert [c.station for c in plant.ask(lookups.temporary_changes, state="open")] == ["W1"]
    assert plant.ask(lookups.status_counts, plant.begin_us + DAY_US + 1).changes_ended == 1
    plant.do(registry.end_temporary_change, change, why="sensor changed")
    assert plant.ask(lookups.temporary_changes, state="open") == ()
    with pytest.raises(Refused, match="ended already"):
        plant.do(registry.end_temporary_change, change, why="again")


# Characteristics.


def test_a_revision_keeps_what_is_not_named(plant: Any) -> None:
    later = plant.begin_us + 5 * DAY_US
    plant.do(registry.revise_characteristic, plant.PULL, change="drawing B", valid_from_us=later, lsl=450.0)
    old = plant.ask(lookups.characteristic, "0042", "PULL", later - 1)
    new = plant.ask(lookups.characteristic, "0042", "PULL", later)
    assert (old.lsl, old.revision, new.lsl, new.revision) == (400.0, 1, 450.0, 2)
    assert (new.reaction_plan, new.accepted_modes, new.samples) == (old.reaction_plan, old.accepted_modes, 5)
    assert plant.ask(lookups.characteristic, "0042", "PULL") == new
    with pytest.raises(Refused, match="valid from a later moment"):
        plant.do(registry.revise_characteristic, plant.PULL, change="x", valid_from_us=later, lsl=1.0)


def test_a_revision_never_reaches_back_behind_a_judged_lot(plant: Any) -> None:
    _, segment = plant.lot("A", day=3)
    plant.read(segment, "PULL", 500.0, condition_id=plant.slow)
    plant.read(plant.moulded, "TRN", 25.0)
    with pytest.raises(Refused, match="Lot A has readings of PULL"):
        plant.do(
            registry.revise_characteristic,
            plant.PULL,
            change="x",
            valid_from_us=plant.begin_us + 3 * DAY_US,
            lsl=1.0,
        )
    plant.do(
        registry.revise_characteristic,
        plant.PULL,
        change="x",
        valid_from_us=plant.begin_us + 3 * DAY_US + 1,
        lsl=1.0,
    )
    with pytest.raises(Refused, match="never mixes units"):
        plant.do(
            registry.revise_characteristic,
            plant.TRN,
            change="x",
            valid_from_us=plant.begin_us + DAY_US,
            unit="1",
        )


@given(
    samples=st.integers(0, 40),
    positions=st.lists(st.sampled_from(["first-off", "start", "middle", "end"]), unique=True),
)
def test_samples_are_spread_evenly(samples: int, positions: list[str]) -> None:
    spread = registry.spread_samples(samples, tuple(positions))
    counts = [count for _, count in spread]
    assert sum(counts) == samples
    assert all(count > 0 for count in counts)
    if positions and samples >= len(positions):
        assert [p for p, _ in spread] == positions
        assert max(counts) - min(counts) <= 1
        assert counts == sorted(counts, reverse=True)
