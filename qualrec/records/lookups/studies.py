"""Studies: gauge, agreement, window, comparison and the like, with their plan, their runs and their stored analysis."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, func, select

from qualrec.records.lookups.base import find, mapping, table
from qualrec.values import Characteristic

GAUGE_STUDIES = ("gauge crossed", "gauge nested")
"""Kinds that tell how much a gauge scatters against the parts."""
AGREEMENT = "agreement"
GAUGE_STUDY, AGREEMENT_STUDY = "gauge study", "agreement study"
"""What a characteristic may lack."""
ANALYSED = "analysed"
NOT_ACCEPTABLE = "not acceptable"
"""The verdict of a study that proves nothing good."""


@dataclass(frozen=True, slots=True)
class Study:
    """`plan` and `analysis` are JSON objects; a gauge study keeps 'grr_pct' (% of study variation) and
    'ndc' (number of distinct categories)."""

    id: int
    number: str
    kind: str
    title: str
    state: str
    part_id: int | None
    characteristic_id: int | None
    gauge_id: int | None
    plan: Mapping[str, Any]
    analysis: Mapping[str, Any]
    method: str
    program_version: str
    verdict: str
    done_us: int | None
    person: str


@dataclass(frozen=True, slots=True)
class StudyRun:
    """One run in its order. `value` or `mode` (the class called) once it is entered; `done_us` None before."""

    id: int
    study_id: int
    position: int
    factors: Mapping[str, str]
    value: float | None
    mode: str
    done_us: int | None
    person: str

    @property
    def entered(self) -> bool:
        return self.done_us is not None


@dataclass(frozen=True, slots=True)
class StudyStanding:
    """What studies say of a characteristic's gauges and judges. None: no such study is analysed and in force.

    `missing`: the kinds of study that the characteristic lacks: 'gauge study', 'agreement study'.
    """

    characteristic: Characteristic
    gauge_study: Study | None
    agreement: Study | None
    missing: tuple[str, ...]


def studies(
    conn: Connection, *, kind: str | None = None, state: str | None = None, part_id: int | None = None
) -> tuple[Study, ...]:
    """Studies, newest first."""
    t, p = table("study"), table("person")
    asked = select(t, p.c.name.label("person")).outerjoin(p, p.c.id == t.c.person_id).order_by(t.c.id.desc())
    for column, wanted in ((t.c.kind, kind), (t.c.state, state), (t.c.part_id, part_id)):
        if wanted is not None:
            asked = asked.where(column == wanted)
    return tuple(_study(row) for row in conn.execute(asked))


def study(conn: Connection, number: str, *, plant_id: int | None = None) -> Study:
    """A study by number. Raises UnknownRecord with near numbers."""
    remedy = "Give the number of a study that is on record."
    row = find(conn, "study", "number", number, what="study", remedy=remedy, plant_id=plant_id)
    return next(one for one in studies(conn) if one.id == row.id)


def study_runs(conn: Connection, study_id: int) -> tuple[StudyRun, ...]:
    """The runs of a study in their order."""
    t, p = table("study_run"), table("person")
    asked = (
        select(t, p.c.name.label("person"))
        .outerjoin(p, p.c.id == t.c.person_id)
        .where(t.c.study_id == study_id)
        .order_by(t.c.position)
    )
    return tuple(
        StudyRun(
            id=row.id,
            study_id=row.study_id,
            position=row.position,
            factors={str(k): str(v) for k, v in mapping(row.factors).items()},
            value=row.value,
            mode=row.mode,
            done_us=row.done_us,
            person=row.person or "",
        )
        for row in conn.execute(asked)
    )


def study_progress(conn: Connection) -> dict[int, tuple[int, int]]:
    """By study id: runs planned and runs entered; one query."""
    t = table("study_run")
    asked = select(t.c.study_id, func.count(), func.count(t.c.done_us)).group_by(t.c.study_id)
    return {row[0]: (row[1], row[2]) for row in conn.execute(asked)}


def last_gauge_study(
    found: Iterable[Study], characteristic: Characteristic, gauge_ids: Iterable[int]
) -> Study | None:
    """The last analysed gauge study of one of the gauges, for this characteristic or for none in particular."""
    gauges = set(gauge_ids)
    return _last(
        s
        for s in found
        if s.kind in GAUGE_STUDIES
        and s.state == ANALYSED
        and s.gauge_id in gauges
        and s.characteristic_id in (None, characteristic.id)
    )


def last_agreement(found: Iterable[Study], characteristic: Characteristic) -> Study | None:
    """The last analysed agreement study of the failure modes of a characteristic, or of all."""
    return _last(
        s
        for s in found
        if s.kind == AGREEMENT
        and s.state == ANALYSED
        and s.characteristic_id in (None, characteristic.id)
        and s.part_id in (None, characteristic.part_id)
    )


def _last(found: Iterable[Study]) -> Study | None:
    return max(found, key=lambda s: (s.done_us or 0, s.id), default=None)


def study_standing(conn: Connection, characteristics: Iterable[Characteristic]) -> tuple[StudyStanding, ...]:
    """For each characteristic its last gauge study, its agreement study, and which of them it lacks.

    A gauge study is asked of a measured characteristic with a gauge family: of one of the gauges of that family, by a verdict
    other than 'not acceptable'; an agreement study of a strength, whose failure mode people call. Two queries.
    """
    found = studies(conn, state=ANALYSED)
    g = table("gauge")
    families: dict[str, set[int]] = {}
    for row in conn.execute(select(g.c.id, g.c.family)):
        families.setdefault(row.family, set()).add(row.id)
    standings = []
    for c in characteristics:
        gauge = last_gauge_study(found, c, families.get(c.gauge_family, set())) if c.gauge_family else None
        judges = last_agreement(found, c) if c.strength else None
        missing = []
        if c.gauge_family and c.kind == "measured" and (gauge is None or gauge.verdict == NOT_ACCEPTABLE):
            missing.append(GAUGE_STUDY)
        if c.strength and (judges is None or judges.verdict == NOT_ACCEPTABLE):
            missing.append(AGREEMENT_STUDY)
        standings.append(StudyStanding(c, gauge, judges, tuple(missing)))
    return tuple(standings)


def _study(row: Any) -> Study:
    given = {name: getattr(row, name) for name in Study.__dataclass_fields__}
    given |= {"plan": mapping(row.plan), "analysis": mapping(row.analysis), "person": row.person or ""}
    return Study(**given)
