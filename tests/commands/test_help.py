"""What the program says of itself."""

from __future__ import annotations

import subprocess
import sys

from monitor import __version__
from monitor.cli import PANELS


def said(*words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", *words], capture_output=True, text=True, check=False, timeout=60,
        env={"COLUMNS": "80", "PATH": ""},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_version() -> None:
    assert said("--version") == f"boiloff {__version__}\n"


def test_the_help_lists_every_command_by_what_it_is_for() -> None:
    """A command without a panel is a KeyError: every one is in exactly one."""
    text = said("--help")
    lines = [line.removeprefix("│ ").split(" ")[0] for line in text.splitlines() if line.startswith("│ ")]
    names = [name for panel in PANELS.values() for name in panel]
    assert len(set(names)) == len(names)
    assert {*names} <= {*lines}
    for panel in PANELS:
        assert f"─ {panel} ─" in text
    assert "Will the LP-gas cylinders outside carry the burners" in text


def test_no_help_loses_words_in_brackets() -> None:
    """The help is marked-up text: what stands in square brackets would vanish."""
    names = [name for panel in PANELS.values() for name in panel]
    code = (
        "import sys, typer\nfrom typer.testing import CliRunner\nfrom monitor import cli\ncli._load()\n"
        "for name in sys.argv[1:]:\n    done = CliRunner().invoke(cli.app, [name, '--help'])\n"
        "    assert done.exit_code == 0, name\n    print(done.output)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *names], capture_output=True, text=True, check=True, timeout=120,
        env={"COLUMNS": "80", "PATH": ""},
    )  # fmt: skip
    assert done.stdout.count("Usage:") == len(names)
    assert "[]" not in done.stdout.replace("[OPTIONS]", "").replace("[ARGS]", "")
