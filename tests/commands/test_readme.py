"""What README.md says commands print is what they print."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
COMMAND = ["capacity", "--site", "config/demo.toml", "--charge", "A=50%", "--charge", "B=50%", "--air", "5 degF"]


def test_the_three_figures() -> None:
    text = re.sub(r"\s+", " ", (ROOT / "README.md").read_text())
    assert 'capacity --site config/demo.toml --charge A=50% --charge B=50% --air "5 degF"` says' in text
    said = re.search(r"says: chart ([\d,]+) Btu/h, floor ([\d,]+), weather ([\d,]+) in calm air", text)
    assert said is not None
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", *COMMAND], cwd=ROOT, capture_output=True, text=True, check=True
    )
    printed = [
        re.search(rf"^{basis} [ *]*([\d,]+) Btu/h", done.stdout, re.MULTILINE)
        for basis in ("chart", "floor", "weather")
    ]
    assert [m.group(1) for m in printed if m is not None] == list(said.groups())


def test_every_command_of_the_table_is_there() -> None:
    text = (ROOT / "README.md").read_text()
    named = set(re.findall(r"\| `boiloff ([a-z-]+)", text)) | {"restore", "export", "init", "validate", "serve"}
    listed = subprocess.run([sys.executable, "-m", "monitor.cli", "--help"], capture_output=True, text=True, check=True)
    assert len(named) > 8
    for name in named:
        assert re.search(rf"^│ {name} ", listed.stdout, re.MULTILINE), name
