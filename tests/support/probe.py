"""A small noun that stores rows, to test what holds for every route without leaning on any feature."""

from __future__ import annotations

from typing import Annotated

import sqlalchemy as sa
from fastapi import Path, Query, Response
from pydantic import Field

from api.deps import Page, ReadSession, Today, Units, WriteSession
from api.intake import router
from api.problems import documented
from api.schemas.base import Answer, Choice, Request, Share, Text, Whole
from api.schemas.quantities import Distance, ShownDistance, Temperature, UnitSystem, Volume, shown_quantity
from api.schemas.times import Day, Instant, ShownInstant
from api.services.errors import NotFoundError
from api.store import session as units_of_work
from domain.units import Dimension

_TABLES = sa.MetaData()
PARENT = sa.Table("probe_parent", _TABLES, sa.Column("id", sa.Integer, primary_key=True))
CHILD = sa.Table(
    "probe_child",
    _TABLES,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("parent_id", sa.ForeignKey("probe_parent.id", deferrable=True, initially="DEFERRED")),
    sa.Column("words", sa.String(200)),
)
routes = router("/probes", tag="probe")


class ProbeItem(Request):
    """A part of a probe."""

    share: Annotated[Share, Field(description="A share [1].")]


class ProbeSent(Request):
    """A probe as sent."""

    id: Annotated[Whole, Field(description="Its key.")]
    words: Annotated[Text, Field(description="Words.")]
    run: Annotated[Distance, Field(description="A distance.")]
    filled: Annotated[Volume | None, Field(description="A volume.")] = None
    oil: Annotated[Temperature | None, Field(description="A temperature.")] = None
    at: Annotated[Instant, Field(description="An instant.")]
    on: Annotated[Day, Field(description="A day.")]
    system: Annotated[Choice[UnitSystem] | None, Field(description="A choice.")] = None
    is_new: Annotated[bool, Field(description="A flag.")] = False
    items: Annotated[list[ProbeItem], Field(max_length=200, description="Parts.")] = []  # noqa: RUF012
    parent_id: Annotated[Whole | None, Field(description="A parent's key.")] = None


class Probe(Answer):
    """A probe as kept."""

    id: Annotated[int, Field(description="Its key.")]
    run: Annotated[ShownDistance, Field(description="A distance.")]
    at: Annotated[ShownInstant, Field(description="An instant.")]
    on: Annotated[Day, Field(description="A day.")]


class ProbeList(Answer):
    """Keys of probes."""

    ids: Annotated[list[int], Field(description="Keys.")]
    next: Annotated[str | None, Field(description="Cursor of the next page.")]


@routes.post("", operation_id="make_probe", status_code=201, responses=documented(409))
def make_probe(body: ProbeSent, session: WriteSession, units: Units) -> Probe:
    """Stores a probe."""
    session.execute(CHILD.insert().values(id=body.id, words=body.words, parent_id=body.parent_id))
    run = shown_quantity(body.run.canonical(), Dimension.DISTANCE, units)
    return Probe(id=body.id, run=ShownDistance(**run), at=body.at, on=body.on)


@routes.get("", operation_id="list_probes")
def list_probes(
    page: Page,
    session: ReadSession,
    response: Response,
    words: Annotated[str | None, Query(max_length=20)] = None,
    least: Annotated[int | None, Query(ge=0, le=1 << 62)] = None,
    on: Annotated[Day | None, Query()] = None,
) -> ProbeList:
    """Lists probes by key."""
    del words, on
    after = page.after(int)
    query = sa.select(CHILD.c.id).order_by(CHILD.c.id).limit(page.limit + 1)
    if after is not None:
        query = query.where(CHILD.c.id > after[0])
    if least is not None:
        query = query.where(CHILD.c.id >= least)
    ids = list(session.execute(query).scalars())
    more = len(ids) > page.limit
    cursor = page.cursor(ids[page.limit - 1]) if more else None
    return ProbeList(ids=ids[: page.limit], next=page.link(response, cursor))


@routes.get("/{probe_id}", operation_id="show_probe")
def show_probe(probe_id: Annotated[int, Path(ge=0, le=1 << 62)], session: ReadSession) -> dict[str, str]:
    """Shows the words of a probe."""
    words = session.execute(sa.select(CHILD.c.words).where(CHILD.c.id == probe_id)).scalar()
    if words is None:
        kind = "probe"
        raise NotFoundError(kind)
    return {"words": words}


@routes.post("/fault", operation_id="fault")
def fault(today: Today) -> None:
    """Fails as a program does."""
    text = f"secret of {today}"
    raise RuntimeError(text)


@routes.post("/faulty-answer", operation_id="faulty_answer")
def faulty_answer() -> Probe:
    """Answers what its schema forbids."""
    return {"id": "secret"}  # type: ignore[return-value]


def create_tables(store: units_of_work.Store) -> None:
    """Put the probe's tables in place."""
    with store.writing() as session:
        _TABLES.create_all(session.connection())


def sent(**changes: object) -> dict[str, object]:
    """A body that ``make_probe`` accepts, with changes."""
    body: dict[str, object] = {
        "id": 1,
        "words": "oil pan",
        "run": {"value": 5.7, "unit": "km"},
        "at": "2031-05-04T08:00:00+02:00",
        "on": "2031-05-04",
    }
    return body | changes
