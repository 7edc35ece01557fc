"""The command ``fillmark learn``."""

from __future__ import annotations

import time

from rich.console import Console

from api.cli.failures import fail, plain_failures
from api.cli.words import counted

# One fleet so far; access keys will name others.
_FLEET = 1


def learn() -> None:
    """Learn from the fleet's readings how each type runs its meters, for forecasts of use.

    Worth doing once a fleet has some months of readings, and again every week or month: what was learned ages as
    routes and seasons change. Forecasts go by each vehicle's own recent use until then.
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from api.services.use_learning import learn as learned_types
    from api.settings import settings_from_environment
    from api.store.migrate import migrate
    from api.store.session import Store

    console = Console(stderr=True, highlight=False)
    with plain_failures():
        settings = settings_from_environment()
        migrate(settings.database_url)
        store = Store.at(settings.database_url)
        try:
            with Progress(
                TextColumn("{task.description:<22}"),
                BarColumn(bar_width=None),
                MofNCompleteColumn(),
                TimeElapsedColumn(),
                console=console,
            ) as progress:
                tasks = {}

                def tell(stage: str, done: int, total: int) -> None:
                    if stage not in tasks:
                        tasks[stage] = progress.add_task(stage.replace("_", " "), total=total)
                    progress.update(tasks[stage], completed=done, total=total)

                found = learned_types(store, _FLEET, now_us=time.time_ns() // 1000, told=tell)
        finally:
            store.close()
    if not found:
        fail("there is nothing to learn from: no vehicle has readings of more than one day")
    for meter in dict.fromkeys(one.meter for one in found):
        some = [one for one in found if one.meter is meter]
        console.print(
            f"{meter.value.replace('_', ' ')}: {counted(len(some), 'type')},"
            f" {counted(sum(one.vehicles for one in some), 'vehicle')},"
            f" {counted(sum(one.forecasts for one in some), 'forecast')} held against what happened"
        )
