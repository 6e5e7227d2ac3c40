"""The answers of `boiloff explain`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor import physics
from monitor.commands._conditions import Asked, asked
from monitor.model.errors import BadInput, Problem
from monitor.model.site import BASES, Basis
from monitor.physics.explain import Step, steps
from monitor.site import units

if TYPE_CHECKING:
    from datetime import datetime

    from rich.console import Console

# SI unit of a step -> the kind in which the household reads it
_KINDS = {"W": "power", "kg": "mass", "m": "length"}


@dataclass(frozen=True, slots=True)
class Weather:
    """The options that say which outside is meant."""

    air: str | None
    wind: str | None
    sky: str | None
    dewpoint: str | None
    forecast: Path | None
    at: str | None


@dataclass(frozen=True, slots=True)
class Explained:
    """The steps, and what they are about."""

    asked: Asked
    basis: Basis
    steps: list[Step]
    hour: datetime | None


def _basis(text: str | None, default: Basis) -> Basis:
    if text is None:
        return default
    for basis in BASES:
        if text == basis:
            return basis
    raise BadInput(Problem("--basis", f'"{text}"', "chart, floor or weather"))


def _from_forecast(weather: Weather) -> tuple[Weather, datetime]:
    """The hour of the forecast that --at names, as options (SI with units)."""
    from datetime import UTC, datetime

    from monitor.outlook.hours import dewpoint_k
    from monitor.weather.file import read_csv

    assert weather.forecast is not None
    if weather.at is None:
        raise BadInput(Problem("--at", "nothing", "the hour of the forecast to explain, such as 2026-01-05T06:00Z"))
    try:
        at = datetime.fromisoformat(weather.at)
    except ValueError:
        raise BadInput(Problem("--at", f'"{weather.at}"', "a time in ISO 8601, such as 2026-01-05T06:00Z")) from None
    if at.tzinfo is None:
        raise BadInput(Problem("--at", f'"{weather.at}"', "a time with its offset, such as 2026-01-05T06:00-06:00"))
    forecast = read_csv(weather.forecast)
    hour = math.floor((at.astimezone(UTC) - forecast.start).total_seconds() / 3600.0)
    if not 0 <= hour < forecast.hours:
        span = f"{forecast.start.isoformat()} to {forecast.end.isoformat()}"
        raise BadInput(Problem("--at", f'"{weather.at}"', f"an hour of the forecast, {span}"))
    air_k = float(np.nanmean(forecast.air_k[:, hour])) if np.isfinite(forecast.air_k[:, hour]).any() else math.nan
    if not math.isfinite(air_k):
        raise BadInput(Problem("--at", f'"{weather.at}"', "an hour with a temperature in the forecast"))

    def at_hour(series: Any) -> float:
        return math.nan if series is None else float(series[hour])

    wind, cloud, humidity = at_hour(forecast.wind_m_s), at_hour(forecast.cloud), at_hour(forecast.humidity)
    dew = float(dewpoint_k(np.array(air_k), np.array(humidity)))
    told = Weather(
        air=f"{air_k - 273.15!r} degC",
        wind=None if math.isnan(wind) else f"{wind!r} m/s",
        sky="1" if math.isnan(cloud) else f"{100 * (1 - cloud):.6f} %",
        dewpoint=None if math.isnan(dew) else f"{dew - 273.15!r} degC",
        forecast=None,
        at=None,
    )
    return told, at


def answer(path: Path | None, charge: list[str], weather: Weather, basis: str | None) -> Explained:
    """Work out every step. Raises BadInput for options that can't be used."""
    hour = None
    if weather.forecast is not None:
        if weather.air or weather.wind or weather.sky or weather.dewpoint:
            raise BadInput(
                Problem("--forecast", str(weather.forecast), "no --air, --wind, --sky or --dewpoint beside it")
            )
        weather, hour = _from_forecast(weather)
    elif weather.at is not None:
        raise BadInput(Problem("--at", f'"{weather.at}"', "a --forecast to take the hour from"))
    air = [weather.air] if weather.air else []
    question = asked(path, charge, air, weather.wind, weather.sky, weather.dewpoint)
    used = _basis(basis, question.site.supply.basis)
    plant = physics.Plant.of(question.site)
    one = physics.Air(question.air_k[0], question.wind_m_s, question.sky, question.dewpoint_k)
    found = steps(plant, question.charges(), one, question.site.demand_w, used)
    return Explained(question, used, found, hour)


def jsonable(found: Explained) -> dict[str, Any]:
    """The steps in SI; a level that no charge reaches is null."""
    return {
        "basis": found.basis,
        "air_c": round(found.asked.air_k[0] - 273.15, 9),
        "time": None if found.hour is None else found.hour.isoformat(),
        "steps": [
            {
                "name": s.name,
                "of": s.of or None,
                "symbol": s.symbol,
                "value": s.value if math.isfinite(s.value) else None,
                "unit": s.unit,
                "equation": s.equation,
                "source": s.source or None,
            }
            for s in found.steps
        ],
    }


def _figure(step: Step) -> str:
    if not math.isfinite(step.value):
        return "none" if step.symbol == "m/m_full" else "not known"
    return f"{step.value:.5g} {step.unit}" if step.unit != "1" else f"{step.value:.4g}"


def _household(step: Step, found: Explained) -> str:
    if not math.isfinite(step.value):
        return ""
    u = found.asked.site.units
    if step.unit == "Pa":
        kind = "pressure_absolute" if "absolute" in step.name or step.name.startswith("air") else "pressure"
        return units.show(step.value, kind, u)
    if step.unit == "1":
        return units.show(step.value, "share", u)
    if step.unit == "s":
        return units.show(step.value, "time", u)
    if step.unit == "K":
        return units.show(step.value, "temperature", u)
    if step.unit in _KINDS:
        return units.precise(step.value, _KINDS[step.unit], u)
    return ""


def print_steps(to: Console, found: Explained) -> None:
    """One grid for the site, one for each cylinder, one for the answers."""
    from rich.table import Table

    u, site = found.asked.site.units, found.asked.site
    when = f" at {found.hour.isoformat()}" if found.hour else ""
    air = units.show(found.asked.air_k[0], "temperature", u)
    to.print(f"{site.name}{when}: air {air}, basis {found.basis}. All in SI; the household's units beside it.")
    block: str | None = None
    grid = Table(box=None)
    for step in found.steps:
        if block is None or step.of != block:
            if block is not None:
                to.print(grid)
            title = "Site" if block is None else "Together"
            block = step.of
            to.print(f"\nCylinder {block}" if block else f"\n{title}")
            grid = Table(box=None, pad_edge=False)
            for name in ("what", "symbol", "value", "that is", "how", "source"):
                grid.add_column(name, justify="right" if name in {"value", "that is"} else "left", overflow="fold")
        grid.add_row(step.name, step.symbol, _figure(step), _household(step, found), step.equation, step.source)
    to.print(grid)
    to.print("Frost is ignored. A reckoning, no promise: pressure at the regulator is the proof.")
