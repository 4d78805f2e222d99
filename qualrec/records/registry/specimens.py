"""Parent specimens: a set of unwelded reference specimens that readings hang on."""

from __future__ import annotations

from qualrec.records.ledger import Writer
from qualrec.records.registry import checks


def add_parent_specimens(
    writer: Writer, material_id: int, label: str, *, tested_us: int, count: int, remark: str = ""
) -> int:
    """Add a set of unwelded specimens of a material; returns the subject that its readings hang on."""
    row = {
        "material_id": material_id,
        "label": checks.name(label, "Name of the specimens"),
        "tested_us": checks.moment(tested_us, "Moment of the test"),
        "remark": checks.prose(remark, "Remark"),
        "count": checks.whole(count, "Number of specimens", least=1),
    }
    checks.row(writer, "material", material_id, "material")
    what = f"A set of specimens {row['label']!r}"
    checks.new_name(writer, "parent_specimens", what, plant_id=writer.plant_id, label=row["label"])
    subject = writer.new_subject("parent specimens")
    return writer.insert("parent_specimens", {"id": subject, **row}, act="parent specimens added")
