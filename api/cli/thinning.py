"""The command ``fillmark thin``."""

from __future__ import annotations

import time
from typing import Annotated

import typer
from rich.console import Console

from api.cli.failures import plain_failures
from api.services.feed.thinning import LEAST_DAYS, Thinned
from api.services.feed.thinning import thin as thinned_vehicles
from api.settings import settings_from_environment
from api.store.migrate import migrate
from api.store.session import Store
from domain.meters import DAY_US

# One fleet so far; access keys will name others.
_FLEET = 1


def thin(
    older_than: Annotated[
        int, typer.Option(min=LEAST_DAYS, max=36_500, help="Thin UTC days at least so many days old.")
    ] = 90,
) -> None:
    """Keep the last accepted reading of each old UTC day; no answer about due services changes."""
    console = Console(stderr=True, highlight=False)
    total = Thinned()
    with plain_failures():
        settings = settings_from_environment()
        migrate(settings.database_url)
        store = Store.at(settings.database_url)
        try:
            before_day = time.time_ns() // 1000 // DAY_US - older_than + 1
            for some in thinned_vehicles(store, _FLEET, before_day=before_day):
                total.add(some)
        finally:
            store.close()
    for meter, count in sorted(total.removed.items()):
        console.print(f"{meter.value}: {count:,} readings removed")
    removed = sum(total.removed.values())
    console.print(
        f"{removed:,} readings of {total.vehicles:,} vehicles removed, on {total.days:,} days of a meter;"
        f" {total.kept:,} of these ages kept"
    )
