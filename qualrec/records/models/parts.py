"""Customers, part numbers, characteristics and the control plan, all under revision."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import (
    filled,
    key,
    one_of,
    ordered,
    positive,
    real,
    ref,
    text,
    us,
    whole,
    word,
    yes,
)

PROCESSES = ("contour", "simultaneous", "quasi-simultaneous", "mask")
JOINTS = ("lap", "butt", "radial", "T-joint")
CLASSES = ("standard", "significant", "critical")
CHARTS = ("lot means", "p", "u", "zero count", "none")


class Customer(SQLModel, table=True):
    """Who receives the parts, with what they ask for."""

    __tablename__ = "customer"
    __table_args__ = (UniqueConstraint("plant_id", "code"), one_of("language", ("en", "de")))
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(40)
    name: str = word(120)
    language: str = word(5, default="en")
    index_standard: float | None = real()
    index_special: float | None = real()
    uses_bound: bool = yes()
    run_length: int | None = whole(null=True)
    retention_years: int | None = whole(null=True)
    requalify_months: int | None = whole(null=True)
    symbols: str = text(default="{}")
    notices: str = text(default="{}")


class Part(SQLModel, table=True):
    """One welded product."""

    __tablename__ = "part"
    __table_args__ = (
        UniqueConstraint("plant_id", "number"),
        filled("number"),
        one_of("process", PROCESSES),
        one_of("joint", JOINTS),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(60)
    name: str = word(120)
    customer_id: int | None = ref("customer.id", null=True)
    customer_reference: str = word(80, default="")
    safety_related: bool = yes()
    process: str = word(30)
    joint: str = word(20)
    upper_id: int = ref("component_part.id")
    lower_id: int = ref("component_part.id")
    seam_length_mm: float | None = real()
    seam_width_mm: float | None = real()


class PartRevision(SQLModel, table=True):
    __tablename__ = "part_revision"
    __table_args__ = (UniqueConstraint("part_id", "revision"),)
    id: int = key()
    part_id: int = ref("part.id")
    revision: str = word(20)
    drawing: str = word(80)
    valid_from_us: int = us()
    change: str = text()


class Stream(SQLModel, table=True):
    """Upper cavity x lower cavity x nest. Row 0 means: not divided."""

    __tablename__ = "stream"
    __table_args__ = (UniqueConstraint("part_id", "label"),)
    id: int = key()
    part_id: int | None = ref("part.id", null=True)
    upper_cavity_id: int | None = ref("cavity.id", null=True)
    lower_cavity_id: int | None = ref("cavity.id", null=True)
    nest: str = word(20, default="")
    label: str = word(60)


class Characteristic(SQLModel, table=True):
    """Identity of one thing measured or judged; what it means is in its revisions.

    `hangs_on` says what its readings belong to; `quantity` names the physical quantity
    (pull force, collapse, transmission, time to path, weld energy, leak, burst, ...).
    """

    __tablename__ = "characteristic"
    __table_args__ = (
        UniqueConstraint("part_id", "code"),
        filled("code"),
        one_of("hangs_on", ("lot", "moulding lot")),
        one_of("kind", ("measured", "counted")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int = ref("part.id")
    code: str = word(40)
    name: str = word(120)
    hangs_on: str = word(20)
    kind: str = word(20)
    quantity: str = word(40)


class CharacteristicRevision(SQLModel, table=True):
    """Unit, limits, sampling, chart, rules and reaction plan from a moment on.

    JSON lists: `rules` (run rules chosen beside the default pair), `accepted_modes` (failure modes that are no finding),
    `separating` (condition fields that charts never mix), `reaction_plan` (steps), `sample_positions`.
    """

    __tablename__ = "characteristic_revision"
    __table_args__ = (
        UniqueConstraint("characteristic_id", "revision"),
        one_of("special_class", CLASSES),
        one_of("chart", CHARTS),
        ordered("lsl", "usl"),
        ordered("plausible_low", "plausible_high"),
        positive("mean_width"),
        positive("ewma_width"),
        CheckConstraint("ewma_lambda > 0 AND ewma_lambda <= 1", name="ewma_lambda_range"),
        CheckConstraint("samples >= 0", name="samples_not_negative"),
    )
    id: int = key()
    characteristic_id: int = ref("characteristic.id", index=True)
    revision: int = whole()
    valid_from_us: int = us()
    unit: str = word(20)
    definition: str = text()
    method: str = text()
    lsl: float | None = real()
    usl: float | None = real()
    target: float | None = real()
    plausible_low: float | None = real()
    plausible_high: float | None = real()
    decimals: int = whole(default=2)
    special_class: str = word(20, default="standard")
    symbol: str = word(10, default="")
    gauge_family: str = word(40, default="")
    destructive: bool = yes()
    strength: bool = yes()
    samples: int = whole(default=0)
    sample_positions: str = text(default="[]")
    mandatory: bool = yes()
    subgroup_size: int = whole(default=0)
    subgroup_every: int = whole(default=0)
    chart: str = word(20, default="lot means")
    mean_width: float = real(null=False)
    ewma_lambda: float = real(null=False)
    ewma_width: float = real(null=False)
    rules: str = text(default="[]")
    good_side: int = whole(default=0)
    index_requirement: float | None = real()
    accepted_modes: str = text(default="[]")
    interfacial_limit_pct: float | None = real()
    separating: str = text(default="[]")
    control_method: str = text()
    reaction_plan: str = text(default="[]")
    change: str = text()
    author_id: int | None = ref("person.id", null=True)


class ControlPlan(SQLModel, table=True):
    __tablename__ = "control_plan"
    __table_args__ = (
        UniqueConstraint("part_id", "phase", "revision"),
        one_of("phase", ("prototype", "pre-launch", "safe launch", "production")),
        one_of("state", ("draft", "approved", "superseded")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int = ref("part.id")
    number: str = word(60)
    phase: str = word(20)
    revision: int = whole()
    state: str = word(20, default="draft")
    valid_from_us: int = us()
    header: str = text(default="{}")
    signature_id: int | None = ref("signature.id", null=True)


class ControlPlanRow(SQLModel, table=True):
    __tablename__ = "control_plan_row"
    control_plan_id: int = ref("control_plan.id", pk=True)
    position: int = whole(pk=True)
    process_number: str = word(20)
    process_step: str = word(120)
    machine: str = word(120, default="")
    characteristic_id: int | None = ref("characteristic.id", null=True)
    process_characteristic: str = word(120, default="")
    technique: str = text()
    sample_size: str = word(60, default="")
    frequency: str = word(80, default="")
    control_method: str = text()
    reaction_plan: str = text()
    owner: str = word(80, default="")
