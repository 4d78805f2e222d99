"""What customers ask and what follows: profile with its trail, requalification, change notices, equivalence."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.weightstats import ttost_ind

from qualrec import assess
from qualrec.config import Settings
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.work import customers, equivalence, requalification
from qualrec.work.session import Session, make_session

DAY = 86_400_000_000


@pytest.fixture
def session(sample_plant: Path) -> Iterator[Session]:
    with open_store(f"sqlite:///{sample_plant}") as store:
        yield make_session(store, Settings(store.url, badge="Q-01"))


def test_a_revised_profile_is_used_and_the_trail_keeps_both(session: Session) -> None:
    """WHEN a customer asks for more and counts the bound THEN capability follows at once."""
    with session.store.read() as conn:
        found = lookups.characteristics(conn, "FM-2040")
        code = next(c.code for c in found if c.index_requirement is None and c.special_class == "standard")
        before = assess.capability_report(conn, "FM-2040", code).evidence
    assert (before.requirement, before.by_bound) == (1.33, False)
    said = customers.revise(
        session,
        "C-WATER",
        {"index_standard": "1,5", "index_special": "1,67", "uses_bound": True, "symbols": {"critical": "K"}},
        reason="contract of 2026",
    )
    assert "index, standard 1.5" in said
    assert "lower bound used yes" in said
    with session.store.read() as conn:
        after = assess.capability_report(conn, "FM-2040", code).evidence
        kept = lookups.customer(conn, "C-WATER")
        (entry,) = lookups.trail_rows(conn, limit=1)
    assert (after.requirement, after.by_bound) == (1.5, True)
    assert kept.symbols == {"critical": "K"}
    assert entry.act == "customer revised"
    assert '"index_standard":1.33' in entry.content
    assert '"index_standard":1.5' in entry.content


def test_rules_are_added_and_taken_away(session: Session) -> None:
    customers.revise(session, "C-WATER", {"notices": {"site": "12 weeks before", "other": "ask"}}, reason="x")
    customers.revise(session, "C-WATER", {"notices": {"other": ""}, "requalify_months": "none"}, reason="x")
    found = customers.profile(session, "C-WATER")
    assert found.notices == {"site": "12 weeks before"}
    assert found.requalify_months is None
    rows = customers.rows(found)
    assert ("notices", "site: 12 weeks before") in rows
    assert ("months to requalify", "no rule") in rows


@pytest.mark.parametrize(
    ("given", "reason", "said"),
    (
        ({"index_standard": "much"}, "x", "much"),
        ({"run_length": "3,5"}, "x", "whole number"),
        ({"symbols": {"high": "H"}}, "x", "no class"),
        ({"language": "fr"}, "x", "Language"),
        ({"index_standard": "1.33"}, "x", "Nothing"),
        ({"index_standard": "1.5"}, " ", "reason"),
        ({"index_standard": "-1"}, "x", "above 0"),
    ),
)
def test_what_cannot_be_is_refused(
    session: Session, given: dict[str, object], reason: str, said: str
) -> None:
    before = customers.profile(session, "C-WATER")
    with pytest.raises(UsageError, match=said):
        customers.revise(session, "C-WATER", given, reason=reason)
    assert customers.profile(session, "C-WATER") == before


def test_only_quality_engineers_revise(session: Session) -> None:
    other = make_session(session.store, Settings(session.store.url, badge="P-01"))
    with pytest.raises(Refused, match="may not revise customers"):
        customers.revise(other, "C-WATER", {"run_length": "100"}, reason="x")


def test_due_counts_from_the_last_signed_submission(session: Session) -> None:
    by_part = {r.part: r for r in requalification.due_list(session)}
    water = by_part["FM-2040"]
    assert (water.months, water.customer) == (12, "C-WATER")
    assert "no submission is signed" in water.since
    with session.store.write(session.actor, session.plant.id) as writer:
        part = lookups.part(writer.conn, "FM-2040")
        made = registry.add_submission(writer, part.id, level="3")
        registry.store_made(writer, made, "s.xlsx", "a" * 64, {"content": "b" * 64})
        signature = registry.add_signature(writer, "released", "submission", made, "c" * 64)
        registry.store_signed(writer, made, signature, "d" * 64)
        now = writer.now_us
    water = next(r for r in requalification.due_list(session) if r.part == "FM-2040")
    assert (water.since_us, water.since, water.state) == (now, "submission S-0001 signed", "in time")
    assert water.due_us == requalification.months_later(session, now, 12)
    customers.revise(session, "C-WATER", {"requalify_months": "none"}, reason="x")
    assert {r.part: r.state for r in requalification.due_list(session)}["FM-2040"] == "no rule"


@pytest.mark.parametrize(
    ("start", "months", "end"),
    (
        ("2026-01-31 10:00", 1, "2026-02-28 10:00"),
        ("2027-08-31 10:00", 6, "2028-02-29 10:00"),
        ("2026-03-15 10:00", 12, "2027-03-15 10:00"),
        ("2026-12-15 10:00", 1, "2027-01-15 10:00"),
        ("2026-10-24 02:30", 6, "2027-04-24 02:30"),
    ),
)
def test_months_are_those_of_the_calendar(session: Session, start: str, months: int, end: str) -> None:
    def moment(text: str) -> int:
        return int(datetime.fromisoformat(text).replace(tzinfo=session.zone).timestamp()) * 1_000_000

    assert requalification.months_later(session, moment(start), months) == moment(end)


def test_states_of_a_day(session: Session) -> None:
    now = 1_000 * DAY
    assert requalification._state(None, now) == "no rule"
    assert requalification._state(now - 1, now) == "overdue"
    assert requalification._state(now + 59 * DAY, now) == "due soon"
    assert requalification._state(now + 61 * DAY, now) == "in time"


def test_a_change_owes_its_steps_until_each_is_done(session: Session) -> None:
    customers.revise(session, "C-WATER", {"notices": {"stop mode": "8 weeks before"}}, reason="x")
    said = requalification.begin_notice(session, "FM-2040", "stop mode", "path to time")
    assert said.startswith("Change notice 1")
    requalification.begin_notice(session, "MC-0055", "site", "hall 2")
    steps = requalification.notices(session, "FM-2040")
    assert {s.notice for s in steps} == {1}
    assert [s.position for s in steps] == list(range(1, 8))
    assert "8 weeks before" in steps[0].step
    assert "6 steps are open" in requalification.close_step(session, 1, 3, "E-0001 shows it")
    step = requalification.notices(session, "FM-2040")[2]
    assert (step.remark, step.person) == ("E-0001 shows it", session.actor.name)
    assert step.done_us is not None
    with pytest.raises(Refused, match="done already"):
        requalification.close_step(session, 1, 3, "again")
    with pytest.raises(UsageError, match="no step 9"):
        requalification.close_step(session, 1, 9, "x")
    with pytest.raises(UsageError, match="no kind of change"):
        requalification.begin_notice(session, "FM-2040", "weather", "x")
    with pytest.raises(UnknownRecord):
        requalification.begin_notice(session, "NO-1", "site", "x")


def test_equivalence_is_that_of_another_library(session: Session) -> None:
    """Two one-sided Welch t tests against statsmodels 0.14 `ttost_ind(usevar='unequal')` on the same lot means."""
    found = equivalence.compare(session, "FM-2040", "COL", change="2026-06-01", margin="0,003")
    with session.store.read() as conn:
        c = lookups.characteristic(conn, "FM-2040", "COL")
        series = lookups.lot_series(conn, c.id)
    cut = int(datetime(2026, 6, 1, tzinfo=session.zone).timestamp()) * 1_000_000
    earlier, later = series.mean[series.at_us < cut], series.mean[series.at_us >= cut]
    p, _, _ = ttost_ind(later, earlier, -0.003, 0.003, usevar="unequal")
    assert math.isclose(found.p, p, rel_tol=1e-9)
    assert found.difference == pytest.approx(later.mean() - earlier.mean(), rel=1e-12)
    assert found.equivalent is bool(p < 0.05)
    assert found.equivalent is (found.low > -0.003 and found.high < 0.003)
    assert (found.before.n, found.after.n) == (earlier.size, later.size)
    narrow = equivalence.compare(session, "FM-2040", "COL", change="2026-06-01", margin="0.0005")
    assert not narrow.equivalent
    assert any("no proof of a difference" in s for s in narrow.sentences)


def test_equivalence_by_readings_near_the_change_and_without_some_lots(session: Session) -> None:
    by_lot = equivalence.compare(
        session, "FM-2040", "COL", change="2026-06-01", margin="0,05", lots_before=4, lots_after=5
    )
    assert (len(by_lot.before.lots), len(by_lot.after.lots)) == (4, 5)
    out = by_lot.before.lots[-1]
    without = equivalence.compare(
        session, "FM-2040", "COL", change="2026-06-01", margin="0,05", lots_before=4, lots_after=5,
        leave_out={out: "wrong nest"},
    )  # fmt: skip
    assert out not in without.before.lots
    assert len(without.before.lots) == 4
    readings = equivalence.compare(
        session,
        "FM-2040",
        "COL",
        change="2026-06-01",
        margin="0,05",
        by="readings",
        lots_before=4,
        lots_after=5,
    )
    assert readings.before.n > by_lot.before.n
    assert readings.before.mean == pytest.approx(np.mean(by_lot.before.mean), abs=0.01)
    assert any("too sure" in s for s in readings.sentences)


def test_a_kept_equivalence_is_a_study(session: Session) -> None:
    found = equivalence.compare(
        session, "FM-2040", "COL", change="2026-06-01", margin="0,05", keep="New clamp glass"
    )
    assert found.study == "E-0001"
    with session.store.read() as conn:
        study = lookups.study(conn, "E-0001")
    assert (study.kind, study.state, study.verdict, study.title) == (
        "comparison", "analysed", "equivalent", "New clamp glass",
    )  # fmt: skip
    assert study.analysis["difference (mm)"] == found.difference
    assert study.plan["margin"] == 0.05
    technician = make_session(session.store, Settings(session.store.url, badge="T-01"))
    with pytest.raises(Refused, match="may not judge parts"):
        equivalence.compare(technician, "FM-2040", "COL", change="2026-06-01", margin="0,05", keep="x")


@pytest.mark.parametrize(
    ("given", "said"),
    (
        ({"change": "2020-01-01"}, "0 lots before"),
        ({"change": "tomorrow"}, "no moment"),
        ({"margin": "wide"}, "wide"),
        ({"by": "cups"}, "cannot be compared"),
        ({"leave_out": {"XX": "y"}}, "no such readings"),
        ({"leave_out": {"FM00002": " "}}, "without a reason"),
        ({"level": 0.3}, "level"),
    ),
)
def test_equivalence_that_cannot_be_is_refused(session: Session, given: dict[str, object], said: str) -> None:
    arguments = {"change": "2026-06-01", "margin": "0,05", **given}
    with pytest.raises(UsageError, match=said):
        equivalence.compare(session, "FM-2040", "COL", **arguments)  # type: ignore[arg-type]
