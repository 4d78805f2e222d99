"""What a customer asks: shown, and revised with a reason; capability, retention, due lists and submissions follow it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.records import lookups, registry
from qualrec.records.models.parts import CLASSES
from qualrec.values import Customer
from qualrec.work.rights import require
from qualrec.work.session import Session

INDICES = ("index_standard", "index_special")
COUNTS = ("run_length", "retention_years", "requalify_months")
LABELS = {
    "name": "name",
    "language": "language of exports",
    "index_standard": "index, standard",
    "index_special": "index, special",
    "uses_bound": "lower bound used",
    "run_length": "parts of a run",
    "retention_years": "years kept",
    "requalify_months": "months to requalify",
    "symbols": "symbols",
    "notices": "notices",
}


def profile(session: Session, code: str) -> Customer:
    """A customer with all that it asks. Raises UnknownRecord."""
    with session.store.read() as conn:
        return lookups.customer(conn, code)


def rows(customer: Customer) -> tuple[tuple[str, str], ...]:
    """The profile as (label, text), in the order of `LABELS`."""
    found = []
    for key, label in LABELS.items():
        value = getattr(customer, key)
        if isinstance(value, Mapping):
            found += [(label, f"{name}: {text}") for name, text in sorted(value.items())] or [(label, "none")]
        else:
            found.append((label, _shown(value)))
    return tuple(found)


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return (
            "yes: the 95 % lower bound must reach the index"
            if value
            else "no: the index itself must reach it"
        )
    return "no rule" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def revise(session: Session, code: str, given: Mapping[str, Any], *, reason: str) -> str:
    """Change the profile: texts of figures are read, 'none' takes a rule away; symbols and notices are added to those held.

    Raises UsageError for an unknown field or figure and where nothing changes, UnknownRecord.
    """
    require(session.actor, "revise customers")
    if not reason.strip():
        raise UsageError("A profile is revised with a reason.", "Say why, in words: --reason.")
    held = profile(session, code)
    changes = {key: _understood(key, value, held) for key, value in given.items()}
    changed = {key: value for key, value in changes.items() if getattr(held, key) != value}
    if not changed:
        raise UsageError("Nothing of the profile changes.", "Name what is to be otherwise.")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.revise_customer(writer, held.id, changed, why=reason)
    said = "; ".join(f"{LABELS[key]} {_told(value)}" for key, value in changed.items())
    return f"{held.name} ({code}): {said}."


def _told(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {text or 'taken away'}" for name, text in value.items()) or "none"
    return {True: "yes", False: "no"}.get(value, _shown(value)) if isinstance(value, bool) else _shown(value)


def _understood(key: str, value: Any, held: Customer) -> Any:
    if key in ("symbols", "notices"):
        if key == "symbols":
            _check_classes(value)
        joined = {**getattr(held, key), **value}
        return {name: text for name, text in joined.items() if text}
    if key in INDICES and isinstance(value, str):
        return None if value == "none" else understand(value, "").value
    if key in COUNTS and isinstance(value, str):
        return None if value == "none" else _whole(key, value)
    if key == "uses_bound" and isinstance(value, str):
        return value == "yes"
    return value


def _whole(key: str, text: str) -> int:
    if not text.strip().isdigit():
        raise UsageError(f"{LABELS[key]}: {text!r} is no whole number.", "Give a whole number, or 'none'.")
    return int(text)


def _check_classes(symbols: Mapping[str, str]) -> None:
    for name in symbols:
        if name not in CLASSES:
            raise UsageError(f"There is no class {name!r}.", f"Classes: {', '.join(CLASSES)}.")
