"""RFC 6901, JSON Pointer: which part of a document is meant."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from monitor.sensors.sent import Refused

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


@lru_cache(maxsize=512)
def tokens(pointer: str) -> tuple[str, ...]:
    """Return the reference tokens of `pointer`, unescaped ("~1" is "/", "~0" is "~")."""
    if not pointer:
        return ()
    if not pointer.startswith("/"):
        raise Refused(f'"{pointer}" is no JSON pointer: it begins with "/"')
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:])


def find(document: Any, pointer: str) -> Any:
    """Return the part of `document` that `pointer` names; raise Refused where there is none."""
    part = document
    for token in tokens(pointer):
        if isinstance(part, dict) and token in part:
            part = part[token]
        elif isinstance(part, list) and _INDEX.fullmatch(token) and int(token) < len(part):
            part = part[int(token)]
        else:
            raise Refused(f"nothing at {pointer}")
    return part
