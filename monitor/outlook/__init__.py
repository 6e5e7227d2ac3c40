"""Pure: the level now, the hours ahead, the use, the run-out, the refill plan. Reads no clock, file or network."""

from monitor.outlook.asjson import jsonable
from monitor.outlook.making import make

__all__ = ["jsonable", "make"]
