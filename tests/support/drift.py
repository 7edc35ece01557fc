"""``python -m tests.support.drift``: holds a migrated PostgreSQL database against the models."""

from __future__ import annotations

from api.store.migrate import check_drift
from tests.support.databases import fast_folder, postgres_server

if __name__ == "__main__":
    with fast_folder() as folder, postgres_server(folder) as server, server.database() as url:
        check_drift(url)
