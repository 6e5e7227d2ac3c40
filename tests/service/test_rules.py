"""Rules that hold for the whole tree: what pure parts may import, how long a file may be, what nothing may mention."""

from __future__ import annotations

import ast
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

# The standard library's pure parts. zoneinfo reads the zone tables, and gives the same answer each time.
PURE_STDLIB = {
    "__future__", "abc", "bisect", "collections", "copy", "dataclasses", "datetime", "decimal", "enum", "fractions",
    "functools", "heapq", "itertools", "math", "operator", "re", "statistics", "string", "textwrap", "types",
    "typing", "zoneinfo",
}  # fmt: skip
MAY_IMPORT = {
    "physics": {"numpy", "monitor.model", "monitor.physics"},
    "outlook": {"numpy", "monitor.model", "monitor.physics", "monitor.outlook"},
    "alerts": {"numpy", "monitor.model", "monitor.alerts"},
    "model": {"numpy", "monitor.model"},
}
# Names that would bring in a clock, chance, files or output without an import of their own.
IMPURE_CALLS = {"now", "utcnow", "today", "open", "print", "input", "random", "default_rng", "loadtxt", "fromfile"}

TEXT = {".py", ".md", ".toml", ".txt", ".csv", ".css", ".js", ".html", ".service", ".conf", ".yml", ".yaml", ".in", ""}
SKIP = {".git", ".venv", ".venv-plain", "__pycache__", "dist", "build"}
# Put together from pieces so that this file does not mention them itself.
FORBIDDEN = [
    re.compile(pattern)
    for pattern in (
        r"/wor" + r"k/",
        r"/ho" + r"me/(?!\.\.\.)[a-z]",
        r"site-" + r"packages/",
        r"--(extra-)?index-" + r"url\b",
        r"https?://[^\s\"')]*\b(artifactory|nexus|devpi|pypi-mirror)" + r"\b",
    )
]


def _sources(*parts: str) -> Iterator[Path]:
    for part in parts:
        yield from sorted((ROOT / part).rglob("*.py"))


def _texts() -> Iterator[Path]:
    tops = ("monitor", "config", "deploy", "tests", ".ci", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml")
    every = [p for top in tops for p in (ROOT / top, *(ROOT / top).rglob("*"))]
    for path in sorted(every):
        relative = path.relative_to(ROOT)
        hidden = any(p in SKIP or p.endswith(("_cache", ".egg-info")) or p == ".hypothesis" for p in relative.parts)
        if path.is_file() and not hidden and path.suffix in TEXT:
            yield path


def _imports(tree: ast.AST, package: str) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield node.lineno, name.name
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, node.module if node.level == 0 and node.module else f"{package} (relative)"


def _allowed(name: str, allowed: set[str]) -> bool:
    return name.split(".", maxsplit=1)[0] in PURE_STDLIB or any(name == a or name.startswith(a + ".") for a in allowed)


@pytest.mark.parametrize("part", sorted(MAY_IMPORT))
def test_pure_parts_import_nothing_impure(part: str) -> None:
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in _sources(f"monitor/{part}")
        for line, name in _imports(ast.parse(path.read_text()), f"monitor.{part}")
        if not _allowed(name, MAY_IMPORT[part])
    ]
    assert wrong == []


@pytest.mark.parametrize("part", ["physics", "outlook", "alerts", "model"])
def test_pure_parts_ask_no_clock_and_no_chance(part: str) -> None:
    wrong = []
    for path in _sources(f"monitor/{part}"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call):
                function = node.func
                name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
                if name in IMPURE_CALLS:
                    wrong.append(f"{path.relative_to(ROOT)}:{node.lineno} calls {name}")
    assert wrong == []


def test_the_rule_itself_catches_what_it_should() -> None:
    for text, bad in (
        ("import sqlite3", True),
        ("from monitor.store import Store", True),
        ("import random", True),
        ("import numpy as np\nfrom monitor.model.site import Site\nimport math", False),
    ):
        found = [n for _, n in _imports(ast.parse(text), "x") if not _allowed(n, MAY_IMPORT["physics"])]
        assert bool(found) == bad, text


def test_commands_load_late() -> None:
    """A command's module imports typer and the standard library at its top, so that --help stays quick.

    Modules with an underscore are no commands: a command loads them late too.
    """
    wrong = []
    for path in _sources("monitor/commands"):
        if path.name.startswith("_"):
            continue
        for node in ast.parse(path.read_text()).body:
            names = [n for _, n in _imports(ast.Module([node], []), "monitor.commands")]
            if isinstance(node, ast.Import | ast.ImportFrom):
                wrong += [f"{path.name}: {n}" for n in names if n.split(".")[0] in HEAVY or n.startswith(HEAVY_OURS)]
    assert wrong == []


HEAVY = {"numpy", "pint", "pandas", "pydantic", "fastapi", "uvicorn", "apprise", "requests", "rich", "sqlite_utils"}
HEAVY_OURS = (
    "monitor.commands._",
    "monitor.physics",
    "monitor.outlook",
    "monitor.web",
    "monitor.sensors",
    "monitor.service.daemon",
)


def test_files_and_functions_stay_readable() -> None:
    long = []
    for path in _sources("monitor"):
        text = path.read_text()
        if text.count("\n") > 450:
            long.append(f"{path.relative_to(ROOT)}: {text.count(chr(10))} lines")
        long += [
            f"{path.relative_to(ROOT)}:{node.lineno} {node.name}: {(node.end_lineno or 0) - node.lineno + 1} lines"
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and (node.end_lineno or 0) - node.lineno + 1 > 60
        ]
    assert long == []


def test_no_file_mentions_what_it_must_not() -> None:
    found = []
    for path in _texts():
        try:
            text = path.read_text()
        except UnicodeDecodeError:
            continue
        found += [
            f"{path.relative_to(ROOT)}:{number} {pattern.pattern}"
            for number, line in enumerate(text.splitlines(), 1)
            for pattern in FORBIDDEN
            if pattern.search(line)
        ]
    assert found == []


def test_the_top_of_the_tree_holds_what_it_should() -> None:
    allowed = {
        "monitor", "config", "deploy", "tests", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    }  # fmt: skip
    made = {"dist", "build"}  # hidden ones belong to tools
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:  # a source archive: look at what is there
        names = {p.name for p in ROOT.iterdir() if not p.name.endswith(".egg-info")} - made
    else:
        names = {line.split("/", maxsplit=1)[0] for line in listed.stdout.splitlines()}
    assert {name for name in names if name not in allowed and not name.startswith(".")} == set()
