"""Packs made by hand: invented figures, no database."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qualrec.export.pack import (
    CapabilityFigures,
    CharacteristicSheet,
    Cover,
    DigestRow,
    Element,
    Method,
    Notice,
    Pack,
    Point,
    Series,
)
from qualrec.export.submission_elements import ELEMENTS, FAMILIES, requirement
from qualrec.export.workbook import write_workbook
from qualrec.judge.evidence import IndexStanding, Link
from qualrec.stats.capability import capability, lot_summary
from qualrec.stats.charts import lot_means
from qualrec.stats.rules import evaluate_chart
from qualrec.values import (
    Characteristic,
    Component,
    Customer,
    Disposition,
    Flag,
    FlagAction,
    FlagFinding,
    Gauge,
    LeftOut,
    Limits,
    Lot,
    Part,
    Plant,
    PullResult,
    ReadingKey,
    ReadingRow,
    RecipeRevision,
    RecipeSetting,
    Segment,
    Window,
)

START_US = 1_772_433_000_000_000  # 2026-03-02 06:30 UTC
DAY_US = 86_400_000_000


def make_part(language: str = "en") -> Part:
    upper = Component(
        1, "FM-2041", "Flow-meter cover", "upper", 1, "PBT-GF30-NAT", "PBT", "S1", "glass fibre", 30, "natural",
        "transmissive", None, 1.5,
    )  # fmt: skip
    customer = Customer(1, "C-1", "Sample customer", language, 1.33, 1.67, False, 300, 15, 12)
    return Part(
        1, "FM-2040", "Flow-meter housing", customer, "00-2040", False, "quasi-simultaneous", "T-joint", 180.0, 2.0,
        "C", "DRW-2040", upper, replace(upper, id=2, number="FM-2042", name="Flow-meter body", side="lower"),
    )  # fmt: skip


def characteristic(at: int, code: str, **more: object) -> Characteristic:
    given: dict[str, object] = {
        "name": "Pull force", "hangs_on": "lot", "kind": "measured", "quantity": "pull force", "unit": "N", "lsl": 350.0,
        "decimals": 1, "samples": 5, "sample_positions": ("start", "end"), "mandatory": True, "strength": True,
        "definition": "Peak force", "method": "Whole-part pull", "special_class": "significant", "symbol": "S",
        "reaction_plan": ("Stop and tag the lot.", "Tell the quality engineer."), "index_requirement": 1.33,
    }  # fmt: skip
    given.update(more)
    return Characteristic(
        id=at, revision_id=at, revision=1, valid_from_us=START_US, part_id=1, code=code, **given
    )


def reading(c: Characteristic, lot: int, sample: int, value: float | None, **more: object) -> ReadingRow:
    given: dict[str, object] = {
        "original": value, "person": "Somebody", "stream": "", "condition_id": 1, "gauge": "PT-02", "serial": "",
        "source": "typed", "file_name": "", "entered_text": "", "decimals": 1, "first_text": None, "late": False,
        "pull": PullResult("parent material") if c.strength else None, "corrected": False, "void": False,
        "correction_reason": "", "corrected_by": "",
    }  # fmt: skip
    given.update(more)
    return ReadingRow(
        key=ReadingKey(lot, c.id, 0, sample), lot_id=lot, lot_number=f"{lot:05d}", code=c.code, unit=c.unit, value=value,
        at_us=START_US + lot * DAY_US + sample * 60_000_000, entered_us=None, **given,
    )  # fmt: skip


def sheet_of(
    c: Characteristic, lots: int, per_lot: int, seed: int, mean: float = 600.0, sd: float = 30.0
) -> CharacteristicSheet:
    """A characteristic whose figures come from its own readings, worked out by `qualrec.stats`."""
    rng = np.random.default_rng(seed)
    effects = rng.normal(0, sd / 2, lots)
    effects[lots // 2] += 9 * sd
    readings, used = [], []
    for lot in range(1, lots + 1):
        for sample in range(1, per_lot + 1):
            value = float(mean + effects[lot - 1] + rng.normal(0, sd))
            readings.append(reading(c, lot, sample, value, serial=f"00{lot:03d}{sample}"))
            used.append(True)
    if per_lot > 2:
        readings[1] = replace(
            readings[1], original=readings[1].value * 10, corrected=True, correction_reason="digits"
        )
        readings[2], used[2] = (
            replace(readings[2], value=None, void=True, correction_reason="wrong nest"),
            False,
        )
    values = np.array([r.value for r, u in zip(readings, used, strict=True) if u])
    ids = np.array([r.lot_id for r, u in zip(readings, used, strict=True) if u])
    found = lot_summary(values, ids)
    chart = lot_means(found.n, found.mean, found.sd)
    signals = evaluate_chart(chart)
    cap = capability(found, c.lsl, c.usl, c.target)
    series = tuple(
        Series(
            t.name, t.values, t.centre, t.lower, t.upper,
            np.isin(np.arange(t.values.size), [s.points[-1] for s in signals if s.track == t.name]),
            spec_limits=t.name == "lot mean",
        )
        for t in chart.tracks
    )  # fmt: skip
    points = tuple(
        Point(
            f"{lot:05d}", START_US + lot * DAY_US, int(found.n[lot - 1]), float(found.mean[lot - 1]),
            float(found.sd[lot - 1]), float(values[ids == lot].min()), float(values[ids == lot].max()),
        )
        for lot in range(1, lots + 1)
    )  # fmt: skip
    indices = (*cap.within, *cap.overall, *((cap.cpm,) if cap.cpm else ()))
    return CharacteristicSheet(
        characteristic=c,
        requirement=c.index_requirement,
        requirement_source="customer",
        by_bound=True,
        figures=CapabilityFigures(
            cap.n, cap.k, cap.mean, cap.sd_within, cap.sd_overall, cap.within_estimator, indices
        ),
        judged=IndexStanding("Ppk", cap.index("Ppk").value, cap.index("Ppk").bound.value, "normal shape"),
        refusal="",
        answer="no",
        remark="performance, not stable",
        sentence="The evidence ends at: stability (no).",
        notes=cap.notes,
        links=(
            Link("gauge", "Can the gauge be trusted?", "unknown", "No study is stored.", "manual"),
            Link(
                "stability",
                "Is it stable?",
                "no",
                "One lot mean lies beyond the limits, which is a signal.",
                "ISO",
            ),
        ),
        points=points,
        series=series,
        chart_method=chart.method,
        limits_version="trial, not frozen",
        signals=tuple(f"{points[s.points[-1]].number}: {s.text}" for s in signals),
        readings=tuple(readings),
        used=tuple(used),
    )


def make_recipe() -> RecipeRevision:
    return RecipeRevision(
        1, 1, "RC-2040", "FM-2040", "quasi-simultaneous", 1, "approved", "First release", "P", START_US - DAY_US, "Q",
        START_US - DAY_US, START_US - DAY_US, None, (RecipeSetting("power", 200.0, "W", 190.0, 210.0),),
        (Window("transmission", 20.4, 28.0, "%", "window study"),),
    )  # fmt: skip


def make_lot(at: int, part: Part) -> Lot:
    segment = Segment(at, 1, START_US + at * DAY_US, make_recipe(), "LW-1", "T", None, None, "CT-1")
    done = (Disposition("release", 480, START_US + (at + 1) * DAY_US, "Q", "All shown"),) if at == 1 else ()
    return Lot(
        at,
        f"{at:05d}",
        part,
        "released",
        480,
        START_US + at * DAY_US,
        None,
        "",
        1,
        "",
        (segment,),
        (),
        done,
        (),
    )


def make_pack(
    sheets: tuple[CharacteristicSheet, ...],
    *,
    language: str = "en",
    level: str = "3",
    with_recipe: bool = False,
) -> Pack:
    part = make_part(language)
    plant = Plant(1, "SAMPLE", "Sample plant (invented data)", "Europe/Berlin", "point", False, True)
    finding = FlagFinding(
        "mean", "Lot mean 870.1 N is above the limit.", {"mean": 870.123456, "n": 5}, START_US
    )
    flag = Flag(
        1, "lot mean beyond control limits", "R", "lot", "closed", part.number, 6, "00006", "", 1, "PULL", "", "3.5 sigma",
        "ISO 7870-2", (), (finding,), (FlagAction("closed", "Glass cleaned", START_US, "Q"),), START_US, START_US + DAY_US,
        "1", "0.1.0",
    )  # fmt: skip
    limits = Limits(
        1, 1, 0, 0, 1, "frozen", "lot means", 600.0, 15.0, 547.5, 652.5, 0.2, 2.9, 28.2, 30.0, "moving range/d2",
        START_US, START_US, START_US + DAY_US, "Q", "first 30 lots", (1, 2, 3), (LeftOut(4, "00004", "wrong nest"),),
    )  # fmt: skip
    elements = tuple(
        Element(
            n,
            requirement(n, level),
            "supplied" if row.families else "missing",
            row.families,
            "" if row.families else "Not recorded.",
        )
        for n, row in ELEMENTS.items()
    )
    return Pack(
        cover=Cover(
            plant, part, "First issue", level, language, START_US + 200 * DAY_US, "0.1.0", "1", 1234, "ab" * 32,
            (Notice("Records support the control plan.", "the customer"),),
        ),
        elements=elements,
        families=FAMILIES,
        characteristics=sheets,
        lots=tuple(make_lot(at, part) for at in range(1, 4)),
        flags=(flag,),
        recipes=(make_recipe(),),
        with_recipe=with_recipe,
        limits=(limits,),
        lot_numbers={1: "00001", 2: "00002", 3: "00003", 4: "00004"},
        gauges=(Gauge(1, "PT-02", "Pull tester", "pull force", "N", 0.1, 365, 50, 5000, 2.5, "in use", "bench"),),
        batches=(),
        methods=(Method("Charts", "Lot means as individuals.", "ISO 7870-2"),),
        digests=(DigestRow("trail", "head", "ab" * 32, "chain"),),
    )  # fmt: skip


@pytest.fixture(scope="session")
def pack() -> Pack:
    """Two characteristics: one limit, and two limits with a target."""
    pull = sheet_of(characteristic(1, "PULL"), 12, 5, seed=1)
    collapse = characteristic(
        2, "COL", name="Melt collapse", quantity="collapse", unit="mm", lsl=0.20, usl=0.36, target=0.28, decimals=3,
        strength=False, special_class="standard", symbol="",
    )  # fmt: skip
    return make_pack((pull, sheet_of(collapse, 10, 4, seed=2, mean=0.28, sd=0.006)))


@pytest.fixture
def build() -> dict[str, Callable[..., object]]:
    """The builders, for packs of one test's own."""
    return {"pack": make_pack, "sheet": sheet_of, "characteristic": characteristic, "reading": reading}


@pytest.fixture(scope="session")
def written(pack: Pack, tmp_path_factory: pytest.TempPathFactory) -> Path:
    to = tmp_path_factory.mktemp("book") / "pack.xlsx"
    write_workbook(pack, to)
    return to
