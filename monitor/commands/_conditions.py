"""What `capacity` and `explain` are asked: the site, charges and outside conditions as options, checked together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.model.errors import BadInput, Problem
from monitor.model.site import Cylinder, Site
from monitor.site import units

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from monitor.physics import Air

MOST_SHARE = 1.05  # a charge this much over the filling limit is still taken
CHARGE_FORM = 'NAME=AMOUNT with a weight or a percentage of full, such as "A=20 lb" or "A=50 %"'


@dataclass(frozen=True, slots=True)
class Asked:
    """Conditions asked about. `site` has only the cylinders with a charge open; `charge_kg` follows its order."""

    site: Site
    charge_kg: tuple[float, ...]
    air_k: tuple[float, ...]
    wind_m_s: float
    sky: float
    dewpoint_k: float | None

    def charges(self) -> NDArray[np.float64]:
        """Charges as an array (n,)."""
        import numpy as np

        return np.array(self.charge_kg)

    def air(self) -> Air:
        """The conditions as the physics takes them, one for each temperature asked."""
        import numpy as np

        from monitor.physics import Air

        return Air(np.array(self.air_k), self.wind_m_s, self.sky, self.dewpoint_k)


def quantity(option: str, text: str, kind: str, problems: list[Problem]) -> float | None:
    """Return the quantity in SI units; None where it is wrong, with the problem added to `problems`."""
    try:
        return units.parse(text, kind)
    except units.QuantityError as error:
        problems.append(Problem(option, f'"{text}"', error.expected, f"{error.why}. {error.hint}".rstrip(". ")))
        return None


def _amount(cylinder: Cylinder, text: str, written: str, problems: list[Problem]) -> float | None:
    """Kilograms from a weight or a percentage of full."""
    key = f"--charge {cylinder.name}"
    plain = text.strip()
    if plain.endswith("%"):
        share = quantity(key, plain, "share", problems)
        mass = None if share is None else share * cylinder.full_kg
    elif not plain or plain.replace(".", "", 1).replace(",", "", 1).lstrip("+-").isdigit():
        problems.append(Problem(key, f'"{written}"', CHARGE_FORM, "a number alone may be a weight or a percentage"))
        return None
    else:
        mass = quantity(key, plain, "mass", problems)
    if mass is None:
        return None
    if mass < 0.0:
        problems.append(Problem(key, f'"{written}"', CHARGE_FORM, "a charge can't be below zero"))
        return None
    if mass > MOST_SHARE * cylinder.full_kg * (1.0 + 1e-9):
        limit = f"at most {units.pair(MOST_SHARE * cylinder.full_kg, 'mass')}, 105 % of full"
        problems.append(Problem(key, f'"{written}"', limit, "gross weight? take the tare off"))
        return None
    return mass


def charges(site: Site, given: list[str], problems: list[Problem]) -> dict[str, float]:
    """Return the charge (kg) by cylinder from texts such as "A=20 lb"; what is wrong goes into `problems`."""
    known = {c.name: c for c in site.cylinders}
    found: dict[str, float] = {}
    for written in given:
        name, sign, text = written.partition("=")
        name = name.strip()
        if not sign or not name:
            problems.append(Problem("--charge", f'"{written}"', CHARGE_FORM))
        elif name not in known:
            names = ", ".join(known)
            problems.append(Problem("--charge", f'"{written}"', f"one of the site's cylinders: {names}"))
        elif name in found:
            problems.append(Problem(f"--charge {name}", f'"{written}"', "each cylinder once"))
        else:
            mass = _amount(known[name], text, written, problems)
            found[name] = 0.0 if mass is None else mass
    return found


def asked(
    path: Path | None, charge: list[str], air: list[str], wind: str | None, sky: str | None, dewpoint: str | None
) -> Asked:
    """Read the site and the options. Raises BadInput with everything that is wrong with them at once."""
    from monitor import site as site_file

    site = site_file.load(site_file.find(path))
    problems: list[Problem] = []
    if not charge:
        hint = "a cylinder without --charge counts as shut off"
        problems.append(Problem("--charge", "nothing", CHARGE_FORM, hint))
    if not air:
        problems.append(Problem("--air", "nothing", 'a temperature such as "5 degF" or "-15 degC"'))
    found = charges(site, charge, problems)
    air_k = [quantity("--air", text, "temperature", problems) for text in air]
    wind_m_s = 0.0 if wind is None else quantity("--wind", wind, "speed", problems)
    sky_share = 0.0 if sky is None else quantity("--sky", sky, "share", problems)
    dew = None if dewpoint is None else quantity("--dewpoint", dewpoint, "temperature", problems)
    if sky_share is not None and not 0.0 <= sky_share <= 1.0:
        problems.append(Problem("--sky", f'"{sky}"', "the clear-sky share, from 0 (overcast) to 1 (clear)"))
    for text, value in zip(air, air_k, strict=True):
        if value is not None and not 180.0 <= value <= 345.0:
            problems.append(Problem("--air", f'"{text}"', "outside air, from -93 to 71 °C"))
    if problems:
        raise BadInput(problems)
    opened = tuple(replace(c, valve_open=c.name in found) for c in site.cylinders)
    return Asked(
        site=replace(site, cylinders=opened),
        charge_kg=tuple(found.get(c.name, 0.0) for c in site.cylinders),
        air_k=tuple(t for t in air_k if t is not None),
        wind_m_s=wind_m_s or 0.0,
        sky=sky_share or 0.0,
        dewpoint_k=dew,
    )
