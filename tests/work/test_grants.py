"""The product does all of its work as the working role of a PostgreSQL server."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec import config
from qualrec.records import trail
from qualrec.records.database import open_store
from qualrec.work import bench, corrections, definitions, intake, lots, review
from qualrec.work.sample_files import locate
from qualrec.work.session import make_session
from qualrec.work.target import find_target


@pytest.mark.parametrize("databases", ["postgresql"], indirect=True)
def test_the_product_works_as_the_working_role(
    small_plant: Any, accounts: Callable[[str], str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(accounts("app"), clock=lambda: small_plant.clock[0]) as store:
        s = make_session(store, config.Settings(store.url, badge="Q-01"))
        target = find_target(s, "FM00061", "PULL")
        done = bench.log(s, target, [bench.Entry("401,2", mode="interfacial")], entry_key="a")
        assert done.state == "on hold"
        corrections.correct_text(s, "FM00061", "PULL", 1, value="402", reason="digits exchanged")
        page = lots.lot_page(s, "FM00061")
        lots.close_flag(s, next(f for f in page.flags if f.state != "closed").id, "Five more pulls good")
        bench.log_event(s, "glass_cleaned", lot="FM00061")
        assert intake.take_file(s, pull_file(tmp_path, "FM00060")).readings == 5
        monkeypatch.setattr(intake, "BULK_READINGS", 100)
        assert intake.take_file(s, locate("welding_machine.csv"), gauge="PS-01").readings == 600
        recipe = definitions.load(locate("sample_plant.toml"))["recipe"][1]["code"]
        review.approve_recipe(s, recipe, 1, reason="Window study seen")
        lots.dispose(s, "FM00060", "hold", reason="look again")
        assert trail.verify(store).ok
        assert lots.lot_page(s, "FM00060").lot.state == "on hold"


def pull_file(tmp_path: Path, lot: str) -> Path:
    """The sample file of a tester for another lot."""
    path = tmp_path / f"{lot}.csv"
    path.write_text(
        locate("tester_pulls.csv").read_text(encoding="utf-8").replace("FM00061", lot), encoding="utf-8"
    )
    return path
