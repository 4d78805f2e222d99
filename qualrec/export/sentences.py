"""Whole sentences of exports, English and German: a part of the table in `messages`."""

from __future__ import annotations

SENTENCES: dict[str, tuple[str, str]] = {
    "cover.invented_text": (
        "The plant, the parts, the persons and every figure in this file are invented. They show the "
        "program and nothing else.",
        "Werk, Teile, Personen und alle Zahlen dieser Datei sind erfunden. Sie zeigen das Programm und "
        "sonst nichts.",
    ),
    "cover.single": (
        "These records are kept by one person without accounts: entries are not told apart by person.",
        "Diese Nachweise führt eine Person ohne Anmeldung: Einträge sind nicht nach Personen getrennt.",
    ),
    "cover.as_recorded": (
        "Findings and reasons are given in the words in which they were recorded.",
        "Befunde und Begründungen stehen im Wortlaut ihrer Erfassung (Englisch).",
    ),
    "element.sum": (
        "supplied = in this file; referenced = named here, kept elsewhere; kept = held by the maker; "
        "missing = not recorded.",
        "beigelegt = in dieser Datei; verwiesen = hier genannt, anderswo geführt; aufbewahrt = beim "
        "Hersteller; fehlt = nicht erfasst.",
    ),
    "specification.note": (
        "Limits are those of the drawing in the revision in force. A value on a limit is not beyond it.",
        "Grenzen nach Zeichnung im gültigen Stand. Ein Wert auf der Grenze liegt nicht außerhalb.",
    ),
    "capability.note": (
        "An index without shown stability is performance, not capability. The verdict holds only with its"
        " whole chain.",
        "Eine Kennzahl ohne gezeigte Stabilität ist Leistung, nicht Fähigkeit. Das Urteil gilt nur mit "
        "der ganzen Kette.",
    ),
    "lots.note": (
        "One row per stretch of a lot with the same recipe revision, station and materials.",
        "Eine Zeile je Abschnitt eines Loses mit gleichem Rezeptstand, gleicher Anlage und gleichen "
        "Werkstoffen.",
    ),
    "lots.no_decision": (
        "No decision and no shipment is recorded.",
        "Kein Entscheid und keine Lieferung erfasst.",
    ),
    "flags.note": (
        "H holds the lot, R asks for a review before release, I informs. Only a closed flag frees the lot.",
        "H sperrt das Los, R verlangt eine Prüfung vor der Freigabe, I informiert. Nur ein "
        "abgeschlossener Befund gibt frei.",
    ),
    "raw.note": (
        "A corrected reading shows both values; the reason stands beside it. A void or a test fault has "
        "no value that counts.",
        "Ein korrigierter Messwert zeigt beide Werte; der Grund steht daneben. Ungültige Werte und "
        "Prüffehler zählen nicht.",
    ),
    "e.private": (
        "Settings and qualified ranges are know-how of the maker and not part of this file; the revisions"
        " are listed.",
        "Einstellwerte und qualifizierte Bereiche sind Wissen des Herstellers und nicht Teil der Datei, "
        "nur die Stände.",
    ),
    "n.drawing": (
        "Drawing {drawing}, revision {revision}.",
        "Zeichnung {drawing}, Stand {revision}.",
    ),
    "n.no_drawing": (
        "No drawing is recorded.",
        "Keine Zeichnung erfasst.",
    ),
    "n.changes": (
        "Revision {revision} of the part and {count} recipe revisions with their reasons.",
        "Stand {revision} des Teils und {count} Rezeptstände mit Begründung.",
    ),
    "n.not_recorded": (
        "Not part of these records.",
        "Nicht Teil dieser Nachweise.",
    ),
    "n.control_plan": (
        "No approved control plan is recorded here. Limits, sampling and reaction plans of the weld step "
        "stand on the sheet of the specification.",
        "Kein freigegebener Produktionslenkungsplan erfasst. Grenzen, Proben und Reaktionspläne der "
        "Schweißung stehen auf dem Blatt der Spezifikation.",
    ),
    "n.studies": (
        "Studies: {names}.",
        "Untersuchungen: {names}.",
    ),
    "n.unstudied": (
        "Gauge study missing for the special characteristics {names}.",
        "Prüfmitteluntersuchung fehlt für die besonderen Merkmale {names}.",
    ),
    "n.no_studies": (
        "No analysed study of a gauge is recorded.",
        "Keine ausgewertete Untersuchung eines Prüfmittels erfasst.",
    ),
    "n.with_data": (
        "With readings: {names}.",
        "Mit Messwerten: {names}.",
    ),
    "n.without_data": (
        "Without readings: {names}.",
        "Ohne Messwerte: {names}.",
    ),
    "n.none_of_kind": (
        "No such characteristic is defined.",
        "Kein solches Merkmal definiert.",
    ),
    "n.verdicts": (
        "Requirement shown to be met: {names}.",
        "Forderung nachgewiesen: {names}.",
    ),
    "n.no_index": (
        "No index could be told.",
        "Keine Kennzahl bestimmbar.",
    ),
    "n.gauges": (
        "Gauges with certificates: {names}.",
        "Prüfmittel mit Schein: {names}.",
    ),
    "n.overdue": (
        "Without a good calibration today: {names}.",
        "Heute ohne gültige Kalibrierung: {names}.",
    ),
    "n.no_gauges": (
        "The readings name no gauge.",
        "Die Messwerte nennen kein Prüfmittel.",
    ),
    "n.sample_parts": (
        "Which parts were tested is told by lot, sample and serial number in the raw data; where parts "
        "are kept is not recorded.",
        "Geprüfte Teile sind in den Rohdaten nach Los, Probe und Seriennummer genannt; ein Lagerort ist "
        "nicht erfasst.",
    ),
    "n.declaration": (
        "The data stand on the cover; no signature is recorded.",
        "Die Angaben stehen auf dem Deckblatt; keine Unterschrift erfasst.",
    ),
    "n.kept": (
        "Kept by the maker; shown on request.",
        "Beim Hersteller aufbewahrt; Einsicht auf Anfrage.",
    ),
    "w.times": (
        "Times",
        "Zeiten",
    ),
    "w.times_text": (
        "Dates are those of the plant, zone {zone}; records hold UTC.",
        "Zeiten gelten im Werk, Zone {zone}; gespeichert ist UTC.",
    ),
    "w.values": (
        "Values",
        "Werte",
    ),
    "w.values_text": (
        "A stored reading is never changed. A correction or a void stands beside it with its reason; "
        "figures use the corrected value, voids and test faults are in no figure. Readings of conditions "
        "that must not be mixed are kept apart and shown without a value in the figures.",
        "Ein gespeicherter Messwert wird nie geändert. Korrektur und Ungültigkeit stehen mit Begründung "
        "daneben; Kennzahlen nutzen den korrigierten Wert, ungültige Werte und Prüffehler gehen nicht "
        "ein. Werte unter Bedingungen, die nicht gemischt werden dürfen, sind ohne Wert in den Kennzahlen"
        " gezeigt.",
    ),
    "w.charts": (
        "Control charts",
        "Regelkarten",
    ),
    "w.charts_text": (
        "Lot means are plotted as individuals, so that real spread between lots is inside the limits; "
        "with them an EWMA of the lot means and the standard deviation within lots. Limits are frozen by "
        "a person and each lot is judged by the version it began under. Rules in use: {rules}.",
        "Losmittelwerte gelten als Einzelwerte, sodass die Streuung zwischen Losen in den Grenzen liegt; "
        "dazu eine EWMA der Losmittelwerte und die Standardabweichung innerhalb der Lose. Grenzen legt "
        "eine Person fest; jedes Los gilt nach der Fassung, unter der es begann. Regeln: {rules}.",
    ),
    "w.indices": (
        "Indices",
        "Kennzahlen",
    ),
    "w.indices_text": (
        "Cp and Cpk use the standard deviation within lots, Pp and Ppk that of all values. Bounds of Pp "
        "and Ppk come from the lots and their variance components, so that alike values within a lot do "
        "not count as independent. A value on a limit is not beyond it.",
        "Cp und Cpk nutzen die Standardabweichung innerhalb der Lose, Pp und Ppk die aller Werte. "
        "Schranken von Pp und Ppk kommen aus den Losen und ihren Varianzanteilen, sodass ähnliche Werte "
        "eines Loses nicht als unabhängig zählen. Ein Wert auf der Grenze liegt nicht außerhalb.",
    ),
    "w.formulas": (
        "Live formulas",
        "Formeln",
    ),
    "w.formulas_text": (
        "Beside our plain figures stand formulas on the raw data of this file, so that they can be "
        "checked. Within-lot sigma: pooled S of the lots over c4 of its degrees of freedom, or the mean "
        "moving range of the lots over d2(2) where lots hold one value.",
        "Neben den einfachen Zahlen stehen Formeln über die Rohdaten dieser Datei zur Nachprüfung. Sigma "
        "innerhalb der Lose: zusammengefasstes S der Lose durch c4 seiner Freiheitsgrade, oder mittlere "
        "gleitende Spannweite durch d2(2) bei einem Wert je Los.",
    ),
    "w.persons": (
        "Persons",
        "Personen",
    ),
}
