"""The demo's database: always a fresh one, and never at the cost of somebody's data.

Invariant: only the file of the demo's own name is made anew; a database that the user names has to be empty.
"""

from __future__ import annotations

from pathlib import Path

OWN_FILE = "fillmark-demo.db"
OWN_URL = f"sqlite:///{OWN_FILE}"
# The database, its write-ahead log and that log's index, and the file that writers take turns by.
_SUFFIXES = ("", "-wal", "-shm", ".lock")


def is_cleared() -> bool:
    """Whether the demo's own file was there in the working directory; it is gone now."""
    if not Path(OWN_FILE).exists():
        return False
    for suffix in _SUFFIXES:
        Path(f"{OWN_FILE}{suffix}").unlink(missing_ok=True)
    return True
