"""People, roles, authorisations, signatures."""

from __future__ import annotations

from sqlalchemy import UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import big, filled, key, one_of, ref, text, us, whole, word

ROLES = ("technician", "process engineer", "quality engineer", "auditor", "administrator")
MEANINGS = ("reviewed", "approved", "released", "concession")


class Person(SQLModel, table=True):
    """A person. Leavers are disabled and kept. Hashes are empty where no account with a password exists."""

    __tablename__ = "person"
    __table_args__ = (
        UniqueConstraint("badge"),
        filled("name"),
        one_of("state", ("active", "disabled")),
    )
    id: int = key()
    name: str = word(120)
    badge: str = word(60)
    state: str = word(10, default="active")
    password_hash: str = word(200, default="")
    pin_hash: str = word(200, default="")
    failed: int = whole(default=0)
    locked_until_us: int | None = us(null=True)
    created_us: int = us()


class Role(SQLModel, table=True):
    """A role of a person in one plant."""

    __tablename__ = "role"
    __table_args__ = (one_of("role", ROLES),)
    person_id: int = ref("person.id", pk=True)
    plant_id: int = ref("plant.id", pk=True)
    role: str = word(30, pk=True)


class Authorisation(SQLModel, table=True):
    """Leave to perform a test until a moment; `test` is a gauge family or a characteristic code."""

    __tablename__ = "authorisation"
    id: int = key()
    plant_id: int = ref("plant.id")
    person_id: int = ref("person.id", index=True)
    test: str = word(80)
    until_us: int | None = us(null=True)
    granted_us: int = us()
    granted_by_id: int | None = ref("person.id", null=True)


class Signature(SQLModel, table=True):
    """Name, meaning, time and the digest of exactly what was signed."""

    __tablename__ = "signature"
    __table_args__ = (one_of("meaning", MEANINGS),)
    id: int = key()
    plant_id: int = ref("plant.id")
    person_id: int = ref("person.id")
    meaning: str = word(20)
    what_kind: str = word(40)
    what_id: int = big(index=True)
    digest: str = word(64)
    at_us: int = us()
    reason: str = text()
