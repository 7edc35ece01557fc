"""The service under test: put together once, set on another database and clock for each test."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from api import deps
from api.settings import Settings

if TYPE_CHECKING:
    from fastapi import FastAPI


class SetClock:
    """A clock that stands where the test puts it."""

    def __init__(self, moment: datetime) -> None:
        """Stand at ``moment``."""
        self.moment = moment

    def now_us(self) -> int:
        """UTC microseconds [us]."""
        return (self.moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)

    def forward(self, **by: float) -> None:
        """Go on by a ``timedelta`` given by its parts."""
        self.moment += timedelta(**by)


def set_on(app: FastAPI, database_url: str, clock: SetClock) -> FastAPI:
    """The same app, to be started on another database."""
    app.state.settings = Settings(database_url=database_url)
    app.state.clock = deps.Clock(clock.now_us)
    return app
