"""What a workbook for a customer is made of: frozen figures and texts, no database, no cell.

Times are UTC microseconds (`*_us`), values in the unit of their characteristic. No person is named: names stay in the records.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from qualrec.judge.evidence import IndexStanding, Link
from qualrec.stats.results import Index
from qualrec.values import (
    Batch,
    BoolArray,
    Characteristic,
    Flag,
    FloatArray,
    Gauge,
    Limits,
    Lot,
    Part,
    Plant,
    ReadingRow,
    RecipeRevision,
)

SUPPLIED, REFERENCED, KEPT, MISSING = "supplied", "referenced", "kept", "missing"


@dataclass(frozen=True, slots=True)
class Notice:
    text: str
    defers_to: str = ""


@dataclass(frozen=True, slots=True)
class Cover:
    """`level` is '1' to '5' or 'agreed'. `trail_digest` is the head of the plant's chain when the pack was made."""

    plant: Plant
    part: Part
    part_change: str
    level: str
    language: str
    made_us: int
    program_version: str
    rules_version: str
    trail_seq: int
    trail_digest: str
    cautions: tuple[Notice, ...] = ()


@dataclass(frozen=True, slots=True)
class Element:
    """One of the 18 elements. `requirement`: 'S' submit, 'R' keep, '*' submit on request, '' by agreement, '-' not asked."""

    number: int
    requirement: str
    state: str
    families: tuple[str, ...] = ()
    """Families of sheets where it is found."""
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One plotted sequence with its limits; arrays have one entry per point, nan where there is none.

    `name` is that of the track ('lot mean', 'EWMA', 'standard deviation', ...). `flagged` marks points with a signal.
    """

    name: str
    values: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    flagged: BoolArray
    spec_limits: bool = False
    """Specification limits belong on this chart."""

    def __len__(self) -> int:
        return int(self.values.size)


@dataclass(frozen=True, slots=True)
class Point:
    """Figures of one lot (or moulding lot); `remark` says what a reader must know of it."""

    number: str
    at_us: int
    n: int
    mean: float
    sd: float
    low: float
    high: float
    remark: str = ""


@dataclass(frozen=True, slots=True)
class CapabilityFigures:
    """Indices by the normal shape with their proof. `within_estimator` names the sigma of Cp and Cpk.

    `shape_indices`: those by percentiles of `shape`, where the values are not normal.
    """

    n: int
    k: int
    mean: float
    sd_within: float
    sd_overall: float
    within_estimator: str
    indices: tuple[Index, ...]
    shape: str = ""
    shape_indices: tuple[Index, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class CharacteristicSheet:
    """Everything on one characteristic.

    `figures` None: no index; `refusal` then says why. `answer` is 'yes', 'no' or 'unknown' with `sentence` in words.
    `readings` come in the order of `points`, so that the readings of a point stand together; `used` tells of each whether
    its value is in the figures of points and indices.
    """

    characteristic: Characteristic
    requirement: float | None
    requirement_source: str
    by_bound: bool
    figures: CapabilityFigures | None
    judged: IndexStanding
    """The index that the requirement is held against; its name is empty where there is none."""
    refusal: str
    answer: str
    remark: str
    sentence: str
    notes: tuple[str, ...]
    """Conventions and what else a reader must know of the figures."""
    links: tuple[Link, ...]
    points: tuple[Point, ...]
    series: tuple[Series, ...]
    chart_method: str
    limits_version: str
    signals: tuple[str, ...]
    readings: tuple[ReadingRow, ...]
    used: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class DigestRow:
    """`kind` says what was digested, `rule` how."""

    kind: str
    name: str
    digest: str
    rule: str


@dataclass(frozen=True, slots=True)
class Method:
    """A method note: what, how, after which source."""

    subject: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class StudyView:
    """An analysed study: figures by name as its analysis keeps them, and its runs (position, factors, value, failure mode)."""

    number: str
    kind: str
    title: str
    gauge: str
    characteristic: str
    done_us: int | None
    verdict: str
    method: str
    figures: tuple[tuple[str, str | float], ...] = ()
    runs: tuple[tuple[int, str, float | None, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PlanView:
    """A control plan. `header`: (label, text); `rows` in the order of `PLAN_HEADS` of `qualrec.export.proof`."""

    number: str
    phase: str
    revision: int
    state: str
    valid_from_us: int
    header: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class ChangeView:
    at_us: int | None
    what: str
    name: str
    revision: str
    change: str


@dataclass(frozen=True, slots=True)
class TemporaryView:
    from_us: int
    until_us: int
    state: str
    what: str
    checks: str


@dataclass(frozen=True, slots=True)
class NoticeView:
    """One step of a change notice."""

    notice: int
    kind: str
    what: str
    begun_us: int
    step: str
    done_us: int | None
    remark: str


@dataclass(frozen=True, slots=True)
class ConcessionView:
    reference: str
    lot: str
    quantity: int | None
    used: int
    until_us: int | None
    reason: str
    signed: bool


@dataclass(frozen=True, slots=True)
class SignatureView:
    """A signature under records that the pack rests on; without the name. `covers` None: nothing to compare with."""

    what: str
    meaning: str
    function: str
    at_us: int
    covers: bool | None
    reason: str
    digest: str


@dataclass(frozen=True, slots=True)
class ResultView:
    """Whether a group of results meets all requirements: 'yes', 'no' or 'unknown'."""

    key: str
    answer: str
    why: str


@dataclass(frozen=True, slots=True)
class Declaration:
    """What the maker declares. `data`: (label, text) as filled in."""

    number: str
    customer: str
    asked: tuple[int, ...]
    data: tuple[tuple[str, str], ...]
    results: tuple[ResultView, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """What stands beside readings and figures."""

    studies: tuple[StudyView, ...] = ()
    plans: tuple[PlanView, ...] = ()
    changes: tuple[ChangeView, ...] = ()
    temporary: tuple[TemporaryView, ...] = ()
    notices: tuple[NoticeView, ...] = ()
    notice_rules: tuple[tuple[str, str], ...] = ()
    concessions: tuple[ConcessionView, ...] = ()
    signatures: tuple[SignatureView, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Pack:
    """One part number as a customer gets it."""

    cover: Cover
    elements: tuple[Element, ...]
    families: tuple[str, ...]
    characteristics: tuple[CharacteristicSheet, ...]
    lots: tuple[Lot, ...]
    flags: tuple[Flag, ...]
    recipes: tuple[RecipeRevision, ...]
    with_recipe: bool
    limits: tuple[Limits, ...]
    lot_numbers: Mapping[int, str]
    """Number of each lot that limits name by id."""
    gauges: tuple[Gauge, ...]
    batches: tuple[Batch, ...]
    methods: tuple[Method, ...]
    digests: tuple[DigestRow, ...]
    streams: Mapping[int, str] = field(default_factory=dict)
    proof: Proof = Proof()
    declaration: Declaration | None = None
    """None: a workbook without a record of a submission; its sheets are then not protected."""

    def shows(self, family: str) -> bool:
        return family in self.families
