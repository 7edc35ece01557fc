"""Importing the service against importing FastAPI, SQLModel and NumPy alone, each in a fresh process."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

from tests.benchmarks.figures import Figure, Raw

if TYPE_CHECKING:
    from collections.abc import Iterator

_ROUNDS = 9
_WORKS = {
    "bare: import fastapi, sqlmodel, numpy": "import fastapi, sqlmodel, numpy",
    "the app: import api.app": "import api.app",
}
_TIMED = "import time; start = time.perf_counter(); {}; print((time.perf_counter() - start) * 1e3)"


def figures() -> Iterator[Figure]:
    """The import figure."""
    taken: dict[str, list[float]] = {label: [] for label in _WORKS}
    for turn in range(_ROUNDS + 1):
        for label, statement in _WORKS.items():
            done = subprocess.run(
                [sys.executable, "-c", _TIMED.format(statement)],
                check=True,
                capture_output=True,
                text=True,
                timeout=60,
            )
            if turn:  # the first turn writes byte code
                taken[label].append(float(done.stdout))
    bare, app = (Raw(label, tuple(values)) for label, values in taken.items())
    yield Figure("import", app.median / bare.median, 2.0, (app, bare))
