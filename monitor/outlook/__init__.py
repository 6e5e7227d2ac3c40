"""Pure: the level now, the hours ahead, the use, the run-out, the refill plan. Reads no clock, file or network."""

from monitor.outlook.asjson import jsonable
from monitor.outlook.making import make
from monitor.outlook.use import learn_use

__all__ = ["jsonable", "learn_use", "make"]
