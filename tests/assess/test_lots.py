"""Judging a lot from the database: what is loaded for each kind of finding, and that judging stores nothing."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec import assess
from qualrec.judge import kinds
from qualrec.records import lookups, registry
from qualrec.records.findings import close_flag, store_findings
from qualrec.values import PullResult

HOUR = 3_600_000_000
DAY = 24 * HOUR
INTERFACIAL = PullResult("interfacial", 100.0, 0.0, 0.0, 0.0)


def judged(shop: Any, number: str) -> assess.LotJudgement:
    with shop.read() as conn:
        return assess.judge_lot(conn, number, now_us=shop.now_us)


def kinds_of(judgement: assess.LotJudgement) -> list[str]:
    return [f.kind for f in judgement.findings]


@pytest.fixture
def good_lot(shop: Any) -> Any:
    """One lot with five good pulls, just cleaned."""
    shop.write(
        lambda w: registry.add_event(w, "glass_cleaned", shop.now_us - HOUR, station_id=shop.ids["welder"])
    )
    shop.lot("L1", shop.now_us)
    shop.readings("L1", "PULL", [600.0, 610.0, 590.0, 620.0, 605.0], shop.now_us + HOUR)
    return shop.at(shop.now_us + 2 * HOUR)


def test_a_good_lot_passes_and_the_gate_is_open(good_lot) -> None:
    found = judged(good_lot, "L1")
    assert (found.answer, found.findings, found.gate.answer) == ("pass", (), "open")
    assert found.verdict("PULL").mean == pytest.approx(605.0)
    assert found.verdict("TRANS").answer == "pass"
    assert found.verdict("LEAK").answer == "unknown"
    assert found.verdict("NONE") is None
    (energy,) = found.energies
    assert energy.budget.value("areal_joint") == pytest.approx(0.22)  # 20 x 100/(1000 x 2) J/mm2 at 22 %


def test_one_interfacial_pull_blocks(good_lot) -> None:
    good_lot.readings("L1", "PULL", [700.0], good_lot.now_us, [INTERFACIAL])
    found = judged(good_lot, "L1")
    assert kinds_of(found) == [kinds.INTERFACIAL]
    assert (found.answer, found.gate.answer) == ("fail", "blocked")
    assert found.findings[0].reaction_plan[0] == "Stop."


def test_a_stored_and_closed_flag_frees_and_judging_twice_adds_nothing(good_lot) -> None:
    good_lot.readings("L1", "PULL", [440.0], good_lot.now_us)
    part = good_lot.ids["part"]
    first = good_lot.write(lambda w: store_findings(w, part, judged(good_lot, "L1").findings))
    again = good_lot.write(lambda w: store_findings(w, part, judged(good_lot, "L1").findings))
    assert (len(first), again) == (1, ())
    assert judged(good_lot, "L1").gate.answer == "blocked"
    good_lot.write(lambda w: close_flag(w, first[0], "sorted"))
    assert judged(good_lot, "L1").gate.answer == "open"
    good_lot.readings("L1", "PULL", [430.0], good_lot.now_us + 9)
    assert judged(good_lot, "L1").gate.answer == "blocked"  # a new failing pull is a new finding


def test_recipe_material_transmission_and_window(good_lot) -> None:
    draft = good_lot.write(
        lambda w: registry.add_recipe_revision(
            w,
            good_lot.ids["recipe"],
            settings={
                "power": 90.0,
                "speed": 1000.0,
                "seam_length": 150.0,
                "seam_width": 2.0,
                "passes": 20.0,
            },
            reason="trial",
        )
    )
    old = good_lot.moulding("U-old", (22.0,), expires_us=good_lot.now_us - DAY)
    dark = good_lot.moulding("U-dark", (14.0, 14.2, 13.8))
    held = good_lot.moulding("U-held", (22.0,), state="on hold")
    cases = {
        "draft": ({"recipe_revision_id": draft}, [kinds.RECIPE_NOT_APPROVED]),
        "none": ({"recipe_revision_id": None}, [kinds.RECIPE_NOT_APPROVED]),
        "old": ({"upper_moulding_lot_id": old}, [kinds.MATERIAL_EXPIRED]),
        "held": ({"upper_moulding_lot_id": held}, [kinds.MATERIAL_NOT_QUALIFIED]),
        "dark": (
            {"upper_moulding_lot_id": dark},
            [kinds.TRANSMISSION_LOW] * 3 + [kinds.OUTSIDE_WINDOW] * 2,
        ),
    }
    for number, (given, expected) in cases.items():
        good_lot.lot(number, good_lot.now_us, **given)
        assert kinds_of(judged(good_lot, number)) == expected, number


def test_samples_owed_by_the_plan(good_lot) -> None:
    good_lot.lot("L2", good_lot.now_us)
    good_lot.readings("L2", "PULL", [600.0, 610.0], good_lot.now_us)
    waiting = judged(good_lot, "L2")
    assert kinds_of(waiting) == []
    assert waiting.answer == "incomplete"
    assert [r.kind for r in waiting.gate.reasons] == [kinds.SAMPLE_MISSING]
    good_lot.write(
        lambda w: registry.set_lot_state(w, good_lot.lots["L2"], "under review", expected_version=1)
    )
    assert kinds_of(judged(good_lot, "L2")) == [kinds.SAMPLE_MISSING]


def test_gauges_and_cleaning(good_lot) -> None:
    late = good_lot.at(good_lot.now_us + 500 * DAY)
    late.lot("L9", late.now_us)
    late.readings("L9", "PULL", [600.0] * 5, late.now_us + HOUR)
    found = judged(late, "L9")
    assert kinds_of(found) == [kinds.GAUGE_OVERDUE, kinds.CLEANING_OVERDUE]
    assert {f.level for f in found.findings} == {"R"}
    assert found.gate.answer == "needs a note"
    late.write(
        lambda w: registry.add_calibration(
            w, late.ids["tester"], late.now_us + DAY, verdict="bad", as_found=9.0
        )
    )
    assert kinds.GAUGE_BAD in kinds_of(judged(late, "L9"))


def test_a_failing_result_after_shipment(good_lot) -> None:
    good_lot.write(lambda w: registry.add_shipment(w, good_lot.lots["L1"], 100, good_lot.now_us))
    good_lot.at(good_lot.now_us + DAY).readings("L1", "PULL", [400.0], good_lot.now_us)
    found = judged(good_lot, "L1")
    assert kinds_of(found) == [kinds.OUTSIDE_SPECIFICATION, kinds.FAIL_AFTER_SHIPMENT]


def test_a_later_revision_never_changes_an_old_verdict(good_lot) -> None:
    good_lot.at(good_lot.now_us + DAY)
    good_lot.write(
        lambda w: registry.revise_characteristic(w, good_lot.ids["PULL"], change="customer", lsl=605.0)
    )
    assert judged(good_lot, "L1").answer == "pass"
    good_lot.at(good_lot.now_us + DAY).lot("L2", good_lot.now_us)
    good_lot.readings("L2", "PULL", [600.0] * 5, good_lot.now_us)
    assert judged(good_lot, "L2").answer == "fail"


def test_a_concession_is_seen_by_the_gate(good_lot) -> None:
    good_lot.readings("L1", "PULL", [440.0], good_lot.now_us)

    def leave(w: Any) -> None:
        signature = registry.add_signature(w, "approved", "concession", 1, "0" * 64)
        registry.add_concession(
            w, good_lot.ids["part"], "K-7", reason="customer agreed", lot_id=good_lot.lots["L1"], quantity=500,
            signature_id=signature,
        )  # fmt: skip

    good_lot.write(leave)
    gate = judged(good_lot, "L1").gate
    assert (gate.answer, gate.may_release) == ("by concession", False)
    assert "K-7" in gate.sentence


def test_a_burn_counts_at_once(good_lot) -> None:
    good_lot.readings("L1", "BURN", [0.0, 0.0, 1.0], good_lot.now_us)
    (finding,) = judged(good_lot, "L1").findings
    assert (finding.kind, finding.level) == (kinds.LOT_COUNT, "R")


def test_the_odd_lot_is_found_on_its_chart_and_its_neighbours_are_not(run_shop) -> None:
    assert kinds_of(judged(run_shop, "F030")) == [kinds.LOT_MEAN]
    assert judged(run_shop, "F030").gate.answer == "needs a note"
    assert kinds_of(judged(run_shop, "F028")) == []
    with run_shop.read() as conn:
        limits = lookups.limits_in_force(conn, run_shop.ids["PULL"])
    finding = judged(run_shop, "F030").findings[0]
    assert finding.limits_id == limits.id
    assert "limits version 1" in finding.sentence


def test_a_change_of_level_is_found_once(shop) -> None:
    """GIVEN frozen limits and a step of about four sigma WHEN the lots come in THEN one lot is the first to show it."""
    values = [0.25 + 0.002 * ((7 * i) % 5 - 2) for i in range(24)]
    begun = shop.now_us
    found = {}
    for i, value in enumerate(values):
        at = begun + i * DAY
        shop.at(at).lot(f"S{i:02d}", at, station_id=None)
        level = value + (0.012 if i >= 14 else 0.0)
        shop.readings(f"S{i:02d}", "COLL", [level - 0.001, level, level + 0.001], at)
        if i == 11:
            with shop.read() as conn:
                shop.freeze(assess.trial_limits(conn, "P-1", "COLL", {}))
        if i > 11:
            found[i] = kinds_of(judged(shop, f"S{i:02d}"))
    first = [i for i, k in found.items() if kinds.CHANGE_POINT in k]
    assert len(first) == 1
    assert 15 <= first[0] <= 20
    assert all(kinds.CHANGE_POINT not in k for i, k in found.items() if i < 14)


def test_unknown_lots_are_named(run_shop) -> None:
    from qualrec.errors import UnknownRecord

    with pytest.raises(UnknownRecord), run_shop.read() as conn:
        assess.judge_lot(conn, "F099")


def test_judging_is_quick_and_leaves_heavy_packages_unloaded(run_shop) -> None:
    """The cost is a ratio to one lookup of the same lot, so that a slow machine does not fail it."""

    def best(act: Callable[[Any], Any]) -> float:
        times = []
        for _ in range(5):
            with run_shop.read() as conn:
                begun = time.perf_counter()
                act(conn)
                times.append(time.perf_counter() - begun)
        return min(times)

    one = best(lambda conn: lookups.lot(conn, "F036"))
    whole = best(lambda conn: assess.judge_lot(conn, "F036", now_us=run_shop.now_us))
    assert whole < 20 * one


def test_the_import_for_judging_needs_neither_scipy_nor_pandas() -> None:
    code = (
        "import sys, qualrec.assess; "
        "print([m for m in ('scipy', 'pandas', 'openpyxl', 'textual') if m in sys.modules])"
    )
    root = Path(__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_lot_of_very_many_readings_is_judged_by_its_sums(good_lot) -> None:
    """GIVEN 300 collapse readings inside the limits THEN the verdict has their figures; with one outside, that one is named."""
    values = [0.25 + 0.0001 * (i % 40) for i in range(300)]
    good_lot.readings("L1", "COLL", values, good_lot.now_us)
    found = judged(good_lot, "L1").verdict("COLL")
    assert (found.answer, found.n, found.low, found.high) == ("pass", 300, 0.25, pytest.approx(0.2539))
    assert found.mean == pytest.approx(statistics.fmean(values))
    assert found.sd == pytest.approx(statistics.stdev(values))
    assert found.reasons == ("All 300 readings are within the limits.",)
    good_lot.readings("L1", "COLL", [0.41], good_lot.now_us + DAY)
    other = judged(good_lot, "L1")
    assert (other.verdict("COLL").answer, other.verdict("COLL").fails) == ("fail", 1)
    assert kinds_of(other) == [kinds.OUTSIDE_SPECIFICATION]
    assert "sample 301" in other.findings[0].sentence


def test_the_gauge_of_very_many_readings_is_judged_too(good_lot) -> None:
    late = good_lot.at(good_lot.now_us + 500 * DAY)
    late.lot("L9", late.now_us, station_id=None)
    late.readings("L9", "COLL", [0.25 + 0.0001 * (i % 40) for i in range(300)], late.now_us)
    (finding,) = judged(late, "L9").findings
    assert finding.sentence == "Collapse: at least 25 readings on gauge G1, overdue for calibration."


def test_limits_of_one_stream_judge_that_stream(shop) -> None:
    """GIVEN limits frozen for cavity 2 alone WHEN cavity 2 of a later moulding lot transmits less THEN it is found."""
    begun = shop.now_us
    for i in range(9):
        at = begun + i * DAY
        low = 1.5 if i == 8 else 0.0
        base = 22.0 + 0.1 * ((3 * i) % 5)
        rows = (base, base - low, base + 0.2, base + 0.1 - low)
        shop.at(at).moulding(f"V-{i}", rows, moulded_us=at)
        if i == 7:
            with shop.read() as conn:
                shop.at(at + HOUR).freeze(assess.trial_limits(conn, "P-1", "TRANS", {}, stream="cavity 2"))
    shop.at(begun + 9 * DAY)
    for number in ("V-7", "V-8"):
        shop.lot(f"L-{number}", shop.now_us, upper_moulding_lot_id=shop.moulded[number], station_id=None)
    assert kinds_of(judged(shop, "L-V-7")) == []
    found = judged(shop, "L-V-8").findings
    assert {f.kind for f in found} == {kinds.LOT_MEAN, kinds.EWMA}
    assert {f.stream_id for f in found} == {shop.ids["cavity 2"]}
    assert {f.moulding_lot_id for f in found} == {shop.moulded["V-8"]}
