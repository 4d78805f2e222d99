"""The submission of a part: gathered from a database, written whole or not at all, states as the records are."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from openpyxl import load_workbook

from qualrec import assess
from qualrec.config import Settings
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.export import workbook
from qualrec.export.messages import Words
from qualrec.export.submission_elements import ELEMENTS
from qualrec.records import lookups, registry
from qualrec.records.database import Store, open_store
from qualrec.values import Actor, NewReading, PullResult, RecipeSetting, Window
from qualrec.work import submission
from qualrec.work.session import Session
from qualrec.work.submission_pack import CAUTIONS, gather, readings_digest
from qualrec.work.submission_state import Held, element_states

DAY = 86_400_000_000
START = 20_458 * DAY
LOTS, PULLS = 9, 4
SETTINGS = (
    RecipeSetting("power", 187.5, "W"),
    RecipeSetting("speed", 1000.0, "mm/s"),
    RecipeSetting("seam_length", 150.0, "mm"),
    RecipeSetting("seam_width", 2.0, "mm"),
    RecipeSetting("passes", 20.0, "count"),
)


class Plant:
    """An invented plant with one part, nine lots, one correction, one void and one test fault."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.ids: dict[str, Any] = {}
        registry.add_plant(store, "P1", "Invented works", "Europe/Berlin", invented=True)
        self.write(self.masters, Actor(None, "set-up"))
        self.actor = Actor(self.ids["person"], "Ada Example", "B1", roles=frozenset({"quality engineer"}))
        for number in range(1, LOTS + 1):
            self.write(lambda w, n=number: self.lot(w, n))
        self.write(self.corrections)

    def write(self, act: Any, actor: Actor | None = None) -> Any:
        with self.store.write(actor or self.actor) as writer:
            return act(writer)

    def masters(self, w: Any) -> None:
        ids = self.ids
        ids["person"] = registry.add_person(
            w, "Ada Example", "B1", roles=("quality engineer", "process engineer")
        )
        customer = registry.add_customer(w, "C1", "=Invented customer", language="en", index_special=1.67)
        natural = registry.add_material(w, "R-N", "Supplier", "PBT", "transmissive")
        black = registry.add_material(w, "R-B", "Supplier", "PBT", "absorbing", absorber_pct=0.4)
        upper = registry.add_component(w, "0001-U", "Cover", "upper", natural)
        lower = registry.add_component(w, "0001-L", "Body", "lower", black)
        ids["part"] = registry.add_part(
            w, "0001", "Housing", process="quasi-simultaneous", joint="T-joint", upper_id=upper, lower_id=lower,
            customer_id=customer, revision="B", drawing="D-1", valid_from_us=START - 90 * DAY,
        )  # fmt: skip
        ids["gauge"] = registry.add_gauge(w, "PT-1", "Pull tester", "pull force", unit="N", interval_days=365)
        registry.add_calibration(
            w, ids["gauge"], START - 30 * DAY, due_us=START + 700 * DAY, verdict="good", certificate="CAL-1"
        )
        ids["condition"] = registry.get_or_add_condition(w, gauge_id=ids["gauge"], speed_mm_min=10.0)
        ids["other condition"] = registry.get_or_add_condition(w, gauge_id=ids["gauge"], speed_mm_min=50.0)
        common = {"valid_from_us": START - 90 * DAY, "hangs_on": "lot", "kind": "measured"}
        ids["PULL"] = registry.add_characteristic(
            w, ids["part"], code="PULL", name="Pull force", quantity="pull force", unit="N", lsl=350.0, decimals=1,
            strength=True, destructive=True, samples=PULLS, special_class="significant", symbol="S",
            separating=("speed_mm_min",), **common,
        )  # fmt: skip
        ids["COL"] = registry.add_characteristic(
            w, ids["part"], code="COL", name="Collapse", quantity="collapse", unit="mm", lsl=0.2, usl=0.36, decimals=3,
            **common,
        )  # fmt: skip
        recipe = registry.add_recipe(w, ids["part"], "RC-1")
        ids["revision"] = registry.add_recipe_revision(
            w, recipe, reason="First release",
            settings=SETTINGS,
            windows=(Window("joint energy", 0.34, 0.47, "J/mm2", "study W-1"),),
        )  # fmt: skip
        ids["welder"] = registry.add_station(w, "LW-1", "Welder", "welder")

    def lot(self, w: Any, number: int) -> None:
        rng = np.random.default_rng(number)
        at = START + number * DAY
        lot_id = registry.add_lot(
            w, f"L{number:04d}", self.ids["part"], at, quantity=400, recipe_revision_id=self.ids["revision"],
            station_id=self.ids["welder"], operator_id=self.ids["person"],
        )  # fmt: skip
        segment = lookups.lot_by_id(w.conn, lot_id).segments[0].id
        self.ids[f"lot {number}"], self.ids[f"segment {number}"] = lot_id, segment
        level = 600 + rng.normal(0, 15)
        rows = [
            NewReading(
                segment, self.ids["PULL"], round(float(level + rng.normal(0, 20)), 1), at + s,
                condition_id=self.ids["condition"], serial=f"00{number}{s}",
                entered_text="x", decimals=1, pull=PullResult("cohesive"),
            )
            for s in range(PULLS)
        ]  # fmt: skip
        if number == 3:
            rows.append(
                NewReading(
                    segment, self.ids["PULL"], None, at + 9, condition_id=self.ids["condition"],
                    pull=PullResult("test fault"),
                )
            )  # fmt: skip
            rows.append(
                NewReading(
                    segment, self.ids["PULL"], 700.0, at + 10, condition_id=self.ids["other condition"],
                    pull=PullResult("cohesive"),
                )
            )  # fmt: skip
        rows += [
            NewReading(segment, self.ids["COL"], round(float(0.28 + rng.normal(0, 0.006)), 3), at + 20 + s)
            for s in range(3)
        ]
        w.add_readings(rows)

    def corrections(self, w: Any) -> None:
        rows = lookups.readings_of_lot(w.conn, self.ids["lot 5"], "PULL")
        w.correct(rows[0].key, kind="value", new_value=612.3, reason="digits exchanged")
        w.correct(rows[1].key, kind="void", reason="wrong nest")


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    path = tmp_path_factory.mktemp("plant") / "plant.sqlite"
    with open_store(f"sqlite:///{path}", create=True, clock=lambda: START + 40 * DAY) as store:
        yield Plant(store)


@pytest.fixture
def session(plant: Plant) -> Session:
    with plant.store.read() as conn:
        return Session(plant.store, Settings(plant.store.url), lookups.plant(conn), plant.actor)


def trail_length(plant: Plant) -> int:
    with plant.store.read() as conn:
        return lookups.trail_rows(conn, limit=1)[0].seq


def test_figures_in_the_file_are_those_of_the_records(session: Session, plant: Plant, tmp_path: Path) -> None:
    """GIVEN a database WHEN the workbook is read back THEN readings and figures are those of the lookups."""
    made = submission.make(session, "0001", tmp_path / "p.xlsx")
    book = load_workbook(made.path)
    with plant.store.read() as conn:
        report = assess.capability_report(conn, "0001", "PULL")
        series = lookups.lot_series(conn, plant.ids["PULL"], condition_id=report.choice.condition_id)
        stored = {
            (r.code, r.lot_number, r.key.sample): r
            for n in range(1, LOTS + 1)
            for r in lookups.readings_of_lot(conn, plant.ids[f"lot {n}"])
        }
    rows = list(book["Raw data"].iter_rows(min_row=4, values_only=True))
    assert len(rows) == len(stored) == LOTS * (PULLS + 3) + 2
    for row in rows:
        reading = stored[row[0], row[1], row[4]]
        assert (row[6], row[7]) == (reading.original, reading.value)
        assert row[5] == (reading.serial or None)
    in_figures = [row[8] for row in rows if row[0] == "PULL" and row[8] is not None]
    assert len(in_figures) == int(series.n.sum()) == LOTS * PULLS - 1
    assert math.fsum(in_figures) / len(in_figures) == pytest.approx(
        float((series.n * series.mean).sum() / series.n.sum())
    )
    summary = next(row for row in book["Capability"].iter_rows(values_only=True) if row[0] == "PULL")
    assert summary[4:6] == (report.index.value, report.index.bound)
    assert summary[8:10] == (report.answer, report.remark)
    assert "too few data" in report.remark


def test_corrections_voids_faults_and_kept_apart_readings_are_shown(session: Session, tmp_path: Path) -> None:
    made = submission.make(session, "0001", tmp_path / "p.xlsx")
    rows = list(load_workbook(made.path)["Raw data"].iter_rows(min_row=4, values_only=True))
    by_state = {
        state: [r for r in rows if r[12] == state] for state in ("corrected", "void", "test fault", "counts")
    }
    assert [len(v) for k, v in by_state.items() if k != "counts"] == [1, 1, 1]
    corrected = by_state["corrected"][0]
    assert corrected[7] == corrected[8] == 612.3 != corrected[6]
    assert corrected[13] == "digits exchanged"
    assert by_state["void"][0][7:9] == (None, None)
    apart = next(r for r in rows if r[6] == 700)
    assert apart[7:9] == (700, None)


def test_it_says_what_was_made_and_changes_no_record(session: Session, plant: Plant, tmp_path: Path) -> None:
    before = trail_length(plant)
    made = submission.make(session, "0001", tmp_path / "p.xlsx", level="3")
    assert trail_length(plant) == before == made.trail_seq
    assert made.digest == sha256((tmp_path / "p.xlsx").read_bytes()).hexdigest()
    assert made.digest in made.sentences[1]
    assert made.trail_digest in made.sentences[2]
    assert "level 3, 2 characteristics, 9 lots, 65 readings" in made.sentences[0]
    assert any("invented" in s for s in made.sentences)
    assert any("--with-recipe" in s for s in made.sentences)
    assert [e.number for e in made.elements] == list(range(1, 19))


def test_an_existing_file_stays_unless_replaced(session: Session, tmp_path: Path) -> None:
    to = tmp_path / "p.xlsx"
    to.write_bytes(b"mine")
    with pytest.raises(Refused, match="already there"):
        submission.make(session, "0001", to)
    assert to.read_bytes() == b"mine"
    submission.make(session, "0001", to, replace=True)
    assert to.read_bytes()[:2] == b"PK"
    assert [p.name for p in tmp_path.iterdir()] == ["p.xlsx"]


@pytest.mark.parametrize("there", (False, True))
def test_a_failure_in_the_middle_leaves_everything_as_it_was(
    session: Session,
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    there: bool,
) -> None:
    """GIVEN a disk that fills while sheets are written THEN the place is untouched and nothing is left beside it."""
    to = tmp_path / "p.xlsx"
    if there:
        to.write_bytes(b"mine")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    streams = tmp_path_factory.mktemp("streams")
    monkeypatch.setattr(tempfile, "tempdir", str(streams))
    monkeypatch.setitem(workbook._WRITERS, "raw", full)
    with pytest.raises(Refused, match="No space left") as caught:
        submission.make(session, "0001", to, replace=True)
    assert caught.value.remedy
    assert not list(streams.iterdir())
    assert [p.name for p in tmp_path.iterdir()] == (["p.xlsx"] if there else [])
    if there:
        assert to.read_bytes() == b"mine"


@pytest.mark.parametrize(
    "name, level, error, said",
    (
        ("p.xlsx", "7", UsageError, "not known"),
        ("p.csv", "3", UsageError, "end in .xlsx"),
        ("none/p.xlsx", "3", UsageError, "no such folder"),
    ),
)
def test_what_cannot_be_is_refused_before_work(
    session: Session, tmp_path: Path, name: str, level: str, error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        submission.make(session, "0001", tmp_path / name, level=level)
    assert not list(tmp_path.iterdir())


def test_unknown_parts_and_persons_without_the_right(session: Session, tmp_path: Path) -> None:
    with pytest.raises(UnknownRecord, match="0002"):
        submission.make(session, "0002", tmp_path / "p.xlsx")
    auditor = session.acting(Actor(1, "A", "X", roles=frozenset({"auditor"})))
    with pytest.raises(Refused, match="may not make submissions"):
        submission.make(auditor, "0001", tmp_path / "p.xlsx")
    assert not list(tmp_path.iterdir())


def test_user_text_does_not_act_and_zeros_stay(session: Session, tmp_path: Path) -> None:
    book = load_workbook(submission.make(session, "0001", tmp_path / "p.xlsx").path)
    cells = [c for row in book["Cover"].iter_rows() for c in row if c.value is not None]
    customer = next(c for c in cells if c.value == "=Invented customer")
    assert customer.data_type == "s" or customer.data_type == "inlineStr"
    assert customer.quotePrefix
    assert any(c.value == "0001" for c in cells)


def test_recipe_settings_go_only_with_the_switch(session: Session, tmp_path: Path) -> None:
    for switch in (False, True):
        made = submission.make(session, "0001", tmp_path / f"{switch}.xlsx", with_recipe=switch)
        values = [v for row in load_workbook(made.path)["Recipes"].iter_rows(values_only=True) for v in row]
        assert (187.5 in values) is switch
        assert "First release" in values


def test_states_of_the_elements(session: Session) -> None:
    states = {e.number: e for e in gather(session, "0001", level="3", with_recipe=False).elements}
    assert {n: e.state for n, e in states.items()} == {
        **dict.fromkeys(range(1, 19), "missing"),
        1: "referenced", 2: "supplied", 9: "supplied", 10: "supplied", 11: "supplied", 12: "supplied", 16: "kept",
    }  # fmt: skip
    assert "D-1" in states[1].note
    assert "COL" in states[9].note
    assert "PULL" in states[10].note
    assert "PT-1" in states[12].note
    assert all(e.note for e in states.values())
    kept = {
        e.number for e in gather(session, "0001", level="5", with_recipe=False).elements if e.state == "kept"
    }
    assert kept == {2, 9, 10, 11, 12, 16}


def test_states_without_data_claim_nothing(session: Session) -> None:
    pack = gather(session, "0001", level="3", with_recipe=False)
    held = Held(pack.cover.part, (), 0, (), (), START)
    found = {ELEMENTS[e.number].key: e.state for e in element_states("3", held, Words())}
    assert (
        found["tests"] == found["dimensions"] == found["process studies"] == found["laboratory"] == "missing"
    )
    overdue = Held(pack.cover.part, pack.characteristics, 1, pack.gauges, ("S-1",), START + 5000 * DAY)
    states = {ELEMENTS[e.number].key: e for e in element_states("3", overdue, Words())}
    assert states["laboratory"].state == "missing"
    assert "PT-1" in states["laboratory"].note
    assert (states["measurement studies"].state, states["measurement studies"].note) == (
        "supplied",
        "Studies: S-1.",
    )


def test_cautions_and_digests(session: Session, tmp_path: Path) -> None:
    pack = gather(session, "0001", level="3", with_recipe=False)
    assert len(pack.cover.cautions) == len(CAUTIONS) == 9
    book = load_workbook(submission.make(session, "0001", tmp_path / "p.xlsx").path)
    said = [row[0] for row in book["Cover"].iter_rows(values_only=True) if row[0]]
    assert all(any(line.startswith(c.text) for line in said) for c in pack.cover.cautions)
    listed = [row[2] for row in book["Manifest"].iter_rows(values_only=True)]
    assert pack.cover.trail_digest in listed
    for one in pack.characteristics:
        assert readings_digest(one.readings) in listed


def test_digest_of_readings_tells_any_change(session: Session) -> None:
    rows = gather(session, "0001", level="3", with_recipe=False).characteristics[0].readings
    assert readings_digest(rows) != readings_digest(rows[1:])
    assert readings_digest(rows) != readings_digest(rows[::-1])
    by_hand = sha256()
    for r in rows:
        k = r.key
        line = "\t".join(
            map(str, (k.subject_id, k.characteristic_id, k.stream_id, k.sample, repr(r.value), r.at_us))
        )
        by_hand.update(f"{line}\n".encode())
    assert readings_digest(rows) == by_hand.hexdigest()


def test_progress_names_each_sheet(session: Session, tmp_path: Path) -> None:
    told: list[str] = []
    submission.make(session, "0001", tmp_path / "p.xlsx", progress=told.append)
    assert told == load_workbook(tmp_path / "p.xlsx").sheetnames


def test_the_analysis_of_a_study_is_told_by_name_and_its_people_by_letters() -> None:
    from qualrec.work.submission_proof import factors_text, figures_of, people_letters

    analysis = {
        "grr_pct": 12.5,
        "ok": True,
        "text": "x",
        "empty": "",
        "parts": [{"name": "EV", "sd": 1.0}, {"name": "AV", "sd": 2}],
        "list": [1.5, "a"],
        "deep": {"p": 0.25},
    }
    assert list(figures_of(analysis)) == [
        ("grr pct", 12.5), ("ok", "yes"), ("text", "x"), ("parts EV: name", "EV"), ("parts EV: sd", 1.0),
        ("parts AV: name", "AV"), ("parts AV: sd", 2.0), ("list", "1.5, a"), ("deep: p", 0.25),
    ]  # fmt: skip
    runs = [{"part": "1", "person": "T-02"}, {"part": "2", "person": "T-01"}, {"part": "1", "person": "T-02"}]
    letters = people_letters(runs)
    assert letters == {"T-02": "A", "T-01": "B"}
    assert factors_text(runs[1], letters) == "part 2, person B"
    assert factors_text({"power": 200.0, "set_up": [1]}) == "power 200.0, set up [1]"
