"""The weekly quality review as a document: a page in short, then one page for each subject."""

from __future__ import annotations

from typing import Any

from qualrec.export.document import Block, Cell, Column, Day, Document, Facts, Figure, Grid, Notes, Page, When
from qualrec.export.messages import Words
from qualrec.export.review import Review
from qualrec.values import Flag


def review_document(review: Review) -> Document:
    """The review as a document: a page in short, then one page for each subject."""
    words = Words(review.language)
    subject = words("rev.subject").format(week=review.week, first=review.first_day, last=review.last_day)
    marks = (words("cover.invented"),) if review.plant.invented else ()
    notes = [words("cover.invented_text")] if review.plant.invented else []
    notes += [words("cover.single")] if review.plant.single_user else []
    return Document(
        plant=review.plant,
        language=review.language,
        title=words("rev.title"),
        subject=subject,
        marks=marks,
        notes=(*notes, words("rev.as_of")),
        pages=(
            Page(words("rev.sheet"), (34, 66), _short(review, words), one_page=True),
            *_pages(review, words),
        ),
        made_us=review.made_us,
        program_version=review.program_version,
        head_seq=review.trail_seq,
        head_digest=review.trail_digest,
    )


def _short(review: Review, words: Words) -> tuple[Block, ...]:
    oldest = review.oldest_holding_us
    days = None if oldest is None else Figure((review.made_us - oldest) / 86_400e6, 1)
    overdue = sum(len(p.overdue) for p in review.problems)
    late = len(review.late)
    rows: list[tuple[str, Cell]] = [
        (words("rev.welded"), review.welded),
        (words("rev.readings"), review.readings),
        (words("rev.decided"), len(review.decided)),
        (words("rev.held"), len(review.held)),
        (words("rev.opened"), len(review.opened)),
        (words("rev.closed"), len(review.closed)),
        (words("rev.standing"), " / ".join(map(str, review.standing))),
        (words("rev.oldest"), days),
        (words("rev.signals"), sum(d.signals for d in review.drift)),
        (words("rev.interfacial"), sum(m.interfacial for m in review.modes)),
        (words("rev.owed"), f"{len(review.owed)}" + (f", {words('rev.late')}: {late}" if late else "")),
        (words("rev.gauges").format(days=review.gauge_days), len(review.gauges)),
        (words("rev.containment"), len(review.containments)),
        (
            words("rev.problems"),
            f"{len(review.problems)}" + (f", {words('pr.overdue')}: {overdue}" if overdue else ""),
        ),
    ]
    chain: list[tuple[str, Cell]] = [
        (words("cover.made"), When(review.made_us)),
        (words("cover.program"), f"qualrec {review.program_version}"),
        (words("doc.anchor"), review.anchor),
    ]
    return (
        Facts(words("rev.short"), tuple(rows)),
        Facts(words("doc.head"), tuple(chain)),
        Notes("", (words("rev.head_note"),)),
    )


def _page(words: Words, key: str, widths: tuple[float, ...], grid: Grid, **more: Any) -> Page:
    """A page of one grid; its title is the short one of the key."""
    return Page(words(key.replace("rev.", "rev.tab.")), widths, (grid,), heading=words(key).format(**more))


def _pages(review: Review, words: Words) -> tuple[Page, ...]:
    makers = (
        _held, _opened, _closed, _decided, _drift, _modes, _capability, _owed, _gauges, _containment, _problems,
        _concessions, _changes, _integrity,
    )  # fmt: skip
    return tuple(
        make(review, words) for make in makers if make is not _capability or review.capability is not None
    )


def _columns(words: Words, *keys: str) -> tuple[Column, ...]:
    """Columns by heading; '#' before a key: numbers, '!' before it: strong."""
    return tuple(
        Column(words(key.lstrip("#!")), number=key.startswith("#"), strong=key.startswith("!"))
        for key in keys
    )


def _held(review: Review, words: Words) -> Page:
    columns = _columns(words, "!l.lot", "cover.part", "l.state", "rev.since", "#rev.days", "rev.because")
    rows = tuple(
        (
            h.lot.number,
            h.lot.part_number,
            words.word(h.lot.state),
            When(h.since_us),
            Figure(h.days, 1),
            "\n".join(h.because),
        )
        for h in review.held
    )
    return _page(words, "rev.held", (14, 14, 16, 16, 8, 60), Grid("", columns, rows, words("rev.held_none")))


def _flag_cells(flag: Flag, words: Words) -> tuple[Cell, ...]:
    said = "\n".join(f.sentence for f in flag.findings)
    where = flag.lot_number or flag.moulding_lot or flag.part_number
    return flag.level, where, flag.code, flag.kind, said, words.word(flag.state), When(flag.opened_us)


_FLAG_KEYS = ("!g.level", "l.lot", "c.code", "g.kind", "g.finding", "g.state", "g.opened")
_FLAG_WIDTHS = (8, 14, 12, 26, 58, 14, 16)


def _opened(review: Review, words: Words) -> Page:
    rows = tuple(_flag_cells(f, words) for f in review.opened)
    return _page(
        words,
        "rev.opened",
        _FLAG_WIDTHS,
        Grid("", _columns(words, *_FLAG_KEYS), rows, words("rev.flags_none")),
    )


def _closed(review: Review, words: Words) -> Page:
    columns = _columns(words, *_FLAG_KEYS, "g.closed", "#rev.reaction", "g.action")
    rows = tuple(
        (
            *_flag_cells(f, words),
            When(f.closed_us),
            Figure(None if f.closed_us is None else (f.closed_us - f.opened_us) / 3_600e6, 1),
            f.actions[-1].what if f.actions else "",
        )
        for f in review.closed
    )
    widths = (8, 13, 13, 22, 42, 17, 16, 17, 12, 36)
    return _page(words, "rev.closed", widths, Grid("", columns, rows, words("rev.flags_none")))


def _decided(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!l.lot", "cover.part", "cert.decision", "#cert.parts", "cert.when", "cert.who", "cert.reason"
    )
    rows = tuple(
        (d.lot_number, d.part_number, words.word(d.kind), d.quantity, When(d.at_us), d.person, d.reason)
        for d in review.decided
    )
    return _page(
        words, "rev.decided", (14, 14, 18, 8, 16, 24, 40), Grid("", columns, rows, words("rev.flags_none"))
    )


def _drift(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!cover.part", "!c.code", "c.name", "cert.unit", "#k.k", "#k.n", "#rev.mean", "#rev.centre", "#rev.shift",
        "#rev.trend", "#rev.trend_p", "#rev.signals",
    )  # fmt: skip
    rows = tuple(
        (
            d.part, d.code, d.name, d.unit, d.lots, d.n, Figure(d.mean, d.decimals + 1), Figure(d.centre, d.decimals + 1),
            Figure(d.shift, 2), Figure(d.slope, d.decimals + 2), Figure(d.p, 3), d.signals,
        )
        for d in review.drift
    )  # fmt: skip
    widths = (14, 12, 28, 8, 8, 7, 12, 13, 15, 11, 11, 10)
    return _page(words, "rev.drift", widths, Grid("", columns, rows, words("rev.drift_none")))


def _modes(review: Review, words: Words) -> Page:
    columns = _columns(words, "!cover.part", "!c.code", "#rev.pulls", "#rev.interfacial", "cert.modes")
    rows = tuple(
        (m.part, m.code, m.pulls, m.interfacial, ", ".join(f"{words.word(mode)} {n}" for mode, n in m.modes))
        for m in review.modes
    )
    return _page(words, "rev.modes", (16, 12, 12, 12, 70), Grid("", columns, rows, words("rev.modes_none")))


def _capability(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!cover.part", "!c.code", "c.name", "c.class", "k.index", "#k.value", "#k.bound", "#k.asked", "#k.n", "#k.k",
        "!k.verdict", "k.remark", "k.why",
    )  # fmt: skip
    rows = tuple(
        (
            s.part, s.code, s.name, words.word(s.special_class), s.index or words("k.none"), Figure(s.value, 2),
            Figure(s.bound, 2), Figure(s.requirement, 2), s.n, s.lots, words.word(s.answer), words.word(s.remark), s.sentence,
        )
        for s in review.capability or ()
    )  # fmt: skip
    widths = (14, 12, 24, 12, 10, 8, 10, 11, 7, 8, 16, 18, 36)
    return _page(words, "rev.capability", widths, Grid("", columns, rows, words("rev.capability_none")))


def _owed(review: Review, words: Words) -> Page:
    columns = _columns(
        words,
        "!l.lot",
        "cover.part",
        "c.code",
        "c.name",
        "rev.position",
        "#rev.missing",
        "rev.due",
        "!l.state",
    )
    late = {(d.lot_id, d.owed.characteristic_id, d.owed.position) for d in review.late}
    rows = tuple(
        (
            d.lot_number,
            d.part_number,
            d.owed.code,
            d.owed.name,
            words.word(d.owed.position),
            d.owed.missing,
            When(d.owed.due_us),
            words("rev.late")
            if (d.lot_id, d.owed.characteristic_id, d.owed.position) in late
            else words.word("open"),
        )
        for d in review.owed
    )
    return _page(
        words, "rev.owed", (14, 14, 12, 40, 14, 9, 16, 14), Grid("", columns, rows, words("rev.owed_none"))
    )


def _gauges(review: Review, words: Words) -> Page:
    columns = _columns(words, "!u.code", "u.name", "u.state", "u.due", "!rev.gauge_state")
    rows = tuple(
        (g.code, g.name, words.word(g.state), Day(g.due_us), words.word(g.standing)) for g in review.gauges
    )
    grid = Grid("", columns, rows, words("rev.gauges_none"))
    return _page(words, "rev.gauges", (14, 40, 20, 18, 24), grid, days=review.gauge_days)


def _containment(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!rev.place", "l.lot", "#cert.parts", "l.state", "rev.since", "rev.action", "rev.result"
    )
    rows = tuple(
        (c.place, c.lot_number, c.quantity, words.word(c.state), When(c.at_us), c.action, c.result)
        for c in review.containments
    )
    grid = Grid("", columns, rows, words("rev.containment_none"))
    return _page(words, "rev.containment", (34, 14, 8, 12, 16, 36, 36), grid)


def _problems(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!pr.number", "pr.title", "pr.opened", "pr.due", "rev.next", "!rev.overdue_steps"
    )
    rows = tuple(
        (p.number, p.title, When(p.opened_us), Day(p.due_us), p.next_step, ", ".join(p.overdue))
        for p in review.problems
    )
    grid = Grid("", columns, rows, words("rev.problems_none"))
    return _page(words, "rev.problems", (16, 46, 16, 16, 30, 18), grid)


def _concessions(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!cert.reference", "cover.part", "l.lot", "#rev.left", "cert.holds_until", "cert.reason"
    )
    rows = tuple(
        (
            c.reference,
            c.part_number,
            c.lot_number,
            None if c.quantity is None else c.quantity - c.used,
            Day(c.until_us),
            c.reason,
        )
        for c in review.concessions
    )
    grid = Grid("", columns, rows, words("rev.concessions_none").format(days=review.concession_days))
    return _page(words, "rev.concessions", (18, 14, 14, 12, 18, 50), grid)


def _changes(review: Review, words: Words) -> Page:
    columns = _columns(
        words, "!rev.what", "pr.name", "cover.part", "l.state", "rev.since", "rev.ends", "rev.reason"
    )
    rows: list[tuple[Cell, ...]] = [
        (words.word("temporary change"), c.what, c.part_number, words.word(c.state), When(c.from_us), When(c.until_us),
         c.extra_checks)
        for c in review.changes
    ]  # fmt: skip
    rows += [
        (
            words.word("recipe revision"),
            r.recipe,
            r.part_number,
            words.word(r.state),
            When(r.at_us),
            None,
            r.reason,
        )
        for r in review.revisions
    ]
    grid = Grid("", columns, tuple(rows), words("rev.changes_none"))
    return _page(words, "rev.changes", (20, 30, 14, 14, 16, 16, 40), grid)


def _integrity(review: Review, words: Words) -> Page:
    columns = _columns(words, "!rev.what", "rev.who", "rev.station", "rev.reason", "#rev.n")
    rows = tuple((i.what, i.person, i.station, i.reason, i.n) for i in review.integrity)
    return _page(
        words, "rev.integrity", (24, 30, 14, 60, 8), Grid("", columns, rows, words("rev.integrity_none"))
    )
