"""Everything that a command writes to stdout: JSON, plain tables, text. Data only; narration is in diagnostics."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from enum import Enum
from typing import Any

TURNING = (0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
"""Characters that turn the direction of writing, so that a text shows as another."""
CONTROL = dict.fromkeys((*range(0, 9), *range(11, 32), *range(127, 160), 0x2028, 0x2029, *TURNING), "�")
"""Control characters other than tab and newline, which never reach a terminal raw."""
ESCAPED = {sign: f"\\u{sign:04x}" for sign in (*range(127, 160), 0x2028, 0x2029, *TURNING)}
"""The same in JSON, beyond those that JSON escapes itself."""


def plain(value: Any) -> Any:
    """A value as JSON holds it: dataclasses by field, arrays as lists, nan and inf as null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if value is None or isinstance(value, str | int | bool):
        return value
    return str(value)


def clean(text: str) -> str:
    """Text that cannot steer a terminal."""
    return text.translate(CONTROL)


def json_out(value: Any) -> None:
    text = json.dumps(plain(value), ensure_ascii=False, indent=2)
    sys.stdout.write(text.translate(ESCAPED) + "\n")


def json_line(value: Any) -> None:
    """One value on one line, at once: for commands that go on."""
    text = json.dumps(plain(value), ensure_ascii=False)
    sys.stdout.write(text.translate(ESCAPED) + "\n")
    sys.stdout.flush()


def line(text: str = "") -> None:
    sys.stdout.write(clean(text) + "\n")


def table(heads: Sequence[str], rows: Iterable[Sequence[object]], *, right: Iterable[int] = ()) -> None:
    """A table with aligned columns; columns named in `right` are set flush right."""
    cells = [[clean(str("" if c is None else c)).replace("\n", " ") for c in row] for row in rows]
    widths = [max(len(h), *(len(r[i]) for r in cells)) if cells else len(h) for i, h in enumerate(heads)]
    flush = set(right)

    def joined(row: Sequence[str]) -> str:
        parts = [
            c.rjust(w) if i in flush else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        return "  ".join(parts).rstrip()

    line(joined(heads))
    line("  ".join("-" * w for w in widths))
    for row in cells:
        line(joined(row))
