"""A copy of the checkout as git has it, and wheels built from it with another version's number."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"


def run(*command: str | Path, cwd: Path | None = None, env: dict[str, str] | None = None) -> str:
    """Run a command and return what it printed; fail with everything it said where it fails."""
    done = subprocess.run(
        [str(c) for c in command], cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, f"{command}: {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


def clean(home: Path, **more: str) -> dict[str, str]:
    """Return an environment without this one's Python paths and boiloff settings."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "BOILOFF", "COV_", "PYTEST", "VIRTUAL"))}
    return kept | {"HOME": str(home), "PIP_DISABLE_PIP_VERSION_CHECK": "1", "PIP_CACHE_DIR": pip_cache()} | more


def pip_cache() -> str:
    """Return pip's own cache, so that a test with another home does not fetch everything again."""
    return os.environ.get("PIP_CACHE_DIR", str(Path("~/.cache/pip").expanduser()))


def copied(to: Path, version: str = "") -> Path:
    """Copy what the tree holds (no caches, no environments) to `to`, under another version where one is given."""
    to.mkdir(parents=True)
    names = ["pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE", "config", "deploy", "monitor", "tests"]
    archive = to.with_suffix(".tar")
    run("tar", "-c", "--exclude=__pycache__", "-f", archive, *names, cwd=ROOT)
    run("tar", "-x", "-f", archive, "-C", to)
    archive.unlink()
    if version:
        for name, mark in (("pyproject.toml", "version = "), ("monitor/__init__.py", "__version__ = ")):
            file = to / name
            lines = [f'{mark}"{version}"' if line.startswith(mark) else line for line in file.read_text().splitlines()]
            file.write_text("\n".join(lines) + "\n")
    return to


def released() -> dict[str, str]:
    """Return each version that was released, oldest first, with the commit it was made of."""
    with (Path(__file__).parent / "released.csv").open(newline="") as file:
        return {row["version"]: row["commit"] for row in csv.DictReader(file)}


def as_released(to: Path, version: str) -> Path:
    """Put the tree of a released version to `to`, out of this checkout's history; fail where that is not whole."""
    commit = released()[version]
    archive = to.with_suffix(".tar")
    run("git", "-C", ROOT, "archive", "-o", archive, commit)  # a shallow clone: `git fetch --unshallow` mends it
    to.mkdir(parents=True)
    run("tar", "-x", "-f", archive, "-C", to)
    archive.unlink()
    return to


def built(tree: Path, to: Path, kind: str, env: dict[str, str]) -> Path:
    """Build the wheel or the sdist of `tree` by the build backend that pyproject names; return the file."""
    to.mkdir(exist_ok=True)
    code = f"import sys; from hatchling import build; print(build.build_{kind}(sys.argv[1]))"
    name = run(sys.executable, "-c", code, to, cwd=tree, env=env).strip().splitlines()[-1]
    return to / name
