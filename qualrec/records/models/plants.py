"""Plants, their calendars, and the root of all that readings hang on."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import big, filled, key, one_of, ref, text, us, whole, word, yes

SUBJECT_KINDS = ("lot segment", "moulding lot", "gauge check", "study run", "parent specimens")
DECIMAL_STYLES = ("point", "comma")


class Plant(SQLModel, table=True):
    """A site. `id` is its number, 1 to 8191; `invented` marks the sample plant."""

    __tablename__ = "plant"
    __table_args__ = (
        CheckConstraint("id BETWEEN 1 AND 8191", name="id_in_13_bits"),
        UniqueConstraint("code"),
        filled("code"),
        one_of("decimal_style", DECIMAL_STYLES),
    )
    id: int = key()
    code: str = word(20)
    name: str = word(120)
    zone: str = word(60)
    decimal_style: str = word(10)
    single_user: bool = yes()
    invented: bool = yes()
    created_us: int = us()


class PlantCalendar(SQLModel, table=True):
    """Shifts of a plant by revision; production day and shift are derived from it, never stored with a reading.

    `shifts` is a JSON list of {"name", "from_minute"} in minutes after local midnight.
    """

    __tablename__ = "plant_calendar"
    __table_args__ = (UniqueConstraint("plant_id", "revision"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    revision: int = whole()
    zone: str = word(60)
    valid_from_us: int = us()
    day_start_minute: int = whole(default=0)
    shifts: str = text(default="[]")


class IdCounter(SQLModel, table=True):
    """Next free counter value of a plant; the program takes blocks from it."""

    __tablename__ = "id_counter"
    plant_id: int = ref("plant.id", pk=True)
    next_value: int = big()


class Subject(SQLModel, table=True):
    """What a reading hangs on; the row with the same id in the table of its kind says the rest."""

    __tablename__ = "subject"
    __table_args__ = (one_of("kind", SUBJECT_KINDS),)
    id: int = key()
    plant_id: int = ref("plant.id")
    kind: str = word(30)


class Station(SQLModel, table=True):
    """A welding machine, tester, meter or bench. Intervals of 0 mean that no cleaning is due."""

    __tablename__ = "station"
    __table_args__ = (
        UniqueConstraint("plant_id", "code"),
        one_of("kind", ("welder", "tester", "meter", "bench")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(40)
    name: str = word(120)
    kind: str = word(20)
    can_do: str = text()
    clean_every_hours: int = whole(default=0)
    idle_lock_seconds: int = whole(default=0)


class ClampTool(SQLModel, table=True):
    """A clamp tool with its glass or lens."""

    __tablename__ = "clamp_tool"
    __table_args__ = (UniqueConstraint("plant_id", "code"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(40)
    glass: str = word(80, default="")


class Event(SQLModel, table=True):
    """Something that happened to a station, lot or tool; drawn on charts. Kinds: weld/data/event_kinds.csv."""

    __tablename__ = "event"
    id: int = key()
    plant_id: int = ref("plant.id")
    kind: str = word(40)
    station_id: int | None = ref("station.id", null=True, index=True)
    lot_id: int | None = ref("lot.id", null=True)
    clamp_tool_id: int | None = ref("clamp_tool.id", null=True)
    at_us: int = us(index=True)
    entered_us: int = us()
    person_id: int | None = ref("person.id", null=True)
    remark: str = text()


class Attachment(SQLModel, table=True):
    """A picture or document kept elsewhere: name, digest, place, what it belongs to."""

    __tablename__ = "attachment"
    id: int = key()
    plant_id: int = ref("plant.id")
    what_kind: str = word(40)
    what_id: int = big(index=True)
    name: str = word(200)
    digest: str = word(64)
    place: str = text()
    at_us: int = us()
    person_id: int | None = ref("person.id", null=True)


class Retention(SQLModel, table=True):
    """How long records of a part or customer are kept at least."""

    __tablename__ = "retention"
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int | None = ref("part.id", null=True)
    customer_id: int | None = ref("customer.id", null=True)
    years: int = whole()
    rule: str = text()
    source: str = text()
