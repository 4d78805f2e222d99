"""User text made safe for a workbook: it is shown as it is, and never acts.

* A text is always a text cell, whatever it begins with; one that begins like a formula carries the quote mark too, so that
  it stays text when a person edits the cell.
* Control characters, marks that turn the writing direction, and code points that XML forbids are dropped. Line feeds stay.
* `_x0041_` is an escape in the file format (ECMA-376 part 1, 22.9.2.19, ST_Xstring); its first underscore is escaped so that
  the text is shown as typed.
"""

from __future__ import annotations

import re
from collections.abc import Container

MOST_CHARACTERS = 32_767
"""Most characters in a cell (limit of the spreadsheet programs)."""
STARTS = ("=", "+", "-", "@")
TITLE_LENGTH = 31

_DROPPED = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff]"
)
_BREAKS = re.compile("\r\n?|[\u2028\u2029]")
_ESCAPE = re.compile("_(?=x[0-9A-Fa-f]{4}_)")
_NOT_TITLE = re.compile(r"[\[\]:*?/\\\n\t]")
_NOT_NAME = re.compile(r"[^A-Za-z0-9]+")


def shown(text: str) -> str:
    """The text as a reader sees it: without what is dropped, cut at the length a cell takes."""
    if text.isascii() and text.isprintable():
        return text[:MOST_CHARACTERS]
    clean = _DROPPED.sub("", _BREAKS.sub("\n", text)).replace("\t", " ")
    return clean[:MOST_CHARACTERS]


def stored(text: str) -> str:
    """The text as it is written into the file: `shown`, with escapes of the file format escaped."""
    clean = shown(text)
    return _ESCAPE.sub("_x005F_", clean) if "_x" in clean else clean


def quoted(text: str) -> bool:
    """Whether a cell with this text carries the quote mark."""
    return text.lstrip().startswith(STARTS)


def sheet_title(wanted: str, taken: Container[str]) -> str:
    """A sheet title: at most 31 characters, none of []:*?/\\, no apostrophe at an end, not in `taken` (casefolded)."""
    base = (
        _NOT_TITLE.sub(" ", shown(wanted)).strip().strip("'").strip()[:TITLE_LENGTH].rstrip(" '") or "Sheet"
    )
    title, number = base, 2
    while title.casefold() in taken:
        tail = f" {number}"
        title = base[: TITLE_LENGTH - len(tail)] + tail
        number += 1
    return title


def defined_name(prefix: str, code: str, taken: Container[str]) -> str:
    """A name for a range: letters, digits and underscores, never like a cell address, not in `taken` (casefolded)."""
    base = f"{prefix}_{_NOT_NAME.sub('_', code).strip('_') or 'x'}_"[:200]
    name, number = base.rstrip("_"), 2
    while name.casefold() in taken:
        name = f"{base}{number}"
        number += 1
    return name


def header_text(text: str) -> str:
    """Text for a page header or footer, where '&' begins a code."""
    return shown(text).replace("\n", " ").replace("&", "&&")
