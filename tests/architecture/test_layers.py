"""The import contracts of pyproject.toml hold."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_the_import_contracts_hold() -> None:
    program = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    ended = subprocess.run(
        [sys.executable, "-c", program, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
