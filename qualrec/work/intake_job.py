"""One file being taken in: profile, part and gauges chosen, conditions, lots to be opened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from qualrec.assess.loading import Conn
from qualrec.errors import FileRefused, Problem, UsageError
from qualrec.intake.importer import Draft, Resolver
from qualrec.intake.profiles import Profile
from qualrec.intake.rows import KEPT_PROBLEMS, Conditions, ParsedRow, Problems
from qualrec.judge.kinds import shown
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import Characteristic, Condition, Gauge, Part
from qualrec.work.intake_result import LotOutcome, PreviewRow, Taken, said
from qualrec.work.judging import judge_and_store
from qualrec.work.session import Session
from qualrec.work.target import choose_gauge

PREVIEWED = 10
UNITS = {
    "wavelength_nm": "nm",
    "thickness_mm": "mm",
    "speed_mm_min": "mm/min",
    "temperature_c": "°C",
    "humidity_pct": "%",
}

NAMES = {
    "wavelength_nm": "wavelength",
    "thickness_mm": "thickness",
    "speed_mm_min": "speed",
    "temperature_c": "temperature",
    "humidity_pct": "humidity",
}


def mark_of(path: Path) -> tuple[int, int]:
    """Size and time (ns) of a file; zeros where it is gone."""
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_size, found.st_mtime_ns


@dataclass(slots=True)
class Job:
    """What is known of a file while it is taken in. `problems` refuse it, `notes` and `choices` are told."""

    session: Session
    path: Path
    digest: str
    profile: Profile
    part: Part | None = None
    open_lots: bool = False
    dry_run: bool = False
    gauges: tuple[Gauge, ...] = ()
    mark: tuple[int, int] = (0, 0)
    """Size and time of the file before its digest was taken."""
    problems: Problems = field(default_factory=Problems)
    notes: Problems = field(default_factory=Problems)
    choices: list[str] = field(default_factory=list)
    conditions: dict[tuple[int, Conditions], Condition] = field(default_factory=dict)
    preview: tuple[PreviewRow, ...] = ()
    progress: Callable[[str], None] | None = None

    def say(self, text: str) -> None:
        if self.progress is not None:
            self.progress(f"{self.file}: {text}")

    def check_unchanged(self) -> None:
        """Raises FileRefused where the file was written to since its digest was taken."""
        if mark_of(self.path) != self.mark:
            raise FileRefused(
                f"{self.file} was changed while it was read; nothing of it was taken.",
                (Problem("It is still being written.", self.file),),
                "Wait until it is finished, then take it in again.",
            )

    @property
    def file(self) -> str:
        return self.path.name

    @property
    def kind(self) -> str:
        """Kind of the batch."""
        return "machine" if self.profile.kind == "machine" else "file"

    def resolver(self, conn: Conn, new_lots: Mapping[str, int] | None = None) -> Resolver:
        plant = self.session.plant.id
        return Resolver(
            conn, plant, self.profile, self.file, self.problems, part=self.part, new_lots=new_lots
        )

    def merge(self, read: Problems) -> None:
        """Take over the problems of reading; all in the order of their rows."""
        kept = sorted([*read.kept, *self.problems.kept], key=lambda p: p.row or 0)
        self.problems.count += read.count
        self.problems.kept = kept[:KEPT_PROBLEMS]

    # Conditions.

    def condition(self, conn: Conn, c: Characteristic, stated: Conditions) -> Condition:
        """The condition of the file's readings of a characteristic; what was chosen is said once."""
        key = (c.id, stated)
        if key not in self.conditions:
            self.conditions[key], why = choose_condition(conn, c, dict(stated), self.gauges)
            words = in_words(self.conditions[key])
            if words and why and f"{c.code}: {words}, {why}." not in self.choices:
                self.choices.append(f"{c.code}: {words}, {why}.")
        return self.conditions[key]

    def condition_id(self, writer: Writer, c: Characteristic, stated: Conditions) -> int:
        return registry.get_or_add_condition(writer, self.condition(writer.conn, c, stated))

    # Lots.

    def firsts(self, conn: Conn, rows: Iterable[ParsedRow]) -> dict[str, int]:
        """Lots of the file that are not in the records, each with its first moment, in that order."""
        found: dict[str, int] = {}
        for row in rows:
            found[row.lot] = min(row.at_us, found.get(row.lot, row.at_us))
        return self.unknown(conn, found)

    def unknown(self, conn: Conn, firsts: Mapping[str, int]) -> dict[str, int]:
        known = lookups.lot_places(conn, firsts, self.session.plant.id)
        fresh = [(at, name) for name, at in firsts.items() if name not in known]
        return {name: at for at, name in sorted(fresh)}

    def open(self, writer: Writer, firsts: Mapping[str, int]) -> dict[str, int]:
        """Open lots with the recipe in force at their first moment; returns the segment of each."""
        if not firsts:
            return {}
        assert self.part is not None
        revisions = lookups.recipe_revisions(writer.conn, self.part.number, plant_id=writer.plant_id)
        without = []
        for name, at in firsts.items():
            able = [r for r in revisions if r.approved_at(at)]
            recipe = able[0].id if len(able) == 1 else None
            without += [name] if recipe is None else []
            remark = f"Opened from {self.file}"
            registry.add_lot(writer, name, self.part.id, at, recipe_revision_id=recipe, remark=remark)
        if without:
            self.choices.append(
                f"{len(without)} of {len(firsts)} opened lots have no recipe: "
                "none, or more than one, was in force when they began."
            )
        places = lookups.lot_places(writer.conn, firsts, writer.plant_id)
        return {name: place.segments[0] for name, place in places.items()}

    def lots_to_judge(self, conn: Conn, names: Sequence[str]) -> tuple[str, ...]:
        """Lots that readings of the file belong to, those of moulding lots included."""
        if self.profile.subject == "lot":
            return tuple(names)
        places = lookups.moulding_places(conn, names, self.session.plant.id)
        touched = {
            row.number: row.started_us
            for m in places.values()
            for row in lookups.lots_touched(conn, moulding_lot_id=m.id)
        }
        return tuple(sorted(touched, key=lambda number: (touched[number], number)))

    def judge(self, writer: Writer, names: Sequence[str]) -> tuple[LotOutcome, ...]:
        return tuple(LotOutcome.of(judge_and_store(writer, name)) for name in names)

    # Telling.

    def show(self, resolver: Resolver, rows: Sequence[ParsedRow]) -> None:
        """Keep the first rows as they are understood; `resolver` has seen them before and noted their problems."""
        resolver.problems = Problems()
        found = []
        for row in rows[:PREVIEWED]:
            draft = resolver.draft(row)
            found.append(
                PreviewRow(
                    row.row_number,
                    row.lot,
                    row.characteristic_code,
                    row.stream,
                    row.sample,
                    row.serial,
                    row.at_us,
                    row.value,
                    row.unit,
                    "" if draft is None else _stored(draft),
                    row.mode,
                )
            )
        self.preview = tuple(found)
        resolver.problems = self.problems

    def result(
        self,
        *,
        batch_id: int | None = None,
        rows: int = 0,
        counts: Mapping[str, int] | None = None,
        there: int = 0,
        lots: Sequence[str] = (),
        new_lots: Sequence[str] = (),
        judged: tuple[LotOutcome, ...] = (),
    ) -> Taken:
        held = dict(counts or {})
        taken = Taken(
            batch_id=batch_id,
            file=self.file,
            digest=self.digest,
            profile=f"{self.profile.name} rev {self.profile.revision}",
            rows=rows,
            readings=sum(held.values()),
            counts=held,
            there=there,
            lots=tuple(lots),
            new_lots=tuple(new_lots),
            already=False,
            dry_run=self.dry_run,
            problems=tuple(self.problems.kept),
            notes=tuple(self.notes.kept),
            choices=tuple(self.choices),
            preview=self.preview,
            judged=judged,
            sentences=(),
            problem_count=self.problems.count,
        )
        part = "" if self.part is None else self.part.number
        return replace(taken, sentences=said(self.session, taken, self.profile.subject, part))


def _stored(draft: Draft) -> str:
    return "" if draft.reading.value is None else shown(draft.reading.value, draft.characteristic)


def counted(drafts: Iterable[Draft]) -> dict[str, int]:
    """Readings of each characteristic."""
    found: dict[str, int] = {}
    for draft in drafts:
        found[draft.characteristic.code] = found.get(draft.characteristic.code, 0) + 1
    return found


def choose_condition(
    conn: Conn, c: Characteristic, stated: Mapping[str, float | str], gauges: Sequence[Gauge]
) -> tuple[Condition, str]:
    """The condition of readings whose file states only some of it, and why it was chosen.

    Among the conditions of earlier readings that agree with what is stated (and with the gauge named) the one that most
    lots have; else what is stated, with the gauge named or the only one in use of the characteristic's family. Raises
    UsageError where several gauges could be meant.
    """
    named = next((g for g in gauges if g.family == c.gauge_family), None)
    in_use = {g.id for g in lookups.gauges(conn, state="in use")}
    groups = lookups.conditions_of(conn, c.id)
    known = lookups.load_conditions(conn, [i for group in groups for i in group.ids])
    fit = [
        known[i]
        for group in groups
        for i in reversed(group.ids)
        if all(getattr(known[i], name) == value for name, value in stated.items())
        and (named is None or known[i].gauge_id == named.id)
        and (known[i].gauge_id is None or known[i].gauge_id in in_use)
    ]
    used = sorted({k.gauge for k in fit if k.gauge})
    if len(used) > 1:
        raise UsageError(
            f"{c.name} was measured with {', '.join(used)}.", "Say which gauge was used (--gauge)."
        )
    if fit:
        return fit[0], "as in its earlier readings"
    gauge = named or choose_gauge(conn, c, None)
    if gauge is None:
        return Condition(**stated), ""  # type: ignore[arg-type]
    why = "as named" if named is not None else f"the only gauge in use for {c.gauge_family}"
    return Condition(gauge_id=gauge.id, gauge=gauge.code, **stated), why  # type: ignore[arg-type]


def in_words(condition: Condition) -> str:
    """What a condition states, as 'gauge PT-02, fixture F-12, speed 10 mm/min'."""
    parts = [f"gauge {condition.gauge}"] if condition.gauge else []
    for name in ("geometry", "wavelength_nm", "thickness_mm", "position", "fixture", "speed_mm_min", "conditioning",
                 "temperature_c", "humidity_pct", "stop_mode"):  # fmt: skip
        value = getattr(condition, name)
        if value not in (None, ""):
            figure = f"{value:g} {UNITS[name]}" if isinstance(value, float) else str(value)
            parts.append(f"{NAMES.get(name, name.replace('_', ' '))} {figure}")
    return ", ".join(parts)
