"""The vaporization model once more, scalar: SciPy's `solve_ivp` (LSODA, rtol 1e-8) on CoolProp's own properties.

It shares no code with `monitor.physics`. Pure propane on an open manifold is integrated as the two equations of the
model say. Blends and check valves are integrated in another form than the product's: each cylinder is joined to the
manifold by a stiff flow resistance, F = G (P_i - P), with G so large that the pressures agree to a few pascals.
"""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass, field
from typing import Any

import CoolProp.CoolProp as CP
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from tests.reference import second_reading as second

Array = NDArray[np.float64]
NAMES = ("Propane", "n-Butane", "IsoButane", "Propylene")
GROSS_J_KG = np.array([21_548 * 2_326.0, 21_221 * 2_326.0, 49.37e6, 48.91e6])
DRY_KG = 1e-3
CONDUCTANCE = 3e-3  # mol/s per Pa
HOUR = 3600.0
STIFF, STIFF_RTOL = "BDF", 1e-7


@functools.cache
def _state(j: int) -> Any:
    return CP.AbstractState("HEOS", NAMES[j])


@functools.cache
def molar_kg(j: int) -> float:
    return float(_state(j).molar_mass())


@dataclass(slots=True)
class Sat:
    """One component at saturation: pressure, liquid density, heat capacity, latent heat (per kg)."""

    p: float
    rho: float
    c: float
    latent: float


def sat(t_k: float, j: int = 0) -> Sat:
    a = _state(j)
    a.update(CP.QT_INPUTS, 0.0, t_k)
    h = a.hmass()
    return Sat(a.p(), a.rhomass(), a.cpmass(), a.saturated_vapor_keyed_output(CP.iHmass) - h)


@dataclass
class Lying:
    """A horizontal tank: 2:1 heads, volume and wetted wall by numerical integration over the height."""

    water_capacity_kg: float
    outside_diameter_m: float
    tare_kg: float
    wall_m: float = 0.003

    def __post_init__(self) -> None:
        self.r = self.outside_diameter_m / 2 - self.wall_m
        self.d = 2 * self.r
        self.b = self.r / 2
        self.volume = self.water_capacity_kg / second.WATER_60F_KG_M3
        self.straight = (self.volume - 4 / 3 * math.pi * self.r**2 * self.b) / (math.pi * self.r**2)

    def section(self, z: float) -> float:
        """Area of the liquid's surface at height z."""
        half = math.sqrt(max(0.0, z * (2 * self.r - z)))
        return 2 * half * self.straight + math.pi * half * half * self.b / self.r

    def wet_rate(self, z: float) -> float:
        """d(wall)/d(angle) with z = r (1 - cos angle): straight shell, and the spheroid's band at that height."""
        angle = math.acos(max(-1.0, min(1.0, 1 - z / self.r)))
        shell = 2 * self.r * self.straight
        s, c = self.r * math.sin(angle), self.r * math.cos(angle)
        # the band of the spheroid y^2/b^2 + x^2/r^2 + c^2/r^2 = 1 between two heights: its outline is an ellipse

        def band(u: float) -> float:
            x, y = s * math.cos(u), s * self.b / self.r * math.sin(u)
            gradient = math.sqrt((x / self.r**2) ** 2 + (y / self.b**2) ** 2 + (c / self.r**2) ** 2)
            across = math.sqrt((x / self.r**2) ** 2 + (y / self.b**2) ** 2)
            along = math.hypot(s * math.sin(u), s * self.b / self.r * math.cos(u))
            return along * gradient / max(across, 1e-300) if s > 0 else 0.0

        return float(shell + s * 4 * quad(band, 0, math.pi / 2)[0])

    @functools.cached_property
    def table(self) -> tuple[Array, Array]:
        angle = np.linspace(0, math.pi, 401)
        z = self.r * (1 - np.cos(angle))
        vol = [0.0]
        wet = [0.0]
        for a, b in itertools.pairwise(angle):
            x, w = np.polynomial.legendre.leggauss(5)
            at = 0.5 * (b - a) * x + 0.5 * (a + b)
            zz = self.r * (1 - np.cos(at))
            speed = self.r * np.sin(at)
            vol.append(vol[-1] + 0.5 * (b - a) * sum(w * [self.section(h) * v for h, v in zip(zz, speed, strict=True)]))
            wet.append(wet[-1] + 0.5 * (b - a) * sum(w * [self.wet_rate(h) for h in zz]))
        self.heights = z
        return np.array(vol), np.array(wet)

    def wall_with_fin(self, volume: float) -> float:
        """Wetted wall and 0.051 m along the surface's outline (two straights and an ellipse)."""
        vols, wets = self.table
        v = min(max(volume, 0.0), self.volume)
        z = float(np.interp(v, vols, self.heights))
        half = math.sqrt(max(z * (self.d - z), 0.0))
        minor = half * self.b / self.r
        ellipse = 4 * quad(lambda u: math.hypot(half * math.sin(u), minor * math.cos(u)), 0, math.pi / 2)[0]
        straight = 2 * self.straight * min(half / (0.05 * self.r), 1.0)
        return float(np.interp(v, vols, wets) + (ellipse + straight) * second.FIN_M)

    @functools.cached_property
    def fin_table(self) -> tuple[Array, Array]:
        vols, _ = self.table
        return vols, np.array([self.wall_with_fin(float(v)) for v in vols])

    def effective_at(self, volume: float) -> float:
        vols, areas = self.fin_table
        return float(np.interp(volume, vols, areas))


class Standing(second.Vertical):
    """The second reading's upright cylinder, by liquid volume."""

    def effective_at(self, volume: float) -> float:
        vols, areas = self.table
        return float(np.interp(volume, vols, areas)) + math.pi * self.d * second.FIN_M


@functools.lru_cache(maxsize=256)
def shell_of(wc: float, od: float, tare: float, wall: float, shape: str) -> Any:
    return (Lying if shape == "horizontal" else Standing)(wc, od, tare, wall)


def film(
    shell: Any, air: float, wall: float, wind: float, sky: float, dew: float, pressure: float
) -> tuple[float, float]:
    """Capped weather film and outside temperature. Sky: Berdahl and Martin 1984. Upright cylinders only."""
    scale = pressure / 101_325.0
    n = natural_at(shell.straight, air, wall, scale)
    f = forced_at(shell.outside_diameter_m, air, wall, 0.3 * wind, scale)
    hc = (n**3 + f**3) ** (1 / 3)
    td = max((dew - 273.15) / 100, -0.3836)
    clear = 0.711 + 0.56 * td + 0.73 * td * td
    emissivity = 1 - sky * (1 - clear)
    tr = air * ((1 + emissivity) / 2) ** 0.25
    hr = 0.9 * second.STEFAN_BOLTZMANN * (tr + wall) * (tr**2 + wall**2)
    return min(hc + hr, 11.9), (hc * air + hr * tr) / (hc + hr)


def _air(film_k: float, scale: float) -> tuple[float, float, float, float]:
    a = CP.PropsSI
    p = 101_325.0 * scale
    k, mu = a("L", "T", film_k, "P", p, "Air"), a("V", "T", film_k, "P", p, "Air")
    return k, mu, a("C", "T", film_k, "P", p, "Air") * mu / k, a("D", "T", film_k, "P", p, "Air")


def natural_at(height: float, air: float, wall: float, scale: float) -> float:
    k, mu, pr, rho = _air((air + wall) / 2, scale)
    ra = 9.80665 / ((air + wall) / 2) * abs(air - wall) * height**3 * (rho / mu) ** 2 * pr
    return float((0.825 + 0.387 * ra ** (1 / 6) / (1 + (0.492 / pr) ** (9 / 16)) ** (8 / 27)) ** 2 * k / height)


def forced_at(across: float, air: float, wall: float, wind: float, scale: float) -> float:
    if wind <= 0:
        return 0.0
    k, mu, pr, rho = _air((air + wall) / 2, scale)
    re = wind * across * rho / mu
    low = 0.62 * re**0.5 * pr ** (1 / 3) / (1 + (0.4 / pr) ** (2 / 3)) ** 0.25
    return float((0.3 + low * (1 + (re / 282_000) ** (5 / 8)) ** 0.8) * k / across)


def boiling_k(p: float, x: Array) -> float:
    """Bubble point by Raoult's law."""
    return float(brentq(lambda t: sum(x[j] * sat(t, j).p for j in range(4) if x[j] > 0) - p, 190.0, 330.0, xtol=1e-10))


def left_over(filled: Array, share: float) -> Array:
    """Rayleigh at 265 K: composition when `share` of the mass is left, by integration in small steps of moles."""
    p = np.array([sat(265.0, j).p for j in range(4)])
    m = np.array([molar_kg(j) for j in range(4)])
    start = filled / (filled @ m)  # moles in 1 kg

    def slope(_s: float, n: Array) -> Array:
        y = n * p
        return np.asarray(-y / (y @ m))  # one kg leaves per unit

    end = 1.0 - min(share, 1.0)
    n = solve_ivp(slope, (0, end), start, rtol=1e-9, atol=1e-12).y[:, -1] if end > 0 else start
    return np.asarray(n / n.sum())


@dataclass
class Cyl:
    """One cylinder of a case in the middle of a run."""

    shell: Any
    steel: float
    reserve: bool
    t: float
    n: Array  # moles (4,)
    film: list[float] = field(default_factory=list)
    seen: list[float] = field(default_factory=list)

    def mass(self) -> float:
        return float(sum(self.n[j] * molar_kg(j) for j in range(4)))


def build(case: dict[str, Any]) -> list[Cyl]:
    """Cylinders of a case with their outside by the hour."""
    floor_pa = case["air_pa"] + (0.0 if case["basis"] == "chart" else case["inlet_pa"])
    cylinders = []
    for i, c in enumerate(case["cylinders"]):
        shell = shell_of(c["wc"], c["od"], c["tare"], c["wall"], c["shape"])
        filled = np.array(c["gas"])
        x = left_over(filled, c["share"]) if np.count_nonzero(filled) > 1 else filled
        mass = c["share"] * 0.42 * c["wc"]
        n = mass / sum(x[j] * molar_kg(j) for j in range(4)) * x
        one = Cyl(shell, c["tare"] * second.STEEL_J_KGK, c["side"] == "reserve", case["start_k"][i], n)
        wall = boiling_k(floor_pa, x)
        for air, wind, sky, dew in zip(case["air"], case["wind"], case["sky"], case["dew"], strict=True):
            u, seen = 11.9, air
            if case["basis"] == "weather":
                u, seen = film(shell, air, wall, wind, sky, dew, case["air_pa"])
            one.film.append(u)
            one.seen.append(seen)
        cylinders.append(one)
    return cylinders


class Group:
    """Cylinders that feed together, integrated from one time to another."""

    def __init__(self, cylinders: list[Cyl], case: dict[str, Any]) -> None:
        self.c, self.case = cylinders, case
        pure = all(c["gas"][0] == 1.0 for c in case["cylinders"])
        self.together = pure and not case["check"]
        self.parts = [j for j in range(4) if any(c.n[j] > 0 for c in cylinders)]

    def live(self) -> list[Cyl]:
        return [c for c in self.c if c.mass() > DRY_KG * (1 + 1e-6)]

    def pressure(self) -> float:
        """With nothing drawn."""
        each = [self._p(c.t, c.n) for c in self.live()]
        return max(each) if each else 0.0

    def _p(self, t: float, n: Array) -> float:
        total = n.sum()
        return float(sum(n[j] / total * sat(t, j).p for j in self.parts if n[j] > 0))

    def run(self, a: float, b: float, demand: float, floor_pa: float, slide: bool) -> tuple[float, str]:
        """From a to b (s); returns when and why it ended: "pressure", "fuel" or "time"."""
        now = a
        while now < b - 1e-9:
            if not self.live():
                return now, "fuel"
            hour = min(int((now + 1e-7) // HOUR), len(self.case["air"]) - 1)
            end = min(b, (math.floor((now + 1e-7) / HOUR) + 1) * HOUR)
            step = self._together if self.together else self._apart
            now, why = step(now, end, hour, demand, floor_pa, slide)
            if why == "pressure":
                return now, why
        return (now, "time") if self.live() else (now, "fuel")

    def _together(
        self, a: float, b: float, hour: int, demand: float, floor_pa: float, slide: bool
    ) -> tuple[float, str]:
        live = self.live()
        draw = demand / GROSS_J_KG[0]
        floor = float(CP.PropsSI("T", "P", floor_pa, "Q", 0, "Propane")) if floor_pa > 0 else 0.0
        m0 = molar_kg(0)

        def slope(_time: float, y: Array) -> list[float]:
            t = float(y[0])
            s = sat(t)
            ua = [c.film[hour] * c.shell.effective_at(max(m, 0.0) / s.rho) for c, m in zip(live, y[1:], strict=True)]
            q = [u * (c.seen[hour] - t) for u, c in zip(ua, live, strict=True)]
            heat = [max(m, 0.0) * s.c + c.steel for c, m in zip(live, y[1:], strict=True)]
            w = draw * min(max((t - floor) / 1e-4, 0.0), 1.0) if slide else draw
            dt = (sum(q) - w * s.latent) / sum(heat)
            return [dt] + [-(qi - hi * dt) / s.latent for qi, hi in zip(q, heat, strict=True)]

        def cold(_time: float, y: Array) -> float:
            return float(y[0] - floor)

        def dry(_time: float, y: Array) -> float:
            return float(min(y[1:]) - DRY_KG)

        dry.terminal = True  # type: ignore[attr-defined]
        dry.direction = -1  # type: ignore[attr-defined]
        cold.terminal = True  # type: ignore[attr-defined]
        cold.direction = -1  # type: ignore[attr-defined]
        heat0 = [c.mass() * sat(c.t).c + c.steel for c in live]
        t0 = sum(h * c.t for h, c in zip(heat0, live, strict=True)) / sum(heat0)
        if not slide and t0 <= floor:
            return a, "pressure"
        events = [dry] if slide else [dry, cold]
        done = solve_ivp(
            slope, (a, b), [t0, *(c.mass() for c in live)], method="LSODA", rtol=1e-8, atol=1e-9, events=events
        )
        for c, m in zip(live, done.y[1:, -1], strict=True):
            c.n = np.array([max(m, 0.0) / m0, 0.0, 0.0, 0.0])
        for c in self.c:
            c.t = float(done.y[0, -1])
        if not slide and done.t_events[1].size:
            return float(done.t[-1]), "pressure"
        self._drop(live, bool(done.t_events[0].size))
        return float(done.t[-1]), "time"

    @staticmethod
    def _drop(live: list[Cyl], ran_dry: bool) -> None:
        """The cylinder that ran dry in this run is set to exactly 1 g, which no longer counts as live."""
        if ran_dry:
            lowest = min(live, key=lambda c: c.mass())
            lowest.n = lowest.n / lowest.n.sum() * (DRY_KG * lowest.n.sum() / lowest.mass())

    def level(self, p: list[float], demand: float, gross: list[float], floor_pa: float, slide: bool) -> float:
        """Manifold pressure (Pa) at which the flows give the demand."""
        check = self.case["check"]
        high = max(p)
        idle = high if check else sum(p) / len(p)
        level = idle
        # the vapour's heating value depends on who feeds, and hardly on the level: a few turns settle it
        mean_gross = sum(gross) / len(gross)
        for _ in range(12 if demand > 0 else 0):
            before = level
            level = self._at_power(p, demand / mean_gross)
            out = [max(q - level, 0.0) for q in p]
            mean_gross = sum(f * g for f, g in zip(out, gross, strict=True)) / sum(out)
            if abs(level - before) < 1e-7:
                break
        if slide and demand > 0 and level < floor_pa:
            level = min(floor_pa, max(idle, level))
        return level

    def _at_power(self, p: list[float], moles: float) -> float:
        """Level at which the flows add up to `moles` per second; behind check valves only those above it flow."""
        if not self.case["check"]:
            return sum(p) / len(p) - moles / (CONDUCTANCE * len(p))
        ranked = sorted(p, reverse=True)
        level = ranked[0]
        for count in range(1, len(ranked) + 1):
            level = sum(ranked[:count]) / count - moles / (CONDUCTANCE * count)
            if count == len(ranked) or level >= ranked[count]:
                break
        return level

    def _flows(self, ts: Array, ns: Array, demand: float, floor_pa: float, slide: bool) -> tuple[Any, ...]:
        """Properties, partial pressures, composition out, manifold pressure and flows."""
        props = [{j: sat(float(t), j) for j in self.parts} for t in ts]
        partial = [{j: max(n[j], 0.0) / n.sum() * s[j].p for j in self.parts} for s, n in zip(props, ns, strict=True)]
        p = [sum(q.values()) for q in partial]
        y = [{j: q[j] / pi for j in self.parts} for q, pi in zip(partial, p, strict=True)]
        gross = [sum(yi[j] * molar_kg(j) * GROSS_J_KG[j] for j in self.parts) for yi in y]
        level = self.level(p, demand, gross, floor_pa, slide)
        flow = [CONDUCTANCE * (q - level) for q in p]
        if self.case["check"]:
            flow = [max(f, 0.0) for f in flow]
        total = sum(max(f, 0.0) for f in flow)
        mixed = {
            j: sum(max(f, 0.0) * yi[j] for f, yi in zip(flow, y, strict=True)) / total if total > 0 else 0.0
            for j in self.parts
        }
        carried = [yi if f >= 0 else mixed for f, yi in zip(flow, y, strict=True)]
        return props, level, flow, carried

    def _apart(self, a: float, b: float, hour: int, demand: float, floor_pa: float, slide: bool) -> tuple[float, str]:
        live = self.live()
        k = len(live)

        def unpack(state: Array) -> tuple[Array, Array]:
            ns = np.zeros((k, 4))
            ns[:, self.parts] = np.maximum(state[k:].reshape(k, -1), 1e-12)
            return state[:k], ns

        def slope(_time: float, state: Array) -> Array:
            ts, ns = unpack(state)
            props, _, flow, carried = self._flows(ts, ns, demand, floor_pa, slide)
            out_t, out_n = np.empty(k), np.empty((k, len(self.parts)))
            for i, c in enumerate(live):
                s = props[i]
                volume = sum(ns[i, j] * molar_kg(j) / s[j].rho for j in self.parts)
                heat = sum(ns[i, j] * molar_kg(j) * s[j].c for j in self.parts) + c.steel
                latent = sum(carried[i][j] * molar_kg(j) * s[j].latent for j in self.parts)
                gain = c.film[hour] * c.shell.effective_at(volume) * (c.seen[hour] - ts[i])
                out_t[i] = (gain - flow[i] * latent) / heat
                out_n[i] = [-flow[i] * carried[i][j] for j in self.parts]
            return np.concatenate([out_t, out_n.ravel()])

        masses = np.array([molar_kg(j) for j in self.parts])

        def dry(_time: float, state: Array) -> float:
            return float((state[k:].reshape(k, -1) @ masses).min() - DRY_KG)

        def cold(_time: float, state: Array) -> float:
            return float(self._flows(*unpack(state), demand, floor_pa, slide)[1] - floor_pa)

        for event in (dry, cold):
            event.terminal = True  # type: ignore[attr-defined]
            event.direction = -1  # type: ignore[attr-defined]
        start = np.concatenate([[c.t for c in live], np.array([c.n[self.parts] for c in live]).ravel()])
        if not slide and cold(a, start) <= 0.0 and (self.case["check"] or self._settled(slope, a, start, cold) <= 0.0):
            return a, "pressure"
        events = [dry] if slide else [dry, cold]
        done = solve_ivp(slope, (a, b), start, method=STIFF, rtol=STIFF_RTOL, atol=STIFF_RTOL / 10, events=events)
        ts, ns = unpack(done.y[:, -1])
        for c, t, n in zip(live, ts, ns, strict=True):
            c.t, c.n = float(t), np.array(n)
        self.last = self._flows(ts, ns, demand, floor_pa, slide)[1]
        if not slide and done.t_events[1].size:
            return float(done.t[-1]), "pressure"
        self._drop(live, bool(done.t_events[0].size))
        return float(done.t[-1]), "time"

    @staticmethod
    def _settled(slope: Any, a: float, start: Array, cold: Any) -> float:
        """Pressure above the floor after five seconds, in which cylinders of unlike pressure even out."""
        done = solve_ivp(slope, (a, a + 5.0), start, method=STIFF, rtol=STIFF_RTOL, atol=STIFF_RTOL / 10)
        return float(cold(a, done.y[:, -1]))

    def at_regulator(self, demand: float, floor_pa: float) -> float:
        """Pressure (Pa absolute) as drawn upon."""
        live = self.live()
        if not live:
            return 0.0
        if self.together:
            return sat(live[0].t).p
        ts, ns = np.array([c.t for c in live]), np.array([c.n for c in live])
        return float(self._flows(ts, ns, demand, floor_pa, demand > 0)[1])


def hold(case: dict[str, Any]) -> dict[str, Any]:
    """Seconds held, how it ended and what is left in each cylinder (kg)."""
    cylinders = build(case)
    floor = case["air_pa"] + (0.0 if case["basis"] == "chart" else case["inlet_pa"])
    limit, demand = case["limit"], case["demand"]
    if not case["changeover"]:
        when, why = Group(cylinders, case).run(0.0, limit, demand, floor, False)
    else:
        setting = floor if case["basis"] == "chart" else case["air_pa"] + case["setting_pa"]
        service = Group([c for c in cylinders if not c.reserve], case)
        reserve = Group([c for c in cylinders if c.reserve], case)
        first, _ = service.run(0.0, limit, demand, setting, False)
        reserve.run(0.0, first, 0.0, -1.0, False)
        when, _ = reserve.run(first, limit, demand, floor, False)
        if setting > floor:
            service.run(first, when, 0.0, -1.0, False)
            when, _ = service.run(when, limit, demand, floor, False)
        why = "fuel" if not service.live() and not reserve.live() else "pressure"
    ends = "limit" if when >= limit - 1e-6 else why
    return {"hold_s": when, "ends": ends, "left_kg": [c.mass() for c in cylinders]}


def meal(case: dict[str, Any]) -> dict[str, Any]:
    """Gauge pressure at the regulator every ten minutes through a case's burns (no changeover), and what is left."""
    cylinders = build(case)
    floor = case["air_pa"] + (0.0 if case["basis"] == "chart" else case["inlet_pa"])
    group = Group(cylinders, case)
    end = len(case["air"]) * HOUR
    edges = sorted({0.0, end, *np.arange(0, end, 600.0), *(t for burn in case["burns"] for t in burn[:2])})
    pressures = {}
    for a, b in itertools.pairwise(edges):
        demand = sum(w for s, e, w in case["burns"] if s <= a < e)
        group.run(a, b, demand, floor if demand > 0 else -1.0, demand > 0)
        if demand == 0 and not group.live():
            pressures[b] = 0.0
            continue
        pressures[b] = max(group.at_regulator(demand, floor) - case["air_pa"], 0.0)
    kept = {t: p for t, p in pressures.items() if t % 600.0 == 0.0}
    return {"times_s": list(kept), "pressure_pa": list(kept.values()), "left_kg": [c.mass() for c in cylinders]}
