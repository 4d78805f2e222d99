"""Makes the frozen database of the newest revision, once, when it is released: `python tests/upgrades/freeze.py`.

The frozen files are never made again: each is what a program of that revision really wrote.
"""

from __future__ import annotations

import importlib.util
import json
import sqlite3
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
if importlib.util.find_spec("qualrec") is None:
    sys.path.insert(0, str(HERE.parents[1]))


def set_up(store: Any) -> Any:
    path = HERE.parent / "records" / "conftest.py"
    spec = importlib.util.spec_from_file_location("records_conftest", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module.set_up(store)


def fill(store: Any) -> None:
    """Readings of all kinds, corrections, an import, a recipe, limits, a flag."""
    import numpy as np

    from qualrec.records.bulk import BulkImport, NewColumns

    site = set_up(store)
    pulls = [
        site.reading(520.0 + i, pull=site.pull(), serial=f"U{i}", entered_text=f"{520 + i}") for i in range(8)
    ]
    keys = site.add(*pulls, site.reading(None, pull=site.pull("test fault")), entry_key="1")
    with store.write(site.actor) as w:
        w.correct(
            keys[0], kind="value", new_value=525.0, reason="read again", second_person_id=site.second_id
        )
        w.correct(keys[1], kind="mode", new_mode="interfacial", reason="seen under the microscope")
        w.correct(keys[2], kind="void", reason="wrong part")
        w.note_attempt(site.segments[0], site.force, entered_text="5", value=5.0, why="implausible, given up")
        recipe = w.insert(
            "recipe", {"part_id": site.part_id, "code": "R1", "process": "contour"}, act="recipe added"
        )
        draft = w.insert(
            "recipe_revision", {"recipe_id": recipe, "revision": 1, "created_us": 1}, act="drafted"
        )
        setting = {"recipe_revision_id": draft, "name": "power", "value": 100.0, "unit": "W"}
        w.insert("recipe_setting", setting, act="setting entered")
        w.update(
            "recipe_revision",
            draft,
            {"state": "approved", "approved_us": 2, "valid_from_us": 2},
            act="approved",
        )
        w.update("lot", site.lots[0], {"state": "on hold"}, act="lot held", why="interfacial failure")
    n = 400
    with BulkImport(store, site.actor, file_name="line3.csv", file_digest="a" * 64) as job:
        values = np.random.default_rng(3).normal(540, 10, n)
        job.stage(NewColumns(np.full(n, site.segments[1]), np.full(n, site.force), values, np.arange(n)))
        job.accept()


def main() -> None:
    from qualrec.records import migrate, trail
    from qualrec.records.database import open_store

    target = HERE / f"{migrate.head()}.sqlite"
    if target.exists():
        raise SystemExit(f"{target.name} is frozen already.")
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "new.sqlite"
        ticks = iter(range(1_790_000_000_000_000, 1_800_000_000_000_000, 1_000_000))
        with open_store(f"sqlite:///{path}", create=True, clock=lambda: next(ticks)) as store:
            fill(store)
            head = trail.verify(store).heads[0]
            with store.read() as connection:
                figures = connection.exec_driver_sql("SELECT sum(n), sum(s1), sum(s2) FROM rollup").one()
        with sqlite3.connect(path) as connection:
            connection.execute("PRAGMA journal_mode = DELETE")
            connection.execute("PRAGMA page_size = 512")
        connection.execute("VACUUM")
        connection.close()
        target.write_bytes(path.read_bytes())
    known = {"plant": head.plant_id, "seq": head.seq, "digest": head.digest, "rollups": list(figures)}
    target.with_suffix(".json").write_text(json.dumps(known, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
