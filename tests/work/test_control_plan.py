"""Control plans on both databases: draft, rows, files, approval, and what a plan in force does to lots, flags and judging."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.assess.loading import revisions_at
from qualrec.errors import FileRefused, Refused, UnknownRecord, UsageError
from qualrec.judge import kinds
from qualrec.judge.kinds import make_finding
from qualrec.records import lookups, registry, trail
from qualrec.work import bench, control_plan, plan_files
from qualrec.work.plan_difference import difference
from qualrec.work.signed import all_standing
from qualrec.work.target import find_target

DAY_US = 86_400_000_000
PART = "FM-2040"


def open_lot(plant: Any, number: str) -> dict[str, list[tuple[str, int]]]:
    """Open a lot now; what it owes by code: position and count."""
    with plant.store.write(plant.as_badge("T-01").actor) as writer:
        lot_id = registry.add_lot(writer, number, lookups.part(writer.conn, PART).id, plant.clock[0])
        found: dict[str, list[tuple[str, int]]] = {}
        for owed in lookups.owed(writer.conn, lot_id):
            found.setdefault(owed.code, []).append((owed.position, owed.count))
    return {code: sorted(rows) for code, rows in found.items()}


def approved(plant: Any, phase: str, *changes: tuple[int | None, dict[str, str]], **when: str) -> str:
    """Draft, change and approve a plan; the sentence of the approval."""
    control_plan.draft(plant.as_badge("P-01"), PART, phase)
    for position, change in changes:
        control_plan.change_row(plant.as_badge("P-01"), PART, phase, position, change)
    return control_plan.approve(plant.as_badge("Q-01"), PART, phase, reason="agreed", **when)


def position_of(plan: lookups.ControlPlan, code: str) -> int:
    return next(row.position for row in plan.rows if row.code == code)


def test_the_first_draft_comes_from_the_characteristics(lean_plant: Any) -> None:
    plan = control_plan.draft(lean_plant.as_badge("P-01"), PART, "pre-launch")
    with lean_plant.store.read() as conn:
        own = lookups.characteristics(conn, PART)
    assert [row.code for row in plan.rows] == ["TRN", "PULL", "COL", "TTP", "ENERGY"]
    pull = plan.rows[1]
    assert (pull.sample_size, pull.frequency) == ("5", "each lot: first-off, start, middle, end")
    assert (pull.special_class, pull.symbol, pull.specification) == ("significant", "S", "at least 350 N")
    assert pull.steps == next(c for c in own if c.code == "PULL").reaction_plan
    assert plan.rows[0].frequency == "each moulding lot"
    assert plan.rows[2].specification == "0.2 to 0.36 mm, target 0.28"
    assert plan.header["part_level"] == "drawing DRW-2040, revision C"
    with pytest.raises(Refused, match="open already"):
        control_plan.draft(lean_plant.as_badge("P-01"), PART, "pre-launch")


def test_a_draft_asks_nothing_and_the_plan_in_force_is_the_one_source(lean_plant: Any) -> None:
    own = open_lot(lean_plant, "L1")
    assert own["PULL"] == [("end", 1), ("first-off", 2), ("middle", 1), ("start", 1)]
    lean_plant.clock[0] += DAY_US
    plan = control_plan.draft(lean_plant.as_badge("P-01"), PART, "safe launch")
    change = {"sample_size": "8", "frequency": "each lot: start, end", "reaction_plan": "Stop.\nTell Q."}
    control_plan.change_row(
        lean_plant.as_badge("P-01"), PART, "safe launch", position_of(plan, "PULL"), change
    )
    control_plan.change_row(
        lean_plant.as_badge("P-01"),
        PART,
        "safe launch",
        position_of(plan, "COL"),
        {"frequency": "each shift"},
    )
    assert open_lot(lean_plant, "L2") == own
    said = control_plan.approve(lean_plant.as_badge("Q-01"), PART, "safe launch", reason="start of delivery")
    assert "in force from now on" in said
    lean_plant.clock[0] += DAY_US
    under_plan = open_lot(lean_plant, "L3")
    assert under_plan["PULL"] == [("end", 4), ("start", 4)]
    assert "COL" not in under_plan
    assert under_plan["TTP"] == own["TTP"]
    with lean_plant.store.read() as conn:
        then = lean_plant.clock[0] - 2 * DAY_US
        held = revisions_at(conn, PART, [then, lean_plant.clock[0]])
        pull = lookups.characteristic(conn, PART, "PULL")
        before, now = (held[at][pull.id] for at in (then, lean_plant.clock[0]))
        assert (before.samples, now.samples, pull.samples) == (5, 8, 8)
        assert lookups.characteristic(conn, PART, "PULL", then).samples == 5
        assert (
            lookups.revisions_of(conn, pull.id)[-1].samples == 5
        )  # the revision itself is as it was written
        assert make_finding(kinds.INTERFACIAL, "x", "x", {}, now).reaction_plan == ("Stop.", "Tell Q.")
        assert make_finding(kinds.INTERFACIAL, "x", "x", {}, before).reaction_plan == before.reaction_plan


def test_the_flag_of_a_lot_carries_the_reaction_plan_of_the_plan_in_force(lean_plant: Any) -> None:
    plan = control_plan.draft(lean_plant.as_badge("P-01"), PART, "production")
    control_plan.change_row(
        lean_plant.as_badge("P-01"),
        PART,
        "production",
        position_of(plan, "PULL"),
        {"reaction_plan": "Only this."},
    )
    control_plan.approve(lean_plant.as_badge("Q-01"), PART, "production", reason="agreed")
    lean_plant.clock[0] += DAY_US
    open_lot(lean_plant, "L1")
    session = lean_plant.as_badge("T-01")
    done = bench.log(
        session, find_target(session, "L1", "PULL"), [bench.Entry("401", mode="interfacial", again="401")]
    )
    assert done.reaction_plan == ("Only this.",)
    with lean_plant.store.read() as conn:
        flag = next(f for f in lookups.flags(conn, lot="L1") if f.kind == kinds.INTERFACIAL)
    assert flag.reaction_plan == ("Only this.",)


def test_one_plan_is_in_force_at_a_moment_whatever_its_phase(lean_plant: Any) -> None:
    approved(lean_plant, "pre-launch")
    start = lean_plant.clock[0]
    lean_plant.clock[0] += DAY_US
    later = lean_plant.as_badge().moment(lean_plant.clock[0] + 3 * DAY_US)
    assert later in approved(lean_plant, "production", valid_from=later)
    with lean_plant.store.read() as conn:
        first, second = lookups.control_plans(conn, PART)
        assert (first.state, second.state) == ("superseded", "approved")
        assert first.until_us == second.valid_from_us
        assert lookups.plan_in_force(conn, PART, start - 1) is None
        assert lookups.plan_in_force(conn, PART, lean_plant.clock[0]).phase == "pre-launch"
        assert lookups.plan_in_force(conn, PART, second.valid_from_us).phase == "production"
    with pytest.raises(UsageError, match="back in time"):
        approved(lean_plant, "safe launch", valid_from="2020-01-01")


def test_an_approved_plan_never_changes_and_its_signature_covers_it(lean_plant: Any) -> None:
    approved(lean_plant, "production")
    engineer = lean_plant.as_badge("P-01")
    with pytest.raises(Refused, match="is approved"):
        control_plan.change_row(engineer, PART, "production", 1, {"owner": "x"})
    (standing,) = all_standing(engineer, kind="control plan")
    assert standing.covers
    assert standing.what == "control plan CP-FM-2040 production revision 1 of FM-2040"
    with lean_plant.store.write(engineer.actor) as writer:
        plan = lookups.control_plans(writer.conn, PART)[0]
        key = {"control_plan_id": plan.id, "position": 1}
        writer.update("control_plan_row", key, {"sample_size": "1"}, act="test")
    (standing,) = all_standing(engineer, kind="control plan")
    assert not standing.covers
    assert trail.verify(lean_plant.store).ok


def test_what_stands_in_the_way_of_an_approval(lean_plant: Any) -> None:
    engineer, quality = lean_plant.as_badge("P-01"), lean_plant.as_badge("Q-01")
    plan = control_plan.draft(engineer, PART, "production")
    pull = position_of(plan, "PULL")
    control_plan.change_row(engineer, PART, "production", pull, {"reaction_plan": ""})
    control_plan.remove_row(engineer, PART, "production", position_of(plan, "TRN"))
    with pytest.raises(Refused, match="TRN is significant and has no row") as refused:
        control_plan.approve(quality, PART, "production", reason="agreed")
    assert "PULL) is special and has no reaction plan" in refused.value.message
    page = control_plan.plan_page(engineer, PART)
    assert len(page.obstacles) == 2
    with pytest.raises(UsageError, match="with a reason"):
        control_plan.approve(quality, PART, "production", reason=" ")
    with pytest.raises(Refused, match="may not approve control plans"):
        control_plan.approve(engineer, PART, "production", reason="agreed")
    with pytest.raises(Refused, match="may not draft control plans"):
        control_plan.draft(lean_plant.as_badge("T-01"), PART, "prototype")


def test_rows_that_cannot_be(lean_plant: Any) -> None:
    engineer = lean_plant.as_badge("P-01")
    plan = control_plan.draft(engineer, PART, "production")
    step = {"process_number": "50", "process_step": "Packing"}
    for change, words in (
        ({**step}, "one characteristic"),
        ({**step, "characteristic": "PULL", "process_characteristic": "x"}, "one characteristic"),
        ({**step, "characteristic": "PULL", "sample_size": "5", "frequency": "each lot"}, "both ask samples"),
        ({**step, "characteristic": "PULL", "symbol": "S"}, "own revisions"),
        ({**step, "process_characteristic": "x", "special_class": "high"}, "not known"),
        (
            {**step, "process_characteristic": "x", "sample_size": "a few", "frequency": "each lot"},
            "no number",
        ),
        ({"process_step": "Packing", "process_characteristic": "x"}, "empty"),
        ({**step, "process_characteristic": "x" * 200}, "120 are kept"),
        ({**step, "process_characteristic": "x", "colour": "red"}, "colour"),
    ):
        with pytest.raises(UsageError, match=words):
            control_plan.change_row(engineer, PART, "production", None, change)
    with pytest.raises(UnknownRecord, match="NONE"):
        control_plan.change_row(engineer, PART, "production", None, {**step, "characteristic": "NONE"})
    with pytest.raises(UsageError, match="no row 99"):
        control_plan.change_row(engineer, PART, "production", 99, {"owner": "x"})
    with pytest.raises(UsageError, match="Phase 'someday'"):
        control_plan.draft(engineer, PART, "someday")
    assert control_plan.plan_page(engineer, PART).plan.rows == plan.rows


def test_the_difference_of_two_plans_and_customer_symbols(lean_plant: Any) -> None:
    engineer = lean_plant.as_badge("P-01")
    approved(lean_plant, "safe launch")
    plan = control_plan.draft(engineer, PART, "production", start_from="safe launch")
    control_plan.change_row(engineer, PART, "production", position_of(plan, "PULL"), {"sample_size": "4"})
    control_plan.remove_row(engineer, PART, "production", position_of(plan, "ENERGY"))
    own = {"number": "P9", "special_class": "critical", "symbol": "CC", "specification": "no chips"}
    glass = {
        "process_number": "30",
        "process_step": "Welding",
        "process_characteristic": "Clamp glass",
        **own,
    }
    after = control_plan.change_row(engineer, PART, "production", None, glass)
    control_plan.change_head(engineer, PART, "production", {"team": "Q, P"})
    with lean_plant.store.read() as conn:
        before, after = lookups.control_plans(conn, PART)
    found = [(c.kind, c.where, c.field, c.before, c.after) for c in difference(before, after)]
    assert found == [
        ("changed", "head", "team", "", "Q, P"),
        ("changed", "head", "phase", "safe launch", "production"),
        ("removed", "ENERGY Weld energy", "", "", ""),
        ("added", "P9 Clamp glass", "", "", ""),
        ("changed", "PULL Pull force, cover off body", "sample_size", "5", "4"),
    ]
    assert difference(after, after) == ()
    row = after.rows[-1]
    assert (row.special_class, row.symbol, row.specification) == ("critical", "CC", "no chips")


def test_files_of_our_own_come_back_as_they_went(lean_plant: Any, tmp_path: Path) -> None:
    engineer = lean_plant.as_badge("P-01")
    control_plan.draft(engineer, PART, "production", number='CP "1"\\2')
    plan = control_plan.change_head(engineer, PART, "production", {"change": 'first "issue"\nsecond line'})
    for ending in (".toml", ".csv"):
        path = tmp_path / f"plan{ending}"
        plan_files.write_plan(engineer, PART, path, phase="production")
        said = plan_files.take_plan(engineer, path, part=PART, phase="production")
        assert "the same as before" in said[0], ending
        with pytest.raises(Refused, match="there already"):
            plan_files.write_plan(engineer, PART, path, phase="production")
    text = (
        (tmp_path / "plan.toml").read_text(encoding="utf-8").replace('sample_size = "5"', 'sample_size = "7"')
    )
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    assert "draft changed" in plan_files.take_plan(engineer, tmp_path / "plan.toml")[0]
    changed = control_plan.plan_page(engineer, PART).plan
    assert {row.code: row.sample_size for row in changed.rows}["PULL"] == "7"
    assert changed.header == plan.header
    workbook = tmp_path / "plan.xlsx"
    plan_files.write_plan(engineer, PART, workbook, phase="production")
    page = load_workbook(workbook).active
    cells = [[c.value for c in row] for row in page.iter_rows()]
    head = next(at for at, row in enumerate(cells) if row[0] == "process no.")
    assert [row[3] for row in cells[head + 1 :]] == [row.code for row in changed.rows]
    written = plan_files.plan_text(engineer, changed)
    assert all(row.code in written and step in written for row in changed.rows for step in row.steps)


def test_a_file_with_a_wrong_row_says_where(lean_plant: Any, tmp_path: Path) -> None:
    engineer = lean_plant.as_badge("P-01")
    path = tmp_path / "plan.toml"
    for text, words in (
        ("[[control_plan]]\nphase = 'production'\n", "Part or phase"),
        ("[[control_plan]]\npart = 'FM-2040'\nphase = 'production'\ncolour = 'x'\n", "colour"),
        ("[[control_plan]]\npart = 'FM-2040'\nphase = 'production'\nrow = 5\n", "no tables"),
        (
            "[[control_plan]]\npart = 'FM-2040'\nphase = 'production'\n[[control_plan.row]]\nowner = 'x'\n",
            "Row 1",
        ),
        ("[[part]]\n", "no control plan"),
        ("[[control_plan", "plan.toml"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(FileRefused) as refused:
            plan_files.take_plan(engineer, path)
        assert words in " ".join((refused.value.message, *map(str, refused.value.problems))), text
    rows = tmp_path / "plan.csv"
    with rows.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([("process_number", "process_step", "colour"), ("10", "Welding", "red")])
    with pytest.raises(FileRefused) as refused:
        plan_files.take_plan(engineer, rows, part=PART, phase="production")
    assert [(p.row, p.column) for p in refused.value.problems] == [(1, "colour")]
    with pytest.raises(UsageError, match="does not say part"):
        plan_files.take_plan(engineer, rows)
    assert lean_plant.rows("SELECT count(*) FROM control_plan") == [(0,)]


def test_define_takes_a_control_plan_into_a_draft(lean_plant: Any, tmp_path: Path) -> None:
    from qualrec.work import definitions
    from qualrec.work.sample_files import locate

    engineer = lean_plant.as_badge("P-01")
    first = definitions.define_file(engineer, locate("control_plan.toml"))
    again = definitions.define_file(engineer, locate("control_plan.toml"))
    assert (first.added, again.kept) == ({"control_plan": 2}, {"control_plan": 2})
    assert [p.state for p in control_plan.plans_of(engineer, PART)] == ["draft", "draft"]


def test_a_characteristic_revised_after_the_plan_is_named(lean_plant: Any) -> None:
    approved(lean_plant, "production")
    lean_plant.clock[0] += DAY_US
    with lean_plant.store.write(lean_plant.as_badge("P-01").actor) as writer:
        pull = lookups.characteristic(writer.conn, PART, "PULL")
        registry.revise_characteristic(writer, pull.id, change="customer asks more", lsl=400.0)
    page = control_plan.plan_page(lean_plant.as_badge(), PART)
    assert page.revised[0].startswith("PULL: revision 2 since")
    assert {r.code: r.specification for r in page.plan.rows}["PULL"] == "at least 350 N"
    with lean_plant.store.read() as conn:
        now = lookups.characteristic(conn, PART, "PULL")
    assert (now.lsl, now.samples) == (400.0, 5)
