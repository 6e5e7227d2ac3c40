"""Containerfile and compose file, as far as they can be checked without an engine."""

from __future__ import annotations

import json
import platform
import re
from typing import Any

import pytest
import yaml

from monitor.web.guard import OPEN_PATHS
from tests.deploy.support import DEPLOY, ROOT, run

FILE = DEPLOY / "Containerfile"


def instructions() -> list[tuple[str, str]]:
    """Return the instructions in order, with continued lines joined and comments left out."""
    lines = [line for line in FILE.read_text().splitlines() if not line.startswith("#")]
    text = re.sub(r"\\\n\s*", " ", "\n".join(lines))
    return [(word, rest) for word, _, rest in (line.partition(" ") for line in text.splitlines() if line.strip())]


def compose() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    return found


def test_the_last_stage_is_nobody_special_and_looks_after_itself() -> None:
    whole = instructions()
    start = max(n for n, (word, _) in enumerate(whole) if word == "FROM")
    last: dict[str, list[str]] = {}
    for word, rest in whole[start:]:
        last.setdefault(word, []).append(rest)
    assert last["USER"] == ["8087:8087"]
    command = json.loads(last["HEALTHCHECK"][0].partition("CMD ")[2])
    assert command[0] == "python3"
    compile(command[2], "health", "exec")
    assert "/healthz" in command[2]
    assert "/healthz" in OPEN_PATHS  # it must answer without a password
    assert json.loads(last["CMD"][0]) == ["serve"]
    assert not {"ADD", "SHELL"} & set(last)
    assert all("--from=build" in c for c in last["COPY"])


def test_every_install_goes_by_hashes_or_by_our_own_wheel() -> None:
    runs = [rest for word, rest in instructions() if word == "RUN"]
    installs = [part for rest in runs for part in rest.split("&&") if " install " in part and "/pip " in part]
    assert len(installs) == 3
    assert all("--require-hashes" in i or ("--no-index" in i and "--no-deps" in i) for i in installs)


def test_what_is_copied_is_there_and_not_ignored() -> None:
    ignored = (ROOT / "deploy" / "Containerfile.dockerignore").read_text().splitlines()
    for word, rest in instructions():
        if word == "COPY" and "--from" not in rest:
            for name in rest.split()[:-1]:
                assert (ROOT / name).exists(), name
                assert f"!{name}" in ignored, name


def test_compose_locks_both_down() -> None:
    services = compose()["services"]
    assert set(services) == {"boiloff", "broker"}
    for name, service in services.items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert "no-new-privileges:true" in service["security_opt"], name
        assert not service["user"].startswith(("0", "root")), name
        assert service["mem_limit"], name
        assert "privileged" not in service, name
    assert services["boiloff"]["build"]["dockerfile"] == "deploy/Containerfile"
    assert services["boiloff"]["ports"] == ["127.0.0.1:8087:8087"]
    assert services["broker"]["ports"] == ["8883:8883"]  # with TLS alone
    for service in services.values():
        for volume in service["volumes"]:
            source = volume.partition(":")[0]
            assert source.startswith("..") or source in compose()["volumes"], volume


def test_images_are_named_without_a_registry() -> None:
    bases = [rest.split()[0] for word, rest in instructions() if word == "FROM"]
    images = [*bases, *(s["image"] for s in compose()["services"].values())]
    assert len(images) == 4
    assert not [name for name in images if "/" in name]


@pytest.mark.skipif(platform.machine() != "x86_64", reason="the linter is published for x86-64 alone")
def test_hadolint() -> None:
    run("hadolint", FILE)
