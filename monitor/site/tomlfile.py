"""Reading the site file as text and TOML: where a key stands, and what is meant by an error in the syntax."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

from monitor.model.errors import BadInput, Problem

LARGEST = 1_000_000  # bytes; a site of 1,000 cylinders takes a fifth of that
_POSITION = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")
_HEADER = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*'))*)\s*="""
)
_STRING = re.compile(r"""\"(?:[^"\\]|\\.)*\"|'[^']*'""")
Path_ = tuple[str | int, ...]


def read(path: Path) -> str:
    """Return the text of the file at `path`. Raises BadInput with a hint where it cannot be read."""
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= LARGEST else b""
    except FileNotFoundError:
        raise _file_problem(path, "no such file", "`boiloff init` writes one; `--site FILE` names another") from None
    except IsADirectoryError:
        raise _file_problem(path, "a directory", f"perhaps {path / 'site.toml'}") from None
    except OSError as error:
        raise _file_problem(path, os.strerror(error.errno or 0), "check who may read it") from None
    if size > LARGEST:
        raise _file_problem(path, f"{size} bytes", f"a site file has at most {LARGEST} bytes")
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        hint = "save the file as UTF-8 (the degree sign is a common cause)"
        raise BadInput(Problem(str(path), f"byte 0x{data[error.start]:02x}", "UTF-8 text", hint, line)) from None


def _file_problem(path: Path, got: str, hint: str) -> BadInput:
    return BadInput(Problem(str(path), got, "a site file that can be read", hint))


def parse(text: str, name: str) -> dict[str, Any]:
    """Return the tables in `text`. Raises BadInput with line, column and a hint on an error in the syntax."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(_syntax_problem(text, name, str(error))) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise BadInput(Problem(name, "a number", "a number that can be read", str(error))) from None
    except RecursionError:
        raise BadInput(Problem(name, "brackets nested too deeply", "a TOML file", "check the brackets")) from None


def _syntax_problem(text: str, name: str, message: str) -> Problem:
    lines = text.split("\n")
    position = _POSITION.search(message)
    row = int(position[1]) if position and position[1] else len(lines)
    column = int(position[2]) if position and position[2] else 1
    said = _POSITION.sub("", message).strip()
    source = lines[row - 1] if row <= len(lines) else ""
    value = f'"{source.strip()[:80]}"' if source.strip() else "the end of the file"
    key = match[1] if (match := _KEY.match(source)) else name
    expected = "a line of TOML such as key = value"
    return Problem(f"{key} (column {column})", value, expected, _syntax_hint(source, said), row)


def _syntax_hint(source: str, said: str) -> str:
    """Say what a newcomer most often means by such a line."""
    bare = re.match(r"\s*[\w.-]+\s*=\s*([^\"'\[{#]*?)\s*(?:#.*)?$", source)
    if any(mark in source for mark in "“”„‘’"):
        return 'use plain quotes: "'
    if re.match(r"\s*[\w.-]+\s*:", source):
        return "write key = value, with an equals sign"
    if bare and re.fullmatch(r"[-+]?\d+,\d+", bare[1]):
        return f"write {bare[1].replace(',', '.')} with a decimal point"
    if bare and bare[1]:
        return f'put it in quotes: "{bare[1]}"'
    if re.search(r"=\s*\"[^\"]*$|=\s*'[^']*$", source):
        return "a quote is not closed"
    if "overwrite" in said.lower() or "twice" in said.lower() or "already" in said.lower():
        header = source.strip().strip("[]")
        again = header in {"cylinder", "appliance", "sensor", "weather", "channel"}
        return f"write [[{header}]], in double brackets, for each one" if again else "the same key stands there twice"
    return said[:1].lower() + said[1:]


def _parts(dotted: str) -> list[str]:
    return [p.strip().strip("\"'") for p in re.findall(r"\"[^\"]*\"|'[^']*'|[^.]+", dotted)]


def lines(text: str) -> dict[Path_, int]:
    """Return the line of every table and key, by path (positions in a list from 0), as far as one line shows it."""
    found: dict[Path_, int] = {}
    counts: dict[Path_, int] = {}
    prefix: Path_ = ()
    closing = ""  # of a string over several lines
    depth = 0  # of brackets over several lines
    for row, line in enumerate(text.split("\n"), start=1):
        if depth == 0 and not closing:
            if header := _HEADER.match(line):
                prefix = _enter(_parts(header[2]), header[1] == "[[", counts)
                found[prefix] = row
                continue
            if key := _KEY.match(line):
                found.setdefault((*prefix, *_parts(key[1])), row)
        closing, depth = _after(line, closing, depth)
    return found


def _after(line: str, closing: str, depth: int) -> tuple[str, int]:
    """Return what is open after a line: the mark that ends a string over several lines ("" = none), and brackets."""
    at = 0
    while at < len(line):
        if closing:
            end = line.find(closing, at)
            if end < 0:
                return closing, depth
            at, closing = end + 3, ""
        elif line.startswith(('"""', "'''"), at):
            closing = line[at : at + 3]
            at += 3
        elif line[at] in "\"'":
            string = _STRING.match(line, at)
            at = string.end() if string else at + 1
        elif line[at] == "#":
            break
        else:
            depth += (line[at] in "[{") - (line[at] in "]}")
            at += 1
    return closing, max(0, depth)


def _enter(parts: list[str], is_list: bool, counts: dict[Path_, int]) -> Path_:
    """Return the path that a header opens; a list of tables met on the way stands for its last table."""
    path: Path_ = ()
    for place, part in enumerate(parts):
        path = (*path, part)
        if is_list and place == len(parts) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def line_of(path: Path_, found: dict[Path_, int]) -> int | None:
    """Return the line of a path or of the nearest table above it, None where nothing is known."""
    while path:
        if path in found:
            return found[path]
        path = path[:-1]
    return None
