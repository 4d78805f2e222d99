"""Recipes: numbered revisions, immutable once approved."""

from __future__ import annotations

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import key, one_of, ordered, real, ref, text, us, whole, word
from qualrec.records.models.parts import PROCESSES

RECIPE_STATES = ("draft", "approved", "superseded", "withdrawn")


class Recipe(SQLModel, table=True):
    __tablename__ = "recipe"
    __table_args__ = (UniqueConstraint("plant_id", "code"), one_of("process", PROCESSES))
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int = ref("part.id", index=True)
    code: str = word(60)
    process: str = word(30)


class RecipeRevision(SQLModel, table=True):
    __tablename__ = "recipe_revision"
    __table_args__ = (UniqueConstraint("recipe_id", "revision"), one_of("state", RECIPE_STATES))
    id: int = key()
    recipe_id: int = ref("recipe.id")
    revision: int = whole()
    state: str = word(20, default="draft")
    reason: str = text()
    author_id: int | None = ref("person.id", null=True)
    created_us: int = us()
    approver_id: int | None = ref("person.id", null=True)
    approved_us: int | None = us(null=True)
    valid_from_us: int | None = us(null=True)
    ended_us: int | None = us(null=True)
    signature_id: int | None = ref("signature.id", null=True)


class RecipeSetting(SQLModel, table=True):
    """One setting; names and units as weld.energy.SETTINGS lists them. `low`/`high` is the window allowed at the machine."""

    __tablename__ = "recipe_setting"
    __table_args__ = (ordered("low", "high"),)
    recipe_revision_id: int = ref("recipe_revision.id", pk=True)
    name: str = word(40, pk=True)
    value: float = real(null=False)
    unit: str = word(20)
    low: float | None = real()
    high: float | None = real()


class QualifiedWindow(SQLModel, table=True):
    """Range in which a recipe revision was proven: 'transmission' in % or 'joint energy' in J/mm2."""

    __tablename__ = "qualified_window"
    __table_args__ = (
        ordered("low", "high"),
        one_of("quantity", ("transmission", "joint energy", "collapse", "clamp force")),
    )
    recipe_revision_id: int = ref("recipe_revision.id", pk=True)
    quantity: str = word(40, pk=True)
    low: float | None = real()
    high: float | None = real()
    unit: str = word(20)
    proof: str = text()


class TemporaryChange(SQLModel, table=True):
    """A bypass or temporary change with its expiry and extra checks."""

    __tablename__ = "temporary_change"
    __table_args__ = (one_of("state", ("open", "ended")),)
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int = ref("part.id")
    recipe_revision_id: int | None = ref("recipe_revision.id", null=True)
    station_id: int | None = ref("station.id", null=True)
    what: str = text()
    extra_checks: str = text()
    from_us: int = us()
    until_us: int = us()
    state: str = word(20, default="open")
    person_id: int | None = ref("person.id", null=True)
    signature_id: int | None = ref("signature.id", null=True)
