"""Runs revisions on the connection that ``api.store.migrate`` hands over, or that the settings name.

Invariant: the caller's transaction holds everything, so that a run is kept whole or not at all. Comparing
models with the database (``alembic check``) uses the same metadata and options.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from alembic import context

from api.settings import settings_from_environment
from api.store.engine import migration_connection
from api.store.migrate import comparison_options

if TYPE_CHECKING:
    from sqlalchemy import Connection


def run(connection: Connection) -> None:
    """Run the revisions asked for inside the connection's transaction."""
    context.configure(
        connection=connection,
        render_as_batch=True,
        transactional_ddl=True,
        **comparison_options(connection),
    )
    context.run_migrations()


if context.is_offline_mode():
    message = "revisions run on a live connection only"
    raise SystemExit(message)

handed_over = context.config.attributes.get("connection")
if handed_over is not None:
    run(handed_over)
else:
    with migration_connection(settings_from_environment().database_url, wait_s=120.0) as own:
        run(own)
