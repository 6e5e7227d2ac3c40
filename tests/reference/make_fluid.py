"""Fits the correlations in `monitor/physics/coefficients.py` to CoolProp and writes that file again, digit for digit.

    python -m tests.reference.make_fluid            print the file
    python -m tests.reference.make_fluid --write    put it in its place

Sources, as CoolProp carries them: propane, Lemmon, McLinden, Wagner, J. Chem. Eng. Data 54 (2009) 3141; n-butane and
isobutane, Buecker and Wagner, J. Phys. Chem. Ref. Data 35 (2006) 929; propylene, Lemmon et al. (2013); dry air,
transport properties, Lemmon and Jacobsen, Int. J. Thermophys. 25 (2004) 21. Coefficients keep ten digits: the least
squares solution is stable to that between machines.
"""

from __future__ import annotations

import sys
from pathlib import Path

import CoolProp.CoolProp as CP
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
TARGET = Path(__file__).resolve().parents[2] / "monitor" / "physics" / "coefficients.py"
RANGE_K = (200.0, 336.0)
NAMES = {"propane": "Propane", "n_butane": "n-Butane", "isobutane": "IsoButane", "propylene": "Propylene"}
# exponents of (1 - T/Tc); the first form is in ln(p/pc) Tc/T
PRESSURE = (1.0, 1.5, 2.5, 3.5, 4.0)
DENSITY = (0.0, 0.35, 1.0, 2.0, 3.0)
LATENT = (0.35, 0.5, 1.0, 2.0, 3.0, 5.0)
HEAT = (-1.0, 0.0, 1.0, 2.0, 3.0)
SOUND = (0.0, 0.5, 1.0, 2.0, 3.0, 4.0)
AIR_K = (200.0, 340.0)


def saturated(fluid: str, t_k: Array) -> dict[str, Array]:
    """Saturation pressure (Pa) and the liquid's density, latent heat, heat capacity and sound speed, SI."""

    def prop(key: str, quality: int) -> Array:
        return np.array([CP.PropsSI(key, "T", float(t), "Q", quality, NAMES[fluid]) for t in t_k])

    return {
        "pressure": prop("P", 0),
        "density": prop("D", 0),
        "latent": prop("H", 1) - prop("H", 0),
        "heat": prop("C", 0),
        "sound": prop("A", 0),
    }


def _fit(y: Array, columns: list[Array]) -> list[float]:
    """Least squares on relative error."""
    a = np.stack(columns, axis=1) / y[:, None]
    solution = np.linalg.lstsq(a, np.ones_like(y), rcond=None)[0]
    return [float(f"{v:.10g}") for v in solution]


def fit_fluid(fluid: str) -> dict[str, object]:
    """Every coefficient of one fluid."""
    t = np.linspace(*RANGE_K, 545)
    tc = CP.PropsSI("Tcrit", NAMES[fluid])
    pc = CP.PropsSI("pcrit", NAMES[fluid])
    x = 1.0 - t / tc
    truth = saturated(fluid, t)
    a = np.stack([x**e * tc / t for e in PRESSURE], axis=1)
    ln_p = np.linalg.lstsq(a, np.log(truth["pressure"] / pc), rcond=None)[0]
    return {
        "critical_k": float(f"{tc:.10g}"),
        "critical_pa": float(f"{pc:.10g}"),
        "molar_kg_mol": float(f"{CP.PropsSI('molar_mass', NAMES[fluid]):.10g}"),
        "pressure": [float(f"{v:.10g}") for v in ln_p],
        "density": _fit(truth["density"], [x**e for e in DENSITY]),
        "latent": _fit(truth["latent"], [x**e for e in LATENT]),
        "heat": _fit(truth["heat"], [x**e for e in HEAT]),
        "sound": _fit(truth["sound"], [x**e for e in SOUND]),
    }


def fit_air() -> dict[str, list[float]]:
    """Dry air at 101,325 Pa: conductivity, viscosity and Prandtl number as cubics in T/100."""
    t = np.linspace(*AIR_K, 141)
    u = t / 100.0

    def prop(key: str) -> Array:
        return np.array([CP.PropsSI(key, "T", float(v), "P", 101_325.0, "Air") for v in t])

    k, mu, cp = prop("L"), prop("V"), prop("C")
    columns = [u**e for e in range(4)]
    return {"conductivity": _fit(k, columns), "viscosity": _fit(mu, columns), "prandtl": _fit(cp * mu / k, columns)}


def _tuple(values: object) -> str:
    assert isinstance(values, list)
    return "(" + ", ".join(repr(v) for v in values) + ")"


def render() -> str:
    """The text of `monitor/physics/coefficients.py`."""
    lines = [
        '"""Coefficients of the property correlations. Written by tests/reference/make_fluid.py, not by hand."""',
        "",
        "from __future__ import annotations",
        "",
        "from typing import NamedTuple",
        "",
        "",
        "class Fluid(NamedTuple):",
        '    """One fluid: critical point, molar mass (kg/mol), and coefficients to the exponents named below."""',
        "",
        "    critical_k: float",
        "    critical_pa: float",
        "    molar_kg_mol: float",
    ]
    lines += [f"    {n}: tuple[float, ...]" for n in ("pressure", "density", "latent", "heat", "sound")]
    lines += ["", "", f"VALID_K = {RANGE_K!r}", f"AIR_VALID_K = {AIR_K!r}"]
    for name, exponents in (
        ("PRESSURE", PRESSURE),
        ("DENSITY", DENSITY),
        ("LATENT", LATENT),
        ("HEAT", HEAT),
        ("SOUND", SOUND),
    ):
        lines.append(f"{name}_EXPONENTS = {exponents!r}")
    lines.append("")
    for name in NAMES:
        lines.append(f"{name.upper()} = Fluid(")
        for key, value in fit_fluid(name).items():
            lines.append(f"    {key}={_tuple(value) if isinstance(value, list) else repr(value)},")
        lines.append(")")
    lines += ["", "# dry air: polynomials in T/100 K, lowest power first (W/mK, Pa s, 1)"]
    lines += [f"AIR_{key.upper()} = {_tuple(values)}" for key, values in fit_air().items()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    if "--write" in sys.argv:
        TARGET.write_text(render())
    else:
        sys.stdout.write(render())
