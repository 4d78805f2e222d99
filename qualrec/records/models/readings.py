"""Readings and what stands beside them; running sums.

`reading` has no foreign keys: a million rows a minute go in, and the ledger checks keys by set before a batch is accepted.
UPDATE and DELETE of accepted readings are refused by triggers; rows of a staged or refused batch may be cleared.
"""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import big, key, one_of, real, ref, text, us, whole, word, yes

MODES = ("interfacial", "cohesive", "near-surface tear", "parent material", "mixed", "test fault")


class Condition(SQLModel, table=True):
    """One combination of what a reading means nothing without. Row 0: nothing stated. `digest` makes it unique."""

    __tablename__ = "condition"
    __table_args__ = (UniqueConstraint("digest"),)
    id: int = key()
    plant_id: int | None = ref("plant.id", null=True)
    gauge_id: int | None = ref("gauge.id", null=True, index=True)
    geometry: str = word(40, default="")
    wavelength_nm: float | None = real()
    thickness_mm: float | None = real()
    position: str = word(40, default="")
    fixture: str = word(40, default="")
    speed_mm_min: float | None = real()
    conditioning: str = word(40, default="")
    temperature_c: float | None = real()
    humidity_pct: float | None = real()
    stop_mode: str = word(20, default="")
    digest: str = word(64)


class Batch(SQLModel, table=True):
    """Readings that came in together. Only accepted batches are seen by lookups, sums, charts and verdicts."""

    __tablename__ = "batch"
    __table_args__ = (
        one_of("kind", ("typed", "file", "machine")),
        one_of("state", ("staged", "accepted", "refused")),
        UniqueConstraint("plant_id", "entry_key"),
        Index("ix_batch_file_digest", "plant_id", "file_digest"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    kind: str = word(10)
    state: str = word(10)
    file_name: str = word(260, default="")
    file_digest: str | None = word(64, null=True)
    content_digest: str = word(64, default="")
    profile_id: int | None = ref("import_profile.id", null=True)
    person_id: int | None = ref("person.id", null=True)
    station_id: int | None = ref("station.id", null=True)
    entry_key: str | None = word(80, null=True)
    begun_us: int = us()
    ended_us: int | None = us(null=True)
    rows: int = whole(default=0)
    refused_rows: int = whole(default=0)
    remark: str = text()


class Reading(SQLModel, table=True):
    """One value in the characteristic's unit; NULL is a test fault. `at_us` is the moment of the event."""

    __tablename__ = "reading"
    __table_args__ = (
        CheckConstraint("value IS NULL OR value BETWEEN -1e300 AND 1e300", name="value_finite"),
        CheckConstraint("sample > 0", name="sample_positive"),
        {"sqlite_with_rowid": False, "postgresql_partition_by": "RANGE (subject_id)"},
    )
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True, default=0)
    sample: int = whole(pk=True)
    value: float | None = real()
    at_us: int = us()
    batch_id: int = big()
    condition_id: int = big(default=0)


class ReadingEntry(SQLModel, table=True):
    """How a typed reading was entered: text, decimals, first entry where it was asked twice, entry time, person."""

    __tablename__ = "reading_entry"
    __table_args__ = ({"sqlite_with_rowid": False},)
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True)
    sample: int = whole(pk=True)
    entered_text: str = word(80)
    decimals: int = whole()
    first_text: str | None = word(80, null=True)
    entered_us: int = us()
    offset_minutes: int = whole()
    person_id: int | None = ref("person.id", null=True)
    late: bool = yes()


class Pull(SQLModel, table=True):
    """Failure mode and shares of the joint area in % of a destructive pull."""

    __tablename__ = "pull"
    __table_args__ = (
        one_of("mode", MODES),
        one_of("status", ("valid", "test fault")),
        CheckConstraint(
            "mode <> 'mixed' OR abs(interfacial_pct + cohesive_pct + tear_pct + parent_pct - 100) < 0.5",
            name="shares_sum_to_100",
        ),
        {"sqlite_with_rowid": False},
    )
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True)
    sample: int = whole(pk=True)
    mode: str = word(20)
    interfacial_pct: float | None = real()
    cohesive_pct: float | None = real()
    tear_pct: float | None = real()
    parent_pct: float | None = real()
    displacement_mm: float | None = real()
    moisture: str = word(20, default="")
    hours_since_weld: float | None = real()
    status: str = word(20, default="valid")
    attempt: int = whole(default=1)
    repeat_of: int | None = whole(null=True)
    reason: str = text()


class WeldedUnit(SQLModel, table=True):
    """Serial number of a sample."""

    __tablename__ = "welded_unit"
    __table_args__ = (Index("ix_welded_unit_serial", "serial"),)
    subject_id: int = big(pk=True)
    sample: int = whole(pk=True)
    serial: str = word(80)


class EntryAttempt(SQLModel, table=True):
    """An entry that was not taken: implausible first entries that were given up stay readable."""

    __tablename__ = "entry_attempt"
    id: int = key()
    plant_id: int = ref("plant.id")
    subject_id: int = big(index=True)
    characteristic_id: int = big()
    entered_text: str = text()
    value: float | None = real()
    why: str = text()
    at_us: int = us()
    person_id: int | None = ref("person.id", null=True)


class Correction(SQLModel, table=True):
    """What replaces a reading from now on: a new value or a void. The old value stays in `reading`."""

    __tablename__ = "correction"
    __table_args__ = (
        one_of("kind", ("value", "void", "mode")),
        Index("ix_correction_reading", "subject_id", "characteristic_id", "stream_id", "sample"),
        CheckConstraint("length(reason) > 0", name="reason_filled"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    subject_id: int = big()
    characteristic_id: int = big()
    stream_id: int = big()
    sample: int = whole()
    position: int = whole(default=1)
    kind: str = word(10)
    old_value: float | None = real()
    new_value: float | None = real()
    entered_text: str = word(80, default="")
    old_mode: str = word(20, default="")
    new_mode: str = word(20, default="")
    reason: str = text()
    person_id: int | None = ref("person.id", null=True)
    second_person_id: int | None = ref("person.id", null=True)
    at_us: int = us()


class Rollup(SQLModel, table=True):
    """Running sums of the accepted, corrected readings of one subject, characteristic, stream and condition.

    s1 = sum(x - shift), s2 = sum((x - shift)^2), sad = sum of absolute successive differences,
    sp = sum of successive products about the shift. Subgroup 0 = all; 1, 2, .. by the sampling plan.
    """

    __tablename__ = "rollup"
    __table_args__ = (
        Index("ix_rollup_characteristic", "characteristic_id", "stream_id", "subgroup"),
        {"sqlite_with_rowid": False},
    )
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True)
    condition_id: int = big(pk=True)
    subgroup: int = whole(pk=True, default=0)
    n: int = big()
    shift: float = real(null=False)
    s1: float = real(null=False)
    s2: float = real(null=False)
    low: float = real(null=False)
    high: float = real(null=False)
    first: float = real(null=False)
    last: float = real(null=False)
    sad: float = real(null=False)
    sp: float = real(null=False)


class ModeCount(SQLModel, table=True):
    __tablename__ = "mode_count"
    __table_args__ = (one_of("mode", MODES), {"sqlite_with_rowid": False})
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True)
    mode: str = word(20, pk=True)
    n: int = big()
    interfacial_sum_pct: float = real(null=False)


class Shape(SQLModel, table=True):
    """Counts in 256 equal bins over the limits widened by half, plus under and over; `counts` is a JSON list of 258."""

    __tablename__ = "shape"
    __table_args__ = ({"sqlite_with_rowid": False},)
    subject_id: int = big(pk=True)
    characteristic_id: int = big(pk=True)
    stream_id: int = big(pk=True)
    low: float = real(null=False)
    high: float = real(null=False)
    counts: str = text()


class ImportProfile(SQLModel, table=True):
    """A revision of an import profile, content in the TOML form of intake.profiles."""

    __tablename__ = "import_profile"
    __table_args__ = (UniqueConstraint("plant_id", "name", "revision"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    name: str = word(60)
    revision: int = whole()
    content: str = text()
    created_us: int = us()
    person_id: int | None = ref("person.id", null=True)
