"""The command ``fillmark demo``."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli.failures import fail, plain_failures

if TYPE_CHECKING:
    from rich.console import Console

    from api.cli.demo.loading import Client, Loaded
    from api.cli.demo.scenario import Scenario


def demo(
    *,
    database_url: Annotated[
        str | None,
        typer.Option(help="An empty database; fillmark-demo.db in this directory, made anew, unless given."),
    ] = None,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port to listen on; 0 for any free one.")
    ] = 8000,
    once: Annotated[bool, typer.Option("--once", help="End after the stories.")] = False,
) -> None:
    """Load an invented fleet, play three users' stories against it, and stay up."""
    from rich.console import Console

    from api.cli.demo.loading import DemoRefusedError
    from api.cli.demo.scenario import NoFixturesError
    from api.cli.demo.service import NotStartedError

    console = Console(highlight=False)
    try:
        with plain_failures():
            _play(console, database_url, port, is_staying=not once)
    except (NoFixturesError, NotStartedError, DemoRefusedError) as error:
        fail(str(error))
    except KeyboardInterrupt:
        console.print()


def _play(console: Console, database_url: str | None, port: int, *, is_staying: bool) -> None:
    import httpx

    from api.cli.demo.courses import courses
    from api.cli.demo.database import OWN_FILE, OWN_URL, is_cleared
    from api.cli.demo.desk import Desk
    from api.cli.demo.gateway import gateway
    from api.cli.demo.manager import fleet_manager, week
    from api.cli.demo.paper import Paper
    from api.cli.demo.scenario import Scenario
    from api.cli.demo.service import listening, running
    from api.cli.demo.shop import shop_tool
    from api.settings import Settings
    from api.store.migrate import migrate

    settings = Settings(database_url=database_url or OWN_URL)
    with listening(port) as listener:
        if database_url is None and is_cleared():
            console.print(f"{OWN_FILE} was here already; it is made anew.")
        migrate(settings.database_url)
        with (
            running(settings, listener) as base_url,
            httpx.Client(base_url=base_url, timeout=60) as client,
        ):
            if client.get("/v1/depots").json()["depots"]:
                fail("that database holds a fleet already; the demo takes an empty one")
            scenario = Scenario(datetime.now(UTC).date())
            _load(console, client, scenario)
            desk = Desk(client, Paper(console, base_url), courses(scenario.folder))
            for story in (fleet_manager, gateway, shop_tool, week):
                story(desk)
            if is_staying:
                desk.paper.say(
                    f"\nThe service stays up at {base_url}; its documentation is at {base_url}/docs."
                )
                desk.paper.say("Paste any call from above into another terminal. Ctrl-C ends it.")
                threading.Event().wait()


def _load(console: Console, client: Client, scenario: Scenario) -> None:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    from api.cli.demo.loading import load

    began = time.monotonic()
    calls = list(scenario.calls())
    with Progress(
        TextColumn("{task.description:<20}"),
        BarColumn(bar_width=None),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        expand=False,
    ) as progress:
        # Each call counts the same: a batch of readings takes about as long as ten visits, but moves no faster.
        task = progress.add_task("", total=len(calls))
        loaded = load(
            client, calls, lambda call: progress.update(task, advance=1, description=f"Loading {call.noun}")
        )
    _say_loaded(console, loaded, time.monotonic() - began)


def _say_loaded(console: Console, loaded: Loaded, seconds: float) -> None:
    rows, verdicts = loaded.rows, loaded.verdicts
    console.print("[bold]Ostmere Carriage and Works[/bold], an invented fleet in an invented country")
    console.print(
        f"{rows['vehicles']} vehicles of {rows['spec sheets']} types at {rows['depots']} depots,"
        f" {rows['visits']} visits to the workshop,"
    )
    console.print(
        f"{rows['readings']:,} readings: ".replace(",", " ")
        + ", ".join(f"{count:,} {verdict}".replace(",", " ") for verdict, count in verdicts.items())
    )
    console.print(f"loaded over HTTP in {seconds:.1f} s", style="dim")
