"""What the bench asks beside the value: gauge, cavity or nest, moisture state and hours since welding. Asked once each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from qualrec.errors import QualrecError, UsageError
from qualrec.tui.labels import DecimalStyle, number
from qualrec.tui.screens.bench_entry import Around
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field, Option, Row, Understood

if TYPE_CHECKING:
    from qualrec.values import Characteristic
    from qualrec.work.bench import BenchLot

PLACE = "gauges"
HOUR_US = 3_600_000_000
KEYS = "123456789abcdefghijklmnopqrstuvwxyz"
STATES = (
    Option("d", "dry as moulded", "dry as moulded", "Kept dry since it was moulded."),
    Option("c", "conditioned", "conditioned", "Brought to a stated moisture content."),
    Option("w", "wet", "wet", "Took up water and was not brought to a stated content."),
    Option("u", "unknown", "not known", "The result can then be compared with no other."),
)
NONE = Option("-", "", "none of them")


@dataclass(frozen=True, slots=True)
class Moist:
    """Moisture state of the parts of a lot, and when they were welded."""

    state: str
    welded_us: int


@dataclass
class Chosen:
    """What was chosen: gauges are remembered for each station in the user's folder, the rest while the program runs."""

    folder: Path | None
    station: str
    gauges: dict[str, str] = field(default_factory=dict)
    stream: str = ""
    moist: dict[str, Moist] = field(default_factory=dict)

    def __post_init__(self) -> None:
        from qualrec.views import saved_views

        try:
            kept = saved_views(self.folder, PLACE)
        except QualrecError:
            kept = {}  # it is asked again
        self.gauges = {name: fields.get("gauge", "") for name, fields in kept.items()}

    def _name(self, found: BenchLot, c: Characteristic) -> str:
        return f"{c.gauge_family} of {found.lot.segment.station or '-'} at {self.station or '-'}"

    def gauge(self, found: BenchLot, c: Characteristic) -> str:
        """The gauge of the next entry: as chosen here, else the only or usual one; empty where it must be said."""
        own = self.gauges.get(self._name(found, c), "")
        return own if found.facts.gauge(c.code, own) is not None else found.facts.only(c.code)

    def choose_gauge(self, found: BenchLot, c: Characteristic, gauge: str) -> None:
        """Remember a gauge for this station. What cannot be written is remembered while the program runs."""
        from qualrec.views import save_view

        name = self._name(found, c)
        self.gauges[name] = gauge
        try:
            save_view(self.folder, PLACE, name, {"gauge": gauge})
        except QualrecError:
            return

    def asks_gauge(self, found: BenchLot, c: Characteristic) -> bool:
        return bool(found.facts.gauges.get(c.code)) and not self.gauge(found, c)

    def asks_moisture(self, found: BenchLot, c: Characteristic) -> bool:
        return c.strength and found.facts.moisture and found.lot.number not in self.moist

    def around(self, found: BenchLot, c: Characteristic, now_us: int) -> Around:
        """What holds for an entry of this moment."""
        moist = self.moist.get(found.lot.number) if c.strength and found.facts.moisture else None
        return Around(
            self.gauge(found, c),
            self.stream if self.stream in found.facts.streams else "",
            "" if moist is None else moist.state,
            None if moist is None else round(max(0, now_us - moist.welded_us) / HOUR_US, 2),
        )


def around_words(found: BenchLot, c: Characteristic, chosen: Chosen, now_us: int, style: DecimalStyle) -> str:
    """Gauge, cavity, moisture of the next entry, in one line."""
    from qualrec.work.bench_facts import REST_HOURS

    around, words = chosen.around(found, c, now_us), []
    if around.gauge:
        gauge = found.facts.gauge(c.code, around.gauge)
        overdue = gauge is not None and gauge.overdue_at(now_us)
        words.append(f"with {around.gauge}" + (", ! calibration overdue" if overdue else ""))
    elif chosen.asks_gauge(found, c):
        words.append(f"gauge asked: {', '.join(g.code for g in found.facts.gauges[c.code])}")
    if found.facts.streams:
        words.append(f"cavity {around.stream}" if around.stream else "no cavity")
    if c.strength and found.facts.moisture:
        if around.hours is None:
            words.append("moisture state asked")
        else:
            early = f", ! under {REST_HOURS:g} h" if around.hours < REST_HOURS else ""
            words.append(f"{around.moisture}, {number(around.hours, 1, style)} h after welding{early}")
    return "   ".join(words)


def choice_sheet(
    found: BenchLot, c: Characteristic, chosen: Chosen, *, missing: bool, now_us: int
) -> AskSheet:
    """The sheet of what can be chosen; with `missing` only what must be said before an entry is stored."""
    rows: list[Row] = []
    filled: dict[str, str] = {}
    able = found.facts.gauges.get(c.code, ())
    if (chosen.asks_gauge(found, c) if missing else len(able) > 1) and len(able) <= len(KEYS):
        options = [Option(KEYS[at], g.code, g.code, f"{g.name} {g.place}") for at, g in enumerate(able)]
        rows.append(Choice("Gauge", options, id="gauge"))
        filled["gauge"] = chosen.gauge(found, c)
    streams = found.facts.streams
    if not missing and streams and len(streams) < len(KEYS):
        options = [Option(key, s, s) for key, s in zip(_keys_of(streams), streams, strict=True)]
        rows.append(Choice("Cavity or nest", (*options, NONE), id="stream", required=False))
        filled["stream"] = chosen.stream
    if c.strength and found.facts.moisture and (not missing or chosen.asks_moisture(found, c)):
        moist = chosen.moist.get(found.lot.number)
        rows.append(Choice("Moisture state", STATES, id="moisture"))
        rows.append(Field("Hours since weld", id="hours", unit="h", understand=hours_of))
        welded = moist.welded_us if moist is not None else found.lot.ended_us or found.lot.started_us
        filled["hours"] = f"{max(0, now_us - welded) / HOUR_US:.1f}"
        filled["moisture"] = "" if moist is None else moist.state
    lead = "Nothing can be chosen for this test." if not rows else ""
    if missing and rows:
        lead = "Asked once; the action Gauge changes it."
    return AskSheet(f"{c.code} of {found.lot.number}", rows, lead=lead, filled=filled)


def take_answers(
    found: BenchLot, c: Characteristic, chosen: Chosen, answers: Mapping[str, str], now_us: int
) -> None:
    """Remember what a sheet answered."""
    if answers.get("gauge"):
        chosen.choose_gauge(found, c, answers["gauge"])
    if "stream" in answers:
        chosen.stream = answers["stream"]
    if answers.get("moisture"):
        hours = float(hours_of(answers["hours"]).value)
        chosen.moist[found.lot.number] = Moist(answers["moisture"], now_us - int(hours * HOUR_US))


def hours_of(text: str) -> Understood:
    """Hours as '9,5' or '9.5'. Raises UsageError for what is no time after a welding."""
    try:
        hours = float(text.strip().removesuffix("h").strip().replace(",", "."))
    except ValueError:
        hours = -1.0
    if not 0 <= hours <= 100_000:
        raise UsageError(f"{text!r} is no number of hours.", "Write hours as 9.5.")
    return Understood(hours, f"{hours:g} h")


def _keys_of(streams: tuple[str, ...]) -> list[str]:
    """A key for each stream: its own sign where each is one sign, else keys in a row."""
    own = [s.lower() for s in streams]
    if all(len(s) == 1 and s.isalnum() for s in own) and len(set(own)) == len(own):
        return own
    return list(KEYS[: len(streams)])
