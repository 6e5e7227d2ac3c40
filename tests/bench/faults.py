"""Every fault in turn, and what came of it: what was lost, seconds to recover, what the user is told.

    python -m tests.bench.faults [--soak] [PYTEST ARGUMENTS]

Runs the tests of faults and prints the table of what they measured; ends with their exit status.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from xml.etree import ElementTree as ET

ROOT = Path(__file__).resolve().parents[2]
WIDTH = 120  # characters of what is told; longer is cut
# their own tests measure these; how they came out is all that is shown
ALSO = {
    "tests/service/test_faults.py": "forecast server: 7 faults; broker down",
    "tests/service/test_killed.py": "SIGKILL at 50 random moments",
    "tests/store/test_power.py": "power cut: the log ends anywhere",
}


def rows(report: Path) -> list[dict[str, object]]:
    """Return what the tests noted, in the order in which they ran."""
    return [
        json.loads(p.get("value", "{}")) for p in ET.parse(report).iter("property") if p.get("name") == "fault"
    ]  # fmt: skip


def table(found: list[dict[str, object]]) -> str:
    """Return the rows as a Markdown table."""
    lines = ["| Fault | Lost | Recovered in | What the user is told |", "|---|---|---|---|"]
    for row in sorted(found, key=lambda r: str(r["fault"]).lower()):
        told = re.sub(r"/tmp/\S*/", "…/", " ".join(str(row["told"]).split())).replace("|", "/")
        seconds = row["recovered_s"]
        took = "-" if seconds is None else f"{float(str(seconds)):.1f} s"
        lines.append(
            f"| {row['fault']} | {row['lost']} | {took} | {told if len(told) <= WIDTH else told[:WIDTH] + ' …'} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Run and print."""
    own = sorted(str(p.relative_to(ROOT)) for p in (ROOT / "tests/service").glob("test_faults_*.py"))
    more = [a for a in sys.argv[1:] if a != "--soak"]
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        marks = [] if "--soak" in sys.argv else ["-m", "not soak"]
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly", "-o", "junit_family=xunit1",
             f"--junitxml={report}", *marks, *more, *own, *ALSO],
            cwd=ROOT, check=False,
        )  # fmt: skip
        found = rows(report)
        cases = list(ET.parse(report).iter("testcase"))
    for path, what in ALSO.items():
        of = [c for c in cases if c.get("file") == path or c.get("classname") == path[:-3].replace("/", ".")]
        bad = sum(c.find("failure") is not None or c.find("error") is not None for c in of)
        found.append({"fault": what, "lost": "nothing" if of and not bad else f"{bad} of {len(of)} tests failed",
                      "recovered_s": None, "told": f"{len(of)} tests in {path}"})  # fmt: skip
    sys.stdout.write(table(found) + "\n")
    return done.returncode


if __name__ == "__main__":
    raise SystemExit(main())
