"""`calc optics`, `energy`, `pair`, `melt` and `heat`: the weld itself. Estimates are marked as such."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, command, family, num
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError

app = family()
SHORT = 120
"""Characters of a source that still stands in the text."""
NO_LASER = "This program neither controls nor interlocks a laser."
Transmission = Annotated[
    float | None,
    num("Transmission of the upper part in %, measured at the joint position.", "--transmission"),
]
Upper = Annotated[str, typer.Option("--upper", help="Upper, transmissive grade, as PA6-GF30.")]
Lower = Annotated[str, typer.Option("--lower", help="Lower, absorbing grade.")]


@command(app, "optics")
def optics(
    source: Source,
    transmission: Transmission = None,
    thickness: Annotated[float | None, num("Thickness of that reading in mm.", "--thickness")] = None,
    reflection: Annotated[float | None, num("Reflection of one face in % (4).", "--reflection")] = None,
    index: Annotated[float | None, num("Refractive index, in place of --reflection.", "--index")] = None,
    at: Annotated[float | None, num("Thickness in mm to estimate the transmission at.", "--at")] = None,
    tolerance: Annotated[float | None, num("Thickness tolerance -+ in mm.", "--tolerance")] = None,
    multiple: Annotated[
        bool, typer.Option("--multiple", help="Count light reflected to and fro inside.")
    ] = False,
    thickness_column: Annotated[
        str | None,
        typer.Option(
            "--thickness-column", help="Several thicknesses: fit; --column holds the transmissions."
        ),
    ] = None,
    power: Annotated[
        float | None, num("Reference power in W: power that keeps the joint energy.", "--power")
    ] = None,
    transmission_now: Annotated[
        float | None, num("Transmission now in %, with --power.", "--transmission-now")
    ] = None,
    max_power: Annotated[float | None, num("Largest power of the recipe in W.", "--max-power")] = None,
    level: Level = 0.95,
) -> Answer:
    """Transmission of the upper part, T = (1 - R)² exp(-A d).

    JSON: extinction_per_mm, reflection, transmission_pct (at --at), at_mm, trusted; with several thicknesses
    extinction_low, extinction_high, surface_share, surface_low, surface_high, residual_sd, n, transmission_low,
    transmission_high; tolerance_low_pct, tolerance_high_pct, relative_per_mm; power_w, wanted_power_w, clipped.
    """
    from qualrec.weld import optics as op

    if index is not None and reflection is not None:
        raise UsageError("Both --index and --reflection are given.", "Give one of them.")
    r = op.DEFAULT_REFLECTION if reflection is None else reflection / 100.0
    if index is not None:
        r = op.fresnel_reflection(index)
    answer = Answer("Transmission of the upper part", "Beer-Lambert law and Fresnel reflection (textbook)")
    if thickness_column is not None:
        figures, _ = source.table([source.columns[0] if source.columns else "", thickness_column])
        measured, depths = list(figures.values())
        return _fit(answer, depths, measured, at, level)
    if source.given:
        raise UsageError(
            "Values need their thicknesses.", "Give --thickness-column, or --transmission and --thickness."
        )
    if power is not None:
        return _power(answer, power, transmission, transmission_now, max_power)
    answer.add(
        "reflection", r, "reflection of a face", "R = ((n - 1)/(n + 1))²" if index is not None else "R"
    )
    if transmission is None or thickness is None:
        if index is not None and transmission is None and thickness is None:
            return answer
        raise UsageError("A reading lacks.", "Give --transmission in % and --thickness in mm.")
    a = op.extinction(transmission, thickness, r, multiple=multiple)
    how = f"A = -ln(T/(1 - R)²)/d = -ln({transmission / 100:g}/{(1 - r) ** 2:.4f})/{thickness:g} per mm"
    answer.add("extinction_per_mm", a, "extinction", how)
    answer.data |= {"measured_pct": transmission, "thickness_mm": thickness}
    if at is not None:
        p = op.predict_transmission(transmission, thickness, at, r, multiple=multiple)
        answer.add(
            "transmission_pct", p.transmission_pct, f"transmission at {at:g} mm", "100 (1 - R)² exp(-A d) %"
        )
        answer.data |= {"at_mm": at, "trusted": p.trusted}
        answer.notes += [p.caution] if p.caution else []
    if tolerance is not None:
        t = op.transmission_tolerance(transmission, thickness, tolerance, r)
        answer.data |= {"tolerance_low_pct": t.low_pct, "tolerance_high_pct": t.high_pct}
        shown = answer.both(t.low_pct, t.high_pct, "g") + " %"
        answer.lines.append((f"with {thickness:g} -+ {tolerance:g} mm", shown, ""))
        answer.add("relative_per_mm", t.relative_per_mm, "relative change per mm", "dT/T = -A dd")
    return answer


def _fit(
    answer: Answer, depths: list[float], measured: list[float], at: float | None, level: float
) -> Answer:
    from qualrec.weld.optics import fit_extinction

    f = fit_extinction(depths, measured, level)
    answer.add("n", f.n, "readings", f"{f.thicknesses} thicknesses, {f.low_mm:g} to {f.high_mm:g} mm")
    answer.add("extinction_per_mm", f.extinction, "extinction", "slope of ln T over d, per mm")
    answer.interval("extinction", f.extinction_interval, "its interval", "g")
    answer.add("surface_share", f.surface_share, "share past the faces", "K in T = K exp(-A d)")
    answer.interval("surface", f.surface_interval, "its interval", "g")
    answer.add("residual_sd", f.residual_sd, "scatter of ln T")
    if at is not None:
        p = f.predict(at, level)
        answer.add("transmission_pct", p.transmission_pct, f"transmission at {at:g} mm", "%")
        answer.data |= {"at_mm": at, "trusted": p.trusted}
        if p.interval_pct is not None:
            answer.interval("transmission", p.interval_pct, "its interval", "g")
        answer.notes += [p.caution] if p.caution else []
    answer.notes += f.notes
    return answer


def _power(
    answer: Answer, power: float, reference: float | None, now: float | None, most: float | None
) -> Answer:
    from qualrec.weld.optics import power_for_joint_energy

    if reference is None or now is None or most is None:
        raise UsageError(
            "Power advice lacks figures.", "Give --power, --transmission, --transmission-now and --max-power."
        )
    found = power_for_joint_energy(power, reference, now, max_power_w=most)
    answer.title = "Power that keeps the energy at the joint"
    answer.add("power_w", found.power_w, "power", f"W; {power:g} x {reference:g} / {now:g}")
    answer.add("wanted_power_w", found.wanted_power_w, "before clipping", "W")
    answer.add("clipped", found.clipped, "clipped")
    answer.add("joint_energy_share", found.joint_energy_share, "joint energy then", "of the reference", "%")
    answer.notes += [found.text, NO_LASER]
    return answer


ENERGY_KEYS = {
    "laser_time": "laser_time_s",
    "passes": "passes",
    "line_per_pass": "line_energy_per_pass_j_per_mm",
    "line_total": "line_energy_j_per_mm",
    "areal_incident": "areal_energy_j_per_mm2",
    "line_joint": "joint_line_energy_j_per_mm",
    "areal_joint": "joint_energy_j_per_mm2",
    "revisit_time": "revisit_time_s",
    "energy_total": "energy_total_j",
    "dwell_time": "dwell_time_s",
    "joint_pressure": "joint_pressure_mpa",
    "intensity": "intensity_w_per_mm2",
    "intensity_joint": "joint_intensity_w_per_mm2",
    "areal_per_pass": "areal_energy_per_sweep_j_per_mm2",
}
"""JSON key of a figure of the energy budget; any other keeps its name."""


@command(app, "energy", data=False)
def energy(
    process: Annotated[
        str, typer.Option("--process", help="contour, simultaneous, quasi-simultaneous or mask.")
    ],
    power: Annotated[float | None, num("Laser power at the part, W.", "--power")] = None,
    speed: Annotated[float | None, num("Speed, mm/s.", "--speed")] = None,
    length: Annotated[float | None, num("Seam length, mm.", "--length")] = None,
    width: Annotated[float | None, num("Seam width, mm.", "--width")] = None,
    passes: Annotated[float | None, num("Passes (mask: sweeps).", "--passes")] = None,
    time: Annotated[float | None, num("Laser time, s.", "--time")] = None,
    area: Annotated[float | None, num("Seam area, mm² (simultaneous).", "--area")] = None,
    spot: Annotated[float | None, num("Spot diameter, mm.", "--spot")] = None,
    line_length: Annotated[float | None, num("Length of the laser line, mm (mask).", "--line-length")] = None,
    line_thickness: Annotated[
        float | None, num("Thickness of that line, mm (mask).", "--line-thickness")
    ] = None,
    sweep_length: Annotated[float | None, num("Length of a sweep, mm (mask).", "--sweep-length")] = None,
    clamp_force: Annotated[float | None, num("Clamp force, N.", "--clamp-force")] = None,
    clamp_area: Annotated[float | None, num("Clamped area, mm².", "--clamp-area")] = None,
    set_path: Annotated[float | None, num("Set path, mm.", "--set-path")] = None,
    hold_time: Annotated[float | None, num("Hold time, s.", "--hold-time")] = None,
    wavelength: Annotated[float | None, num("Wavelength, nm.", "--wavelength")] = None,
    transmission: Transmission = None,
    transmission_sd: Annotated[
        float | None, num("Standard deviation of the transmission, percentage points.", "--transmission-sd")
    ] = None,
) -> Answer:
    """Energies, times, pressure and intensity of one weld, each with its formula.

    JSON: process, laser_time_s, passes, line_energy_per_pass_j_per_mm, line_energy_j_per_mm, areal_energy_j_per_mm2,
    joint_energy_j_per_mm2, joint_line_energy_j_per_mm, revisit_time_s, energy_total_j and, where the settings allow,
    dwell_time_s, joint_pressure_mpa, intensity_w_per_mm2; …_sd from --transmission-sd; figures [{name, value, unit,
    formula, working}].
    """
    from qualrec.weld.energy import energy_budget

    given = {
        "power": power,
        "speed": speed,
        "seam_length": length,
        "seam_width": width,
        "passes": passes,
        "laser_time": time,
        "seam_area": area,
        "spot_diameter": spot,
        "line_length": line_length,
        "line_thickness": line_thickness,
        "sweep_length": sweep_length,
        "clamp_force": clamp_force,
        "clamp_area": clamp_area,
        "set_path": set_path,
        "hold_time": hold_time,
        "wavelength": wavelength,
    }
    settings = {k: v for k, v in given.items() if v is not None}
    found = energy_budget(process, settings, transmission, transmission_sd)
    answer = Answer(f"Energy, {found.process.value} welding", "textbook definitions; common practice")
    answer.data |= {"process": found.process.value, "transmission_pct": transmission, "settings": settings}
    for f in found.figures:
        key = ENERGY_KEYS.get(f.name, f.name)
        spread = "" if f.sd is None else f" (sd {f.sd:.3g})"
        answer.data[key] = f.value
        if f.sd is not None:
            answer.data[f"{key}_sd"] = f.sd
        answer.lines.append(
            (f.label, f"{f.value:.4g} {'' if f.unit == 'count' else f.unit}{spread}".strip(), f.working)
        )
    keys = ("name", "label", "value", "unit", "formula", "working", "sd")
    answer.data["figures"] = [{k: getattr(f, k) for k in keys} for f in found.figures]
    if transmission is None:
        answer.notes.append("No transmission given: no figures at the joint.")
    answer.notes += [*found.notes, "Estimates: prove the recipe by a window study and sections.", NO_LASER]
    return answer


@command(app, "pair", data=False)
def pair(
    upper: Upper,
    lower: Lower,
    transmission: Transmission = None,
    absorbs: Annotated[
        bool | None, typer.Option("--absorbs/--clear", help="Does the lower part absorb?")
    ] = None,
    moisture: Annotated[
        str, typer.Option("--moisture", help="Moisture state of a polyamide part.")
    ] = "unknown",
) -> Answer:
    """Check of a material pair: published rating, melt ranges, polarity, optics, moisture, standards.

    JSON: upper, lower, rating, melt_overlap_k, findings [{topic, level, text, source, how_obtained}].
    """
    from qualrec.weld.pairs import check_pair

    found = check_pair(
        upper, lower, upper_transmission_pct=transmission, lower_absorbs=absorbs, moisture=moisture
    )
    answer = Answer(
        f"Pair: {found.upper.name} on {found.lower.name}", "packaged tables; the source stands in each row"
    )
    answer.data |= {"upper": found.upper.name, "lower": found.lower.name}
    answer.add("rating", found.rating.value, "published rating")
    answer.add("melt_overlap_k", found.melt_overlap_k, "overlap of melt ranges", "K; below 0: a gap")
    keys = ("topic", "level", "text", "source", "how_obtained")
    answer.data["findings"] = [{k: getattr(f, k) for k in keys} for f in found.findings]
    answer.notes += [
        f"{f.topic} ({f.level.value}): {f.text} [{f.source}; {f.how_obtained}]" for f in found.findings
    ]
    answer.notes.append("Typical values never are acceptance limits; measure your own parts.")
    return answer


@command(app, "melt", data=False)
def melt(
    upper: Upper,
    lower: Lower,
    joint_energy: Annotated[float, num("Energy at the joint, J/mm².", "--joint-energy")],
    time: Annotated[
        float | None, num("Heating time in s (contour: dwell time of the spot).", "--time")
    ] = None,
    start: Annotated[float, num("Temperature before welding, °C.", "--start")] = 23.0,
    flux: Annotated[float | None, num("Flux at the joint, W/mm²: surface temperature.", "--flux")] = None,
) -> Answer:
    """Melt budget: what the energy at the joint can melt at most, and how far heat spreads. An estimate.

    JSON: melt_energy_j_per_mm3, melt_depth_max_mm, diffusion_length_mm, surface_rise_k, surface_c.
    """
    from qualrec.weld.energy import ArealEnergy
    from qualrec.weld.melt import melt_data, melt_estimate, surface_temperature_rise

    found = melt_estimate(ArealEnergy(joint_energy), upper, lower, heating_time_s=time, start_c=start)
    answer = Answer(f"Melt budget: {upper} on {lower} (estimate)", f"{found.source}; {found.how_obtained}")
    how = "e = density (cp (T - T0) + dH), the smaller of the two grades; J/mm³"
    answer.add("melt_energy_j_per_mm3", found.melt_energy_j_mm3, "energy to melt", how)
    answer.add(
        "melt_depth_max_mm", found.s_max_mm, "melted thickness at most", f"E / e = {joint_energy:g} / e; mm"
    )
    answer.add("diffusion_length_mm", found.diffusion_length_mm, "heat spreads", "sqrt(4 alpha t), mm")
    if flux is not None:
        if time is None:
            raise UsageError("The surface temperature needs the heating time.", "Give --time.")
        e = [melt_data(g).effusivity for g in (upper, lower)]
        rise = surface_temperature_rise(flux, time, *e)
        answer.add(
            "surface_rise_k", rise, "joint temperature rise", "2 q sqrt(t/pi)/(e1 + e2), K, no melting"
        )
        answer.add("surface_c", start + rise, "joint temperature", "°C")
    answer.notes += found.remarks
    return answer


@command(app, "heat", data=False)
def heat(
    upper: Upper,
    lower: Lower,
    upper_mm: Annotated[float, num("Thickness of the upper part, mm.", "--upper-thickness")],
    lower_mm: Annotated[float, num("Thickness of the lower part, mm.", "--lower-thickness")],
    flux: Annotated[float, num("Flux at the joint, W/mm².", "--flux")],
    heating: Annotated[float, num("Heating time, s.", "--heating")],
    extinction: Annotated[float, num("Extinction of the lower part, 1/mm.", "--extinction")],
    total: Annotated[
        float | None, num("Time until the end, s (heating and twice as much).", "--total")
    ] = None,
    start: Annotated[float, num("Temperature before welding, °C.", "--start")] = 23.0,
    cells: Annotated[int, typer.Option("--cells", help="Cells in each part.")] = 160,
    history: Annotated[bool, typer.Option("--history", help="Also the history at the joint.")] = False,
) -> Answer:
    """Heat flow across the joint in one dimension, heating and cooling. An estimate for understanding.

    JSON: peak_joint_c, hottest_c, melt_upper_mm, melt_lower_mm (deepest), time_above_melt_s, absorbed_j_per_mm2,
    balance_error; with --history time_s, joint_c, melt_upper, melt_lower.
    """
    import numpy as np

    from qualrec.weld.heat import HeatCase, HeatMaterial, solve_heat
    from qualrec.weld.melt import melt_data

    data = [melt_data(g) for g in (upper, lower)]
    top, bottom = (HeatMaterial.from_melt_data(d) for d in data)
    end = 3.0 * heating if total is None else total
    run = solve_heat(
        HeatCase(top, bottom, upper_mm, lower_mm, flux, extinction, heating, end, start, start, cells)
    )
    answer = Answer(
        f"Heat across the joint: {upper} on {lower} (estimate)", "heat equation; packaged material data"
    )
    answer.add("peak_joint_c", run.peak_joint_c, "peak at the joint", "°C")
    answer.add("hottest_c", run.hottest_c, "hottest point", "°C")
    answer.add("melt_upper_mm", run.deepest_upper_mm, "melt depth, upper part", "mm")
    answer.add("melt_lower_mm", run.deepest_lower_mm, "melt depth, lower part", "mm")
    melted = (run.melt_upper_mm > 0) & (run.melt_lower_mm > 0)
    above = float(np.sum(np.diff(run.time_s) * ((melted[1:].astype(float) + melted[:-1]) / 2)))
    answer.add("time_above_melt_s", above, "both parts molten", "s, by trapezoids over the stored times")
    answer.add(
        "absorbed_j_per_mm2",
        run.absorbed_j_mm2,
        "energy absorbed",
        f"flux x time = {flux:g} x {heating:g} J/mm²",
    )
    answer.add("balance_error", run.balance_error, "energy balance", "relative error of the solution")
    if history:
        rows: dict[str, Any] = {"time_s": run.time_s, "joint_c": run.joint_c}
        answer.data |= {**rows, "melt_upper": run.melt_upper_mm, "melt_lower": run.melt_lower_mm}
        step = max(1, run.time_s.size // 20)
        columns = (run.time_s, run.joint_c, run.melt_upper_mm, run.melt_lower_mm)
        answer.table(
            "History",
            ("s", "joint °C", "melt upper mm", "melt lower mm"),
            [
                tuple(f"{v:.4g}" for v in row)
                for row in zip(*(c[::step].tolist() for c in columns), strict=True)
            ],
        )
    limits = [d.decomposition_low_c for d in data]
    if run.hottest_c > min(limits):
        answer.notes.append(
            f"Hotter than the onset of decomposition ({min(limits):g} °C, slow heating in nitrogen)."
        )
    answer.notes.append(run.remark)
    return answer
