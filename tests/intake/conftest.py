"""The three file forms of sample_data/FORMATS.md as short texts, and a way to put them on disk. All values invented."""

from __future__ import annotations

import pytest

ZONE = "Europe/Vienna"

PULL = """\
Pull bench record;invented sample data
Bench;PB-2
Crosshead speed;10 mm/min

Lot;Specimen;Nest;Date;Time;Peak force;Force at break;Travel at peak;Failure;Interfacial share;Cohesive share;\
Tear share;Parent share;Remark
;;;;;N;N;mm;;%;%;%;%;
0047-118;1;A;14.05.2026;06:42:10;1.234,5;1.180,0;2,31;near-surface;;;;;
0047-118;2;A;14.05.2026;06:48:55;612,0;600,0;2,05;mixed;20;50;30;0;edge
0047-118;3;B;14.05.2026;06:55:01;88,2;0,0;0,40;slipped;;;;;grip
0047-118;4;B;14.05.2026;07:03:30;701,4;690,1;2,44;parent;;;;;
Mean;;;;;659,0;;;;;;;;
Smallest;;;;;88,2;;;;;;;;
"""

TRANSMISSION = """\
Moulding lot\tCavity\tPiece\tMeasured at\tWavelength\tWall\tSpot\tTransmission\tDone by
\t\t\t\tnm\tmm\t\t%\t
U0001\t1\t1\t05/14/2026 06:42:10 AM\t980\t1.50\tgate\t24.31\tB-07
U0001\t1\t2\t05/14/2026 12:05:00 PM\t980\t1.50\trim\t24.02\tB-07
U0001\t3\t1\t05/14/2026 12:06:00 AM\t980\t1.50\tgate\t22.4\tB-07
"""


def weld_cell(rows: int, offset: str = "+02:00", per_lot: int = 100) -> str:
    lines = ["lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by"]
    for k in range(rows):
        clock = f"{6 + k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d}.{k % 1000:03d}"
        lines.append(
            f"0047-{k // per_lot:03d},{k:06d},{'AB'[k % 2]},2026-05-14T{clock}{offset},"
            f"0.{270 + k % 31},{2 + k % 7 / 10:.2f},{150 + k % 13}.{k % 10},path"
        )
    return "\n".join(lines) + "\n"


@pytest.fixture
def put(tmp_path):
    def write(content, name="file.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


@pytest.fixture
def forms():
    """Texts of the forms: pull, transmission, weld_cell(rows, offset, per_lot), zone."""

    class Forms:
        pull, transmission, zone = PULL, TRANSMISSION, ZONE
        machine = staticmethod(weld_cell)

    return Forms
