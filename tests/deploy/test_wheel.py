"""Wheel and sdist work without the source tree: built from a copy, installed elsewhere, run there."""

from __future__ import annotations

import json
import sys
import sysconfig
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

from tests.deploy.support import ROOT, built, clean, copied, run


def shipped() -> set[str]:
    """Return the names that a wheel of the tree must hold, as the package sees them."""
    found = {p.relative_to(ROOT) for p in (ROOT / "monitor").rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    return {str(p) for p in found} | {f"monitor/config/{p.name}" for p in (ROOT / "config").glob("*.toml")}


@pytest.fixture(scope="module")
def sdist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sdist")
    return built(copied(folder / "tree"), folder / "dist", "sdist", clean(folder))


def test_the_wheel_from_the_sdist_runs_elsewhere(sdist: Path, tmp_path: Path) -> None:
    """The longest way: tree, sdist, unpacked, wheel, a fresh environment, another folder."""
    (tmp_path / "unpacked").mkdir()
    run("tar", "-x", "-f", sdist, "-C", tmp_path / "unpacked")  # tarfile's own filters came with Python 3.11.4
    (tree,) = (tmp_path / "unpacked").iterdir()
    env = clean(tmp_path)
    wheel = built(tree, tmp_path / "dist", "wheel", env)
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    assert shipped() <= names
    assert not [n for n in names if n.startswith(("tests/", "deploy/")) or n.endswith(".pyc")]

    place = tmp_path / "venv"
    venv.create(place, with_pip=False, symlinks=True)
    python = place / "bin" / "python"
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", "--no-index", wheel, env=env)
    (site_packages,) = (place / "lib").glob("python3*/site-packages")
    # the libraries are those of the tests; the package itself must be the installed one
    (site_packages / "zz-libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    boiloff, away = place / "bin" / "boiloff", tmp_path / "away"
    away.mkdir()
    where = run(python, "-c", "import monitor; print(monitor.__file__)", cwd=away, env=env)
    assert where.startswith(str(place))
    assert "capacity" in run(boiloff, "--help", cwd=away, env=env)
    code = "from monitor.service.files import example; print(example('example.toml'))"
    example = run(python, "-c", code, cwd=away, env=env).strip()
    assert example.startswith(str(place))
    run(boiloff, "validate", "--site", example, cwd=away, env=env)
    said = run(
        boiloff, "capacity", "--site", example, "--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF", "--json",
        cwd=away, env=env,
    )  # fmt: skip
    assert json.loads(said)["points"][0]["sustained_w"]["chart"] > 0
    run(boiloff, "demo", "--quick", cwd=away, env=env)


def test_the_sdist_holds_what_the_readme_names(sdist: Path) -> None:
    with tarfile.open(sdist) as archive:
        names = {n.partition("/")[2] for n in archive.getnames()}
    assert {"deploy/try", "deploy/install", "deploy/lock.txt", "tests/run", "README.md", "LICENSE"} <= names
    assert not [n for n in names if n.endswith((".pyc", ".db"))]
