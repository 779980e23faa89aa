"""The house keeps its own rules: lint, types, floors, and a top level with nothing beyond the plan."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "SAFETY.md",
    "LICENSE",
    "pyproject.toml",
    "firmware_sim",
    "host",
    "hardware",
    "tests",
}


def tool(name: str) -> str:
    """Path of a tool installed beside this Python, or on the path."""
    beside = Path(sys.executable).with_name(name)
    found = str(beside) if beside.exists() else shutil.which(name)
    assert found, f"{name} is not installed: pip install -e '.[test]'"
    return found


@pytest.mark.parametrize(
    "command",
    [
        ["ruff", "check", "."],
        ["ruff", "format", "--check", "."],
        ["mypy"],
        ["lint-imports"],
    ],
    ids=" ".join,
)
def test_tools_find_nothing(command: list[str]) -> None:
    done = subprocess.run([tool(command[0]), *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_top_level_holds_only_what_was_planned() -> None:
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in done.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP


def test_files_stay_readable() -> None:
    long = {
        str(path.relative_to(ROOT)): lines
        for folder in ("host", "firmware_sim", "hardware")
        for path in (ROOT / folder).rglob("*.py")
        if (lines := len(path.read_text().splitlines())) > 500
    }
    assert not long
