"""What storage raises on purpose, apart from the database driver's own errors.

StoreError
├── StoreBusyError          the turn to write, a lock or a connection did not come in time
├── StoreFullError          the disk is full; nothing of the transaction is kept
├── StoreUnavailableError   the database cannot be reached, or went away
├── StoreConstraintError    a key or a check of the schema refuses the row
├── StoreConflictError      the transaction lost against another one and may be tried again
├── StoreSchemaError        the schema is not the one that this program needs
└── StoreMoveError          a database cannot be carried over, or is not equal to the one that it came from
"""

from __future__ import annotations


class StoreError(Exception):
    """Root of what storage raises on purpose."""


class StoreBusyError(StoreError):
    """The turn to write, a lock or a connection did not come in time."""

    retry_after_s = 1


class StoreFullError(StoreError):
    """The disk is full; nothing of the transaction is kept."""


class StoreUnavailableError(StoreError):
    """The database cannot be reached, or went away."""


class StoreConstraintError(StoreError):
    """A key or a check of the schema refuses the row; a service that expects this catches it by the name."""

    def __init__(self, name: str, *, is_unique: bool) -> None:
        """Keep the constraint's name (empty where the driver gives none) and whether it is a unique key."""
        super().__init__(f"constraint {name or 'without a name'} refuses the row")
        self.name = name
        self.is_unique = is_unique


class StoreConflictError(StoreError):
    """The transaction lost against another one (deadlock, serialisation) and may be tried again."""


class StoreSchemaError(StoreError):
    """The schema is not the one that this program needs."""


class StoreMoveError(StoreError):
    """A database cannot be carried over, or is not equal to the one that it came from; nothing of it is kept."""
