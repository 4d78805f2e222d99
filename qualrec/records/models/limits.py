"""Control limits, flags and judgements."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import big, key, one_of, real, ref, text, us, whole, word, yes


class Limits(SQLModel, table=True):
    """Control limits of one characteristic, stream and condition; superseded, never edited."""

    __tablename__ = "limits"
    __table_args__ = (
        UniqueConstraint("characteristic_id", "stream_id", "condition_id", "version"),
        one_of("state", ("trial", "frozen", "superseded")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    characteristic_id: int = ref("characteristic.id")
    stream_id: int = ref("stream.id")
    condition_id: int = ref("condition.id")
    recipe_revision_id: int | None = ref("recipe_revision.id", null=True)
    station_id: int | None = ref("station.id", null=True)
    version: int = whole()
    state: str = word(20)
    chart: str = word(20)
    centre: float = real(null=False)
    sigma: float = real(null=False)
    lower: float | None = real()
    upper: float | None = real()
    ewma_lambda: float | None = real()
    ewma_width: float | None = real()
    spread_centre: float | None = real()
    spread_sigma: float | None = real()
    estimator: str = word(80)
    from_us: int = us()
    made_us: int = us()
    frozen_us: int | None = us(null=True)
    person_id: int | None = ref("person.id", null=True)
    signature_id: int | None = ref("signature.id", null=True)
    reason: str = text()


class LimitsLot(SQLModel, table=True):
    """A lot that the limits came from, or that was left out with its reason."""

    __tablename__ = "limits_lot"
    __table_args__ = (CheckConstraint("used OR length(reason) > 0", name="left_out_has_reason"),)
    limits_id: int = ref("limits.id", pk=True)
    lot_id: int = big(pk=True)
    used: bool = yes(True)
    reason: str = text()


class Flag(SQLModel, table=True):
    """One finding kind about one lot or process; several findings of a kind on a lot and characteristic are one flag."""

    __tablename__ = "flag"
    __table_args__ = (
        one_of("level", ("H", "R", "I")),
        one_of("scope", ("reading", "lot", "process")),
        one_of("state", ("open", "acknowledged", "closed")),
        Index("ix_flag_lot", "lot_id", "state"),
        Index("ix_flag_state", "state", "opened_us"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    kind: str = word(60)
    level: str = word(1)
    scope: str = word(10)
    state: str = word(20, default="open")
    part_id: int = ref("part.id")
    lot_id: int | None = ref("lot.id", null=True)
    moulding_lot_id: int | None = ref("moulding_lot.id", null=True)
    characteristic_id: int | None = ref("characteristic.id", null=True)
    stream_id: int = big(default=0)
    limits_id: int | None = ref("limits.id", null=True)
    rule: str = text()
    source: str = text()
    reaction_plan: str = text()
    rules_version: str = word(20)
    program_version: str = word(20)
    opened_us: int = us()
    closed_us: int | None = us(null=True)


class FlagFinding(SQLModel, table=True):
    """Figures of one finding; `what` tells one finding from another, so that judging twice adds nothing."""

    __tablename__ = "flag_finding"
    __table_args__ = (UniqueConstraint("flag_id", "what"),)
    id: int = key()
    flag_id: int = ref("flag.id")
    what: str = word(160)
    figures: str = text(default="{}")
    sentence: str = text()
    at_us: int = us()


class FlagAction(SQLModel, table=True):
    __tablename__ = "flag_action"
    __table_args__ = (one_of("kind", ("acknowledged", "action", "note", "closed", "reopened")),)
    id: int = key()
    flag_id: int = ref("flag.id", index=True)
    kind: str = word(20)
    what: str = text()
    at_us: int = us()
    person_id: int | None = ref("person.id", null=True)
    signature_id: int | None = ref("signature.id", null=True)


class Judgement(SQLModel, table=True):
    """A stored verdict with the versions that made it. `rejudged` rows carry their reason."""

    __tablename__ = "judgement"
    __table_args__ = (
        one_of("verdict", ("pass", "fail", "incomplete", "unknown")),
        Index("ix_judgement_lot", "lot_id", "characteristic_id"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    lot_id: int = ref("lot.id")
    characteristic_id: int | None = ref("characteristic.id", null=True)
    characteristic_revision_id: int | None = ref("characteristic_revision.id", null=True)
    verdict: str = word(20)
    figures: str = text(default="{}")
    rules_version: str = word(20)
    program_version: str = word(20)
    at_us: int = us()
    rejudged: str = text()
