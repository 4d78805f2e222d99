"""The same plant, written once on SQLite and once on PostgreSQL by the same use cases: equal to the last digit.

Equal means equal by `repr`: floats by every bit, ids and digests too. Only the address of the database may differ.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from qualrec import assess
from qualrec.cli.context import OPTIONS
from qualrec.cli.main import run
from qualrec.cli.output import plain
from qualrec.config import Settings
from qualrec.records import lookups, trail
from qualrec.records.models import metadata
from qualrec.work import lots, review, submission_pack
from qualrec.work.intake import take_file
from qualrec.work.sample_files import locate
from qualrec.work.session import Session, open_session

NOW_US = 1_767_225_600_000_000
"""2026-01-01, after the past of the sample plant: both stores read the same moment from the clock."""


@dataclass(frozen=True)
class Both:
    """A session on each kind of database."""

    sqlite: Session
    server: Session

    def same(self, ask: Callable[[Session], Any]) -> Any:
        """What `ask` gives on both, once it is the same."""
        ours, other = (as_json(ask(session)) for session in (self.sqlite, self.server))
        assert ours == other
        assert ours
        return json.loads(ours)


def as_json(value: Any) -> str:
    return json.dumps(plain(value), indent=1)


def reads(ask: Callable[[Any], Any]) -> Callable[[Session], Any]:
    def run_on(session: Session) -> Any:
        with session.store.read() as conn:
            return ask(conn)

    return run_on


def opened(stack: ExitStack, url: str, badge: str = "Q-01") -> Session:
    session = stack.enter_context(open_session(Settings(url, badge=badge)))
    session.store.clock = lambda: NOW_US
    return session


@pytest.fixture(scope="module")
def both(written_sample_plant: Path, server_plants: Any) -> Iterator[Both]:
    """The plant as written, for reading only."""
    url = server_plants.copy()
    with ExitStack() as stack:
        yield Both(opened(stack, f"sqlite:///{written_sample_plant}"), opened(stack, url))
    server_plants.drop(url)


@pytest.fixture
def changing(sample_plant: Path, server_plant: str) -> Iterator[Both]:
    """Copies of the plant, to be changed."""
    with ExitStack() as stack:
        yield Both(opened(stack, f"sqlite:///{sample_plant}"), opened(stack, server_plant))


def all_rows(session: Session) -> dict[str, list[str]]:
    """Every row of every table as its `repr`, sorted."""
    with session.store.read() as conn:
        return {
            table.name: sorted(repr(tuple(row)) for row in conn.execute(select(table)))
            for table in metadata.sorted_tables
        }


def assert_same_rows(both: Both) -> None:
    ours, other = all_rows(both.sqlite), all_rows(both.server)
    for name, rows in ours.items():
        assert rows == other[name], name
    assert len(ours["reading"]) > 3000


CHARACTERISTICS = {
    "FM-2040": ("PULL", "COL", "TTP", "TRN", "ENERGY"),
    "VB-1310": ("PULL", "LEAK", "TRN"),
    "CU-0720": ("PULL", "COL", "TRN"),
    "MC-0055": ("BURST", "TRN"),
}
PAIRS = [(part, code) for part, codes in CHARACTERISTICS.items() for code in codes]


def test_every_row_of_every_table(both: Both) -> None:
    assert_same_rows(both)


def test_the_trail_verifies_and_ends_in_the_same_digest(both: Both) -> None:
    found = both.same(lambda session: trail.verify(session.store))
    assert found["fault_count"] == 0
    assert found["readings"] > 3000


def test_counts(both: Both) -> None:
    both.same(reads(lambda conn: lookups.status_counts(conn, NOW_US)))


def test_flags_with_their_figures(both: Both) -> None:
    flags = both.same(reads(lambda conn: lookups.flags(conn, limit=1000)))
    assert {f["level"] for f in flags} == {"H", "R", "I"}
    assert all(finding["sentence"] for f in flags for finding in f["findings"])


def test_limits_in_force(both: Both) -> None:
    limits = both.same(reads(lambda conn: list(lookups.all_limits_in_force(conn).values())))
    assert len(limits) >= 3


def test_the_characteristics_named_here_are_all_there_are(both: Both) -> None:
    def codes(conn: Any) -> dict[str, list[str]]:
        return {
            p.number: [c.code for c in lookups.characteristics(conn, p.number)] for p in lookups.parts(conn)
        }

    found = both.same(reads(codes))
    assert {part: sorted(codes) for part, codes in found.items()} == {
        part: sorted(codes) for part, codes in CHARACTERISTICS.items()
    }


@pytest.mark.parametrize(("part", "code"), PAIRS)
def test_capability_report(both: Both, part: str, code: str) -> None:
    both.same(reads(lambda conn: assess.capability_report(conn, part, code, samples=200)))


@pytest.mark.parametrize(("part", "code"), PAIRS)
def test_chart_view(both: Both, part: str, code: str) -> None:
    view = both.same(reads(lambda conn: assess.chart_view(conn, part, code)))
    assert view["chart"]


@pytest.mark.parametrize("number", ["FM00020", "FM00038", "FM00053", "FM00061"])
def test_page_of_a_lot(both: Both, number: str) -> None:
    page = both.same(lambda session: lots.lot_page(session, number))
    assert page["lot"]["number"] == number


def test_figures_of_a_submission_pack(both: Both) -> None:
    pack = both.same(lambda session: submission_pack.gather(session, "FM-2040", level="3", with_recipe=True))
    assert pack["digests"]
    assert len(pack["characteristics"]) >= 4


def answer(arguments: tuple[str, ...], url: str, monkeypatch: Any, capsys: Any) -> tuple[int, str]:
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: Path("none.toml"))
    monkeypatch.setattr(sys, "argv", ["qualrec", "--db", url, "--badge", "Q-01", *arguments])
    capsys.readouterr()
    code = 0
    try:
        run()
    except SystemExit as stop:
        code = int(stop.code or 0)
    finally:
        OPTIONS.db = OPTIONS.badge = OPTIONS.station = OPTIONS.theme = OPTIONS.ascii = None
    return code, capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ("lots", "--json", "--most", "500"),
        ("flags", "--json"),
        ("capability", "FM-2040", "PULL", "--json"),
        ("lot", "FM00053"),
        ("db", "verify", "--json"),
    ],
)
def test_answers_of_commands(
    both: Both,
    arguments: tuple[str, ...],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    ours = answer(arguments, both.sqlite.store.url, monkeypatch, capsys)
    assert ours == answer(arguments, both.server.store.url, monkeypatch, capsys)
    assert ours[1]


def test_what_is_done_from_here_on_is_the_same_too(changing: Both) -> None:
    """An import, new limits, a disposition and a closed flag leave the same rows, ids and digests."""

    def work(session: Session) -> list[Any]:
        taken = take_file(session, locate("tester_pulls.csv"))
        made = review.limits(
            session,
            "FM-2040",
            "COL",
            leave_out={"FM00002": "wrong nest"},
            until="FM00059",
            freeze=True,
            reason="two nests now",
        )
        page = lots.lot_page(session, "FM00054")
        flag = next(f for f in page.flags if f.state != "closed")
        closed = lots.close_flag(session, flag.id, "Five more pulls good")
        scrapped = lots.dispose(session, "FM00055", "scrap", reason="energy too low")
        return [taken.sentences, made, closed, scrapped]

    changing.same(work)
    assert_same_rows(changing)
    assert changing.same(lambda session: trail.verify(session.store))["fault_count"] == 0


def test_a_file_given_twice_adds_nothing_on_either(changing: Both) -> None:
    def twice(session: Session) -> list[Any]:
        take_file(session, locate("tester_pulls.csv"))
        before = all_rows(session)
        again = take_file(session, locate("tester_pulls.csv"))
        assert all_rows(session) == before
        return list(again.sentences)

    assert any("Nothing was added" in sentence for sentence in changing.same(twice))


def test_a_difference_would_be_seen(changing: Both) -> None:
    """The comparison itself: one decision more on one side is a difference."""
    lots.dispose(changing.server, "FM00055", "scrap", reason="energy too low")
    ours, other = all_rows(changing.sqlite), all_rows(changing.server)
    assert ours["disposition"] != other["disposition"]
