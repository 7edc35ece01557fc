"""How a path names a vehicle: by a unit number, valid today or on the day that the request gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Path, Query

from api.deps import Fleet, Page, Today
from api.schemas.times import Day
from api.services.units import Address
from api.store.facts import Window

# Keys of entries are 32-bit integers on PostgreSQL.
LARGEST_KEY = 2**31 - 1

EntryKey = Annotated[int, Path(ge=1, le=LARGEST_KEY, description="Identifies the entry.")]


@dataclass(frozen=True, slots=True)
class PlaceAsked:
    """A vehicle as the path names it.

    Attributes:
        address: The vehicle as services take it.
        has_day: Whether the request gives the day of the unit number.
    """

    address: Address
    has_day: bool

    def path(self, *below: object, unit: str | None = None) -> str:
        """The path of something below the vehicle, for ``Location``.

        Args:
            below: Parts of the path below the vehicle's.
            unit: Its unit number, where that is another one now.
        """
        parts = ["/v1/vehicles", unit or self.address.unit, *map(str, below)]
        query = f"?valid_on={self.address.on.isoformat()}" if self.has_day else ""
        return "/".join(parts) + query


async def place(
    fleet: Fleet,
    today: Today,
    unit: Annotated[
        str, Path(min_length=1, max_length=64, description="The vehicle's unit number.", examples=["T-104"])
    ],
    valid_on: Annotated[
        Day | None,
        Query(
            description=(
                "A day on which the unit number is the vehicle's, for one that has left or has another number"
                " by now; today (UTC) unless given."
            )
        ),
    ] = None,
) -> PlaceAsked:
    """The vehicle that the path names."""
    return PlaceAsked(Address(fleet.fleet_key, unit, valid_on or today), valid_on is not None)


async def window(
    page: Page,
    has_withdrawn: Annotated[bool, Query(description="Whether withdrawn entries are listed too.")] = False,  # noqa: FBT002 - a query parameter
) -> Window:
    """The page of entries asked for, with one more that tells whether another page follows."""
    after = page.after(int)
    return Window(None if after is None else int(after[0] or 0), page.limit + 1, has_withdrawn)


Place = Annotated[PlaceAsked, Depends(place)]
EntryWindow = Annotated[Window, Depends(window)]
