"""Memory that is short: under a real limit, and refused in the middle of a round, of a write, and of a page."""

from __future__ import annotations

import asyncio
import resource
import signal
import sqlite3
import threading
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.service import loops, outage
from monitor.service import round as a_round
from monitor.store import Store
from monitor.web import pages
from tests.notify.sinks import web_server
from tests.service import faulting, harness
from tests.service.conftest import Note
from tests.service.test_faults import trouble
from tests.service.test_faults_store import channel, titles
from tests.support.broker import Mosquitto, free_port, wait_for

OUT = "boiloff cannot work: no warning goes out until it is mended"
OVER = "Over: boiloff works and warns again"


def _size(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[0]) * resource.getpagesize()


def test_memory_short(tmp_path: Path, broker: Mosquitto, fault: Note, monkeypatch: pytest.MonkeyPatch) -> None:
    """No address space beyond what it has for some seconds, then enough again: what waited is kept, none is lost."""
    monkeypatch.setenv("MALLOC_ARENA_MAX", "1")  # each further one would be a reserve of 64 MB that is there already
    values = faulting.several(300)
    with faulting.served(tmp_path / "site", broker, tmp_path / "store.db") as run:
        faulting.publish(broker, values[:5])
        wait_for(lambda: set(values[:5]) <= set(run.values()))
        old = resource.prlimit(run.process.pid, resource.RLIMIT_AS)
        resource.prlimit(
            run.process.pid, resource.RLIMIT_AS, (_size(run.process.pid) + (256 << 10), resource.RLIM_INFINITY)
        )
        faulting.publish(broker, values[5:])
        # Sixty cylinders more: the next outlook needs memory that it has not got, whatever it keeps in reserve.
        more = "".join(f'[[cylinder]]\nname = "C{k}"\nsize = "20 lb"\n' for k in range(60))
        run.site.write_text(f"{run.site.read_text()}\n{more}")
        run.process.send_signal(signal.SIGHUP)
        ends = time.monotonic() + 20.0
        words = ""  # of the outlook, or of the loop that reads the site file, whichever is refused first
        while run.process.poll() is None and not words and time.monotonic() < ends:
            time.sleep(0.05)
            words = next((f"{k}: {w}" for k, w in run.troubles().items() if k.startswith(("outlook", "loop"))), "")
        went_on = run.process.poll() is None
        words = words if went_on else "at the next start: the last run ended without notice"
        assert words, run.log
        started = time.monotonic()
        if went_on:  # others let go of theirs: it has to come back by itself
            resource.prlimit(run.process.pid, resource.RLIMIT_AS, old)
        else:  # as the service manager would
            run.process = faulting.begin(run.site, run.store)
        wait_for(lambda: set(values) <= set(run.values()), 60.0)
        assert len(run.values()) == len(values), "none twice"
        wait_for(lambda: not {t for t in run.troubles() if t.startswith(("store", "loop", "outlook"))}, 60.0)
        wait_for(lambda: "cylinder C59" in run.troubles(), 60.0)  # the site file's change is not forgotten
        took = time.monotonic() - started
        with Store.open(run.store, readonly=True) as store:
            assert store.integrity(thorough=True) == []
        assert run.end() == 0
    how = "comes back by itself" if went_on else "ends, and is started again"
    fault("memory short", lost=f"0 of {len(values)} readings", recovered_s=took, told=f"{how}; {words}")


@pytest.mark.parametrize("where", ["round", "write"])
async def test_memory_refused(
    tmp_path: Path, broker: Mosquitto, fault: Note, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """No memory in every round or every write for some seconds, then enough: it comes back, and people are told."""
    monkeypatch.setattr(loops, "LOOK_S", 0.1)
    for name in ("PATIENCE_S", "BLIND_S", "SETTLED_S"):
        monkeypatch.setattr(outage, name, 0.3)
    short, real, add = threading.Event(), a_round.work, Store.add_readings

    def work(*args: object) -> object:
        if short.is_set():
            raise MemoryError
        return real(*args)  # type: ignore[arg-type]

    def add_readings(*args: object) -> object:
        if short.is_set():
            raise MemoryError
        return add(*args)  # type: ignore[arg-type]

    if where == "round":
        monkeypatch.setattr(loops, "work", work)
    else:
        monkeypatch.setattr(Store, "add_readings", add_readings)
    with web_server() as web:
        text = (harness.SITE, harness.sensors(), harness.broker_table(broker), channel(web), faulting.QUICK)
        seen = harness.Seen()
        async with harness.running(harness.write_site(tmp_path, *text), hooks=seen.hooks()) as daemon:
            await harness.until(lambda: seen.rounds and harness.hears(daemon, broker))
            short.set()
            for value in ("25.5", "25.6", "25.7"):
                await asyncio.to_thread(broker.publish, "yard/A", value)
            await harness.until(lambda: OUT in titles(web), what="a notice past the store")
            said = next(body["message"] for _, body in web.got if body["title"] == OUT)
            assert ("no memory is left" if where == "write" else "MemoryError") in said
            rounds = len(seen.rounds)
            short.clear()
            started = time.monotonic()
            await harness.until(lambda: len(seen.rounds) > rounds and OVER in titles(web), 30.0, "rounds, and its end")
            took = time.monotonic() - started
            with harness.look(daemon) as store:
                assert [r.value for r in store.readings()] == [25.5, 25.6, 25.7]
            assert trouble(daemon, "store") is None
    fault(f"no memory in each {where}", lost="0 of 3 readings", recovered_s=took, told=f"by push: {OUT}")


async def test_memory_refused_in_a_page(tmp_path: Path, fault: Note, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that finds no memory is an error on that page alone; the next one comes, and the rounds go on."""
    port, short, real = free_port(), threading.Event(), pages.inputs

    def inputs(*args: Any, **named: Any) -> Any:
        if short.is_set():
            raise MemoryError
        return real(*args, **named)

    monkeypatch.setattr(pages, "inputs", inputs)
    table = f'\n[service]\nlisten = "127.0.0.1:{port}"\noutlook_every = "10 s"\n'
    seen = harness.Seen()
    hooks = seen.hooks(page=True)
    async with harness.running(harness.write_site(tmp_path, harness.SITE, table), hooks=hooks) as daemon:
        await harness.until(lambda: seen.rounds and (b := daemon.core.board.get("page")) and b.working, 60.0)
        short.set()
        async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=20) as client:
            assert (await client.get("/inputs")).status_code == 500
            assert (await client.get("/alerts")).status_code == 200, "another page comes meanwhile"
            rounds = len(seen.rounds)
            daemon.core.remake.poke("now", matters=True)
            await harness.until(lambda: len(seen.rounds) > rounds)
            short.clear()
            started = time.monotonic()
            assert (await client.get("/inputs")).status_code == 200
            took = time.monotonic() - started
    fault("no memory in a page", lost="nothing", recovered_s=took, told="on that page: an error; the others come")


async def test_a_writer_s_thread_that_died_is_missed_and_the_run_begun_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    monkeypatch.setattr(loops, "LOOK_S", 0.1)
    async with harness.running(harness.write_site(tmp_path, harness.SITE)) as daemon:
        await harness.until(daemon.core.sane.is_set)

        def dies(*_: object) -> None:
            raise MemoryError

        monkeypatch.setattr(daemon.core.writer, "_next", dies)
        daemon.core.writer.flush()
        await harness.until(lambda: daemon.core.again, what="the run to end")
        assert "the thread that writes the store has died" in daemon.core.again
        with pytest.raises(sqlite3.ProgrammingError, match="closed"):
            daemon.core.writer._store.integrity()
