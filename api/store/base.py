"""The metadata that every table belongs to, and its naming convention.

Invariant: every constraint and index has a name derived from its table and columns, so that a migration can
address it on SQLite and PostgreSQL alike. Table modules derive from ``Row``; ``all_tables`` imports them.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import ClassVar

from sqlalchemy import MetaData
from sqlmodel import SQLModel

NAMING_CONVENTION = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Row(SQLModel):
    """Base of every table class (``class Vehicle(Row, table=True)``). Tables never leave ``api.store``."""

    metadata: ClassVar[MetaData] = MetaData(naming_convention=NAMING_CONVENTION)


def all_tables() -> MetaData:
    """The metadata with every table module of ``api.store`` imported."""
    package = importlib.import_module("api.store")
    for module in pkgutil.iter_modules(package.__path__, "api.store."):
        if module.name.rpartition(".")[2].startswith("tables"):
            importlib.import_module(module.name)
    return Row.metadata
