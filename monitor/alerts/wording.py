"""Notices in words: a headline that fits a lock screen, fact first; then numbers, what to do, and the caution."""

from __future__ import annotations

from datetime import datetime

from monitor.alerts import kinds, when
from monitor.alerts.cautions import LOCAL
from monitor.alerts.say import Say, percent
from monitor.alerts.step import What, Words
from monitor.alerts.words_eyes import EYES
from monitor.alerts.words_supply import SUPPLY, Texts
from monitor.model.alert import AlertState, Condition
from monitor.model.site import Site

LOCK_SCREEN = 120  # characters; two to three lines on a phone
TEXTS: dict[str, Texts] = {**SUPPLY, **EYES}


def words(site: Site) -> Words:
    """Return the function that puts a step of an alert of `site` into (headline, body)."""

    def put(what: What, c: Condition, state: AlertState, reason: str, now: datetime) -> tuple[str, str]:
        return text(site, what, c, state, reason, now)

    return put


def text(site: Site, what: What, c: Condition, state: AlertState, reason: str, now: datetime) -> tuple[str, str]:
    """Return headline and body of one notice. Pure; times in the site's zone, numbers in its units."""
    say = Say(site, now, c)
    kind = kinds.of(c.kind)
    texts = TEXTS.get(c.kind)
    if what == "ended":
        return _ended(say, kind, state, reason)
    headline = shorten(texts.headline(say) if texts else f"{kind.title}: {c.subject}")
    lines = [headline if headline.endswith(".") else headline + ".", ""]
    if what == "updated":
        lines += [f"Why again: {reason}.", ""]
    if texts:
        lines += [*texts.detail(say), ""]
    lines += [f"How sure: {how_sure(say)}", ""]
    lines += ["What to do:", *(f"- {line}" for line in (texts.todo(say) if texts else [kind.todo])), ""]
    lines += [*(texts.cautions if texts else (LOCAL,)), "", footer(say, kind)]
    return headline, "\n".join(lines)


def _ended(say: Say, kind: kinds.Kind, state: AlertState, reason: str) -> tuple[str, str]:
    """An end. What is only watched no more is not called over: a leak that stands would read as mended."""
    texts = TEXTS.get(say.c.kind)
    unwatched = "taken out of service by" in reason or reason.startswith("watched no more")
    over = texts.over(say) if texts and not unwatched else ""
    subject = "" if say.c.subject == "site" else f" ({say.c.subject})"
    tail = over or reason
    headline = shorten(
        f"{'Not watched any more' if unwatched else 'Over'}: {kind.title[0].lower()}{kind.title[1:]}{subject}. "
        f"{tail[:1].upper()}{tail[1:]}".rstrip(". ")
        + "."
    )
    began = "" if state.raised is None else when.moment(state.raised, say.site.timezone, say.now)
    lines = [headline, "", f"It was told first {began}. It ends now because: {reason}."]
    if unwatched:
        lines.append("That does not mean that all is well: it is only not watched any more.")
        lines += ["", *(texts.cautions if texts else (LOCAL,))]
    return headline, "\n".join([*lines, "", footer(say, kind)])


def how_sure(say: Say) -> str:
    """Return the certainty in words, with the odds where the forecast has some."""
    odds = say.number("probability")
    if say.c.certainty == "Observed":
        return "observed, not forecast."
    if odds is not None:
        return f"{say.c.certainty.lower()}; the odds are {percent(odds)}."
    base = {"Likely": "likely", "Possible": "possible", "Unlikely": "unlikely"}.get(say.c.certainty, "not known")
    if say.c.facts.get("p10") and say.c.facts.get("p50"):  # told as dates
        return f"{base}; the dates above are its odds."
    return f"{base}; this rests on one estimate, without odds."


def footer(say: Say, kind: kinds.Kind) -> str:
    """Return the last line: which site and alert this is, and when it was judged."""
    at = when.moment(say.now, say.site.timezone, say.now)
    return f"{say.site.name} · {kind.name}/{say.c.subject} · {say.c.severity}, {say.c.urgency} · judged {at}"


def shorten(text_: str) -> str:
    """Return at most a lock screen's worth, cut at a word."""
    if len(text_) <= LOCK_SCREEN:
        return text_
    return text_[: LOCK_SCREEN - 1].rsplit(" ", 1)[0].rstrip(" ,;:-") + "…"
