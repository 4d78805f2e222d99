"""The frozen value types that pass between rooms. No SQL, no Textual.

Times are UTC microseconds since 1970 (`*_us`). Values are in the unit of their characteristic.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

NO_STREAM = 0
NO_CONDITION = 0


@dataclass(frozen=True, slots=True)
class Actor:
    """Who acts and from where. `person_id` None only for the program itself (set-up, clean-up of staged rows)."""

    person_id: int | None
    name: str
    badge: str = ""
    station_id: int | None = None
    roles: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Plant:
    id: int
    code: str
    name: str
    zone: str
    decimal_style: str
    single_user: bool
    invented: bool


@dataclass(frozen=True, slots=True)
class Customer:
    id: int
    code: str
    name: str
    language: str
    index_standard: float | None
    index_special: float | None
    uses_bound: bool
    run_length: int | None
    retention_years: int | None
    requalify_months: int | None
    symbols: Mapping[str, str] = field(default_factory=dict)
    notices: Mapping[str, str] = field(default_factory=dict)
    """Notice rule of each kind of change."""


@dataclass(frozen=True, slots=True)
class Component:
    """Upper or lower moulded part with its material."""

    id: int
    number: str
    name: str
    side: str
    material_id: int
    material: str
    polymer: str
    supplier: str
    filler: str
    filler_pct: float | None
    colour: str
    infrared_role: str
    absorber_pct: float | None
    thickness_mm: float | None


@dataclass(frozen=True, slots=True)
class Part:
    id: int
    number: str
    name: str
    customer: Customer | None
    customer_reference: str
    safety_related: bool
    process: str
    joint: str
    seam_length_mm: float | None
    seam_width_mm: float | None
    revision: str
    drawing: str
    upper: Component
    lower: Component


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One characteristic by the revision in force at a moment."""

    id: int
    revision_id: int
    revision: int
    valid_from_us: int
    part_id: int
    code: str
    name: str
    hangs_on: str
    """'lot' or 'moulding lot'."""
    kind: str
    """'measured' or 'counted'."""
    quantity: str
    unit: str
    definition: str = ""
    method: str = ""
    lsl: float | None = None
    usl: float | None = None
    target: float | None = None
    plausible_low: float | None = None
    plausible_high: float | None = None
    decimals: int = 2
    special_class: str = "standard"
    symbol: str = ""
    gauge_family: str = ""
    destructive: bool = False
    strength: bool = False
    """A pull force: failure mode is asked, a parent-material break is right-censored."""
    samples: int = 0
    sample_positions: tuple[str, ...] = ()
    mandatory: bool = False
    subgroup_size: int = 0
    subgroup_every: int = 0
    chart: str = "lot means"
    mean_width: float = 3.5
    ewma_lambda: float = 0.2
    ewma_width: float = 2.90
    rules: tuple[str, ...] = ()
    good_side: int = 0
    """+1: high is good (pull force), -1: low is good, 0: neither."""
    index_requirement: float | None = None
    accepted_modes: tuple[str, ...] = ()
    interfacial_limit_pct: float | None = None
    separating: tuple[str, ...] = ()
    control_method: str = ""
    reaction_plan: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RecipeSetting:
    name: str
    value: float
    unit: str
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """Qualified range of a recipe revision: 'transmission' (%), 'joint energy' (J/mm2), ..."""

    quantity: str
    low: float | None
    high: float | None
    unit: str
    proof: str = ""


@dataclass(frozen=True, slots=True)
class RecipeRevision:
    id: int
    recipe_id: int
    code: str
    part_number: str
    process: str
    revision: int
    state: str
    reason: str
    author: str
    created_us: int
    approver: str
    approved_us: int | None
    valid_from_us: int | None
    ended_us: int | None
    settings: tuple[RecipeSetting, ...]
    windows: tuple[Window, ...]

    def approved_at(self, moment_us: int) -> bool:
        """Whether this revision was approved and in force at a moment."""
        return (
            self.approved_us is not None
            and self.approved_us <= moment_us
            and (self.valid_from_us is None or self.valid_from_us <= moment_us)
            and (self.ended_us is None or moment_us < self.ended_us)
        )


@dataclass(frozen=True, slots=True)
class TemporaryChange:
    """A bypass or temporary change of a part's process with its end and its extra checks.

    `recipe_revision_id` None: whatever the recipe; `station` empty: at every station.
    """

    id: int
    part_number: str
    recipe_revision_id: int | None
    station: str
    what: str
    extra_checks: str
    from_us: int
    until_us: int
    state: str
    person: str
    ended_us: int | None = None
    """When somebody ended it; None while it is open."""

    @property
    def last_us(self) -> int:
        """The last moment at which it held."""
        return self.until_us if self.ended_us is None else min(self.until_us, self.ended_us)

    def expired_at(self, moment_us: int) -> bool:
        """Whether it is past its end at a moment and nobody ended it."""
        return self.state == "open" and self.until_us < moment_us


@dataclass(frozen=True, slots=True)
class MouldingLot:
    id: int
    number: str
    component: Component
    tool: str
    moulded_us: int
    expires_us: int | None
    state: str
    deliveries: tuple[str, ...] = ()
    """Supplier lots that went in."""
    delivery_materials: tuple[int, ...] = ()
    """Material ids of those deliveries, in the same order."""
    deliveries_expire_us: tuple[int | None, ...] = ()
    delivery_states: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a lot; its id is the subject that lot readings hang on."""

    id: int
    position: int
    from_us: int
    recipe: RecipeRevision | None
    station: str
    operator: str
    upper: MouldingLot | None
    lower: MouldingLot | None
    clamp_tool: str
    station_id: int | None = None
    clamp_tool_id: int | None = None


@dataclass(frozen=True, slots=True)
class LotRow:
    """One line of a list of lots."""

    id: int
    number: str
    part_number: str
    part_name: str
    state: str
    started_us: int
    ended_us: int | None
    quantity: int | None
    recipe: str
    station: str
    open_holding: int
    open_review: int
    open_informing: int
    readings: int


@dataclass(frozen=True, slots=True)
class Owed:
    """What the sampling plan asks of a lot for one characteristic, and what is there."""

    characteristic_id: int
    code: str
    name: str
    position: str
    count: int
    done: int
    due_us: int | None
    mandatory: bool

    @property
    def missing(self) -> int:
        return max(0, self.count - self.done)


@dataclass(frozen=True, slots=True)
class Disposition:
    kind: str
    quantity: int | None
    at_us: int
    person: str
    reason: str


@dataclass(frozen=True, slots=True)
class Shipment:
    quantity: int
    at_us: int
    customer: str
    document: str


@dataclass(frozen=True, slots=True)
class Lot:
    id: int
    number: str
    part: Part
    state: str
    quantity: int | None
    started_us: int
    ended_us: int | None
    parent: str
    version: int
    remark: str
    segments: tuple[Segment, ...]
    owed: tuple[Owed, ...]
    dispositions: tuple[Disposition, ...]
    shipments: tuple[Shipment, ...]

    @property
    def segment(self) -> Segment:
        """The segment in force now (the last one)."""
        return self.segments[-1]


@dataclass(frozen=True, slots=True)
class Condition:
    """What a reading means nothing without."""

    id: int = NO_CONDITION
    gauge_id: int | None = None
    gauge: str = ""
    geometry: str = ""
    wavelength_nm: float | None = None
    thickness_mm: float | None = None
    position: str = ""
    fixture: str = ""
    speed_mm_min: float | None = None
    conditioning: str = ""
    temperature_c: float | None = None
    humidity_pct: float | None = None
    stop_mode: str = ""


@dataclass(frozen=True, slots=True)
class PullResult:
    """Failure mode of a destructive pull; shares in % of the joint area where the mode is mixed."""

    mode: str
    interfacial_pct: float | None = None
    cohesive_pct: float | None = None
    tear_pct: float | None = None
    parent_pct: float | None = None
    displacement_mm: float | None = None
    moisture: str = ""
    hours_since_weld: float | None = None
    attempt: int = 1
    repeat_of: int | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ReadingKey:
    subject_id: int
    characteristic_id: int
    stream_id: int
    sample: int


@dataclass(frozen=True, slots=True)
class NewReading:
    """A reading to be stored. `sample` None: the next free number. `value` None only with mode 'test fault'."""

    subject_id: int
    characteristic_id: int
    value: float | None
    at_us: int
    stream_id: int = NO_STREAM
    sample: int | None = None
    condition_id: int = NO_CONDITION
    serial: str = ""
    entered_text: str = ""
    decimals: int = 0
    first_text: str | None = None
    offset_minutes: int = 0
    late: bool = False
    pull: PullResult | None = None


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One stored reading as it counts now, with what it was before a correction."""

    key: ReadingKey
    lot_id: int | None
    lot_number: str
    code: str
    unit: str
    value: float | None
    """Value that counts: corrected; None for a test fault or a void."""
    original: float | None
    at_us: int
    entered_us: int | None
    person: str
    stream: str
    condition_id: int
    gauge: str
    serial: str
    source: str
    """'typed', 'file' or 'machine'."""
    file_name: str
    entered_text: str
    decimals: int
    first_text: str | None
    late: bool
    pull: PullResult | None
    corrected: bool
    void: bool
    correction_reason: str
    corrected_by: str


@dataclass(frozen=True, slots=True, eq=False)
class LotSeries:
    """Running figures of one characteristic, one point per subject group (lot or moulding lot), in time order.

    All arrays have one entry per point. `sd` is nan where n < 2. `corrected` marks points that hold a corrected reading.
    """

    characteristic_id: int
    stream_id: int
    condition_id: int
    lot_ids: IntArray
    """Lot id, or moulding lot id where the characteristic hangs on moulding lots."""
    numbers: tuple[str, ...]
    at_us: IntArray
    n: IntArray
    mean: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    corrected: BoolArray
    r1: FloatArray
    """Lag-1 autocorrelation within the point, nan where n < 3."""

    def __len__(self) -> int:
        return len(self.numbers)


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """Single values of one characteristic in time order, parallel arrays."""

    characteristic_id: int
    lot_ids: IntArray
    sample: IntArray
    stream_id: IntArray
    condition_id: IntArray
    at_us: IntArray
    value: FloatArray
    mode: tuple[str, ...]
    interfacial_pct: FloatArray
    cohesive_pct: FloatArray
    corrected: BoolArray


@dataclass(frozen=True, slots=True)
class ModeCount:
    lot_id: int
    characteristic_id: int
    mode: str
    n: int
    interfacial_sum_pct: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    lot_id: int
    lot_number: str
    reason: str


@dataclass(frozen=True, slots=True)
class Limits:
    """Control limits in force or past. Lower and upper belong to the lot mean; spread limits to the within-lot S."""

    id: int
    characteristic_id: int
    stream_id: int
    condition_id: int
    version: int
    state: str
    chart: str
    centre: float
    sigma: float
    lower: float | None
    upper: float | None
    ewma_lambda: float | None
    ewma_width: float | None
    spread_centre: float | None
    spread_sigma: float | None
    estimator: str
    from_us: int
    made_us: int
    frozen_us: int | None
    person: str
    reason: str
    used_lots: tuple[int, ...]
    left_out: tuple[LeftOut, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding of the judge, before it is stored. `what` tells findings of one flag apart and is stable."""

    kind: str
    level: str
    scope: str
    what: str
    sentence: str
    figures: Mapping[str, float | int | str | None]
    rule: str
    source: str
    characteristic_id: int | None = None
    stream_id: int = NO_STREAM
    lot_id: int | None = None
    moulding_lot_id: int | None = None
    limits_id: int | None = None
    reaction_plan: tuple[str, ...] = ()
    at_us: int = 0


@dataclass(frozen=True, slots=True)
class FlagFinding:
    what: str
    sentence: str
    figures: Mapping[str, float | int | str | None]
    at_us: int


@dataclass(frozen=True, slots=True)
class FlagAction:
    kind: str
    what: str
    at_us: int
    person: str


@dataclass(frozen=True, slots=True)
class Flag:
    """A stored flag with its findings and what was done."""

    id: int
    kind: str
    level: str
    scope: str
    state: str
    part_number: str
    lot_id: int | None
    lot_number: str
    moulding_lot: str
    characteristic_id: int | None
    code: str
    stream: str
    rule: str
    source: str
    reaction_plan: tuple[str, ...]
    findings: tuple[FlagFinding, ...]
    actions: tuple[FlagAction, ...]
    opened_us: int
    closed_us: int | None
    rules_version: str
    program_version: str


@dataclass(frozen=True, slots=True)
class Event:
    id: int
    kind: str
    station: str
    lot_number: str
    at_us: int
    person: str
    remark: str
    station_id: int | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    at_us: int
    due_us: int
    verdict: str
    as_found: float | None
    as_left: float | None
    certificate: str
    standard: str


@dataclass(frozen=True, slots=True)
class Gauge:
    id: int
    code: str
    name: str
    family: str
    unit: str
    resolution: float | None
    interval_days: int
    verified_low: float | None
    verified_high: float | None
    uncertainty: float | None
    state: str
    place: str
    calibrations: tuple[Calibration, ...] = ()

    def overdue_at(self, moment_us: int) -> bool:
        """True where no good calibration covers the moment."""
        return not any(c.verdict == "good" and c.at_us <= moment_us <= c.due_us for c in self.calibrations)


@dataclass(frozen=True, slots=True)
class Station:
    id: int
    code: str
    name: str
    kind: str
    clean_every_hours: int
    idle_lock_seconds: int = 0
    """After so long without a key the screens ask again who it is; 0: never."""


@dataclass(frozen=True, slots=True)
class Correction:
    key: ReadingKey
    lot_number: str
    code: str
    kind: str
    old_value: float | None
    new_value: float | None
    old_mode: str
    new_mode: str
    reason: str
    person: str
    second_person: str
    at_us: int


@dataclass(frozen=True, slots=True)
class Batch:
    id: int
    kind: str
    state: str
    file_name: str
    file_digest: str
    content_digest: str
    rows: int
    refused_rows: int
    begun_us: int
    ended_us: int | None
    person: str


@dataclass(frozen=True, slots=True)
class TrailRow:
    plant_id: int
    seq: int
    at_us: int
    person: str
    act: str
    what_table: str
    what_id: int
    content: str
    digest: str
