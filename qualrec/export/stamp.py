"""Writes a signature into the place that a finished workbook keeps for it; every other byte of its content stays.

The place lies below the sealed rows of its sheet, so the signature covers all but itself. Only a workbook as this program
wrote it is stamped: the texts go into cells that are there and empty.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from xml.sax.saxutils import escape

from qualrec.errors import FileRefused
from qualrec.export import text

_NOT_THERE = "Make the workbook again and sign that one."


def stamp(path: Path, to: Path, sheet_number: int, texts: Mapping[str, str]) -> None:
    """Copy `path` to `to` with texts in empty cells (by address) of a sheet (1 = first).

    Raises FileRefused where a cell is not there or not empty; OSError.
    """
    part = f"xl/worksheets/sheet{sheet_number}.xml"
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as target:
        if part not in source.namelist():
            raise FileRefused(f"{path} has no sheet {sheet_number}.", (), _NOT_THERE)
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == part:
                content = _filled(path, content.decode("utf-8"), texts).encode("utf-8")
            target.writestr(entry, content)


def _filled(path: Path, xml: str, texts: Mapping[str, str]) -> str:
    for cell, words in texts.items():
        pattern = re.compile(rf'<c r="{cell}"((?: [a-z]+="[^"]*")*?) ?(?:/>|></c>)')
        if not pattern.search(xml):
            raise FileRefused(f"{path}: cell {cell} is not there or not empty.", (), _NOT_THERE)
        shown = escape(text.stored(words))

        def fill(match: re.Match[str], shown: str = shown) -> str:
            style = "".join(re.findall(r' s="[0-9]+"', match[1]))
            return f'<c r="{match[0].split(chr(34))[1]}"{style} t="inlineStr"><is><t>{shown}</t></is></c>'

        xml = pattern.sub(fill, xml, count=1)
    return xml
