"""The installer, below a folder of the test's own: an upgrade from an older version with data, again, and away."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.support import DEPLOY, ROOT, built, clean, copied, run

INSTALL = DEPLOY / "install"


def snapshot(root: Path) -> dict[str, tuple[int, int]]:
    """Return inode and time of change of everything below a folder, but for what Python writes for itself."""
    return {
        str(p): (p.lstat().st_ino, p.lstat().st_mtime_ns)
        for p in sorted(root.rglob("*"))
        if "__pycache__" not in p.parts and not p.is_dir()
    }


def install(root: Path, *more: str | Path, env: dict[str, str]) -> str:
    return run(INSTALL, "--root", root, *more, env=env)


def test_install_upgrade_again_and_away(tmp_path: Path) -> None:
    env, root = clean(tmp_path), tmp_path / "root"
    old = built(copied(tmp_path / "old", "0.0.9"), tmp_path / "dist", "wheel", env)
    new = built(copied(tmp_path / "new"), tmp_path / "dist", "wheel", env)
    site, data = root / "etc/boiloff/site.toml", root / "var/lib/boiloff"
    boiloff = root / "usr/local/bin/boiloff"
    current = root / "opt/boiloff/current"

    def version() -> str:
        return run(current / "bin/python", "-I", "-c", "import monitor; print(monitor.__version__)", env=env).strip()

    install(root, "--wheel", old, "--site", ROOT / "config/smallest.toml", env=env)
    assert version() == "0.0.9"
    assert site.stat().st_mode & 0o777 == 0o640
    assert data.stat().st_mode & 0o777 == 0o750
    assert (root / "etc/systemd/system/boiloff.service").read_text() == (DEPLOY / "boiloff.service").read_text()
    assert (root / "etc/systemd/system/multi-user.target.wants/boiloff.service").is_symlink()
    # the command finds site file and data by itself; run from the tests it must not become another user
    program = {**env, "BOILOFF_SITE": str(site), "BOILOFF_STORE": str(data / "boiloff.db")}
    assert "reading 1" in run(current / "bin/boiloff", "reading", "A", "--weighs", "30 lb", env=program)
    assert str(data / "boiloff.db") in boiloff.read_text()
    site.write_text(site.read_text() + "# the household's own line\n")

    first = current.resolve()
    # as after an upgrade of the system to another Python: the old version's program does not run any more
    python = next((first / "lib").glob("python3*"))
    python.rename(python.with_name("gone"))
    said = install(root, "--wheel", new, "--site", ROOT / "config/example.toml", env=env)
    assert version() != "0.0.9"
    assert first.exists(), "without systemd nobody has seen the new version run: the old one stays at hand"
    assert "copied the data" in said
    assert "the household's own line" in site.read_text()
    readings = json.loads(run(current / "bin/boiloff", "reading", "--list", "--json", env=program))
    assert "30" in json.dumps(readings) or "13.6" in json.dumps(readings)
    assert len(list(data.rglob("*.db"))) >= 2  # the database and its copy

    before = snapshot(root)
    assert "Nothing to change" in install(root, "--wheel", new, env=env)
    assert snapshot(root) == before

    # a site file that the new version refuses: the version in use stays
    good = site.read_text()
    site.write_text("[site]\nname = 1\n")
    refused = subprocess.run(
        [INSTALL, "--root", root, "--wheel", old], env=env, capture_output=True, text=True, check=False
    )
    assert refused.returncode != 0
    assert "old version stays" in refused.stderr
    assert version() != "0.0.9"
    site.write_text(good)

    install(root, "--uninstall", env=env)
    assert site.read_text() == good
    assert (data / "boiloff.db").exists()
    assert not current.exists()
    assert not boiloff.exists()
    assert not (root / "etc/systemd/system/boiloff.service").exists()
    assert "Nothing to change" in install(root, "--uninstall", env=env)
    install(root, "--uninstall", "--purge", env=env)
    assert [p for p in root.rglob("*") if p.is_file()] == []


@pytest.mark.parametrize("options", [["--root"], ["--wrong"], ["--root", "/"], ["--purge"]])
def test_bad_options_change_nothing(options: list[str], tmp_path: Path) -> None:
    done = subprocess.run([INSTALL, *options], env=clean(tmp_path), capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "deploy/install: " in done.stderr


@pytest.mark.parametrize("script", ["install", "try", "relock"])
def test_scripts_are_sound(script: str) -> None:
    assert os.access(DEPLOY / script, os.X_OK)
    run("bash", "-n", DEPLOY / script)
    assert shutil.which("shellcheck"), "apt-get install -y shellcheck"
    run("shellcheck", DEPLOY / script)
