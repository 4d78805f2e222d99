"""Under which conditions the sample plant measures: gauges, geometry, walls, stop modes. All of it is invented."""

from __future__ import annotations

from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.values import Condition

WALL = {"FM": 1.5, "VB": 2.0, "CU": 2.0, "MC": 1.5}
STOP_MODE = {"FM": "set path", "CU": "set time"}


def stated(writer: Writer, code: str, prefix: str) -> Condition:
    """The condition of a characteristic of the part with that prefix."""

    def gauge(name: str) -> int:
        return lookups.gauge(writer.conn, name).id

    if code == "TRN":
        return Condition(
            gauge_id=gauge("TM-01"),
            geometry="near-contact detector",
            wavelength_nm=980.0,
            thickness_mm=WALL[prefix],
            position="weld track",
        )
    if code == "COL":
        return Condition(gauge_id=gauge("PS-01" if prefix == "FM" else "PS-02"), stop_mode=STOP_MODE[prefix])
    if code == "BURST":
        return Condition(gauge_id=gauge("BP-01"))
    return Condition(stop_mode=STOP_MODE.get(prefix, ""))
