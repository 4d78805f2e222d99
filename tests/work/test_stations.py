"""Two stations on one database: each sees what the other entered, nothing is lost, a lot settled elsewhere says so."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from qualrec.config import Settings
from qualrec.errors import Refused
from qualrec.records import lookups, trail
from qualrec.work import bench, corrections, lots
from qualrec.work.session import Session, open_session
from qualrec.work.target import find_target

LOT = "FM00061"
ENTRIES = 6
STATION = """
import json, sys
from qualrec.config import Settings
from qualrec.work import bench
from qualrec.work.session import open_session
from qualrec.work.target import find_target

url, badge, lot, first, count = sys.argv[1:]
with open_session(Settings(url, badge=badge)) as session:
    print("ready", flush=True)
    sys.stdin.readline()
    for at in range(int(count)):
        target = find_target(session, lot, "PULL")
        entry = bench.Entry(str(int(first) + at), mode="cohesive")
        done = bench.log(session, target, [entry], entry_key=f"{badge}-{at}")
        print(json.dumps([done.rows[0].key.sample, done.rows[0].value]), flush=True)
"""


@pytest.fixture
def stations(plant_url: str) -> Iterator[tuple[Session, Session]]:
    """Two open stations: a technician's and a quality engineer's."""
    with ExitStack() as stack:
        yield tuple(stack.enter_context(open_session(Settings(plant_url, badge=b))) for b in ("T-01", "Q-01"))  # type: ignore[misc]


def pull(session: Session, text: str) -> bench.Logged:
    return bench.log(session, find_target(session, LOT, "PULL"), [bench.Entry(text, mode="cohesive")])


def pulls(session: Session) -> list[float | None]:
    return [r.value for r in bench.open_lot(session, LOT).readings if r.code == "PULL"]


def test_two_programs_enter_at_once_and_lose_nothing(plant_url: str, program_env: dict[str, str]) -> None:
    """Two processes are let go at the same moment; every entry they were told is stored is there, once."""
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", STATION, plant_url, badge, LOT, first, str(ENTRIES)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=program_env,
        )
        for badge, first in (("T-01", "600"), ("T-02", "620"))
    ]
    told: list[list[float]] = []
    for program in programs:
        assert program.stdout is not None
        assert program.stdout.readline() == "ready\n"
    for program in programs:
        assert program.stdin is not None
        program.stdin.write("go\n")
        program.stdin.flush()
    for program in programs:
        out, _ = program.communicate(timeout=120)
        assert program.returncode == 0
        told += [json.loads(line) for line in out.splitlines()]
    assert sorted(sample for sample, _ in told) == list(range(1, 2 * ENTRIES + 1))
    with open_session(Settings(plant_url, badge="Q-01")) as session:
        rows = [r for r in bench.open_lot(session, LOT).readings if r.code == "PULL"]
        assert sorted([r.key.sample, r.value] for r in rows) == sorted(told)
        assert len({r.person for r in rows}) == 2
        assert trail.verify(session.store).ok


def test_each_sees_what_the_other_entered(stations: tuple[Session, Session]) -> None:
    first, second = stations
    pull(first, "612,4")
    assert pulls(second) == [612.4]
    pull(second, "598")
    assert pulls(first) == [612.4, 598.0]
    corrections.correct_text(second, LOT, "PULL", 2, value="599", reason="read again")
    assert pulls(first) == [612.4, 599.0]
    bench.log_event(second, "glass_cleaned", lot=LOT)
    assert [e.kind for e in lots.lot_page(first, LOT).events][-1] == "glass_cleaned"


def test_a_lot_that_was_scrapped_elsewhere_takes_no_reading_and_says_who_and_when(
    stations: tuple[Session, Session],
) -> None:
    first, second = stations
    target = find_target(first, LOT, "PULL")
    assert target.lot is not None
    assert target.lot.state == "open"
    lots.dispose(second, LOT, "scrap", reason="dropped")
    with pytest.raises(Refused) as caught:
        bench.log(first, target, [bench.Entry("600", mode="cohesive")])
    assert f"Lot {LOT} is scrapped" in caught.value.message
    assert f"by {second.actor.name} at 20" in caught.value.message
    assert "nothing was stored" in caught.value.message
    assert pulls(first) == []


def test_a_decision_on_a_lot_seen_before_another_decided_is_refused_with_name_and_moment(
    stations: tuple[Session, Session],
) -> None:
    _, second = stations
    with open_session(replace_badge(second)) as third:
        seen = lots.lot_page(third, "FM00055").lot.version
        lots.dispose(second, "FM00055", "sort", reason="sort by leak test", quantity=None)
        lots.dispose(second, "FM00055", "scrap", reason="energy too low")
        with pytest.raises(Refused) as caught:
            lots.dispose(third, "FM00055", "hold", reason="look again", expected_version=seen)
        assert f"changed by {second.actor.name} at 20" in caught.value.message
        assert "is now scrapped; nothing was done" in caught.value.message
        page = lots.lot_page(third, "FM00055")
    assert page.lot.state == "scrapped"
    assert [d.kind for d in page.lot.dispositions][-1] == "scrap"


def replace_badge(session: Session) -> Settings:
    """Settings of a third station on the same database."""
    return Settings(session.store.url, badge=session.actor.badge)


def test_a_flag_closed_elsewhere_is_not_closed_twice(stations: tuple[Session, Session]) -> None:
    _, second = stations
    with open_session(replace_badge(second)) as third:
        flag = next(f for f in lots.lot_page(third, "FM00054").flags if f.state != "closed")
        lots.close_flag(second, flag.id, "Five more pulls good")
        with pytest.raises(Refused) as caught:
            lots.close_flag(third, flag.id, "Section seen")
        words = f"Flag {third.short_id(flag.id)} is closed by {second.actor.name}; nothing was done."
        assert caught.value.message == words
        with third.store.read() as conn:
            assert [a.what for a in lookups.flag(conn, flag.id).actions if a.kind == "closed"] == [
                "Five more pulls good"
            ]
