"""One typed forecast, whatever service it came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # a command that only looks at the store need not wait for numpy
    import numpy as np
    from numpy.typing import NDArray

    Series = NDArray[np.float64]
else:
    Series = Any

NO_SERVICE = "thermometer"  # the source of a forecast made from the site's own thermometer when no service is left


@dataclass(frozen=True, slots=True)
class Forecast:
    """Hourly forecast. Hour k starts at `start` + k h (UTC, whole hour) and carries the value at its start.

    `air_k` has shape (members, hours), at least one member; `wind_m_s` (at 10 m), `cloud` (share 0..1),
    `humidity` (share 0..1) and `spread_k` (one standard deviation) have shape (hours,) or are None where the source
    does not offer them. NaN is a gap and stays a gap.
    """

    source: str
    issued: datetime
    received: datetime
    start: datetime
    air_k: Series
    wind_m_s: Series | None = None
    cloud: Series | None = None
    humidity: Series | None = None
    spread_k: Series | None = None
    credit: str = ""
    elevation_m: float | None = None
    id: int | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def hours(self) -> int:
        """Number of hours in the series."""
        return int(self.air_k.shape[1])

    @property
    def end(self) -> datetime:
        """End of the last hour."""
        return self.start + timedelta(hours=self.hours)

    def times(self) -> list[datetime]:
        """Return the start of each hour (UTC)."""
        return [self.start + timedelta(hours=k) for k in range(self.hours)]
