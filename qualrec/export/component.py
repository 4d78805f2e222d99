"""A component in one line, as every export names it."""

from __future__ import annotations

from qualrec.export.messages import Words
from qualrec.values import Component


def component_text(component: Component, words: Words) -> str:
    """A component with its material in one line."""
    parts = [component.number, component.name, component.material, component.polymer]
    if component.filler_pct:
        parts.append(f"{component.filler} {words.figure(component.filler_pct)} %")
    parts.append(component.colour)
    return ", ".join(p for p in parts if p)
