"""Column helpers and the naming convention. Imported before any table is defined."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import BigInteger, Boolean, CheckConstraint, Column, Double, ForeignKey, Integer, String, Text
from sqlmodel import Field, SQLModel

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}

ID = BigInteger().with_variant(Integer, "sqlite")
"""64-bit id: plant number (13 bits) above a counter (40 bits), given out by the program."""


def key() -> Any:
    """Primary key that the program gives; never the database."""
    return Field(sa_column=Column(ID, primary_key=True, autoincrement=False))


def subject_key() -> Any:
    """Primary key that is also the id of a row in `subject`, so that readings may hang on it."""
    return Field(sa_column=Column(ID, ForeignKey("subject.id"), primary_key=True, autoincrement=False))


def ref(target: str, *, null: bool = False, pk: bool = False, index: bool = False) -> Any:
    """Foreign key to `table.column`."""
    return Field(
        default=None if null else ...,
        sa_column=Column(
            ID, ForeignKey(target), nullable=null, primary_key=pk, index=index or None, autoincrement=False
        ),
    )


def big(*, null: bool = False, pk: bool = False, default: int | None = None, index: bool = False) -> Any:
    """64-bit integer without a foreign key."""
    given = ... if default is None and not null else default
    return Field(
        default=given,
        sa_column=Column(ID, nullable=null, primary_key=pk, index=index or None, autoincrement=False),
    )


def us(*, null: bool = False, index: bool = False) -> Any:
    """A moment: UTC microseconds since 1970."""
    return big(null=null, index=index)


def whole(*, null: bool = False, default: int | None = None, pk: bool = False) -> Any:
    given = ... if default is None and not null else default
    return Field(default=given, sa_column=Column(Integer, nullable=null, primary_key=pk, autoincrement=False))


def real(*, null: bool = True) -> Any:
    return Field(default=None if null else ..., sa_column=Column(Double, nullable=null))


def yes(default: bool = False) -> Any:
    return Field(default=default, sa_column=Column(Boolean, nullable=False))


def word(length: int = 80, *, null: bool = False, default: str | None = None, pk: bool = False) -> Any:
    """Short text: codes, names, states."""
    given = ... if default is None and not null else default
    return Field(default=given, sa_column=Column(String(length), nullable=null, primary_key=pk))


def text(*, null: bool = False, default: str = "") -> Any:
    return Field(default=None if null else default, sa_column=Column(Text, nullable=null))


def one_of(column: str, words: Iterable[str]) -> CheckConstraint:
    """CHECK that a column holds one of the words."""
    listed = ", ".join(f"'{w}'" for w in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def ordered(low: str, high: str) -> CheckConstraint:
    return CheckConstraint(f"{low} IS NULL OR {high} IS NULL OR {low} <= {high}", name=f"{low}_le_{high}")


def positive(column: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IS NULL OR {column} > 0", name=f"{column}_positive")


def filled(column: str) -> CheckConstraint:
    return CheckConstraint(f"length({column}) > 0", name=f"{column}_filled")
