"""Official warnings of cold and of winter storms from the US National Weather Service, one for each hazard.

Every update of a warning is a new message with a new id; what stays is its VTEC event (office, phenomenon,
significance, number, year: NWS Instruction 10-1703). `ends` is the end of the hazard, `expires` only of the message.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, cast
from urllib.parse import urlsplit

from monitor.model.alert import Certainty, Severity, Urgency
from monitor.model.site import Site, WeatherSource
from monitor.model.warning import OfficialWarning, WarningKind
from monitor.weather import nws, series
from monitor.weather.client import Client, place_of, told
from monitor.weather.errors import WeatherError
from monitor.weather.fetch import Context

CREDIT = "US National Weather Service (public domain)"
MOST_PAGES = 5

# Event names since 2024-10-01, and those they replaced; matched whatever the case.
_EVENTS: Mapping[str, WarningKind] = {
    "extreme cold watch": "cold",
    "extreme cold warning": "cold",
    "cold weather advisory": "cold",
    "freeze watch": "cold",
    "freeze warning": "cold",
    "hard freeze watch": "cold",
    "hard freeze warning": "cold",
    "wind chill watch": "cold",
    "wind chill warning": "cold",
    "wind chill advisory": "cold",
    "blizzard warning": "storm",
    "winter storm watch": "storm",
    "winter storm warning": "storm",
    "ice storm warning": "storm",
}
_CODES: Mapping[str, WarningKind] = {
    "EC.A": "cold",
    "EC.W": "cold",
    "CW.Y": "cold",
    "FZ.A": "cold",
    "FZ.W": "cold",
    "BZ.W": "storm",
    "WS.A": "storm",
    "WS.W": "storm",
    "IS.W": "storm",
}
_VTEC = re.compile(
    r"/[OTEX]\.(NEW|CON|EXT|EXA|EXB|UPG|CAN|EXP|COR|ROU)\.([A-Z]{4})\.([A-Z]{2})\.([WAYSFON])\.(\d{4})\.\d{6}T\d{4}Z-\d{6}T\d{4}Z/"
)
_OVER = frozenset({"CAN", "EXP", "UPG"})
_SEVERITIES = ("Extreme", "Severe", "Moderate", "Minor")
_URGENCIES = ("Immediate", "Expected", "Future", "Past")
_CERTAINTIES = ("Observed", "Likely", "Possible", "Unlikely")


def fetch(source: WeatherSource, site: Site, context: Context) -> tuple[OfficialWarning, ...]:
    """Return the warnings in force or announced for the site, the earliest onset first. Raises WeatherError."""
    client = Client.of(nws.WHO, source, site, context)
    base = (source.base_url or nws.BASE_URL).rstrip("/")
    url: str | None = f"{base}/alerts/active"
    params: dict[str, str] | None = {"point": ",".join(place_of(site))}
    features: list[Any] = []
    for _ in range(MOST_PAGES):
        answer = client.get(str(url), params, nws.ACCEPT)
        if answer.status != 200:
            raise nws.refused(answer, context.now())
        body = answer.json(nws.WHO)
        if not isinstance(body, Mapping) or not isinstance(body.get("features"), list):
            raise WeatherError("temporary", f"{nws.WHO} answered with something that is no list of warnings")
        features += body["features"]
        following = series.member(body, "pagination", "next")
        if not following or urlsplit(str(following)).netloc != urlsplit(base).netloc:
            break
        url, params = str(following), None
    return gather(features, context.now())


def gather(features: list[Any], now: datetime) -> tuple[OfficialWarning, ...]:
    """Return one warning for each hazard in `features` (GeoJSON) not over at `now`; its newest message counts."""
    newest: dict[str, tuple[datetime, OfficialWarning | None]] = {}
    for feature in features:
        found = series.member(feature, "properties")
        if not isinstance(found, Mapping) or found.get("status") != "Actual":
            continue
        sent = _time(found.get("sent"))
        if sent is None:
            continue
        for key, action, code in _events(found, sent):
            kind = _EVENTS.get(str(found.get("event", "")).strip().lower()) or _CODES.get(code)
            if kind is None:
                continue
            over = action in _OVER or found.get("messageType") == "Cancel"
            warning = None if over else _warning(found, key, kind, sent)
            if key not in newest or sent >= newest[key][0]:
                newest[key] = (sent, warning)
    warnings = [w for _, w in newest.values() if w is not None and w.in_force(now)]
    return tuple(sorted(warnings, key=lambda w: (w.onset or w.sent, w.key)))


def _events(found: Mapping[str, Any], sent: datetime) -> list[tuple[str, str, str]]:
    """(key, action, phenomenon.significance) of each event in a message; without VTEC, one by name and sender."""
    first = min([sent, *_earlier(found)])
    texts = series.member(found, "parameters", "VTEC")
    events = []
    for text in texts if isinstance(texts, list) else []:
        for match in _VTEC.finditer(str(text)):
            action, office, phenomenon, significance, number = match.groups()
            key = f"{office}.{phenomenon}.{significance}.{number}.{first.year}"
            events.append((key, action, f"{phenomenon}.{significance}"))
    if events:
        return events
    coded = series.member(found, "eventCode", "NationalWeatherService")
    code = str(coded[0]) if isinstance(coded, list) and coded else ""
    name = f"{found.get('senderName', '')}.{found.get('event', '')}.{first.isoformat()}"
    return [(told(name), "NEW", f"{code[:2]}.{code[2:]}")]


def _earlier(found: Mapping[str, Any]) -> list[datetime]:
    """When the messages that this one follows were sent: an event keeps its first year past New Year's Eve."""
    references = found.get("references")
    times = [_time(series.member(r, "sent")) for r in references] if isinstance(references, list) else []
    return [t for t in times if t is not None]


def _time(value: Any) -> datetime | None:
    try:
        return series.parse_time(str(value))
    except ValueError:
        return None


def _of(value: Any, allowed: tuple[str, ...], otherwise: str) -> str:
    text = str(value)
    return text if text in allowed else otherwise


def _warning(found: Mapping[str, Any], key: str, kind: WarningKind, sent: datetime) -> OfficialWarning:
    return OfficialWarning(
        key=key,
        kind=kind,
        event=told(found.get("event", "")),
        severity=cast(Severity, _of(found.get("severity"), _SEVERITIES, "Moderate")),
        urgency=cast(Urgency, _of(found.get("urgency"), _URGENCIES, "Expected")),
        certainty=cast(Certainty, _of(found.get("certainty"), _CERTAINTIES, "Possible")),
        sent=sent,
        onset=_time(found.get("onset")) or _time(found.get("effective")),
        ends=_time(found.get("ends")),
        expires=_time(found.get("expires")),
        headline=told(found.get("headline") or found.get("event") or ""),
        area=told(found.get("areaDesc", "")),
        sender=told(found.get("senderName", "")),
        credit=CREDIT,
    )
