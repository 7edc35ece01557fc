"""``python -m tests.benchmarks [NAME ...]``: one line a figure, and what was measured below it.

Always ends with 0: figures depend on the machine, so a missed goal is for a person to look at.
"""

from __future__ import annotations

import argparse
import importlib
import time

# Loaded on demand: the measured imports of one benchmark are no matter of the others.
NAMES = (
    "due_page",
    "plans",
    "columns",
    "exchange",
    "jobs",
    "ingest",
    "lines",
    "connections",
    "processes",
    "long_body",
    "stored",
    "imports",
    "demand",
)


def main() -> None:
    """Run the benchmarks that are named, or all of them."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument(
        "names", metavar="NAME", nargs="*", help=f"one of {', '.join(NAMES)}; all unless named"
    )
    named: list[str] = parser.parse_args().names
    for name in named:
        if name not in NAMES:
            parser.error(f"no benchmark {name}; there are {', '.join(NAMES)}")
    for name in named or NAMES:
        start = time.perf_counter()
        for figure in importlib.import_module(f"tests.benchmarks.{name}").figures():
            print("\n".join(figure.lines()), flush=True)  # noqa: T201 - the command's output
        print(f"    ({name} took {time.perf_counter() - start:.0f} s)", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
