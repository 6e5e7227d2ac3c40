"""One condition's numbers step by step: each input, the equation by name, the source. For an engineer with a pencil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.model.site import Basis
from monitor.physics import blend, capacity, film, fluid, shell
from monitor.physics.film import Air
from monitor.physics.hold import ENDS, hold_constant
from monitor.physics.plant import Plant, outside

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Step:
    """One line: what, its symbol, value in SI with unit, how it follows, where that comes from; `of` a cylinder."""

    name: str
    symbol: str
    value: float
    unit: str
    equation: str
    source: str
    of: str = ""


def steps(plant: Plant, charge_kg: ArrayLike, air: Air, demand_w: float, basis: Basis) -> list[Step]:
    """Every step from one condition (scalars in `air`, charges (n,)) to capacity, level needed and hold time.

    Each value is computed here from the ones above it; the last steps repeat what the product's own functions answer,
    and a test holds the two together.
    """
    charge = np.asarray(charge_kg, dtype=np.float64)
    out = _floor(plant, basis)
    total = 0.0
    for i in plant.feeding:
        lines, watts = _cylinder(plant, int(i), float(charge[i]), air, basis)
        out += lines
        total += watts
    answers = _answers(plant, charge, air, demand_w, basis, total)
    return out + _store(plant, charge, air, basis) + answers


def _floor(plant: Plant, basis: Basis) -> list[Step]:
    gauge, absolute = plant.floor_gauge_pa(basis), plant.floor_pa(basis)
    t = plant.floor_k(basis)
    why = "trade charts reckon down to 0 psig" if basis == "chart" else "the regulator's lowest inlet pressure"
    return [
        Step("air pressure at the site", "p_a", plant.air_pressure_pa, "Pa", "from the elevation", "site file"),
        Step("floor, gauge", "p_g", gauge, "Pa", why, "site file" if gauge else "common practice"),
        Step("floor, absolute", "p_f", absolute, "Pa", "p_f = p_g + p_a", ""),
        Step("liquid at the floor", "T_f", t, "K", "p_sat(T_f) = p_f", "Lemmon, McLinden, Wagner 2009"),
        Step("latent heat", "h_fg", float(fluid.latent_j_kg(t)), "J/kg", "at T_f", "Lemmon, McLinden, Wagner 2009"),
        Step("heating value", "H", fluid.HEATING_VALUE_J_KG, "J/kg", "21,548 Btu/lb gross", "NFPA 58"),
    ]  # fmt: skip


def _geometry(plant: Plant, i: int, mass: float, floor: float) -> tuple[list[Step], float]:
    s, name = plant.shells[i], plant.names[i]
    mole = blend.composition(plant.fractions[i], np.array(mass / plant.full_kg[i]))
    rho = float((mole @ fluid.MOLAR_KG_MOL) / blend.liquid_m3_mol(floor, mole))
    volume = min(mass / rho, s.volume_m3)
    height = float(shell.height_at_volume(s, volume))
    wet = float(shell.wetted_at_height(s, height))
    fin = float(shell.fin_at_height(s, height))
    area = wet + fin if mass >= shell.DRY_KG else 0.0
    lines = [
        Step("charge", "m", mass, "kg", "as given", "", name),
        Step(
            "share of full", "m/m_full", mass / plant.full_kg[i], "1", "of the filling limit by mass", "NFPA 58", name
        ),
        Step("inside diameter", "D", s.diameter_m, "m", "outside less twice the wall", "site file", name),
        Step("straight shell", "L", s.straight_m, "m", "(V - pi D^3/12)/(pi D^2/4)", "stamped water capacity", name),
        Step("liquid density", "rho", rho, "kg/m3", "at T_f", "Lemmon, McLinden, Wagner 2009", name),
        Step("liquid volume", "V_l", volume, "m3", "m / rho", "", name),
        Step("liquid height", "h", height, "m", "2:1 heads, depth D/4 each", "geometry", name),
        Step("wetted wall", "A_w", wet, "m2", "below h", "geometry", name),
        Step("fin of dry wall", "A_fin", fin, "m2", "0.051 m along the liquid's edge", "fit to the 100-lb table", name),
        Step("wall that takes heat", "A", area, "m2", "A_w + A_fin", "", name),
    ]
    return lines, area


def _film(plant: Plant, i: int, air: Air, basis: Basis, floor: float) -> tuple[list[Step], float, float]:
    name, t = plant.names[i], float(air.temperature_k())
    if basis != "weather":
        same = Step("film", "U", film.CHART_FILM_W_M2K, "W/m2K", "fixed on this basis", "fit to the 100-lb table", name)
        return [same], film.CHART_FILM_W_M2K, t
    s = plant.shells[i]
    p = film.parts(s, float(plant.outside_m[i]), air, np.array(floor), plant.shelter, plant.air_pressure_pa)
    wind = float(np.nan_to_num(np.asarray(air.wind_m_s, dtype=np.float64)))
    floors = np.full((plant.size,), floor)
    used = outside(plant, air, basis, floors)
    u, seen = float(used.film_w_m2k[i]), float(used.outside_k[i])
    upright = "Churchill and Chu 1975, lying cylinder" if s.horizontal else "Churchill and Chu 1975, upright wall"
    cap = "min(h_c + h_r, 11.9), no more than floor promises"
    if plant.calibration is not None:
        cap = f"(h_c + h_r) x {plant.calibration.used:.3f}, the site's own factor"
    lines = [
        Step("wind at the cylinder", "v", plant.shelter * wind, "m/s", "forecast at 10 m x shelter", "site file", name),
        Step("natural convection", "h_n", float(p.natural), "W/m2K", "wall at T_f", upright, name),
        Step("forced convection", "h_f", float(p.forced), "W/m2K", "crossflow", "Churchill and Bernstein 1977", name),
        Step("convection", "h_c", float(np.cbrt(p.natural**3 + p.forced**3)), "W/m2K", "(h_n^3 + h_f^3)^(1/3)",
             "Churchill 1977", name),
        Step("radiant temperature", "T_r", float(p.radiant_k), "K", "half sky, half at air temperature",
             "Berdahl and Martin 1984", name),
        Step("radiation", "h_r", float(p.radiation), "W/m2K", "0.9 sigma (T_r + T_f)(T_r^2 + T_f^2)",
             "Stefan-Boltzmann", name),
        Step("outside", "T_env", seen, "K", "(h_c T_air + h_r T_r)/(h_c + h_r)", "", name),
        Step("film", "U", u, "W/m2K", cap, "", name),
    ]  # fmt: skip
    return lines, u, seen


def _cylinder(plant: Plant, i: int, mass: float, air: Air, basis: Basis) -> tuple[list[Step], float]:
    floor = float(plant.floors_k(_only(plant, i, mass), basis)[i])
    lines: list[Step] = []
    name = plant.names[i]
    mole = blend.composition(plant.fractions[i], np.array(mass / plant.full_kg[i]))
    if plant.fractions[i, 0] != 1.0:
        how = "Rayleigh: the light part boils off first"
        lines.append(Step("propane left in the liquid", "x", float(mole[0]), "mol/mol", how, "Raoult's law", name))
        lines.append(Step("liquid at the floor", "T_f", floor, "K", "sum x_j p_j(T_f) = p_f", "Raoult's law", name))
    shape, area = _geometry(plant, i, mass, floor)
    outside_lines, u, seen = _film(plant, i, air, basis, floor)
    _, latent, heating = blend.vapour_per_mole(floor, mole)
    heat = u * area * max(seen - floor, 0.0)
    watts = heat * float(heating / latent)
    lines += shape + outside_lines
    lines.append(Step("heat through the wall", "Q", heat, "W", "U A (T_env - T_f)", "", name))
    lines.append(Step("gas it boils off", "q", watts, "W", "Q H / h_fg", "", name))
    return lines, watts


def _only(plant: Plant, i: int, mass: float) -> Array:
    charge = np.zeros(plant.size)
    charge[i] = mass
    return charge


def _store(plant: Plant, charge: Array, air: Air, basis: Basis) -> list[Step]:
    """What liquid and steel can give from rest to the floor: why cooking works where the sustained number says no."""
    seen = outside(plant, air, basis).outside_k
    floors = plant.floors_k(charge, basis)
    capacity_j_k = heat = 0.0
    for i in plant.feeding:
        if charge[i] < shell.DRY_KG:
            continue
        t = 0.5 * (float(seen[i]) + float(floors[i]))
        c = float(charge[i] * fluid.heat_capacity_j_kgk(t) + plant.steel_j_k[i])
        capacity_j_k += c
        heat += c * max(float(seen[i] - floors[i]), 0.0)
    return [
        Step("heat capacity", "C", capacity_j_k, "J/K", "sum m c + steel 470 J/kgK", "common practice for steel"),
        Step("heat from rest to the floor", "E", heat, "J", "sum C (T_env - T_f)", ""),
    ]


def _answers(plant: Plant, charge: Array, air: Air, demand_w: float, basis: Basis, total: float) -> list[Step]:
    level = float(capacity.level_needed(plant, air, demand_w, basis))
    held = hold_constant(plant, charge, air, demand_w, basis)
    latent = float(fluid.latent_j_kg(plant.floor_k(basis)))
    asked = demand_w / fluid.HEATING_VALUE_J_KG * latent
    how = "C dT/dt = sum U A (T_env - T) - mdot h_fg, integrated from rest to the floor, dry, or a day"
    sustained = "the stronger side's" if plant.changeover else "sum of q"
    value = float(capacity.sustained_w(plant, charge, air, basis)) if plant.changeover else total
    return [
        Step("capacity without end", "q_s", value, "W", sustained, "heat balance with the liquid at T_f"),
        Step("demand", "q_d", demand_w, "W", "every appliance at its input", "site file"),
        Step("headroom", "q_s - q_d", value - demand_w, "W", "", ""),
        Step("heat the demand takes", "Q_d", asked, "W", "q_d h_fg / H", ""),
        Step("level needed", "m/m_full", level, "1", "least share with q_s = q_d, same in every cylinder", ""),
        Step("hold time", "t", float(held.hold_s), "s", how, "ends: " + ENDS[int(held.ends)]
             if int(held.ends) >= 0 else "not known"),
    ]  # fmt: skip
