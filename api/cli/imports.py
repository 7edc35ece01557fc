"""The command ``fillmark import readings``."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli.failures import fail, plain_failures

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from api.cli.csv_history import Journal
    from api.services.feed.tally import Tally
    from api.settings import Settings
    from api.store.session import Store

commands = typer.Typer(no_args_is_help=True, help="Take in what was kept elsewhere.")


@commands.callback()
def imports() -> None:
    """Take in what was kept elsewhere."""


@commands.command()
def readings(
    file: Annotated[
        Path,
        typer.Argument(
            exists=True,
            dir_okay=False,
            readable=True,
            help="CSV in UTF-8 with the columns unit, meter, at, value, unit_code and source.",
        ),
    ],
) -> None:
    """Store the readings of a CSV file.

    Rows go in by 10,000, each batch whole or not at all. An import that was broken off goes on where it stopped when
    the same command is given again; FILE.progress.json beside the file knows how far it came. Refused rows go to
    FILE.rejects.csv with the reason.
    """
    from rich.console import Console

    from api.cli.csv_history import Journal, NoHistoryError
    from api.settings import settings_from_environment

    console = Console(stderr=True, highlight=False)
    try:
        with plain_failures():
            _import(console, settings_from_environment(), file, Journal(file))
    except NoHistoryError as error:
        fail(str(error))
    except KeyboardInterrupt:
        fail("broken off; the same command goes on from here")


def _import(console: Console, settings: Settings, file: Path, journal: Journal) -> None:
    from api.store.migrate import migrate
    from api.store.session import Store

    migrate(settings.database_url)
    store = Store.at(settings.database_url)
    began = time.monotonic()
    skipped = journal.stored_rows()
    if skipped:
        console.print(f"goes on after row {skipped:,}")
    try:
        with _progress(console) as progress:
            tally = _stored(store, file, journal, skipped, progress)
    finally:
        store.close()
    journal.end()
    seconds = max(time.monotonic() - began, 1e-3)
    console.print(
        f"{tally.received:,} rows in {seconds:.1f} s: {tally.accepted:,} accepted, {tally.duplicate:,} duplicate,"
        f" {tally.held:,} held, {tally.refused:,} refused"
    )
    if journal.rejects.exists():
        console.print(f"refused rows with their reasons: {journal.rejects}", soft_wrap=True)


def _stored(store: Store, file: Path, journal: Journal, skipped: int, progress: Progress) -> Tally:
    from api.cli.csv_history import batches
    from api.deps import DEFAULT_FLEET_KEY, SYSTEM_CLOCK
    from api.services.feed.recording import record
    from api.services.feed.tally import Tally

    tally, rows = Tally(), skipped
    task = progress.add_task("readings", total=file.stat().st_size, rows=rows)
    for batch in batches(file, skipped=skipped):
        journal.keep_rejects(batch.rejects)
        outcome = store.write(
            lambda session, sent=batch.sent: record(  # type: ignore[misc] # bound as it is now
                session, DEFAULT_FLEET_KEY, sent, now_us=SYSTEM_CLOCK.now_us()
            )
        )
        rows += batch.rows
        journal.note(rows)
        tally.add(outcome, [reject.refused for reject in batch.rejects])
        progress.update(task, completed=batch.read_bytes, rows=rows)
    return tally


def _progress(console: Console) -> Progress:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.fields[rows]:,} rows"),
        BarColumn(bar_width=None),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        console=console,
    )
