"""The sample files of `sample_data/`: where they are, and how they are made. All values but the ceramic strengths are invented.

`python -m qualrec.work.sample_files FOLDER` writes the generated ones again; the same figures come out on every machine.
Forms: `sample_data/FORMATS.md`.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from qualrec.errors import UsageError
from qualrec.export.plain_table import workbook_bytes
from qualrec.intake.profile_text import to_toml
from qualrec.intake.profiles import PULL_BENCH, Profile, TimeColumns, ValueColumn
from qualrec.reference import open_data
from qualrec.work.sample_plan import (
    CAVITY_OFFSETS,
    DAY_US,
    HOUR_US,
    OPEN_LOT,
    TIME_TO_PATH,
    TRANSMISSION_MEAN,
    WAITING_LOT,
    lot_start,
)

ZONE = ZoneInfo("Europe/Berlin")
SEED = 61
WELDED_PARTS = 200
CYCLE_S = 75
LASER_W = 200.0
PIECES = range(6, 11)
"""Sample numbers of the transmission file; the sample plant has measured pieces 1 to 5 of each cavity."""


def locate(name: str) -> Path:
    """A file of the sample data, in a checkout or in the installed package. Raises UsageError for an unknown name."""
    for folder in (Path(__file__).parents[2] / "sample_data", Path(str(files("qualrec"))) / "sample_data"):
        if (folder / name).is_file():
            return folder / name
    raise UsageError(f"There is no sample file {name!r}.", f"Generated ones: {', '.join(GENERATED)}.")


def _local(at_us: int) -> datetime:
    return datetime.fromtimestamp(at_us / 1_000_000, UTC).astimezone(ZONE)


@dataclass(frozen=True, slots=True)
class _Pull:
    lot: str
    specimen: int
    nest: str
    at: datetime
    force: float
    travel: float
    failure: str
    shares: tuple[float, ...] = ()


def _pulls(position: int, specimens: range, rng: np.random.Generator) -> list[_Pull]:
    """Good pulls: most end in the parent material, one is a mixed failure."""
    failures = ("parent", "parent", "cohesive", "mixed", "parent")
    found = []
    for place, specimen in enumerate(specimens):
        failure = failures[place]
        found.append(
            _Pull(
                f"FM{position:05d}",
                specimen,
                str(place % 4 + 1),
                _local(lot_start(position) + (9 + specimen) * HOUR_US),
                round(float(rng.normal(612.0, 22.0)), 1),
                round(float(rng.normal(2.3, 0.12)), 2),
                failure,
                (0, 60, 10, 30) if failure == "mixed" else (),
            )
        )
    return found


def _comma(value: float, decimals: int) -> str:
    """German style: 1.234,5."""
    return f"{value:,.{decimals}f}".translate(str.maketrans(",.", ".,"))


HEAD = (
    "Lot;Specimen;Nest;Date;Time;Peak force;Force at break;Travel at peak;Failure;Interfacial share;Cohesive share;"
    "Tear share;Parent share;Remark"
)


def _bench_text(pulls: list[_Pull], forces: list[str]) -> bytes:
    lines = ["Pull bench record;invented sample data", "Bench;PT-BENCH", "Crosshead speed;10 mm/min", ""]
    lines += [HEAD, ";;;;;N;N;mm;;%;%;%;%;"]
    for pull, force in zip(pulls, forces, strict=True):
        shares = [f"{s:g}" for s in pull.shares] or ["", "", "", ""]
        cells = [pull.lot, str(pull.specimen), pull.nest, f"{pull.at:%d.%m.%Y}", f"{pull.at:%H:%M:%S}", force]
        cells += [_comma(pull.force * 0.96, 1), _comma(pull.travel, 2), pull.failure, *shares, ""]
        lines.append(";".join(cells))
    values = [p.force for p in pulls]
    lines += [f"Mean;;;;;{_comma(sum(values) / len(values), 1)};;;;;;;;"]
    lines += [f"Smallest;;;;;{_comma(min(values), 1)};;;;;;;;", ""]
    return "\r\n".join(lines).encode("utf-8")


def _open_lot_pulls() -> list[_Pull]:
    return _pulls(OPEN_LOT, range(1, 6), np.random.default_rng(SEED))


def tester_pulls() -> bytes:
    """Five good pulls of the lot that is still open, as the pull bench writes them."""
    pulls = _open_lot_pulls()
    return _bench_text(pulls, [_comma(p.force, 1) for p in pulls])


def tester_pulls_bad() -> bytes:
    """The two pulls that lot FM00060 waits for; in one force a letter l stands for the digit 1, so the file is refused."""
    pulls = _pulls(WAITING_LOT, range(4, 6), np.random.default_rng(SEED + 1))
    forces = [_comma(p.force, 1) for p in pulls]
    forces[1] = f"{forces[1][0]}l{forces[1][2:]}"
    return _bench_text(pulls, forces)


def tester_workbook() -> bytes:
    """The same five pulls as a workbook: text stays text, dates and times are dates and times."""
    head = HEAD.split(";")
    rows: list[list[object]] = [
        list(head),
        ["", "", "", "", "", "N", "N", "mm", "", "%", "%", "%", "%", ""],
    ]
    for pull in _open_lot_pulls():
        shares: list[object] = list(pull.shares) or [None] * 4
        cells: list[object] = [pull.lot, pull.specimen, pull.nest, pull.at.date(), pull.at.time()]
        cells += [pull.force, round(pull.force * 0.96, 1), pull.travel, pull.failure, *shares, None]
        rows.append(cells)
    return workbook_bytes("Pulls", rows)


TESTER_WORKBOOK = replace(
    PULL_BENCH,
    name="pull bench workbook",
    file_format="workbook",
    delimiter="auto",
    decimal_style="point",
    sheet="Pulls",
    stop_words=(),
)
"""Profile of the workbook form of the pull bench."""


def transmission_meter() -> bytes:
    """Five more covers of each cavity of moulding lot U0061, as the transmission bench writes them."""
    rng = np.random.default_rng(SEED + 2)
    heads = (
        "Moulding lot",
        "Cavity",
        "Piece",
        "Measured at",
        "Wavelength",
        "Wall",
        "Spot",
        "Transmission",
        "Done by",
    )
    lines = ["\t".join(heads), "\t\t\t\tnm\tmm\t\t%\t"]
    at = _local(lot_start(OPEN_LOT) - 2 * DAY_US) + timedelta(hours=1)
    for cavity, offset in CAVITY_OFFSETS.items():
        for piece in PIECES:
            at += timedelta(minutes=1)
            value = TRANSMISSION_MEAN + offset + rng.normal(0.0, 0.4)
            moment = f"{at:%m/%d/%Y %I:%M:%S %p}"
            lines.append(
                f"U{OPEN_LOT:04d}\t{cavity}\t{piece}\t{moment}\t980\t1.50\tweld track\t{value:.1f}\tT-01"
            )
    return b"\xff\xfe" + "\r\n".join([*lines, ""]).encode("utf-16-le")


def welding_machine() -> bytes:
    """200 parts of the open lot, as the weld cell writes them."""
    rng = np.random.default_rng(SEED + 3)
    lines = ["lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by"]
    start = _local(lot_start(OPEN_LOT)) + timedelta(minutes=5)
    for part in range(1, WELDED_PARTS + 1):
        at = start + timedelta(seconds=CYCLE_S * part)
        path_time = TIME_TO_PATH + rng.normal(0.0, 0.06)
        energy = LASER_W * path_time + rng.normal(0.0, 2.0)
        collapse = 0.28 + rng.normal(0.0, 0.006)
        lines.append(
            f"FM{OPEN_LOT:05d},FM{OPEN_LOT:05d}-{part:04d},{(part - 1) % 4 + 1},{at.isoformat(timespec='milliseconds')},"
            f"{collapse:.3f},{path_time:.2f},{energy:.1f},path"
        )
    return ("\n".join(lines) + "\n").encode("ascii")


CERAMIC_PROFILE = Profile(
    name="ceramic bars",
    revision=1,
    kind="tester",
    delimiter="comma",
    encoding="utf-8",
    decimal_style="point",
    lot="lot",
    sample="specimen",
    time=TimeColumns(("tested_at",), "iso"),
    values=(ValueColumn("strength", "FLEX", "MPa"),),
)
"""Profile of the ceramic strengths."""


def ceramic_strength() -> bytes:
    """480 strengths of ceramic bars, one lot for each laboratory and batch. The moments are invented, the strengths are not.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 1.4.2.10 Ceramic Strength; public data of the US government.
    """
    with open_data("nist_ceramic_strength.csv") as text:
        rows = list(csv.DictReader(text))
    lines = ["lot,specimen,tested_at,strength"]
    lots = sorted({(int(r["lab"]), int(r["batch"])) for r in rows})
    for day, (lab, batch) in enumerate(lots):
        strengths = [r["strength"] for r in rows if (int(r["lab"]), int(r["batch"])) == (lab, batch)]
        for specimen, strength in enumerate(strengths, 1):
            at = datetime(2026, 1, 12, 8, tzinfo=UTC) + timedelta(days=day, minutes=6 * specimen)
            lines.append(f"LAB{lab}-B{batch},{specimen},{at:%Y-%m-%dT%H:%M:%SZ},{strength}")
    return ("\n".join(lines) + "\n").encode("ascii")


GENERATED: Mapping[str, Callable[[], bytes]] = {
    "tester_pulls.csv": tester_pulls,
    "tester_pulls_bad.csv": tester_pulls_bad,
    "tester_pulls.xlsx": tester_workbook,
    "tester_workbook_profile.toml": lambda: to_toml(TESTER_WORKBOOK).encode("utf-8"),
    "transmission_meter.txt": transmission_meter,
    "welding_machine.csv": welding_machine,
    "ceramic_strength.csv": ceramic_strength,
    "ceramic_profile.toml": lambda: to_toml(CERAMIC_PROFILE).encode("utf-8"),
}
"""What each generated file holds."""


def write(folder: Path) -> Iterator[Path]:
    """Write the generated files into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, make in GENERATED.items():
        path = folder / name
        path.write_bytes(make())
        yield path


if __name__ == "__main__":
    for written in write(Path(sys.argv[1])):
        sys.stdout.write(f"{written}\n")
