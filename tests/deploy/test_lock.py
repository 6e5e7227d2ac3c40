"""The lock: it satisfies pyproject, for every Python and machine we name, by hashes alone, and names no host."""

from __future__ import annotations

import re
import tomllib
from itertools import product

import pytest
from packaging.markers import default_environment
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.deploy.support import DEPLOY, ROOT

ENTRY = re.compile(r"^(?P<requirement>[A-Za-z0-9][^\\\n]*?)\s*\\\n(?P<hashes>(?:\s+--hash=[^\n]+\n?)+)", re.MULTILINE)
PYTHONS = ("3.11", "3.12", "3.13")
MACHINES = ("x86_64", "aarch64")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())


def entries(name: str) -> list[tuple[Requirement, list[str]]]:
    text = (DEPLOY / name).read_text()
    return [(Requirement(m["requirement"]), re.findall(r"--hash=(\S+)", m["hashes"])) for m in ENTRY.finditer(text)]


def pinned(name: str, python: str, machine: str) -> dict[str, str]:
    """Return package and version that the lock gives on one Python and machine; each package once."""
    here = {k: str(v) for k, v in default_environment().items()}
    here |= {"python_version": python, "python_full_version": f"{python}.1"}
    here |= {"platform_machine": machine, "sys_platform": "linux", "implementation_name": "cpython"}
    found: dict[str, str] = {}
    for requirement, _ in entries(name):
        if requirement.marker is None or requirement.marker.evaluate(here):
            key = canonicalize_name(requirement.name)
            assert key not in found, f"{key} twice on {python} {machine}"
            found[key] = str(requirement.specifier).removeprefix("==")
    return found


@pytest.mark.parametrize(("python", "machine"), list(product(PYTHONS, MACHINES)))
def test_it_satisfies_pyproject(python: str, machine: str) -> None:
    found = pinned("lock.txt", python, machine)
    for text in PROJECT["project"]["dependencies"]:
        wanted = Requirement(text)
        version = found.get(canonicalize_name(wanted.name))
        assert version is not None, f"{text}: not in the lock (deploy/relock)"
        assert wanted.specifier.contains(version, prereleases=True), f"{text}: the lock has {version} (deploy/relock)"


def test_the_build_lock_has_the_backend() -> None:
    found = pinned("lock-build.txt", "3.11", "x86_64")
    for text in PROJECT["build-system"]["requires"]:
        assert canonicalize_name(Requirement(text).name) in found


@pytest.mark.parametrize("name", ["lock.txt", "lock-build.txt"])
def test_every_line_is_a_pin_with_hashes_and_no_host(name: str) -> None:
    text = (DEPLOY / name).read_text()
    assert "://" not in text
    assert "index" not in text.lower()
    for requirement, hashes in entries(name):
        assert re.fullmatch(r"==[^*]+", str(requirement.specifier)), requirement
        assert requirement.url is None
        assert hashes
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", h) for h in hashes), requirement
    rest = ENTRY.sub("", text)
    assert all(line.startswith("#") or not line.strip() for line in rest.splitlines()), rest


def test_what_is_compiled_has_files_for_many_machines() -> None:
    """One or two files make a package of pure Python; a compiled one has a wheel for each machine and Python."""
    hashes = {canonicalize_name(r.name): len(h) for r, h in entries("lock.txt")}
    for name in ("numpy", "pandas", "cryptography", "pydantic-core", "cffi", "dbus-fast", "markupsafe", "pyyaml"):
        assert hashes[canonicalize_name(name)] > 10, name
