"""Genealogy: from one thing to everything that it came from and everything that it touched, as trees.

Things: a serial number, lot, moulding lot, delivery, gauge, recipe revision, station, clamp tool, or a stretch of time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from qualrec.assess.loading import Conn
from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.values import Calibration, Gauge, Lot, LotRow, MouldingLot, Shipment
from qualrec.work.session import Session

MOST_LOTS = 5_000


@dataclass(frozen=True, slots=True)
class Node:
    """One thing in a tree: its kind, its name, what is to be said of it, and what hangs on it."""

    kind: str
    name: str
    text: str = ""
    children: tuple[Node, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """`came_from`: what went into the thing or stands behind it. `went_to`: what it touched."""

    thing: Node
    came_from: tuple[Node, ...]
    went_to: tuple[Node, ...]
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """What to trace; `name` is the number or code. A stretch of time narrows any of them, and stands alone with kind 'time'."""

    kind: str
    name: str = ""
    from_us: int | None = None
    until_us: int | None = None
    material: str | None = None
    since_good: bool = False


def trace(session: Session, asked: Asked) -> Trace:
    """Trace one thing both ways. Raises UnknownRecord for a name that is not there, UsageError for a kind that is none."""
    makers: dict[str, Callable[[_Tracing, Asked], Trace]] = {
        "serial": _Tracing.serial,
        "lot": _Tracing.lot,
        "moulding lot": _Tracing.moulding_lot,
        "delivery": _Tracing.delivery,
        "gauge": _Tracing.gauge,
        "recipe": _Tracing.recipe,
        "station": _Tracing.station,
        "clamp tool": _Tracing.clamp_tool,
        "time": _Tracing.time,
    }
    if asked.kind not in makers:
        raise UsageError(f"{asked.kind!r} cannot be traced.", f"Trace one of: {', '.join(makers)}.")
    if asked.since_good and asked.kind != "gauge":
        raise UsageError("Only a gauge has a last good calibration.", "Name a gauge.")
    with session.store.read() as conn:
        return makers[asked.kind](_Tracing(session, conn), asked)


def bad_spans(
    calibrations: Sequence[Calibration], checks: Sequence[lookups.GaugeCheck], state: str
) -> tuple[tuple[int | None, int | None], ...]:
    """Stretches in which a gauge is in doubt: from the last good calibration or check before a bad one to the next good
    calibration after it; None: without an end on that side. A gauge marked as found bad is in doubt since the last good one."""
    told = sorted(
        [(c.at_us, c.verdict, True) for c in calibrations] + [(c.at_us, c.verdict, False) for c in checks]
    )
    found: dict[tuple[int | None, int | None], None] = {}
    for place, (_, verdict, _calibrated) in enumerate(told):
        if verdict == "bad":
            before = [at for at, word, _ in told[:place] if word == "good"]
            after = [at for at, word, calibrated in told[place + 1 :] if word == "good" and calibrated]
            found[before[-1] if before else None, after[0] if after else None] = None
    if state == "found bad" and not any(end is None for _, end in found):
        good = [at for at, word, _ in told if word == "good"]
        found[good[-1] if good else None, None] = None
    return tuple(found)


class _Tracing:
    def __init__(self, session: Session, conn: Conn) -> None:
        self.session = session
        self.conn = conn

    # Things.

    def serial(self, asked: Asked) -> Trace:
        places = lookups.units_named(self.conn, asked.name)
        if not places:
            raise UnknownRecord(
                f"There is no serial number {asked.name!r}.", "Give it as on the part; zeros count."
            )
        numbers = list(dict.fromkeys(p.lot_number for p in places if p.lot_number))
        lots = [lookups.lot(self.conn, number) for number in numbers]
        rows = lookups.readings_of_serial(self.conn, asked.name)
        readings = tuple(
            Node(
                "reading",
                f"{r.code} sample {r.key.sample}",
                f"{'void' if r.void else r.value} {r.unit}"
                f"{', ' + r.pull.mode if r.pull else ''}, {self.session.moment(r.at_us)}, {r.person}, "
                f"gauge {r.gauge or 'not named'}{', corrected' if r.corrected else ''}",
            )
            for r in rows
        )
        up = tuple(Node("lot", lot.number, self._lot_text(lot), self._origins(lot)) for lot in lots)
        down = tuple(node for lot in lots for node in self._fates(lot.id, lot.shipments))
        return Trace(
            Node("serial number", asked.name, f"in lot {', '.join(numbers) or 'none'}", readings),
            up,
            down,
            (f"{len(rows)} readings of serial number {asked.name}.",),
        )

    def lot(self, asked: Asked) -> Trace:
        lot = lookups.lot(self.conn, asked.name)
        serials = lookups.serials_of(self.conn, [s.id for s in lot.segments])
        down = self._fates(lot.id, lot.shipments)
        if serials:
            down = (*down, Node("serial numbers", f"{len(serials)}", ", ".join(serials)))
        return Trace(Node("lot", lot.number, self._lot_text(lot)), self._origins(lot), down, ())

    def moulding_lot(self, asked: Asked) -> Trace:
        lot = lookups.moulding_lot(self.conn, asked.name)
        down = self._lots(lookups.lots_touched(self.conn, moulding_lot_id=lot.id, limit=MOST_LOTS))
        return Trace(self._moulded(lot), (*self._parents(lot), *self._measured([lot.id])), down, _said(down))

    def delivery(self, asked: Asked) -> Trace:
        found = lookups.delivery(self.conn, asked.name, asked.material)
        ids = lookups.moulding_lots_of(self.conn, delivery_id=found.id)
        moulded = lookups.load_moulding_lots(self.conn, ids)
        down = tuple(
            self._moulded(
                moulded[i],
                self._lots(lookups.lots_touched(self.conn, moulding_lot_id=i, limit=MOST_LOTS)),
            )
            for i in ids
        )
        received = f"{found.kind}, received {self.session.moment(found.received_us)[:10]}, {found.state}"
        up = (Node("material", found.material, f"supplier {found.supplier}"),)
        return Trace(Node("delivery", found.supplier_lot, received), up, down, _said(down))

    def gauge(self, asked: Asked) -> Trace:
        gauge = lookups.gauge(self.conn, asked.name)
        checks = lookups.gauge_checks(self.conn, gauge.id)
        told = [
            (c.at_us, Node("calibration", self._day(c.at_us), f"{c.verdict}, due {self._day(c.due_us)}"))
            for c in gauge.calibrations
        ]
        told += [(c.at_us, Node("check", self._day(c.at_us), c.verdict)) for c in checks]
        up = tuple(node for _, node in sorted(told, key=lambda pair: pair[0]))
        said: list[str] = []
        if asked.since_good:
            good = [c for c in gauge.calibrations if c.verdict == "good"]
            since = good[-1].at_us if good else None
            word = "(no good calibration is on record)"
            if good:
                word = f"after its last good calibration of {self._day(since)}"
            down = self._measured_with(gauge, since, asked.until_us)
            said.append(f"Measured with {gauge.code} {word}:")
        else:
            down = self._measured_with(gauge, asked.from_us, asked.until_us)
        doubtful = tuple(
            Node(
                "in doubt",
                f"{self._day(begin) or 'the beginning'} to {self._day(end) or 'now'}",
                "",
                self._measured_with(gauge, begin, end),
            )
            for begin, end in bad_spans(gauge.calibrations, checks, gauge.state)
        )
        said += [self._effect(gauge, node) for node in doubtful]
        return Trace(
            Node("gauge", gauge.code, f"{gauge.name}, {gauge.state}"),
            up,
            (*down, *doubtful) if not asked.since_good else down,
            (*said, *_said(down)),
        )

    def recipe(self, asked: Asked) -> Trace:
        code, _, number = asked.name.replace(":", "/").partition("/")
        if number and not number.isdigit():
            raise UsageError(
                f"{asked.name!r} is no recipe revision.", "Write recipe and revision as RC-2040/2."
            )
        found = lookups.recipe_revision(self.conn, code, int(number) if number else None)
        approved = ""
        if found.approved_us is not None:
            approved = f", approved {self.session.moment(found.approved_us)} by {found.approver}"
        signed = lookups.signatures(self.conn, "recipe revision", found.id)
        up = (
            Node("part", found.part_number, found.process),
            *(Node("signature", s.person, f"{s.meaning}, {self.session.moment(s.at_us)}: {s.reason}") for s in signed),
        )  # fmt: skip
        down = self._touched(asked, recipe_revision_id=found.id)
        return Trace(
            Node("recipe", f"{found.code} revision {found.revision}", f"{found.state}{approved}"),
            up,
            down,
            _said(down),
        )

    def station(self, asked: Asked) -> Trace:
        found = lookups.station(self.conn, asked.name)
        events = lookups.events(
            self.conn, station_id=found.id, from_us=asked.from_us, until_us=asked.until_us
        )
        up = tuple(
            Node("event", e.kind.replace("_", " "), f"{self.session.moment(e.at_us)}, {e.person} {e.remark}".rstrip())
            for e in events
        )  # fmt: skip
        down = self._touched(asked, station_id=found.id)
        return Trace(Node("station", found.code, f"{found.name}, {found.kind}"), up, down, _said(down))

    def clamp_tool(self, asked: Asked) -> Trace:
        found = lookups.clamp_tool(self.conn, asked.name)
        down = self._touched(asked, clamp_tool_id=found.id)
        return Trace(Node("clamp tool", found.code, f"glass {found.glass}"), (), down, _said(down))

    def time(self, asked: Asked) -> Trace:
        if asked.from_us is None and asked.until_us is None:
            raise UsageError("It is not said what to trace.", "Give a name, or --from and --until.")
        down = self._touched(asked)
        span = f"{self._day(asked.from_us) or 'the beginning'} to {self._day(asked.until_us) or 'now'}"
        return Trace(Node("time", span, "lots by the beginning of a segment"), (), down, _said(down))

    # Up: what stands behind.

    def _origins(self, lot: Lot) -> tuple[Node, ...]:
        found: list[Node] = []
        if lot.parent:
            parent = lookups.lot(self.conn, lot.parent)
            found.append(Node("parent lot", parent.number, self._lot_text(parent)))
        for segment in lot.segments:
            parts: list[Node] = []
            if segment.recipe is not None:
                recipe = segment.recipe
                parts.append(Node("recipe", f"{recipe.code} revision {recipe.revision}", recipe.state))
            named = {
                "station": segment.station,
                "operator": segment.operator,
                "clamp tool": segment.clamp_tool,
            }
            for kind, name in named.items():
                if name:
                    parts.append(Node(kind, name))
            for moulding in (segment.upper, segment.lower):
                if moulding is not None:
                    behind = (*self._parents(moulding), *self._measured([moulding.id]))
                    parts.append(self._moulded(moulding, behind))
            parts += self._measured([segment.id])
            since = f"from {self.session.moment(segment.from_us)}"
            found.append(Node("segment", str(segment.position), since, tuple(parts)))
        return tuple(found)

    def _parents(self, lot: MouldingLot) -> tuple[Node, ...]:
        found = []
        for supplier_lot, material_id in zip(lot.deliveries, lot.delivery_materials, strict=True):
            of = next(
                d
                for d in lookups.deliveries(self.conn)
                if (d.supplier_lot, d.material_id) == (supplier_lot, material_id)
            )
            text = f"{of.material} of {of.supplier}, received {self._day(of.received_us)}, {of.state}"
            found.append(Node("delivery", supplier_lot, text))
        if lot.tool:
            found.append(Node("tool", lot.tool))
        return tuple(found)

    def _measured(self, subjects: Sequence[int]) -> tuple[Node, ...]:
        """Gauges that measured subjects, each with what its calibration says of that moment."""
        known = {g.code: g for g in lookups.gauges(self.conn)}
        return tuple(
            Node(
                "gauge",
                use.gauge or "not named",
                f"{use.n} readings of {use.code}, {self.session.moment(use.first_us)}"
                f"{self._then(known.get(use.gauge), use.last_us)}",
            )
            for use in lookups.gauge_uses(self.conn, subjects)
        )

    @staticmethod
    def _then(gauge: Gauge | None, at_us: int) -> str:
        return ", overdue then" if gauge is not None and gauge.overdue_at(at_us) else ""

    # Down: what was touched.

    def _touched(self, asked: Asked, **thing: int) -> tuple[Node, ...]:
        rows = lookups.lots_touched(
            self.conn,
            from_us=asked.from_us,
            until_us=asked.until_us,
            limit=MOST_LOTS,
            **thing,
        )
        return self._lots(rows)

    def _measured_with(self, gauge: Gauge, from_us: int | None, until_us: int | None) -> tuple[Node, ...]:
        rows = lookups.lots_touched(
            self.conn, gauge_id=gauge.id, from_us=from_us, until_us=until_us, limit=MOST_LOTS
        )
        ids = lookups.moulding_lots_measured(self.conn, gauge.id, from_us, until_us)
        moulded = lookups.load_moulding_lots(self.conn, ids)
        return (*self._lots(rows), *(self._moulded(moulded[i]) for i in ids))

    def _lots(self, rows: Iterable[LotRow]) -> tuple[Node, ...]:
        found = list(rows)
        sent = lookups.load_shipments(self.conn, [r.id for r in found])
        children = lookups.children_of(self.conn, [r.id for r in found])
        return tuple(
            Node(
                "lot", r.number, self._row_text(r), self._hanging(sent.get(r.id, ()), children.get(r.id, ()))
            )
            for r in found
        )

    def _hanging(self, shipments: Sequence[Shipment], children: Sequence[int]) -> tuple[Node, ...]:
        rows = lookups.load_lot_rows(self.conn, children) if children else {}
        return (*(self._sent(s) for s in shipments), *self._lots(rows[i] for i in children))

    def _fates(self, lot_id: int, shipments: Sequence[Shipment]) -> tuple[Node, ...]:
        return self._hanging(shipments, lookups.children_of(self.conn, [lot_id]).get(lot_id, ()))

    def _sent(self, shipment: Shipment) -> Node:
        to = f"to {shipment.customer or 'a customer not named'}, {self.session.moment(shipment.at_us)}"
        return Node("shipment", shipment.document or "without a document", f"{shipment.quantity} parts {to}")

    # Words.

    def _day(self, at_us: int | None) -> str:
        return self.session.moment(at_us)[:10]

    def _lot_text(self, lot: Lot) -> str:
        return f"{lot.part.number}, {lot.state}, welded {self.session.moment(lot.started_us)}"

    def _row_text(self, row: LotRow) -> str:
        return f"{row.part_number}, {row.state}, welded {self.session.moment(row.started_us)}"

    def _moulded(self, lot: MouldingLot, children: tuple[Node, ...] = ()) -> Node:
        text = f"{lot.component.number}, {lot.state}, moulded {self.session.moment(lot.moulded_us)}"
        return Node("moulding lot", lot.number, text, children)

    @staticmethod
    def _effect(gauge: Gauge, span: Node) -> str:
        lots = [n for n in span.children if n.kind == "lot"]
        gone = [n.name for n in lots if any(c.kind == "shipment" for c in n.children)]
        left = f"; left the house: {', '.join(gone)}" if gone else ""
        return f"{gauge.code} is in doubt from {span.name}: {len(lots)} lots measured{left}."


def _said(nodes: Sequence[Node]) -> tuple[str, ...]:
    """How many lots were touched and how many of them left the house."""
    lots: dict[str, bool] = {}

    def walk(node: Node) -> None:
        if node.kind == "lot":
            lots[node.name] = any(child.kind == "shipment" for child in node.children)
        for child in node.children:
            walk(child)

    for node in nodes:
        walk(node)
    if not lots:
        return ("No lot was touched.",)
    return (f"{len(lots)} lots touched, {sum(lots.values())} of them left the house.",)
