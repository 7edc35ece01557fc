"""Connections of the drivers themselves, for what is measured bare and for loading in bulk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import psycopg

from api.store.engine import make_engines

if TYPE_CHECKING:
    from api.store.engine import Engines


def is_sqlite(engines: Engines) -> bool:
    """Whether the engines are of a SQLite file."""
    return engines.write.dialect.name == "sqlite"


def raw_connection(engines: Engines) -> Any:
    """A connection of the driver that the service itself uses, without a transaction begun."""
    url = engines.write.url
    if is_sqlite(engines):
        driver: Any = engines.write.dialect.dbapi
        return driver.connect(str(url.database), isolation_level=None)
    plain = url.set(drivername="postgresql").render_as_string(hide_password=False)
    return psycopg.connect(plain, autocommit=True)


def raw_connection_at(database_url: str) -> Any:
    """The same for a database's URL."""
    return raw_connection(make_engines(database_url))
