"""Every branch of what bounds and stops the motion is taken by its exact tests; none is excluded."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CORE = (
    *(f"hardware/firmware/evenbed_fw/{name}.py" for name in ("budget", "envelope", "pedal", "safety", "waydown")),
    "host/evenbed/head/guard.py",
    "host/evenbed/head/stopbudget.py",
)
TESTS = (
    *(f"tests/firmware/test_safety_{part}.py" for part in ("core", "trips", "orders", "permits")),
    *(f"tests/firmware/test_{name}.py" for name in ("envelope", "budget", "pedal", "way_down")),
    "tests/host/test_guard.py",
    "tests/host/test_stop_budget.py",
)


def test_every_branch_of_the_safety_core_is_taken(tmp_path: Path) -> None:
    def coverage(*words: str) -> subprocess.CompletedProcess[str]:
        env = {**os.environ, "COVERAGE_FILE": str(tmp_path / "coverage")}
        command = [sys.executable, "-m", "coverage", *words]
        return subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)

    include = "--include=" + ",".join(CORE)
    ran = coverage("run", "--branch", include, "-m", "pytest", "-p", "no:cacheprovider", *TESTS)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    shown = coverage("report", "--show-missing", "--fail-under=100", include)
    assert shown.returncode == 0, shown.stdout + shown.stderr
    assert all(Path(name).stem in shown.stdout for name in CORE), shown.stdout
