"""Commands on materials: own grades, polymers and ratings, the pair check of a part, the matrix of pairs."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Source = Annotated[str, typer.Option(help="Where the figures come from, in words.")]
SIGNS = {"good": "good", "limited": "some", "none": "-"}
"""Ratings as they stand in a matrix."""


def add_to(app: typer.Typer) -> None:
    app.command("materials")(list_materials)
    app.command("material")(set_material)
    app.command("polymers")(list_polymers)
    app.command("polymer")(set_polymer)
    app.command("rate-pair")(rate_pair)
    app.command("pair")(check_pair)
    app.command("pairs")(show_matrix)


def fields_of(texts: list[str] | None, what: str) -> dict[str, str]:
    """NAME=VALUE pairs. Raises UsageError."""
    found = {}
    for text in texts or []:
        name, sign, value = text.partition("=")
        if not sign:
            raise UsageError(f"{text!r} is not NAME=VALUE.", f"Write {what} as melt-low=232.")
        found[name.strip()] = value.strip()
    return found


def list_materials(as_json: Json = False) -> None:
    """List materials with polymer, filler, colour, infrared role, absorber and the components made of them."""
    from qualrec.cli.lot_text import figure
    from qualrec.work.materials import materials_page

    with session() as s:
        page = materials_page(s)
        if as_json:
            output.json_out(
                [{"material": m, "components": page.used_by.get(m.code, ())} for m in page.materials]
            )
            return
        output.table(
            ("material", "supplier", "polymer", "filler", "colour", "role", "absorber %", "melt °C", "components"),
            (
                (
                    m.code, m.supplier, m.polymer + ("" if m.polymer in page.book.polymers else " (in no table)"),
                    f"{m.filler} {figure(s, m.filler_pct)} %".strip() if m.filler else "", m.colour, m.infrared_role,
                    figure(s, m.absorber_pct), f"{figure(s, m.melt_low_c)} to {figure(s, m.melt_high_c)}",
                    ", ".join(page.used_by.get(m.code, ())),
                )
                for m in page.materials
            ),
            right=(6,),
        )  # fmt: skip


def set_material(
    code: Annotated[str, typer.Argument(metavar="MATERIAL", help="Code of the grade.")],
    fields: Annotated[
        list[str],
        typer.Argument(
            metavar="NAME=VALUE…",
            help="supplier, polymer, role (transmissive, absorbing), filler, filler-share, colour, absorber, melt-low, "
            "melt-high, surface, drying.",
        ),
    ],
    reason: Annotated[str, typer.Option(help="Why, where a material that is there is changed.")] = "",
) -> None:
    """Add a grade of your own, or change one; what it was stays in the trail."""
    from qualrec.work.materials import set_material as use

    with session() as s:
        output.line(use(s, code, fields_of(fields, "a field"), why=reason))


def list_polymers(
    own: Annotated[bool, typer.Option("--own", help="Only those that this plant added or changed.")] = False,
    as_json: Json = False,
) -> None:
    """List polymers with melt range and surface energy, each with its source; own ones are marked."""
    from qualrec.cli.lot_text import figure
    from qualrec.work.materials import materials_page

    with session() as s:
        book = materials_page(s).book
        rows = [p for p in book.polymers.values() if not own or p.abbreviation in book.own]
        if as_json:
            output.json_out([{"polymer": p, "own": p.abbreviation in book.own} for p in rows])
            return
        output.table(
            ("polymer", "", "", "melt from", "to °C", "surface mN/m", "source"),
            (
                (
                    p.abbreviation, "own" if p.abbreviation in book.own else "",
                    "semicrystalline" if p.semicrystalline else "amorphous", figure(s, p.process_low_c),
                    figure(s, p.process_high_c), figure(s, p.surface_energy_mn_m), p.source[:70],
                )
                for p in rows
            ),
            right=(3, 4, 5),
        )  # fmt: skip


def set_polymer(
    code: Annotated[
        str, typer.Argument(metavar="POLYMER", help="Abbreviation; a packaged one is laid over.")
    ],
    source: Source,
    figures: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="NAME=VALUE…",
            help="melt-low, melt-high, melting, glass (°C), density (kg/m³), heat, enthalpy, surface (mN/m).",
        ),
    ] = None,
    name: Annotated[str, typer.Option(help="Name in words.")] = "",
    like: Annotated[
        str, typer.Option(help="Packaged polymer that it is a kind of; its figures fill the gaps.")
    ] = "",
    crystallinity: Annotated[str | None, typer.Option(help="semicrystalline or amorphous.")] = None,
) -> None:
    """Add or change a polymer of your own, with its source."""
    from qualrec.work.materials import set_polymer as use

    with session() as s:
        given = fields_of(figures, "a figure")
        output.line(use(s, code, given, source=source, name=name, crystallinity=crystallinity, like=like))


def rate_pair(
    upper: Annotated[str, typer.Argument(help="Polymer of the upper part.")],
    lower: Annotated[str, typer.Argument(help="Polymer of the lower part.")],
    rating: Annotated[str, typer.Argument(help="good, limited, or none (no evidence, trial required).")],
    source: Source,
) -> None:
    """Rate a pair of polymers from your own trials; it counts before the packaged rating, both ways round."""
    from qualrec.work.materials import rate_pair as use

    with session() as s:
        output.line(use(s, upper, lower, rating, source=source))


def check_pair(
    part: Annotated[str, typer.Argument(metavar="PART", help="Part number.")],
    moisture: Annotated[
        str, typer.Option(help="Moisture state of a polyamide: dry as moulded, conditioned, wet, unknown.")
    ] = "unknown",
    as_json: Json = False,
) -> None:
    """Check the two materials of a part: rating, melt, light at the joint as measured, absorber, moisture, standards."""
    from qualrec.weld.cautions import cautions_for
    from qualrec.work.materials_pairs import pair_of_part

    with session() as s:
        found = pair_of_part(s, part, moisture=moisture)
    if as_json:
        output.json_out(found)
        return
    check = found.check
    output.line(f"{found.part.number} {found.part.name}: {check.upper.name} on {check.lower.name}")
    output.line(f"  {found.part.upper.material} on {found.part.lower.material}: {check.rating.value}")
    for one in check.findings:
        output.line(f"  {one.topic} ({one.level.value}): {one.text}")
        output.line(f"      source: {one.source} ({one.how_obtained})")
    for caution in cautions_for("pairs", "estimate"):
        output.line(f"  {caution.text}")


def show_matrix(
    polymers: Annotated[
        list[str] | None,
        typer.Argument(metavar="POLYMER…", help="Which; those in use and own ones if left out."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Matrix of pairs, upper part down and lower part across, then the source of each rating."""
    from qualrec.work.materials_pairs import pair_matrix

    with session() as s:
        matrix = pair_matrix(s, polymers or ())
    if as_json:
        output.json_out(matrix)
        return
    names = [p.abbreviation for p in matrix.polymers]
    output.table(
        ("upper", *names),
        [(names[at], *(SIGNS[c.rated.rating] + ("*" if c.rated.own else "") for c in row))
         for at, row in enumerate(matrix.cells)],
    )  # fmt: skip
    output.line("good: reported to weld; some: some grades or reports; -: no published evidence, trial required, which "
                "does not mean impossible; *: rated by this plant")  # fmt: skip
    for row in matrix.cells:
        for c in row:
            if c.rated.rating != "none" or c.rated.own or c.parts:
                parts = f"; welded: {', '.join(c.parts)}" if c.parts else ""
                output.line(f"{c.upper} on {c.lower}: {c.rating.value}{parts}. Source: {c.rated.source}")
