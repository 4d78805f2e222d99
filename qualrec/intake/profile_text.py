"""Import profiles as TOML 1.0, form 1: for exchange between plants and as the content kept of every revision.

Top-level keys are the plain fields of `Profile`; a field that has its default may be left out. Then `[time]`,
one `[[values]]` table per measured column, `[mode]` with `[mode.words]`, one `[[conditions]]` table per condition column.
Unknown keys are refused.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields
from typing import Any

from qualrec.errors import UsageError
from qualrec.intake.numbers import quote
from qualrec.intake.profiles import ConditionColumn, ModeColumn, Profile, TimeColumns, ValueColumn

FORM = 1
MAX_LENGTH = 100_000
_TABLES = ("time", "values", "mode", "conditions")


def to_toml(profile: Profile) -> str:
    """The profile as TOML text; `from_toml` gives an equal profile back."""
    lines = ["# Import profile", f"form = {FORM}"]
    lines += _plain(profile)
    lines += ["", "[time]", *_plain(profile.time)]
    for value in profile.values:
        lines += ["", "[[values]]", *_plain(value)]
    for condition in profile.conditions:
        lines += ["", "[[conditions]]", *_plain(condition)]
    if profile.mode:
        lines += ["", "[mode]", *_plain(profile.mode), "", "[mode.words]"]
        lines += [f"{toml_text(word)} = {toml_text(mode)}" for word, mode in profile.mode.words]
    return "\n".join(lines) + "\n"


def _plain(part: Any) -> list[str]:
    """`key = value` for the fields that are no tables and differ from their default."""
    lines = []
    for field in fields(part):
        value = getattr(part, field.name)
        if field.name not in (*_TABLES, "words") and value != field.default:
            lines.append(f"{field.name} = {_value(value)}")
    return lines


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(toml_text(item) for item in value) + "]"
    return toml_text(str(value))


def toml_text(text: str) -> str:
    """The text as a basic string of TOML."""
    # A TOML basic string has the escapes of JSON; DEL must be escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def from_toml(text: str) -> Profile:
    """The profile of a TOML text. Raises UsageError that names the key."""
    if len(text) > MAX_LENGTH:
        raise UsageError(f"The profile has {len(text):,} characters.", f"At most {MAX_LENGTH:,} are taken.")
    try:
        found = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"The profile is not TOML: {error}.", "Correct the line.") from error
    form = found.pop("form", None)
    if type(form) is not int or form != FORM:
        raise UsageError(
            f"The profile has form {form!r}; this program reads form {FORM}.", "Export it again."
        )
    plain = {k: v for k, v in found.items() if k not in _TABLES}
    taken = _fields(Profile, plain, "", skip=_TABLES)
    taken["time"] = TimeColumns(**_fields(TimeColumns, _table(found.get("time"), "time"), "time."))
    taken["values"] = tuple(
        ValueColumn(**_fields(ValueColumn, _table(v, "values"), "values."))
        for v in _list(found.get("values", []), "values")
    )
    taken["conditions"] = tuple(
        ConditionColumn(**_fields(ConditionColumn, _table(c, "conditions"), "conditions."))
        for c in _list(found.get("conditions", []), "conditions")
    )
    if "mode" in found:
        mode = dict(_table(found["mode"], "mode"))
        words = _table(mode.pop("words", None), "mode.words")
        if not all(isinstance(w, str) for w in words.values()):
            raise UsageError("mode.words: a mode is not text.", 'Write "word in the file" = "mode".')
        taken["mode"] = ModeColumn(
            words=tuple(words.items()), **_fields(ModeColumn, mode, "mode.", skip=("words",))
        )
    return Profile(**taken)


def _table(found: object, key: str) -> Mapping[str, Any]:
    if not isinstance(found, dict):
        raise UsageError(f"{key}: a table is expected.", f"Write [{key}] and its keys below.")
    return found


def _list(found: object, key: str) -> list[object]:
    if not isinstance(found, list):
        raise UsageError(f"{key}: tables are expected.", f"Write [[{key}]] for each column.")
    return found


def _fields(
    kind: type[Any], found: Mapping[str, Any], prefix: str, skip: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Values by field name, each of the field's type."""
    known = {f.name: f for f in fields(kind) if f.name not in skip}
    for key in found:
        if key not in known:
            raise UsageError(f"{prefix}{quote(key)}: the key is not known.", f"Keys: {', '.join(known)}.")
    for name, field in known.items():
        if field.default is MISSING and name not in found:
            raise UsageError(f"{prefix}{name}: the key is missing.", "Add it.")
    return {key: _typed(known[key], value, prefix + key) for key, value in found.items()}


def _typed(field: Field[Any], value: object, key: str) -> object:
    declared = str(field.type)
    if declared.startswith("tuple"):
        if isinstance(value, list) and all(isinstance(v, str) for v in value):
            return tuple(value)
        wanted = "a list of texts"
    elif declared == "bool":
        if isinstance(value, bool):
            return value
        wanted = "true or false"
    elif declared.startswith("int"):
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        wanted = "a whole number"
    else:
        if isinstance(value, str):
            return value
        wanted = "a text"
    raise UsageError(f"{key}: {wanted} is expected.", "Correct the value.")
