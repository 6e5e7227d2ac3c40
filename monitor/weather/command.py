"""A forecast from a command of the user's own: its standard output is the fixed CSV, or the same as JSON.

The command runs without a shell, in a process group of its own that is ended at the deadline, with a small environment
that holds the place (rounded as the site says) and nothing of the service's own.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
import tempfile
import time
from dataclasses import replace
from typing import IO

from monitor.model.errors import BadInput
from monitor.model.forecast import Forecast
from monitor.model.site import Site, WeatherSource
from monitor.weather import file
from monitor.weather.client import deadline_of, place_of, told
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context

KEPT_ENVIRONMENT = ("PATH", "HOME", "LANG", "LC_ALL", "TZ", "TMPDIR")
POLL_S = 0.02


def fetch(source: WeatherSource, site: Site, context: Context) -> Forecast:
    """Run the command and return the forecast it prints. Raises WeatherError."""
    arguments = _arguments(source)
    output = _run(arguments, _environment(site), deadline_of(source, site))
    name = f"command {arguments[0]}"
    now = context.now()
    try:
        text = output.decode("utf-8-sig")
        parse = file.parse_json if text.lstrip()[:1] == "{" else file.parse_csv
        forecast = parse(text, name, now)
    except UnicodeDecodeError as error:
        raise WeatherError("temporary", f"{name} printed something that is no text in UTF-8") from error
    except BadInput as error:
        raise WeatherError("temporary", f"{name}: {error.problems[0]}") from error
    return replace(file.checked(forecast, name, now), source="command")


def _arguments(source: WeatherSource) -> list[str]:
    given = source.options.get("command") or source.path
    try:
        arguments = shlex.split(given) if isinstance(given, str) else [str(a) for a in given or ()]
    except ValueError as error:
        raise WeatherError("permanent", f"the command {given!r} cannot be read: {error}") from error
    if not arguments:
        raise WeatherError("permanent", "the forecast source of kind command has no command")
    return arguments


def _environment(site: Site) -> dict[str, str]:
    latitude, longitude = place_of(site)
    kept = {name: os.environ[name] for name in KEPT_ENVIRONMENT if name in os.environ}
    return {**kept, "BOILOFF_LATITUDE": latitude, "BOILOFF_LONGITUDE": longitude}


def _run(arguments: list[str], environment: dict[str, str], deadline_s: float) -> bytes:
    """Standard output of the command; files take it, so that no full pipe and no child left behind can block."""
    name = f"command {arguments[0]}"
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        try:
            process = subprocess.Popen(
                arguments, stdin=subprocess.DEVNULL, stdout=out, stderr=err, env=environment, start_new_session=True
            )
        except OSError as error:
            raise WeatherError("permanent", f"{name} cannot be started: {error.strerror}") from error
        ends = time.monotonic() + deadline_s
        try:
            while process.poll() is None:
                if time.monotonic() > ends:
                    raise WeatherError("temporary", f"{name} took longer than {deadline_s:.0f} s")
                if _size(out) > file.MAX_BYTES or _size(err) > file.MAX_BYTES:
                    raise WeatherError("temporary", f"{name} printed more than any forecast")
                time.sleep(POLL_S)
        finally:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        if process.returncode != 0:
            err.seek(max(0, _size(err) - 400))
            said = told(err.read(400).decode("utf-8", "replace"))
            raise WeatherError("temporary", f"{name} ended with {process.returncode}" + (f": {said}" if said else ""))
        if _size(out) > file.MAX_BYTES:
            raise WeatherError("temporary", f"{name} printed more than any forecast")
        out.seek(0)
        return out.read()


def _size(handle: IO[bytes]) -> int:
    return os.fstat(handle.fileno()).st_size
