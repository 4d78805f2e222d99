"""The one table of headings and fixed words of exports, English and German.

Sentences that the records hold (findings, reasons, notes) are given as they are stored.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from qualrec.export.document_words import DOCUMENT_GERMAN, DOCUMENT_WORDS
from qualrec.export.sentences import SENTENCES
from qualrec.export.submission_words import SUBMISSION_GERMAN, SUBMISSION_WORDS

LANGUAGES = ("en", "de")

_HEADINGS: dict[str, tuple[str, str]] = {
    # sheets
    "sheet.cover": ("Cover", "Deckblatt"),
    "sheet.elements": ("Elements", "Bestandteile"),
    "sheet.specification": ("Specification", "Spezifikation"),
    "sheet.capability": ("Capability", "Fähigkeit"),
    "sheet.lots": ("Lots", "Lose"),
    "sheet.decisions": ("Decisions", "Entscheide"),
    "sheet.flags": ("Flags", "Befunde"),
    "sheet.raw": ("Raw data", "Rohdaten"),
    "sheet.recipes": ("Recipes", "Rezepte"),
    "sheet.limits": ("Limits", "Eingriffsgrenzen"),
    "sheet.gauges": ("Gauges", "Prüfmittel"),
    "sheet.methods": ("Methods", "Verfahren"),
    "sheet.manifest": ("Manifest", "Prüfsummen"),
    # titles
    "title.cover": ("Quality records for a part submission", "Qualitätsnachweise zur Bemusterung"),
    "title.elements": ("The 18 elements and where they stand", "Die 18 Bestandteile und ihr Stand"),
    "title.specification": ("Characteristics and how they are controlled", "Merkmale und ihre Lenkung"),
    "title.capability": ("Capability and performance with their evidence", "Fähigkeit und Leistung mit ihrem Nachweis"),
    "title.lots": ("Lots and what went into them", "Lose und was in sie einging"),
    "title.flags": ("Flags with their figures and what was done", "Befunde mit Zahlen und Maßnahmen"),
    "title.raw": ("All readings as entered and as they count", "Alle Messwerte, wie erfasst und wie gewertet"),
    "title.recipes": ("Recipe revisions", "Rezeptstände"),
    "title.limits": ("History of the control limits", "Verlauf der Eingriffsgrenzen"),
    "title.gauges": ("Gauges and their calibrations", "Prüfmittel und ihre Kalibrierungen"),
    "title.methods": ("How the figures came about", "Wie die Zahlen entstanden"),
    "title.manifest": ("Digests of what this file rests on", "Prüfsummen der Grundlagen dieser Datei"),
    "title.control": ("How each is controlled", "Lenkung der Merkmale"),
    "title.settings": ("Settings", "Einstellwerte"),
    "title.windows": ("Qualified ranges", "Qualifizierte Bereiche"),
    "title.left_out": ("Lots left out of the limits", "Lose, die nicht in die Grenzen eingingen"),
    "title.decisions": ("Decisions and shipments", "Entscheide und Lieferungen"),
    "title.check": ("The plain figures, ours and as live formulas", "Die einfachen Zahlen: unsere und als Formel"),
    "title.points": ("Figures by lot", "Zahlen je Los"),
    "title.signals": ("Signals on the chart", "Signale auf der Karte"),
    "title.modes": ("Failure modes and the words of the standards", "Versagensarten und die Wörter der Normen"),
    "title.sheets": ("Digests of the sheets", "Prüfsummen der Blätter"),
    # cover
    "cover.part": ("Part number", "Teilenummer"),
    "cover.name": ("Part name", "Teilebezeichnung"),
    "cover.revision": ("Revision", "Stand"),
    "cover.drawing": ("Drawing", "Zeichnung"),
    "cover.change": ("Change", "Änderung"),
    "cover.customer": ("Customer", "Kunde"),
    "cover.reference": ("Customer's part number", "Teilenummer des Kunden"),
    "cover.safety": ("Safety-related", "Sicherheitsrelevant"),
    "cover.process": ("Welding process", "Schweißverfahren"),
    "cover.joint": ("Joint", "Fügeform"),
    "cover.upper": ("Upper part", "Oberteil"),
    "cover.lower": ("Lower part", "Unterteil"),
    "cover.plant": ("Plant", "Werk"),
    "cover.level": ("Submission level", "Vorlagestufe"),
    "cover.made": ("Made on", "Erstellt am"),
    "cover.program": ("Made with", "Erstellt mit"),
    "cover.rules": ("Rules of flags and verdicts", "Regeln der Befunde und Urteile"),
    "cover.trail": ("Head of the record chain", "Kopf der Nachweiskette"),
    "cover.entry": ("entry", "Eintrag"),
    "cover.invented": ("INVENTED DATA", "ERFUNDENE DATEN"),
    "cover.state": ("Elements", "Bestandteile"),
    "cover.results": ("Results in short", "Ergebnisse in Kürze"),
    "cover.cautions": ("To be read with the figures", "Zu den Zahlen zu beachten"),
    "cover.signature": ("Signatures", "Unterschriften"),
    "cover.supplier": ("For the maker: name, function, date", "Für den Hersteller: Name, Funktion, Datum"),
    "cover.receiver": ("For the customer: name, decision, date", "Für den Kunden: Name, Entscheid, Datum"),
    "cover.agreed": ("list agreed with the customer", "mit dem Kunden vereinbarte Liste"),
    "cover.defers": ("Decides", "Maßgebend"),
    # elements
    "element.number": ("No.", "Nr."),
    "element.name": ("Element", "Bestandteil"),
    "element.asked": ("Asked at this level", "Auf dieser Stufe verlangt"),
    "element.state": ("State", "Stand"),
    "element.where": ("Where", "Wo"),
    "element.note": ("Remark", "Bemerkung"),
    # characteristics
    "c.code": ("Code", "Kurzzeichen"),
    "c.name": ("Characteristic", "Merkmal"),
    "c.unit": ("Unit", "Einheit"),
    "c.lsl": ("Lower limit", "Untere Grenze"),
    "c.usl": ("Upper limit", "Obere Grenze"),
    "c.target": ("Target", "Sollwert"),
    "c.class": ("Class", "Klasse"),
    "c.symbol": ("Symbol", "Symbol"),
    "c.definition": ("Definition", "Definition"),
    "c.method": ("Method", "Verfahren"),
    "c.gauge": ("Gauge", "Prüfmittel"),
    "c.samples": ("Samples", "Proben"),
    "c.per": ("per", "je"),
    "c.mandatory": ("Mandatory", "Pflicht"),
    "c.control": ("Control method", "Lenkungsmethode"),
    "c.reaction": ("Reaction plan", "Reaktionsplan"),
    "c.modes": ("Accepted failure modes", "Zulässige Versagensarten"),
    "c.interfacial": ("Interfacial share at most (%)", "Grenzflächenanteil höchstens (%)"),
    "c.index": ("Index asked", "Geforderte Kennzahl"),
    "c.valid": ("Valid from", "Gültig ab"),
    # capability
    "k.index": ("Index", "Kennzahl"),
    "k.value": ("Value", "Wert"),
    "k.bound": ("Lower bound", "Untere Schranke"),
    "k.level": ("Confidence (%)", "Vertrauen (%)"),
    "k.n": ("n", "n"),
    "k.k": ("Lots k", "Lose k"),
    "k.df": ("Degrees of freedom", "Freiheitsgrade"),
    "k.estimator": ("Standard deviation by", "Standardabweichung nach"),
    "k.bound_method": ("Bound by", "Schranke nach"),
    "k.asked": ("Asked", "Gefordert"),
    "k.verdict": ("Requirement shown to be met", "Forderung nachgewiesen"),
    "k.judged": ("Judged by", "Beurteilt nach"),
    "k.by_bound": ("lower bound", "unterer Schranke"),
    "k.by_value": ("index value", "Kennzahl selbst"),
    "k.remark": ("Remark", "Bemerkung"),
    "k.source": ("Source", "Quelle"),
    "k.link": ("Link", "Glied"),
    "k.question": ("Question", "Frage"),
    "k.answer": ("Answer", "Antwort"),
    "k.why": ("Why", "Warum"),
    "k.none": ("No index", "Keine Kennzahl"),
    "k.convention": ("Conventions", "Vereinbarungen"),
    # points and charts
    "p.lot": ("Lot", "Los"),
    "p.moulding": ("Moulding lot", "Spritzlos"),
    "p.at": ("Time", "Zeit"),
    "p.n": ("n", "n"),
    "p.mean": ("Mean", "Mittelwert"),
    "p.sd": ("S", "S"),
    "p.low": ("Smallest", "Kleinster"),
    "p.high": ("Largest", "Größter"),
    "p.remark": ("Remark", "Bemerkung"),
    "p.centre": ("centre", "Mittellinie"),
    "p.lower": ("lower control limit", "untere Eingriffsgrenze"),
    "p.upper": ("upper control limit", "obere Eingriffsgrenze"),
    "p.flagged": ("signal", "Signal"),
    "p.check_mean": ("Mean, formula", "Mittelwert, Formel"),
    "p.check_sd": ("S, formula", "S, Formel"),
    "p.lsl": ("lower specification limit", "untere Spezifikationsgrenze"),
    "p.usl": ("upper specification limit", "obere Spezifikationsgrenze"),
    "series.lot mean": ("lot mean", "Losmittelwert"),
    "series.EWMA": ("EWMA of lot means", "EWMA der Losmittelwerte"),
    "series.standard deviation": ("S within the lot", "S innerhalb des Loses"),
    "series.count": ("count", "Anzahl"),
    "chart.method": ("Limits by", "Grenzen nach"),
    "chart.version": ("Limits in force", "Gültige Grenzen"),
    # check of figures
    "f.figure": ("Figure", "Größe"),
    "f.ours": ("From the records", "Aus den Nachweisen"),
    "f.live": ("Live formula", "Formel"),
    "f.agrees": ("Agreement", "Übereinstimmung"),
    "f.yes": ("agrees", "stimmt überein"),
    "f.no": ("DIFFERS", "WEICHT AB"),
    "f.mean": ("Mean of all values", "Mittelwert aller Werte"),
    "f.sd": ("Standard deviation of all values", "Standardabweichung aller Werte"),
    "f.within": ("Standard deviation within lots", "Standardabweichung innerhalb der Lose"),
    # lots
    "l.lot": ("Lot", "Los"),
    "l.state": ("State", "Status"),
    "l.welded": ("Welded from", "Geschweißt ab"),
    "l.until": ("Until", "Bis"),
    "l.quantity": ("Quantity (parts)", "Menge (Teile)"),
    "l.recipe": ("Recipe revision", "Rezeptstand"),
    "l.approved": ("Approved when welded", "Bei der Schweißung freigegeben"),
    "l.station": ("Station", "Anlage"),
    "l.upper": ("Upper moulding lot", "Spritzlos Oberteil"),
    "l.lower": ("Lower moulding lot", "Spritzlos Unterteil"),
    "l.deliveries": ("Material deliveries", "Werkstofflieferungen"),
    "l.flags": ("Flags H / R / I", "Befunde H / R / I"),
    "l.open": ("Not closed", "Nicht abgeschlossen"),
    "l.remark": ("Remark", "Bemerkung"),
    "l.what": ("Decision or shipment", "Entscheid oder Lieferung"),
    "l.document": ("Reason or document", "Begründung oder Beleg"),
    "l.shipped": ("shipped", "geliefert"),
    "flags.none": ("No flag is recorded.", "Kein Befund erfasst."),
    "gauges.none": ("The readings name no gauge.", "Die Messwerte nennen kein Prüfmittel."),
    "limits.none": ("No limits are stored.", "Keine Grenzen gespeichert."),
    "p.none": ("There are no readings.", "Es gibt keine Messwerte."),
    # flags
    "g.level": ("Level", "Stufe"),
    "g.kind": ("Flag", "Befund"),
    "g.state": ("State", "Stand"),
    "g.finding": ("Finding", "Feststellung"),
    "g.figures": ("Figures", "Zahlen"),
    "g.rule": ("Rule", "Regel"),
    "g.action": ("What was done", "Was getan wurde"),
    "g.opened": ("Opened", "Eröffnet"),
    "g.closed": ("Closed", "Abgeschlossen"),
    # raw data
    "r.sample": ("Sample", "Probe"),
    "r.stream": ("Cavity or nest", "Kavität oder Nest"),
    "r.serial": ("Serial number", "Seriennummer"),
    "r.original": ("Value as entered", "Wert wie erfasst"),
    "r.value": ("Value that counts", "Gewerteter Wert"),
    "r.index": ("Value in the figures", "Wert in den Kennzahlen"),
    "r.mode": ("Failure mode", "Versagensart"),
    "r.shares": ("Shares interfacial / cohesive / tear / parent (% of joint area)",
                 "Anteile Grenzfläche / kohäsiv / Anriss / Grundwerkstoff (% der Fügefläche)"),
    "r.status": ("State of the value", "Stand des Wertes"),
    "r.reason": ("Reason", "Begründung"),
    "r.origin": ("Origin", "Herkunft"),
    "r.file": ("File", "Datei"),
    "r.valid": ("counts", "gewertet"),
    "r.corrected": ("corrected", "korrigiert"),
    "r.void": ("void", "ungültig"),
    "r.fault": ("test fault", "Prüffehler"),
    "r.late": ("late entry", "Nacherfassung"),
    # recipes
    "e.recipe": ("Recipe", "Rezept"),
    "e.revision": ("Revision", "Stand"),
    "e.state": ("State", "Status"),
    "e.reason": ("Reason for the revision", "Grund des Standes"),
    "e.approved": ("Approved", "Freigegeben"),
    "e.from": ("In force from", "Gültig ab"),
    "e.until": ("Until", "Bis"),
    "e.setting": ("Setting", "Einstellwert"),
    "e.value": ("Value", "Wert"),
    "e.low": ("Low", "Unten"),
    "e.high": ("High", "Oben"),
    "e.quantity": ("Quantity", "Größe"),
    "e.proof": ("Proof", "Nachweis"),
    # limits
    "m.version": ("Version", "Fassung"),
    "m.state": ("State", "Stand"),
    "m.centre": ("Centre", "Mittellinie"),
    "m.lower": ("Lower", "Untere"),
    "m.upper": ("Upper", "Obere"),
    "m.sigma": ("Sigma of lot means", "Sigma der Losmittelwerte"),
    "m.spread": ("Centre of S", "Mittellinie von S"),
    "m.estimator": ("Estimator", "Schätzer"),
    "m.stream": ("Stream", "Strom"),
    "m.from": ("Valid from", "Gültig ab"),
    "m.frozen": ("Frozen", "Festgelegt"),
    "m.lots": ("Lots used", "Verwendete Lose"),
    "m.range": ("First … last lot", "Erstes … letztes Los"),
    "m.reason": ("Reason", "Begründung"),
    "m.pooled": ("all", "alle"),
    # gauges
    "u.code": ("Gauge", "Prüfmittel"),
    "u.name": ("Name", "Bezeichnung"),
    "u.family": ("Family", "Art"),
    "u.unit": ("Unit", "Einheit"),
    "u.resolution": ("Resolution", "Auflösung"),
    "u.range": ("Verified from", "Geprüft von"),
    "u.range_to": ("Verified to", "Geprüft bis"),
    "u.uncertainty": ("Uncertainty", "Unsicherheit"),
    "u.state": ("State", "Stand"),
    "u.calibrated": ("Calibrated", "Kalibriert"),
    "u.due": ("Due", "Fällig"),
    "u.verdict": ("Verdict", "Urteil"),
    "u.as_found": ("As found", "Vorgefunden"),
    "u.as_left": ("As left", "Hinterlassen"),
    "u.certificate": ("Certificate", "Schein"),
    "u.standard": ("Standard used", "Normal"),
    # methods and manifest
    "d.subject": ("Subject", "Gegenstand"),
    "d.text": ("What was done", "Was getan wurde"),
    "d.source": ("Source", "Quelle"),
    "d.kind": ("What", "Was"),
    "d.name": ("Name", "Name"),
    "d.digest": ("SHA-256", "SHA-256"),
    "d.rule": ("Digest of", "Prüfsumme von"),
    "d.trail_rule": ("the last entry of the plant's record chain", "letzter Eintrag der Nachweiskette des Werks"),
    "d.file_rule": ("the file as it was taken in", "Datei, wie sie übernommen wurde"),
    "d.sheet": ("Sheet", "Blatt"),
    "d.seen": ("What is seen", "Was zu sehen ist"),
    "d.censoring": ("For weld strength", "Für die Nahtfestigkeit"),
    # common
    "yes": ("yes", "ja"),
    "no": ("no", "nein"),
    "none": ("none", "keine"),
    "page": ("Page", "Seite"),
    "of": ("of", "von"),
}  # fmt: skip

_GERMAN: dict[str, str] = {
    "supplied": "beigelegt", "referenced": "verwiesen", "kept": "aufbewahrt", "missing": "fehlt",
    "submit": "vorlegen", "keep": "aufbewahren", "submit on request": "auf Anfrage vorlegen",
    "by agreement": "nach Vereinbarung",
    "yes": "ja", "no": "nein", "unknown": "nicht bekannt",
    "open": "offen", "awaiting tests": "wartet auf Prüfungen", "under review": "in Prüfung", "on hold": "gesperrt",
    "released": "freigegeben", "released under concession": "mit Sonderfreigabe freigegeben", "scrapped": "verschrottet",
    "reworked": "nachgearbeitet", "shipped": "ausgeliefert", "suspect, shipped": "verdächtig, ausgeliefert",
    "release": "Freigabe", "hold": "Sperre", "sort": "Sortierung", "rework": "Nacharbeit", "scrap": "Verschrottung",
    "use as is": "Verwendung wie vorliegend", "return to supplier": "Rückgabe an Lieferanten",
    "acknowledged": "zur Kenntnis genommen", "closed": "abgeschlossen",
    "standard": "normal", "significant": "signifikant", "critical": "kritisch",
    "lot": "Los", "moulding lot": "Spritzlos", "measured": "gemessen", "counted": "gezählt",
    "interfacial": "Grenzfläche", "cohesive": "kohäsiv in der Naht", "near-surface tear": "oberflächennaher Anriss",
    "parent material": "Grundwerkstoff", "mixed": "gemischt", "test fault": "Prüffehler",
    "typed": "getippt", "file": "Datei", "machine": "Maschine",
    "draft": "Entwurf", "approved": "freigegeben", "superseded": "abgelöst", "withdrawn": "zurückgezogen",
    "trial": "Versuch", "frozen": "festgelegt", "good": "gut", "bad": "schlecht", "in use": "im Einsatz",
    "first-off": "Erststück", "start": "Anfang", "middle": "Mitte", "end": "Ende",
    "contour": "Kontur", "simultaneous": "simultan", "quasi-simultaneous": "quasisimultan", "mask": "Maske",
    "lap": "Überlapp", "butt": "Stumpf", "radial": "radial", "T-joint": "T-Stoß",
    "gauge": "Prüfmittel", "data": "Datenmenge", "stability": "Stabilität", "shape": "Verteilung", "index": "Kennzahl",
    "requirement": "Forderung",
    "event": "Ereignis", "censored": "zensiert", "no value": "kein Wert", "by shares": "nach Anteilen",
    "pull force": "Zugkraft", "transmission": "Transmission", "collapse": "Setzweg", "burst pressure": "Berstdruck",
    "review": "Prüfung", "inform": "Hinweis", "action": "Maßnahme", "note": "Notiz", "reopened": "wieder geöffnet",
    "lot means": "Losmittelwerte", "performance, not stable": "Leistung, nicht stabil", "too few data": "zu wenige Daten",
}  # fmt: skip

HEADINGS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {**_HEADINGS, **SENTENCES, **DOCUMENT_WORDS, **SUBMISSION_WORDS}
)
GERMAN_WORDS: Mapping[str, str] = MappingProxyType({**_GERMAN, **DOCUMENT_GERMAN, **SUBMISSION_GERMAN})


@dataclass(frozen=True, slots=True)
class Words:
    """Headings and stored words in one language; an unknown language is English."""

    language: str = "en"

    def __call__(self, key: str) -> str:
        """The heading of that key. KeyError for a key that the table lacks."""
        return HEADINGS[key][1 if self.language == "de" else 0]

    def word(self, stored: str) -> str:
        """A stored word, translated where the table knows it; several joined by '; ' word by word."""
        if self.language != "de" or not stored:
            return stored
        if stored in GERMAN_WORDS:
            return GERMAN_WORDS[stored]
        parts = stored.split("; ")
        return "; ".join(self.word(part) for part in parts) if len(parts) > 1 else stored

    def series(self, name: str) -> str:
        """A plotted sequence in words; the name itself where the table lacks it."""
        key = f"series.{name}"
        return self(key) if key in HEADINGS else name

    def with_unit(self, key: str, unit: str) -> str:
        """A heading with its unit, as 'Mean (N)'."""
        return f"{self(key)} ({unit})" if unit else self(key)

    def figure(self, value: float, form: str = "g") -> str:
        """A figure within a text, with the decimal mark of the language."""
        shown = format(value, form)
        return shown.replace(".", ",") if self.language == "de" else shown

    def yes_no(self, answer: bool) -> str:
        return self("yes") if answer else self("no")


ENGLISH = Words()
