"""A draft of an import profile from a look at a file, as TOML with comments.

What was concluded is marked 'guess' with the reason; what the file does not say is empty and marked 'fill in', so that
the draft is refused until somebody has said it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from qualrec.errors import UsageError
from qualrec.intake.draft_guess import (
    CONDITIONS,
    PEAK,
    SHARES,
    CodeGuess,
    codes_of,
    is_moment,
    role_of,
    same_quantity,
    time_of,
    words_of,
)
from qualrec.intake.file_look import Column, Look
from qualrec.intake.profile_text import FORM, toml_text
from qualrec.intake.profiles import CONDITION_FIELDS
from qualrec.intake.tables import Typed
from qualrec.values import Characteristic
from qualrec.weld.failure_modes import FailureMode, find_mode

MODES = ", ".join(FailureMode)


@dataclass(slots=True)
class _Parts:
    """The columns by their use. `ignored`: column and why."""

    lot: Column | None = None
    serial: Column | None = None
    sample: Column | None = None
    stream: Column | None = None
    mode: Column | None = None
    shares: dict[str, Column] = field(default_factory=dict)
    travel: Column | None = None
    conditions: list[tuple[Column, str]] = field(default_factory=list)
    values: list[tuple[Column, CodeGuess]] = field(default_factory=list)
    pull: str = ""
    """Name of the value column that the failure mode belongs to."""
    ignored: list[tuple[str, str]] = field(default_factory=list)


def draft_text(
    look: Look, known: Iterable[Characteristic] | None = None, part: str = "", sheet: str = ""
) -> str:
    """The draft as TOML. `sheet`: the sheet of the workbook that was looked at.

    `known`: the characteristics of `part`, looked for in the heads of the columns.
    """
    time = time_of(look)
    parts = _sorted(look, time.columns, None if known is None else tuple(known))
    lines = [
        _comment(f"Draft of an import profile, from a look at {look.file}. Nothing in it is certain:"),
        "# 'guess' says what was concluded and why; 'fill in' stands where the file does not say it.",
        "# Complete it, try it with 'import FILE --profile THIS.toml --dry-run', then store it with 'profile keep THIS.toml'.",
        *([_comment(f"Characteristics were looked for in part {part}.")] if part else []),
        *_head(look, parts),
        *([_line("sheet", sheet)] if sheet else []),
        "",
        "[time]",
        _line("columns", list(time.columns), ("guess: " if time.columns else "fill in: ") + time.why),
        _line("pattern", time.form, "guess" if time.form else f"fill in: {time.why}"),
    ]
    lines += _values(parts, known is not None)
    for column, condition in parts.conditions:
        lines += ["", "[[conditions]]", _line("column", column.name, "guess: by its name, a test condition")]
        lines.append(_line("condition", condition))
        if CONDITION_FIELDS[condition]:
            lines.append(_line("unit", column.unit, f"guess: from the {column.unit_from}"))
    return "\n".join([*lines, *_mode(parts)]) + "\n"


def _line(key: str, value: object, why: str = "") -> str:
    if isinstance(value, bool):
        shown = "true" if value else "false"
    elif isinstance(value, list):
        shown = "[" + ", ".join(toml_text(str(v)) for v in value) + "]"
    else:
        shown = str(value) if isinstance(value, int) else toml_text(str(value))
    return f"{key} = {shown}" + (f"  {_comment(why)}" if why else "")


def _comment(text: str) -> str:
    """A comment of TOML, which holds no control characters: the text may quote the file."""
    return "# " + "".join(c if c.isprintable() else " " for c in text)


def _head(look: Look, parts: _Parts) -> list[str]:
    name = re.sub(r"[\W_]+", " ", look.file.rpartition(".")[0]).strip()[:60].strip() or "drafted"
    machine = parts.serial is not None and parts.sample is None
    light = any("transmission" in words_of(c.name) for c, _ in parts.values)
    kind = "machine" if machine else "transmission" if light else "tester"
    subject = _subject(parts)
    lines = [
        f"form = {FORM}",
        _line("name", name, "guess: from the name of the file; choose one for all files of this kind"),
        "revision = 1",
        _line("kind", kind, "guess: tester, transmission or machine (one row per welded part)"),
        _line("subject", subject, "guess: what the lot column names, 'lot' or 'moulding lot'"),
        _line("file_format", look.file_format),
        *_text_form(look),
        _line("decimal_style", look.style, f"guess: {look.style_why}; 'auto' refuses what reads in two ways"),
    ]
    if look.file_format != "json lines":
        if look.header_row:
            lines.append(f"# The header was found in row {look.header_row}; it is looked for by its names.")
        else:
            lines += [
                _line("header_row", 0, "guess: no row of heads was found; columns are named A, B, C, ..."),
                _line("lead_rows", look.lead_rows, "guess: rows above the data"),
            ]
        why = (
            "the row below the header holds units"
            if look.unit_row
            else "the row below the header holds no units"
        )
        lines.append(_line("unit_row", look.unit_row, f"guess: {why}"))
    if look.stop_words:
        lines.append(
            _line("stop_words", list(look.stop_words), "guess: the last rows begin so and are totals")
        )
    return [*lines, *_roles(look, parts)]


def _text_form(look: Look) -> list[str]:
    if look.facts is None:
        return []
    encoding = "utf-8" if look.facts.encoding.startswith("utf-8") else look.facts.encoding
    said = "no mark and not UTF-8" if look.facts.guessed else "the whole file reads so"
    lines = [_line("encoding", encoding, f"guess: {said}")]
    if look.file_format == "delimited":
        why = (
            "several fit; 'auto' takes the one that finds the header"
            if look.delimiter == "auto"
            else "most rows have one width so"
        )
        lines.insert(0, _line("delimiter", look.delimiter, f"guess: {why}"))
    return lines


def _roles(look: Look, parts: _Parts) -> list[str]:
    names = ", ".join(c.name for c in look.columns)
    lines = []
    for key, column in (("lot", parts.lot), ("sample", parts.sample), ("serial", parts.serial)):
        if column is not None:
            lines.append(_line(key, column.name, "guess: by its name"))
        elif key == "lot":
            lines.append(_line(key, "", f"fill in: the column that names the lot; columns: {names}"))
    if parts.sample is None and parts.serial is None:
        lines.append(
            _line("sample", "", "fill in: the column that counts the samples of a lot, or serial = ...")
        )
    if parts.stream is not None:
        lines.append(_line("stream", [parts.stream.name], "guess: by its name, the cavity or nest"))
    ids = [c for c in (parts.lot, parts.serial) if c is not None]
    if any(isinstance(cell, Typed) for c in ids for cell in c.cells):
        lines.append(
            _line("numeric_ids", True, "guess: lots or serials are kept as numbers; leading zeros are lost")
        )
    lines += [_comment(f"not taken: {name!r}, {why}") for name, why in parts.ignored]
    lines.append(
        _line("ignore", [name for name, _ in parts.ignored], "guess: see above" if parts.ignored else "")
    )
    return lines


def _subject(parts: _Parts) -> str:
    hung = {guess.hangs_on for _, guess in parts.values if guess.code}
    if hung == {"moulding lot"}:
        return "moulding lot"
    return (
        "moulding lot"
        if not hung and parts.lot is not None and "moulding" in words_of(parts.lot.name)
        else "lot"
    )


def _values(parts: _Parts, looked: bool) -> list[str]:
    lines = []
    for column, guess in parts.values:
        why = (
            f"guess: {guess.why}"
            if guess.code
            else f"fill in: code of the characteristic{'; ' + guess.why if looked else ''}"
        )
        unit = (
            f"guess: from the {column.unit_from}"
            if column.unit
            else "fill in: unit of the column, as N, mm, %"
        )
        lines += ["", "[[values]]", _line("column", column.name), _line("characteristic", guess.code, why)]
        lines.append(_line("unit", column.unit, unit))
        if not column.full and column.name != parts.pull:
            lines.append(_line("optional", True, "guess: some cells are empty"))
        if column.name == parts.pull:
            lines.append(_line("pull", True, "guess: the failure mode belongs to it"))
    if not lines:
        lines = ["", "[[values]]", _line("column", "", "fill in: no column of numbers is left")]
        lines += [_line("characteristic", "", "fill in"), _line("unit", "", "fill in")]
    return lines


def _mode(parts: _Parts) -> list[str]:
    if parts.mode is None:
        return []
    lines = ["", "[mode]", _line("column", parts.mode.name, "guess: by its name, the failure mode")]
    lines += [
        _line(key, c.name, "guess: by its name, share of the joint area in %")
        for key, c in parts.shares.items()
    ]
    if parts.travel is not None:
        lines.append(_line("displacement_mm", parts.travel.name, "guess: by its name"))
    lines += [
        "",
        f"# Words of the file = one of: {MODES}. Only words that were seen stand here.",
        "[mode.words]",
    ]
    for word in sorted(set(parts.mode.texts)):
        mode = _mode_of(word)
        lines.append(_line(toml_text(word), mode, "guess" if mode else "fill in"))
    return lines


def _mode_of(word: str) -> str:
    try:
        return str(find_mode(word))
    except UsageError:
        fits = [m for m in FailureMode if words_of(word) and words_of(word) <= words_of(m.value)]
        return str(fits[0]) if len(fits) == 1 else ""


def _sorted(look: Look, moment: tuple[str, ...], known: tuple[Characteristic, ...] | None) -> _Parts:
    """Every column in one use, or ignored with the reason."""
    roles = {role: role_of(look, role) for role in ("lot", "serial", "sample", "stream", "mode")}
    if roles["mode"] is not None and (roles["mode"].numeric("auto") or not roles["mode"].cells):
        roles["mode"] = None
    parts = _Parts(roles["lot"], roles["serial"], roles["sample"], roles["stream"], roles["mode"])
    used = {c.name for c in roles.values() if c is not None} | set(moment)
    numbers = []
    for column in look.columns:
        if column.name in used:
            continue
        condition = next((f for w, f in CONDITIONS.items() if w in words_of(column.name)), "")
        if not column.cells:
            parts.ignored.append((column.name, "no cell is filled in the rows looked at"))
        elif is_moment(column):
            parts.ignored.append((column.name, "another date or time"))
        elif (
            condition
            and _fits_condition(column, condition)
            and condition not in [f for _, f in parts.conditions]
        ):
            parts.conditions.append((column, condition))
        elif column.numeric(look.style):
            numbers.append(column)
        else:
            parts.ignored.append((column.name, "words, or numbers that do not all read"))
    _pull(parts, numbers, known)
    return parts


def _fits_condition(column: Column, condition: str) -> bool:
    unit = CONDITION_FIELDS[condition]
    return column.full and (
        bool(column.unit) and same_quantity(column.unit, unit) if unit else not column.unit
    )


def _pull(parts: _Parts, numbers: list[Column], known: tuple[Characteristic, ...] | None) -> None:
    """Which numbers are values, which of them is the pull, and what belongs to its failure mode."""
    held = []
    if parts.mode is not None:
        for key in SHARES:
            found = [c for c in numbers if key in words_of(c.name) and c.unit in ("%", "")]
            if len(found) == 1:
                parts.shares[key] = found[0]
        travel = [
            c
            for c in numbers
            if words_of(c.name) & {"travel", "displacement", "extension"} and c.unit == "mm"
        ]
        parts.travel = travel[0] if len(travel) == 1 else None
        held = [*parts.shares.values(), *([parts.travel] if parts.travel else [])]
    rest = [c for c in numbers if not any(c is h for h in held)]
    guesses = codes_of(rest, known or ())
    for column in rest:
        guess = guesses[column.name]
        if known is None or guess.code:
            parts.values.append((column, guess))
        else:
            parts.ignored.append((column.name, f"numbers; {guess.why}"))
    forces = [
        c for c, guess in parts.values if guess.strength or (known is None and same_quantity(c.unit, "N"))
    ]
    peaks = [c for c in forces if words_of(c.name) & PEAK]
    chosen = forces if len(forces) == 1 else peaks
    if parts.mode is not None and len(chosen) == 1:
        parts.pull = chosen[0].name
    elif parts.mode is not None:
        why = "a failure mode, but it is not clear which pull force it belongs to"
        parts.ignored += [(parts.mode.name, why), *((c.name, "belongs to the failure mode") for c in held)]
        parts.mode, parts.shares, parts.travel = None, {}, None
