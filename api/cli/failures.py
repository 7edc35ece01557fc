"""How a command ends when something outside it is wrong: with one line that names it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import NoReturn

import typer
from pydantic import ValidationError
from rich.console import Console

from api.settings import PREFIX, UnknownSettingError
from api.store.errors import StoreError

STATUS = 2
"""Exit status of a command that could not do its work."""

_console = Console(stderr=True)


@contextlib.contextmanager
def plain_failures() -> Iterator[None]:
    """A block whose wrong settings and database failures end the command."""
    try:
        yield
    except UnknownSettingError as error:
        fail(str(error))
    except ValidationError as error:
        fail("; ".join(f"{PREFIX}{str(e['loc'][0]).upper()}: {e['msg']}" for e in error.errors()))
    except StoreError as error:
        fail(f"database: {error}")


def fail(reason: str) -> NoReturn:
    """End the command with its reason."""
    _console.print(f"fillmark: {reason}", markup=False, style="red")
    raise typer.Exit(STATUS)
