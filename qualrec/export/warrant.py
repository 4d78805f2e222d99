"""The data that a maker's declaration asks beside what the records hold, in our own words.

What is asked follows public descriptions of the warrant that goes with a part submission; layout and words are ours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

TEXT, NUMBER, COUNT, CHOICE = "text", "number", "count", "choice"
YES_NO = ("yes", "no", "not needed")
REASONS = (
    "first submission",
    "drawing changed",
    "tool moved, replaced, mended or added",
    "earlier finding mended",
    "tool idle for more than 12 months",
    "other construction or material",
    "other supplier or source",
    "process or method changed",
    "other site",
    "other",
)
WARRANT_GERMAN = {
    "first submission": "erste Vorlage",
    "drawing changed": "Zeichnung geändert",
    "tool moved, replaced, mended or added": "Werkzeug verlagert, ersetzt, überholt oder zusätzlich",
    "earlier finding mended": "frühere Abweichung behoben",
    "tool idle for more than 12 months": "Werkzeug länger als 12 Monate unbenutzt",
    "other construction or material": "andere Bauart oder anderer Werkstoff",
    "other supplier or source": "anderer Lieferant oder andere Quelle",
    "process or method changed": "Prozess oder Verfahren geändert",
    "other site": "anderer Standort",
    "other": "anderes",
    "not needed": "nicht nötig",
}


@dataclass(frozen=True, slots=True)
class Datum:
    """One thing asked. `must`: needed before the declaration is signed. `unit` of numbers; `choices` of a choice."""

    key: str
    english: str
    german: str
    kind: str = TEXT
    must: bool = False
    unit: str = ""
    choices: tuple[str, ...] = ()

    def label(self, language: str) -> str:
        name = self.german if language == "de" else self.english
        return f"{name} ({self.unit})" if self.unit else name


_ROWS = (
    Datum("reason", "Reason for the submission", "Anlass der Vorlage", CHOICE, True, choices=REASONS),
    Datum("weight", "Weight of one part", "Gewicht eines Teils", NUMBER, True, "kg"),
    Datum("run_parts", "Parts of the production run", "Teile des Serienlaufs", COUNT, True),
    Datum("run_hours", "Duration of the production run", "Dauer des Serienlaufs", NUMBER, True, "h"),
    Datum(
        "substances",
        "Substances of concern reported",
        "Bedenkliche Stoffe gemeldet",
        CHOICE,
        True,
        choices=YES_NO,
    ),
    Datum("substances_report", "Where they are reported", "Wo gemeldet"),
    Datum(
        "marking",
        "Polymers marked on the parts",
        "Kunststoffe auf den Teilen gekennzeichnet",
        CHOICE,
        True,
        choices=YES_NO,
    ),
    Datum("changes", "Changes not yet on the drawing", "Noch nicht in der Zeichnung enthaltene Änderungen"),
    Datum("order", "Purchase order", "Bestellung"),
    Datum("division", "Customer's division or buyer", "Bereich oder Einkauf des Kunden"),
    Datum("application", "Used in", "Verwendung"),
    Datum("checking_aid", "Checking aid and its change level", "Prüfvorrichtung und ihr Änderungsstand"),
    Datum("moulds", "Moulds, cavities, production process", "Werkzeuge, Kavitäten, Fertigungsprozess"),
    Datum("supplier_code", "Supplier code at the customer", "Lieferantennummer beim Kunden"),
    Datum("address", "Address of the plant", "Anschrift des Werks"),
    Datum("contact", "Contact", "Ansprechpartner"),
    Datum("explanation", "Explanation of what is not met", "Erklärung zu nicht Erfülltem"),
)
WARRANT: Mapping[str, Datum] = MappingProxyType({row.key: row for row in _ROWS})
