"""APScheduler on our own clock.

APScheduler asks the machine for the time. Its triggers are ours to give, though: `OnClock` asks any of its triggers in
the time of our clock and hands back the moment at which the machine will show it. So the scheduler itself runs
unchanged whether our clock is the machine's, sped up, or stepped. After a jump every job is put in order again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta

from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger

from monitor.service.clock import Clock

_JUST_AFTER = timedelta(microseconds=1)
# That a job is still at it when its next time comes is no news here: each has a deadline of its own.
logging.getLogger("apscheduler").setLevel(logging.ERROR)

Job = Callable[[], Awaitable[None]]


class OnClock(BaseTrigger):  # type: ignore[misc]
    """One of APScheduler's triggers, asked in our clock's time. `due` is the next time by our clock."""

    def __init__(self, inner: BaseTrigger, clock: Clock) -> None:
        self.inner = inner
        self.clock = clock
        self.due: datetime | None = None

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """Return when the machine's clock will show the next due time, always after `now`."""
        del previous_fire_time  # a time of the machine's clock, of no use to us: the past is past
        due = self.inner.get_next_fire_time(None, self.clock.now() + _JUST_AFTER)
        self.due = None if due is None else due.astimezone(UTC)
        return None if self.due is None else max(self.clock.real(self.due), now + _JUST_AFTER)


class Schedule:
    """Jobs at times of our clock, run as tasks of the running event loop; one run of a job at a time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._scheduler = AsyncIOScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        )
        self._triggers: dict[str, OnClock] = {}
        self._running: set[asyncio.Future[None]] = set()
        self._stopped = False
        clock.on_jump(self.jumped)
        clock.on_move(self.jumped)

    def start(self) -> None:
        """Start in the running event loop."""
        self._scheduler.start()

    async def stop(self) -> None:
        """Forget every job; a run that is under way is cancelled, without APScheduler taking it for a fault."""
        self._stopped = True
        if not self._scheduler.running:
            return
        self._scheduler.pause()
        running = tuple(self._running)
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
        for _ in range(3):  # a run about to begin sees that it is over
            await asyncio.sleep(0)
        self._scheduler.shutdown(wait=False)

    def add(self, name: str, job: Job, trigger: BaseTrigger, *, now: bool = False) -> None:
        """Run `job` whenever `trigger` is due, and once at once where `now`. Replaces a job of the same name."""

        async def run() -> None:  # APScheduler looks whether it is given a coroutine function; a lambda is none
            if self._stopped:
                return
            task = asyncio.ensure_future(job())
            self._running.add(task)
            try:
                await asyncio.wait({task})
            finally:
                self._running.discard(task)
            if not task.cancelled():
                task.result()

        on_clock = OnClock(trigger, self._clock)
        real_now = datetime.now(UTC)
        first = on_clock.get_next_fire_time(None, real_now)
        self._triggers[name] = on_clock
        self._scheduler.add_job(run, on_clock, id=name, replace_existing=True, next_run_time=real_now if now else first)

    def bring_forward(self, name: str, when: datetime) -> None:
        """Run the job `name` once at `when` of our clock if that is before it is due anyhow."""
        trigger = self._triggers[name]
        if trigger.due is None or when < trigger.due:
            trigger.due = when
            self._modify(name, self._clock.real(when))

    def due(self, name: str) -> datetime | None:
        """Return the time of our clock at which the job `name` runs next; None where there is no such job."""
        return self._triggers[name].due if name in self._triggers else None

    def jumped(self) -> None:
        """Put every job in order after the clock jumped: what is overdue runs now, the rest is reckoned again."""
        now, real_now = self._clock.now(), datetime.now(UTC)
        for name, trigger in self._triggers.items():
            overdue = trigger.due is not None and trigger.due <= now
            self._modify(name, real_now if overdue else trigger.get_next_fire_time(None, real_now))

    def _modify(self, name: str, when: datetime | None) -> None:
        with contextlib.suppress(JobLookupError):
            self._scheduler.modify_job(name, next_run_time=when)


def hourly(draw: random.Random) -> CronTrigger:
    """Return a trigger for each hour at a minute and second drawn once, away from the hour's turn.

    Forecast services ask for a flat load curve; the same minute each hour keeps the pulls an hour apart.
    """
    return CronTrigger(minute=draw.randint(3, 57), second=draw.randint(0, 59), timezone=UTC)


def every(seconds: int) -> CronTrigger:
    """Return a trigger for each multiple of `seconds` past the hour; `seconds` must divide an hour."""
    if seconds < 1 or 3600 % seconds:
        raise ValueError(f"{seconds} s does not divide an hour")
    if seconds < 60:
        return CronTrigger(second=f"*/{seconds}", timezone=UTC)
    if seconds == 3600:
        return CronTrigger(minute=0, second=0, timezone=UTC)
    if seconds % 60:
        raise ValueError(f"{seconds} s is neither below a minute nor whole minutes")
    return CronTrigger(minute=f"*/{seconds // 60}", second=0, timezone=UTC)


def daily(hour: int, timezone: str) -> CronTrigger:
    """Return a trigger for each day at `hour` o'clock in the site's zone."""
    return CronTrigger(hour=hour, minute=0, second=0, timezone=timezone)
