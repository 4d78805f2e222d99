"""Gauges, calibrations, checks, studies and submissions."""

from __future__ import annotations

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import key, one_of, ordered, real, ref, subject_key, text, us, whole, word

STUDIES = (
    "gauge crossed",
    "gauge nested",
    "bias",
    "linearity",
    "stability",
    "agreement",
    "window",
    "comparison",
    "weld factor",
)


class Gauge(SQLModel, table=True):
    __tablename__ = "gauge"
    __table_args__ = (
        UniqueConstraint("plant_id", "code"),
        one_of("state", ("in use", "found bad", "withdrawn")),
        ordered("verified_low", "verified_high"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(40)
    name: str = word(120)
    family: str = word(40)
    unit: str = word(20, default="")
    resolution: float | None = real()
    interval_days: int = whole(default=365)
    verified_low: float | None = real()
    verified_high: float | None = real()
    uncertainty: float | None = real()
    state: str = word(20, default="in use")
    place: str = word(80, default="")


class Calibration(SQLModel, table=True):
    __tablename__ = "calibration"
    __table_args__ = (one_of("verdict", ("good", "bad")),)
    id: int = key()
    gauge_id: int = ref("gauge.id", index=True)
    at_us: int = us()
    due_us: int = us()
    verdict: str = word(10)
    as_found: float | None = real()
    as_left: float | None = real()
    certificate: str = word(80, default="")
    standard: str = text()
    person_id: int | None = ref("person.id", null=True)


class GaugeCheck(SQLModel, table=True):
    __tablename__ = "gauge_check"
    __table_args__ = (one_of("verdict", ("good", "bad")),)
    id: int = subject_key()
    gauge_id: int = ref("gauge.id", index=True)
    at_us: int = us()
    reference: float = real(null=False)
    found: float = real(null=False)
    tolerance: float = real(null=False)
    verdict: str = word(10)
    person_id: int | None = ref("person.id", null=True)
    remark: str = text()


class Study(SQLModel, table=True):
    """Plan, run order, entries, and the analysis kept with method and version (JSON)."""

    __tablename__ = "study"
    __table_args__ = (
        UniqueConstraint("plant_id", "number"),
        one_of("kind", STUDIES),
        one_of("state", ("planned", "running", "analysed", "withdrawn")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(40)
    kind: str = word(30)
    title: str = word(200)
    state: str = word(20, default="planned")
    part_id: int | None = ref("part.id", null=True)
    characteristic_id: int | None = ref("characteristic.id", null=True)
    gauge_id: int | None = ref("gauge.id", null=True)
    plan: str = text(default="{}")
    analysis: str = text(default="{}")
    method: str = text()
    program_version: str = word(20, default="")
    verdict: str = word(40, default="")
    done_us: int | None = us(null=True)
    person_id: int | None = ref("person.id", null=True)


class StudyRun(SQLModel, table=True):
    """One run of a study; `factors` JSON (part, appraiser, trial, or the settings of a window run)."""

    __tablename__ = "study_run"
    __table_args__ = (UniqueConstraint("study_id", "position"),)
    id: int = subject_key()
    study_id: int = ref("study.id")
    position: int = whole()
    factors: str = text(default="{}")
    value: float | None = real()
    mode: str = word(20, default="")
    done_us: int | None = us(null=True)
    person_id: int | None = ref("person.id", null=True)


class Submission(SQLModel, table=True):
    """What a customer got. `elements` JSON states, `manifest` JSON of readings, limits and digests used."""

    __tablename__ = "submission"
    __table_args__ = (
        UniqueConstraint("plant_id", "number"),
        one_of("state", ("draft", "signed", "sent", "answered")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(40)
    part_id: int = ref("part.id")
    customer_id: int | None = ref("customer.id", null=True)
    level: str = word(20)
    state: str = word(20, default="draft")
    elements: str = text(default="{}")
    manifest: str = text(default="{}")
    file_name: str = word(260, default="")
    file_digest: str = word(64, default="")
    made_us: int = us()
    person_id: int | None = ref("person.id", null=True)
    signature_id: int | None = ref("signature.id", null=True)
