"""The ``fillmark`` command: ``serve``, ``demo``, ``import``, ``learn``, ``backtest`` and ``migrate``.

Invariant: a command reads its settings once, and a wrong setting ends it with one line that names the
setting.
"""

from __future__ import annotations

import os
from typing import Annotated

import typer
from rich.console import Console

from api.cli import imports
from api.cli.backtesting import backtest
from api.cli.demo.command import demo
from api.cli.failures import plain_failures
from api.cli.learning import learn
from api.cli.moving import move_to
from api.cli.thinning import thin
from api.settings import PREFIX, Settings, settings_from_environment
from api.store.migrate import migrate, newest_revision

app = typer.Typer(no_args_is_help=True, add_completion=False, help="Fleet maintenance service.")
_console = Console(stderr=True)


@app.callback()
def fillmark() -> None:
    """Due services, parts kits and fluid totals of a vehicle fleet."""


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port to listen on.")] = 8000,
    workers: Annotated[int, typer.Option(min=1, max=64, help="Processes.")] = 1,
) -> None:
    """Bring the database to the newest revision, then serve until stopped."""
    import uvicorn

    with plain_failures():
        settings = _settings()
        migrate(settings.database_url)
    os.environ[f"{PREFIX}DATABASE_URL"] = settings.database_url
    _console.print(f"fillmark on http://{host}:{port} (documentation: /docs), data in {_shown(settings)}")
    uvicorn.run(
        "api.app:app_from_environment",
        factory=True,
        host=host,
        port=port,
        workers=workers,
        access_log=False,
        log_level="warning",
        timeout_graceful_shutdown=10,
        server_header=False,
    )


@app.command(name="migrate")
def migrate_database() -> None:
    """Bring the database to the newest revision."""
    with plain_failures():
        settings = _settings()
        migrate(settings.database_url)
    _console.print(f"{_shown(settings)} is at revision {newest_revision() or 'none'}")


app.command()(demo)
app.command()(thin)
app.command()(learn)
app.command()(backtest)
app.command(name="move-to")(move_to)
app.add_typer(imports.commands, name="import")


def _settings() -> Settings:
    return settings_from_environment()


def _shown(settings: Settings) -> str:
    """The database without its password."""
    from sqlalchemy.engine import make_url

    return make_url(settings.database_url).render_as_string(hide_password=True)
