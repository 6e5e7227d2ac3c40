"""Real hourly temperatures, Illinois 2015-2018, and what a forecast service would have said of them.

Source: `il-tempF.csv.gz`, shipped by the PyPI package eemeter 4.1.1 (Apache-2.0). Only the data file is read; the
package is never imported. Its coldest hour of that winter is -24.4 °C at 2018-01-01 07:00 local time.
"""

from __future__ import annotations

import csv
import gzip
import io
from datetime import UTC, datetime
from importlib import metadata
from typing import Any

from tests.weather.servers.open_meteo import OpenMeteo

FILE = "eemeter/eemeter/samples/il-tempF.csv.gz"


def hourly_c() -> dict[datetime, float]:
    """Air temperature (degC) by hour (UTC)."""
    found = next(f for f in metadata.files("eemeter") or () if str(f) == FILE)
    text = gzip.decompress(found.read_binary()).decode()
    rows = csv.DictReader(io.StringIO(text))
    return {
        datetime.fromisoformat(row["dt"]).astimezone(UTC): (float(row["tempF"]) - 32.0) / 1.8
        for row in rows
        if row["tempF"]
    }


class RealWinter(OpenMeteo):
    """Open-Meteo's answers with the temperatures that came: a forecast without error. Wind and cloud are made up.

    The data have neither wind nor cloud: a light breeze (2.5 m/s at 10 m) and 40 % cloud stand for them.
    """

    def __init__(self, now: datetime, air_c: dict[datetime, float]) -> None:
        super().__init__(now)
        self.air_c = air_c

    def _value(self, name: str, when: datetime, member: int, query: dict[str, str]) -> Any:
        if name.startswith("temperature"):
            value = self.air_c.get(when)
            return None if value is None else round(value, 1)
        return super()._value(name, when, member, query)
