"""Writes the sample plant: the plan of `sample_plan` lived through with the same use cases that people use.

Every reading, flag, signature and trail entry is made at its invented moment by an invented person.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from qualrec import config
from qualrec.errors import DatabaseError, Refused
from qualrec.records import lookups, registry
from qualrec.records.database import Store, open_store
from qualrec.records.ledger import Writer
from qualrec.values import Characteristic, Condition, NewReading
from qualrec.weld.failure_modes import Shares
from qualrec.work import accounts, bench, corrections, definitions, lots, passwords, review, sample_studies
from qualrec.work.judging import judge_and_store
from qualrec.work.sample_conditions import stated
from qualrec.work.sample_files import locate
from qualrec.work.sample_plan import (
    DAY_US,
    HOUR_US,
    INTERFACIAL_LOT,
    LEAD_LOTS,
    OPEN_LOT,
    PHASE_ONE_LOTS,
    POOR_RESIN_LOTS,
    UNAPPROVED_LOT,
    WAITING_LOT,
    Plan,
    PlannedLot,
    PlannedMoulding,
    PlannedPart,
    PlannedReading,
    lot_start,
    make_plan,
)
from qualrec.work.session import Session, make_session
from qualrec.work.set_up import PROGRAM
from qualrec.work.target import find_target

MINUTE_US = 60_000_000
SET_UP_US = lot_start(1) - 6 * DAY_US
REVISION_2_DRAFTED_US = lot_start(UNAPPROVED_LOT) - 4 * DAY_US
REVISION_2_APPROVED_US = lot_start(UNAPPROVED_LOT) + 27 * HOUR_US + 30 * MINUTE_US
STUDIES_US = lot_start(2) + 3 * HOUR_US
"""When the studies of the gauges are carried out."""
PULL_SETTINGS = {"FM": ("F-12", 10.0, ""), "VB": ("F-31", 10.0, "dry as moulded"), "CU": ("F-07", 10.0, "")}
TECHNICIANS = ("T-01", "T-02")


@dataclass(frozen=True, slots=True)
class Written:
    """What was written, in words."""

    url: str
    lots: int
    readings: int
    flags: int
    sentences: tuple[str, ...]


@dataclass(slots=True)
class Clock:
    """The plant's clock while its past is written."""

    now: int = SET_UP_US

    def __call__(self) -> int:
        return self.now


def target(db: str | None) -> str:
    """Where the sample plant goes: as given, else a fresh file in the temporary folder."""
    if db:
        return config.database_url(db)
    return config.database_url(str(Path(tempfile.mkdtemp(prefix="qualrec-")) / "sample.sqlite"))


def write(
    url: str, *, seed: int = 1, progress: Callable[[str], None] | None = None, file: Path | None = None
) -> Written:
    """Write the sample plant into a new or empty database. Raises DatabaseError where records are there already."""
    say = progress or (lambda text: None)
    plan = make_plan(seed)
    tables = definitions.load(file or locate("sample_plant.toml"))
    clock = Clock()
    with open_store(url, create=True, clock=clock) as store:
        with store.read() as conn:
            if lookups.plants(conn):
                raise DatabaseError(
                    f"{store.place} already holds records.",
                    "Choose a new path for the sample plant: --db PATH",
                )
        say(f"Writing the sample plant (invented data, seed {seed}) to {store.place}")
        past = _Past(store, clock, plan, tables, say)
        past.live()
        with store.read() as conn:
            counted = lookups.status_counts(conn, clock())
    total, flags = sum(counted.lots.values()), sum(counted.flags.values())
    return Written(
        url,
        total,
        counted.readings,
        flags,
        (
            "Sample plant: every name, number and figure is invented.",
            f"{counted.parts} part numbers, {total} lots, {counted.readings} readings, {flags} flags not closed.",
            "Sample badges: T-01, T-02 technicians; P-01 process engineer; Q-01 quality engineer; "
            "A-01 auditor; X-01 administrator.",
            accounts.SAMPLE_ACCOUNTS,
        ),
    )


@dataclass(slots=True)
class _Past:
    """The past of the plant, in the order of its moments."""

    store: Store
    clock: Clock
    plan: Plan
    tables: dict[str, Any]
    say: Callable[[str], None]
    sessions: dict[str, Session] = field(default_factory=dict)
    conditions: dict[tuple[str, str], int] = field(default_factory=dict)
    deliveries: dict[str, int] = field(default_factory=dict)
    steps: list[tuple[int, int, Callable[[], None]]] = field(default_factory=list)

    def live(self) -> None:
        self._set_up()
        for part in self.plan.parts:
            self._plan_part(part)
        for moment in self.plan.glass_cleaned_us:
            self._at(moment, lambda: self._event("glass_cleaned", "LW-1"))
        self._at(REVISION_2_DRAFTED_US, self._draft_second_revision)
        self._at(REVISION_2_APPROVED_US, self._approve_second_revision)
        self._at(lot_start(PHASE_ONE_LOTS) + 3 * DAY_US, self._freeze_limits)
        self._later_calibrations()
        for at in range(len(sample_studies.STUDIES)):
            self._at(STUDIES_US + at * HOUR_US, lambda at=at: self._study(at))  # type: ignore[misc]
        end = lot_start(LEAD_LOTS) + 2 * HOUR_US
        self._at(end, self._judge_parts)
        for moment, _, step in sorted(self.steps, key=lambda s: s[:2]):
            if moment <= end:
                self.clock.now = moment
                step()

    def _at(self, moment: int, step: Callable[[], None]) -> None:
        self.steps.append((moment, len(self.steps), step))

    def _as(self, badge: str) -> Session:
        if badge not in self.sessions:
            settings = config.Settings(self.store.url, badge=badge)
            self.sessions[badge] = make_session(self.store, settings, signs=True)
        return self.sessions[badge]

    # Master data.

    def _set_up(self) -> None:
        plant = self.tables["plant"]
        with self.store.write(PROGRAM) as writer:
            registry.add_plant(
                writer,
                plant["code"],
                plant["name"],
                plant["zone"],
                plant["decimal_style"],
                invented=plant["invented"],
            )
            shifts = [(s["name"], _minutes(s["from"])) for s in plant["shifts"]]
            registry.add_calendar(writer, shifts, valid_from_us=SET_UP_US)
            self._add_people(writer)
        first = {**self.tables, "person": []}
        first["recipe"] = [{**r, "revision": r["revision"][:1]} for r in self.tables["recipe"]]
        first["gauge"] = [
            {**g, "calibration": [c for c in g["calibration"] if definitions.moment(c["at"], 0) <= SET_UP_US]}
            for g in self.tables["gauge"]
        ]
        engineer, quality = self._as("P-01"), self._as("Q-01")
        with self.store.write(engineer.actor) as writer:
            definitions.Definitions(writer, "sample_plant.toml").define(first)
        self.clock.now += 2 * HOUR_US
        for recipe in self.tables["recipe"]:
            review.approve_recipe(quality, recipe["code"], 1, reason="Window study seen, first-off pulled")
        sample_studies.draft_plan(engineer, 0)
        sample_studies.approve_plan(quality, "safe launch", "Agreed by the team after the window study")
        self.say("master data defined, recipes and control plan approved")

    def _add_people(self, writer: Writer) -> None:
        """The people with their sample accounts: one password and one PIN, hashed once, for all badges."""
        password = passwords.hashed_in_the_open(accounts.SAMPLE_PASSWORD)
        pin = passwords.hashed_in_the_open(accounts.SAMPLE_PIN)
        for row in self.tables["person"]:
            registry.add_person(
                writer,
                row["name"],
                row["badge"],
                roles=row["roles"],
                password_hash=password,
                pin_hash=pin,
            )

    def _later_calibrations(self) -> None:
        for gauge in self.tables["gauge"]:
            for row in gauge["calibration"]:
                at = definitions.moment(row["at"], 0)
                if at > SET_UP_US:
                    self._at(at, lambda code=gauge["code"], row=row: self._calibrate(code, row))  # type: ignore[misc]

    def _calibrate(self, code: str, row: dict[str, Any]) -> None:
        with self.store.write(self._as("Q-01").actor) as writer:
            definitions.add_calibration(writer, lookups.gauge(writer.conn, code).id, row)

    def _draft_second_revision(self) -> None:
        recipe = next(r for r in self.tables["recipe"] if len(r["revision"]) > 1)
        with self.store.write(self._as("P-01").actor) as writer:
            first = lookups.recipe_revision(writer.conn, recipe["code"], 1)
            definitions.add_recipe_revision(writer, first.recipe_id, first.process, recipe["revision"][1])

    def _approve_second_revision(self) -> None:
        review.approve_recipe(
            self._as("Q-01"), "RC-2040", 2, reason="Five pulls with 1.2 s hold time, all parent material"
        )

    def _freeze_limits(self) -> None:
        for code in ("PULL", "COL", "TTP", "TRN"):
            reason = (
                f"First phase closed after {PHASE_ONE_LOTS} lots, three resin deliveries, ten glass cleanings"
            )
            review.limits(self._as("Q-01"), "FM-2040", code, freeze=True, reason=reason)
        sample_studies.draft_plan(self._as("P-01"), 1)
        sample_studies.approve_plan(
            self._as("Q-01"), "production", f"{PHASE_ONE_LOTS} lots in safe launch, limits frozen"
        )
        self.say("limits frozen after the first phase, control plan of production in force")

    def _study(self, at: int) -> None:
        done = sample_studies.carry_out_study(self._as("Q-01"), self._as("T-01"), at, self.plan.seed)
        self.say(done)

    def _judge_parts(self) -> None:
        for part in self.plan.parts:
            review.judge_part(self._as("Q-01"), part.number)

    # Lots.

    def _plan_part(self, part: PlannedPart) -> None:
        for moulding in part.mouldings:
            self._at(moulding.moulded_us + 5 * HOUR_US, lambda m=moulding, p=part.number: self._mould(m, p))  # type: ignore[misc]
        for lot in part.lots:
            self._at(lot.started_us, lambda lot=lot: self._weld(lot))  # type: ignore[misc]
            self._at(lot.started_us + 16 * HOUR_US, lambda lot=lot: self._test(lot))  # type: ignore[misc]
            self._at(lot.started_us + 27 * HOUR_US, lambda lot=lot: self._correct(lot))  # type: ignore[misc]
            self._at(lot.started_us + 30 * HOUR_US, lambda lot=lot: self._decide(lot))  # type: ignore[misc]
            self._at(lot.started_us + 54 * HOUR_US, lambda lot=lot: self._ship(lot))  # type: ignore[misc]

    def _event(self, kind: str, station: str) -> None:
        with self.store.write(self._as("T-01").actor) as writer:
            at = lookups.station(writer.conn, station).id
            registry.add_event(writer, kind, self.clock.now, station_id=at)

    def _mould(self, moulding: PlannedMoulding, number: str) -> None:
        technician = self._as(TECHNICIANS[0])
        with self.store.write(technician.actor) as writer:
            part = lookups.part(writer.conn, number)
            component = part.upper if moulding.side == "upper" else part.lower
            lot = registry.add_moulding_lot(
                writer,
                moulding.number,
                component.id,
                moulding.moulded_us,
                parents=[self._delivery(writer, component.material_id, moulding)],
            )
            if not moulding.readings:
                return
            c = lookups.characteristic(writer.conn, number, "TRN", moulding.moulded_us)
            condition = self._condition(writer, "TRN", number[:2])
            labels = {s.label: s.id for s in lookups.streams(writer.conn, part.id)}
            readings = [
                self._reading(r, lot, c, condition, labels.get(str(r.cavity), 0)) for r in moulding.readings
            ]
            writer.add_readings(readings, entry_key=f"sample:{moulding.number}")

    def _delivery(self, writer: Writer, material_id: int, moulding: PlannedMoulding) -> int:
        if moulding.delivery not in self.deliveries:
            received = moulding.moulded_us - 5 * DAY_US
            self.deliveries[moulding.delivery] = registry.add_delivery(
                writer, material_id, moulding.delivery, received, expires_us=received + 365 * DAY_US
            )
        return self.deliveries[moulding.delivery]

    def _condition(self, writer: Writer, code: str, prefix: str) -> int:
        """Id of the condition under which the sample plant measures a characteristic."""
        if (code, prefix) not in self.conditions:
            self.conditions[code, prefix] = registry.get_or_add_condition(
                writer, stated(writer, code, prefix)
            )
        return self.conditions[code, prefix]

    def _reading(
        self, planned: PlannedReading, subject: int, c: Characteristic, condition: int, stream: int = 0
    ) -> NewReading:
        return NewReading(
            subject_id=subject,
            characteristic_id=c.id,
            value=planned.value,
            at_us=planned.at_us,
            stream_id=stream,
            sample=planned.sample,
            condition_id=condition,
            serial=planned.serial,
            entered_text=f"{planned.value:.{c.decimals}f}",
            decimals=c.decimals,
            offset_minutes=self._as("T-01").offset_minutes(planned.at_us),
        )

    def _weld(self, lot: PlannedLot) -> None:
        technician = self._as(TECHNICIANS[lot.operator])
        prefix = lot.number[:2]
        lead = prefix == "FM"
        with self.store.write(technician.actor) as writer:
            conn = writer.conn
            part = lookups.part(conn, lot.part)
            recipe = lookups.recipe_revision(conn, f"RC-{lot.part[3:]}", lot.recipe_revision)
            registry.add_lot(
                writer,
                lot.number,
                part.id,
                lot.started_us,
                quantity=lot.quantity,
                recipe_revision_id=recipe.id,
                station_id=lookups.station(conn, "LW-1" if lead else "LW-2").id,
                operator_id=technician.actor.person_id,
                upper_moulding_lot_id=lookups.moulding_lot(conn, lot.upper).id,
                lower_moulding_lot_id=lookups.moulding_lot(conn, lot.lower).id,
                clamp_tool_id=lookups.clamp_tool(conn, "CT-2040" if lead else "CT-SMALL").id,
            )

    def _test(self, lot: PlannedLot) -> None:
        """The welder's readings, the end of the lot, the pulls, and the judgement."""
        if lot.part == "FM-2040" and lot.position == OPEN_LOT:
            return
        technician = self._as(TECHNICIANS[lot.operator])
        with self.store.write(technician.actor) as writer:
            found = lookups.lot(writer.conn, lot.number)
            codes = {c.code: c for c in lookups.characteristics(writer.conn, lot.part, lot.started_us)}
            machine = [
                self._reading(
                    r, found.segment.id, codes[r.code], self._condition(writer, r.code, lot.number[:2])
                )
                for r in lot.readings
                if r.code != "PULL"
            ]
            if machine:
                writer.add_readings(machine, kind="machine", entry_key=f"sample:{lot.number}:machine")
            if lot.position != OPEN_LOT or lot.part != "FM-2040":
                registry.end_lot(
                    writer, found.id, lot.started_us + 10 * HOUR_US, expected_version=found.version
                )
            judge_and_store(writer, lot.number)
        pulls = [r for r in lot.readings if r.code == "PULL"]
        if not pulls:
            return
        with self.store.read() as conn:
            gauge = lookups.gauge(conn, "PT-02").id
        fixture, speed, conditioning = PULL_SETTINGS[lot.number[:2]]
        bench.log(
            technician,
            find_target(technician, lot.number, "PULL"),
            [
                bench.Entry(
                    f"{r.value:.1f}",
                    mode=r.mode,
                    shares=None if r.shares is None else Shares(*r.shares),
                    serial=r.serial,
                    again=f"{r.value:.1f}",
                    at_us=r.at_us,
                )
                for r in pulls
            ],
            entry_key=f"sample:{lot.number}:pulls",
            condition=Condition(
                gauge_id=gauge, fixture=fixture, speed_mm_min=speed, conditioning=conditioning
            ),
        )

    def _correct(self, lot: PlannedLot) -> None:
        for right in lot.corrections:
            technician = self._as(TECHNICIANS[lot.operator])
            corrections.correct_text(
                technician,
                lot.number,
                "PULL",
                right.sample,
                value=f"{right.value:.1f}",
                reason="Two digits exchanged when typing; the tester's slip shows the right figure",
                second_badge="Q-01",
            )

    # What is decided.

    def _decide(self, lot: PlannedLot) -> None:
        if lot.part == "FM-2040" and lot.position in (WAITING_LOT, OPEN_LOT):
            return
        quality = self._as("Q-01")
        with self.store.read() as conn:
            flags = lookups.flags(conn, lot=lot.number)
        if lot.part == "FM-2040" and lot.position == INTERFACIAL_LOT:
            self.clock.now += HOUR_US
            lots.dispose(
                quality,
                lot.number,
                "scrap",
                reason="Two of five pulls interfacial; cause not found in the parts",
            )
            return
        held = [f for f in flags if f.level == "H" and f.state != "closed"]
        if held and not (lot.part == "FM-2040" and lot.position == UNAPPROVED_LOT):
            lots.acknowledge_flag(quality, held[0].id, "Seen; the lot stays on hold until the cause is known")
            return
        for flag in flags:
            if flag.level in ("H", "R") and flag.state != "closed" and flag.scope != "process":
                action = (
                    "Revision 2 was approved the day after with the same settings; five pulls good"
                    if flag.level == "H"
                    else "Readings and chart looked at; nothing else unusual"
                )
                lots.close_flag(quality, flag.id, action)
        with suppress(Refused):
            lots.dispose(quality, lot.number, "release", reason="All samples good")

    def _ship(self, lot: PlannedLot) -> None:
        if lot.position in POOR_RESIN_LOTS or lot.position > OPEN_LOT - 4:
            return
        with self.store.write(self._as("Q-01").actor) as writer:
            found = lookups.lot(writer.conn, lot.number)
            if found.state == "released" and found.quantity is not None:
                registry.add_shipment(
                    writer, found.id, found.quantity, self.clock.now, document=f"DN-{lot.number}"
                )


def _minutes(clock: str) -> int:
    hours, _, minutes = clock.partition(":")
    return int(hours) * 60 + int(minutes)
