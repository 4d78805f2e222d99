"""Recipe revisions in lines: settings with windows, differences with figures, energy at the joint; and settings as typed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import VERDICTS, DecimalStyle, Label, Tone, count, number
from qualrec.tui.screens.signature_lines import signature_text
from qualrec.tui.widgets.forms import Understood
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.values import RecipeRevision, RecipeSetting, TemporaryChange, Window
    from qualrec.weld.change_triggers import Trigger
    from qualrec.weld.settings import Setting
    from qualrec.work.recipes import Difference, RecipePage
    from qualrec.work.session import Session

STATES = {
    "draft": Label("»", ">", "draft", Tone.LOOK),
    "approved": Label("✓", "+", "approved", Tone.GOOD),
    "superseded": Label("·", "-", "superseded", Tone.QUIET),
    "withdrawn": Label("×", "x", "withdrawn", Tone.QUIET),
}
KINDS = {"added": "+", "removed": "-", "changed": "*"}


@dataclass(frozen=True, slots=True)
class Seen:
    """What was read: all revisions and temporary changes, and the moment of reading."""

    session: Session
    revisions: tuple[RecipeRevision, ...]
    changes: tuple[TemporaryChange, ...]
    now_us: int

    def revision(self, key: str) -> RecipeRevision | None:
        """The revision of a line's key."""
        return next((r for r in self.revisions if key == f"rev:{r.id}"), None)

    def change(self, key: str) -> TemporaryChange | None:
        """The temporary change of a line's key."""
        return next((c for c in self.changes if key == f"change:{c.id}"), None)

    def before(self, revision: RecipeRevision) -> RecipeRevision | None:
        """The revision before it of the same recipe."""
        earlier = [
            r for r in self.revisions if r.recipe_id == revision.recipe_id and r.revision < revision.revision
        ]
        return earlier[-1] if earlier else None


def list_lines(seen: Seen, marked: int | None) -> list[PickLine]:
    """Recipes with their revisions, newest first, then temporary changes. `marked`: the one compared with."""
    lines: list[PickLine] = []
    for recipe_id in dict.fromkeys(r.recipe_id for r in seen.revisions):
        own = [r for r in seen.revisions if r.recipe_id == recipe_id]
        lines.append(PickLine("", (f"{own[0].code}   part {own[0].part_number}   {own[0].process}",)))
        lines += [_revision_line(seen, r, r.id == marked) for r in reversed(own)]
    if seen.changes:
        lines.append(PickLine("", ("Temporary changes",)))
        lines += [_change_line(seen, change) for change in reversed(seen.changes)]
    return lines


def _revision_line(seen: Seen, r: RecipeRevision, marked: bool) -> PickLine:
    label = STATES[r.state]
    moment = seen.session.moment(r.approved_us or r.created_us)[:10]
    who = r.approver if r.approved_us is not None else r.author
    mark = Cell("  compared with", Tone.LOOK) if marked else ""
    parts = (
        f"  rev {r.revision:<3} ",
        Cell(label.text().ljust(13), label.tone),
        f" {moment}",
        mark,
        f"  {who}",
    )
    return PickLine(f"rev:{r.id}", parts)


def _change_line(seen: Seen, change: TemporaryChange) -> PickLine:
    past = change.state == "open" and change.until_us < seen.now_us
    until = seen.session.moment(change.until_us)[:10]
    if change.state != "open":
        label = Label("·", "-", "ended", Tone.QUIET)
    else:
        label = Label("!", "!", "PAST ITS END", Tone.BAD) if past else Label("»", ">", "open", Tone.LOOK)
    recipe = next(
        (f"{r.code} rev {r.revision}" for r in seen.revisions if r.id == change.recipe_revision_id), ""
    )
    detail: list[Text] = [
        Cell(f"{label.text()}  temporary change of {recipe or change.part_number}", label.tone),
        change.what,
        f"extra checks: {change.extra_checks}",
        f"from {seen.session.moment(change.from_us)} until {seen.session.moment(change.until_us)}",
        f"by {change.person}" + (f" at {change.station}" if change.station else ""),
    ]
    parts = ("  ", Cell(label.text(), label.tone), f"  until {until}  {recipe}  {change.what}")
    return PickLine(f"change:{change.id}", parts, detail)


def revision_detail(
    seen: Seen,
    r: RecipeRevision,
    base: RecipeRevision | None,
    page: RecipePage | None,
    style: DecimalStyle,
) -> list[Text]:
    """Everything about a revision; what has to be computed is there once `page` is."""
    moment, label = seen.session.moment, STATES[r.state]
    lines: list[Text] = [
        Cell(f"{label.text()}  {r.code} revision {r.revision}, {r.process} welding", label.tone),
        f"Why: {r.reason}",
        f"drafted by {r.author or 'nobody named'}, {moment(r.created_us)}",
    ]
    if r.approved_us is not None:
        until = f" to {moment(r.ended_us)}" if r.ended_us is not None else ""
        lines.append(f"approved by {r.approver}, in force from {moment(r.valid_from_us)}{until}")
    elif r.state == "draft":
        lines.append(Cell("Not in force: somebody else than its author has to approve it.", Tone.LOOK))
    if page is not None:
        lines.append(f"{count(page.lots, 'lot', 'lots')} welded with it")
    lines += [*_differences(r, base, style)]
    if page is not None:
        lines += trigger_lines(page.triggers, page.compared)
    lines += ["", "Settings:", *_settings(r, style)]
    if r.windows:
        lines += ["", "Qualified for:"]
        lines += [f"  {w.quantity}: {window_words(w, style)}{_proof(w)}" for w in r.windows]
    if page is not None:
        lines += signature_text(page.signatures, moment)
        lines += _computed(page, style, moment(page.transmission.at_us if page.transmission else None))
    return lines


def asked_for(triggers: Sequence[Trigger]) -> str:
    """The topics of a checklist in one line: what has to be done, then what has to be decided."""
    must = list(dict.fromkeys(t.topic for t in triggers if t.need == "yes"))
    ask = list(dict.fromkeys(t.topic for t in triggers if t.need != "yes" and t.topic not in must))
    return ", ".join([*must, *(f"{topic} (to be decided)" for topic in ask)])


def trigger_lines(triggers: Sequence[Trigger], compared: int | None) -> list[Text]:
    """The checklist of a change; what has to be done first, then what somebody has to decide."""
    if not triggers or compared is None:
        return []
    lines: list[Text] = ["", f"What the change from revision {compared} asks for:"]
    for one in triggers:
        mark = "»" if one.need == "yes" else "?"
        lines.append(Cell(f"  {mark} {one.topic}: {one.text}", Tone.LOOK if one.need == "yes" else None))
        lines.append(Cell(f"      because of {one.because}; source: {one.source}", Tone.QUIET))
    return lines


def _proof(window: Window) -> str:
    return f"  ({window.proof})" if window.proof else ""


def _settings(r: RecipeRevision, style: DecimalStyle) -> list[Text]:
    from qualrec.weld.settings import SETTINGS, find_process

    known = {s.name: s for s in SETTINGS[find_process(r.process)]}
    order = list(known)
    held = sorted(r.settings, key=lambda s: order.index(s.name) if s.name in order else len(order))
    return [
        f"  {known[s.name].label if s.name in known else s.name:<17} {setting_words(s, style)}" for s in held
    ]


def setting_words(s: RecipeSetting, style: DecimalStyle) -> str:
    """A setting with the range allowed at the machine."""
    from qualrec.weld.units import unit_shown

    value = f"{_figure(s.value, style)} {unit_shown(s.unit)}".rstrip()
    if s.low is None and s.high is None:
        return value
    return f"{value}  ({_range(s.low, s.high, style)})"


def window_words(w: Window, style: DecimalStyle) -> str:
    from qualrec.weld.units import unit_shown

    return f"{_range(w.low, w.high, style)} {unit_shown(w.unit)}".rstrip()


def _range(low: float | None, high: float | None, style: DecimalStyle) -> str:
    ends = [f"{word} {_figure(v, style)}" for word, v in (("from", low), ("to", high)) if v is not None]
    return " ".join(ends)


def _figure(value: float, style: DecimalStyle) -> str:
    """All digits that were entered."""
    text = f"{value:.12g}"
    return text.replace(".", ",") if style == "comma" else text


def _differences(r: RecipeRevision, base: RecipeRevision | None, style: DecimalStyle) -> list[Text]:
    if base is None:
        return ["", "The first revision of this recipe."]
    from qualrec.work.recipes import differences

    older, newer = (base, r) if base.revision < r.revision else (r, base)
    found = differences(older, newer)
    lines: list[Text] = ["", f"From revision {older.revision} to revision {newer.revision}:"]
    if not found:
        lines.append("  no difference in settings or qualified windows")
    return [*lines, *(Cell(_difference(d, style), Tone.LOOK) for d in found)]


def _difference(d: Difference, style: DecimalStyle) -> str:
    from qualrec.values import Window

    def words(one: RecipeSetting | Window | None) -> str:
        if one is None:
            return "none"
        if isinstance(one, Window):
            return window_words(one, style) + _proof(one)
        return setting_words(one, style)

    head = f"  {KINDS[d.kind]} {d.kind:<8}{d.name.replace('_', ' ')}"
    if d.kind == "added":
        return f"{head}: {words(d.now)}"
    if d.kind == "removed":
        return f"{head}: was {words(d.was)}"
    change = ""
    was, now = getattr(d.was, "value", None), getattr(d.now, "value", None)
    if was and now is not None and was != now:
        percent = number(100.0 * (now / was - 1.0), 1, style)
        change = f"  ({'' if percent.startswith('-') else '+'}{percent} %)"
    return f"{head}: {words(d.was)} > {words(d.now)}{change}"


def _computed(page: RecipePage, style: DecimalStyle, measured: str) -> list[Text]:
    from qualrec.weld.cautions import find_caution

    lines: list[Text] = ["", "Energy at the joint (estimate):"]
    light = page.transmission
    if light is not None:
        spread = f", s {number(light.sd, 2, style)}" if light.sd is not None else ""
        lines.append(
            f"  transmission {number(light.mean_pct, 1, style)} %{spread}: {count(light.n, 'reading', 'readings')} "
            f"of moulding lot {light.moulding_lot}, moulded {measured}"
        )
    if page.note:
        lines.append(Cell(f"  {page.note}", Tone.LOOK))
    if page.budget is not None:
        joint = page.budget.areal_joint
        if joint is not None:
            lines.append(Cell(f"  {number(joint.value, None, style)} J/mm² reach the joint", Tone.GOOD))
            lines += _against(page, joint.value, style)
        lines += [f"  {f.label}: {f.working}" for f in page.budget.figures]
        said = {remark.sentence for remark in page.remarks}
        lines += [Cell(f"  {note}", Tone.LOOK) for note in page.budget.notes if note not in said]
    warnings = [r for r in page.remarks if r.level == "warning"]
    if warnings:
        lines += ["", "Not usual (rules of thumb, never limits):"]
    for remark in page.remarks:
        lines.append(Cell(f"  {remark.sentence}", Tone.LOOK if remark.level == "warning" else Tone.QUIET))
        lines.append(Cell(f"    source: {remark.source} ({remark.how_obtained})", Tone.QUIET))
    notices = ("estimate", "no_laser_control", "laser_class", "invisible_beam", "fume")
    return [*lines, "", *(Cell(find_caution(name).text, Tone.QUIET) for name in notices)]


def _against(page: RecipePage, joint: float, style: DecimalStyle) -> list[Text]:
    """The energy against the range that the revision was qualified for."""
    window = next((w for w in page.revision.windows if w.quantity == "joint energy"), None)
    if window is None or window.unit not in ("J/mm2", "J/mm²"):
        return []
    low = window.low is not None and joint < window.low
    high = window.high is not None and joint > window.high
    words = window_words(window, style)
    if low or high:
        label = VERDICTS["low" if low else "high"]
        return [Cell(f"  {label.text()}  qualified {words}", Tone.BAD)]
    return [Cell(f"  {VERDICTS['ok'].text()}  qualified {words}", Tone.GOOD)]


# Settings as typed.


def typed_setting(s: RecipeSetting | None, style: DecimalStyle) -> str:
    """A setting as it stands in the form: '200 from 190 to 210'; empty where the recipe has none."""
    if s is None:
        return ""
    return f"{_figure(s.value, style)} {_range(s.low, s.high, style)}".strip()


def echo_setting(setting: Setting, text: str, style: DecimalStyle) -> Understood:
    """What a typed setting means, with a remark where it is not usual."""
    from qualrec.work.recipes import read_setting

    read = read_setting(setting, text)
    note = "" if setting.low <= read.value <= setting.high else "  (not usual)"
    return Understood(read, setting_words(read, style) + note)


def changed_settings(
    settings: Sequence[Setting], filled: Mapping[str, str], typed: Mapping[str, str]
) -> dict[str, RecipeSetting | None]:
    """Settings whose text in the form was changed; None for one that was emptied."""
    from qualrec.work.recipes import read_setting

    changed: dict[str, RecipeSetting | None] = {}
    for setting in settings:
        text = typed.get(setting.name, "").strip()
        if text != filled.get(setting.name, "").strip():
            changed[setting.name] = read_setting(setting, text) if text else None
    return changed
