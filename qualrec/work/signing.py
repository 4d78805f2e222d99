"""Signatures: name, meaning, moment and the digest of exactly what was signed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from qualrec.records import registry
from qualrec.records.ledger import Writer
from qualrec.records.trail import canonical


def digest_of(content: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical JSON of what is signed (keys sorted, no spaces, UTF-8)."""
    return hashlib.sha256(canonical(content).encode("utf-8")).hexdigest()


def sign(
    writer: Writer, meaning: str, what_kind: str, what_id: int, content: Mapping[str, Any], reason: str
) -> int:
    """Sign something as the acting person; returns the id of the signature."""
    return registry.add_signature(writer, meaning, what_kind, what_id, digest_of(content), reason=reason)
