"""The bars on a label are read back by a decoder written here: ISO/IEC 15417 (Code 128), its table of widths from memory."""

from __future__ import annotations

import base64
import re
import zlib
from itertools import pairwise
from pathlib import Path

import pytest

from qualrec.export.label import Label, write_label
from qualrec.values import Plant

TABLE = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 113222 "
    "123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 212123 212321 "
    "232121 111323 131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121 "
    "313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224 "
    "111422 121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 241112 134111 "
    "111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 412121 111143 111341 131141 114113 "
    "114311 411113 411311 113141 114131 311141 411131 211412 211214 211232"
)
WIDTHS = re.findall(r"\d{6}", TABLE)
STOP = "2331112"
TO_C, TO_B, TO_A = 99, 100, 101
STARTS = {103: "A", 104: "B", 105: "C"}
HEIGHT = 12 * 72 / 25.4


def bars(path: Path) -> list[tuple[float, float]]:
    """Left edge and width of the bars: filled rectangles of their height."""
    data = path.read_bytes()
    found = []
    for body in re.findall(rb"stream\r?\n(.*?)endstream", data, re.S):
        try:
            content = zlib.decompress(base64.a85decode(body.strip().removesuffix(b"~>")))
        except (ValueError, zlib.error):
            continue
        for x, _, wide, high in re.findall(rb"([\d.-]+) ([\d.-]+) ([\d.-]+) ([\d.-]+) re f", content):
            if abs(float(high) - HEIGHT) < 0.01:
                found.append((float(x), float(wide)))
    return sorted(found)


def decode(found: list[tuple[float, float]]) -> str:
    """The text of the bars; the check character and the stop pattern must be right."""
    edges = [edge for x, wide in found for edge in (x, x + wide)]
    lengths = [b - a for a, b in pairwise(edges)]
    module = min(lengths)
    widths = "".join(str(round(length / module)) for length in lengths)
    assert widths.endswith(STOP)
    body = widths.removesuffix(STOP)
    assert len(body) % 6 == 0
    codes = [WIDTHS.index(body[at : at + 6]) for at in range(0, len(body), 6)]
    *codes, check = codes
    assert check == (codes[0] + sum(at * code for at, code in enumerate(codes))) % 103
    subset, said = STARTS[codes[0]], ""
    for code in codes[1:]:
        if subset == "C" and code < 100:
            said += f"{code:02d}"
        elif code in (TO_C, TO_B, TO_A):
            subset = {TO_C: "C", TO_B: "B", TO_A: "A"}[code]
        else:
            assert code < 96
            said += chr(code + 32)
    return said


@pytest.mark.parametrize(
    "number", ["FM00061", "0012", "0123456789" * 3, "LOT-7/b.2", "a1B22c333D4444", "=1+1"]
)
def test_the_bars_say_the_lot_number(number: str, tmp_path: Path) -> None:
    plant = Plant(1, "P1", "Invented works", "Europe/Berlin", "point", False, True)
    start = 1_772_433_000_000_000
    write_label(
        Label(plant, "en", number, "on hold", "FM-2040", "Housing", 480, start, "Ada", "why", start, "Ben"),
        tmp_path / "l.pdf",
    )
    assert decode(bars(tmp_path / "l.pdf")) == number
