"""Any order of calls, with a crash between any two: jobs and stock agree with each other and with a small model.

The model knows a job by its state, the entries that count and what was reserved, and a depot by what it received.
Each call is made in a unit of work of its own; a crash ends one after the call, before it is kept.
"""

from __future__ import annotations

import contextlib
import itertools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import hypothesis
import pytest
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import text

from api.services import job_entering, job_opening, jobs
from api.services.due import DueAsk
from api.services.errors import ConflictError, StaleVersionError
from api.services.job_entering import FluidOffered, NewEntry, SigningOff
from api.services.job_opening import NewJob
from api.services.units import Address
from domain.errors import JobError
from domain.job_entries import (
    CheckedBefore,
    Corrected,
    Drained,
    LevelRead,
    Poured,
    Resumed,
    SealRenewed,
    SignedOff,
    Started,
    Stopped,
    Waiting,
    WaitsFor,
)
from domain.job_result import open_items
from domain.jobs import JobState
from tests.support.bay import litres, set_up_bay
from tests.support.sheet_documents import quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from api.store.session import WriteSession
    from tests.support.client import CheckedClient

FLEET = 1
SERVICES = {"gearbox": ("cvt", "cvt-n"), "oil": ("sump", "oil-c3-5w30")}
# What a job reserves: the sheet's two passes of 4 L with 5 % more, one of 5.7 L; a filter, a seal for each pass.
RESERVED = {
    "gearbox": {"cvt-n": 8_400, "S-14": 2},
    "oil": {"oil-c3-5w30": 5_700, "F-2": 1, "S-14": 1},
}
RECEIVED = {"cvt-n": 30_000, "oil-c3-5w30": 20_000, "F-2": 3, "S-14": 9}


KINDS = ("started", "waiting", "resumed", "checked", "at_hand", "seal", "drained", "poured", "stopped")
ACTS = (*KINDS, "undo", "sign_off")
_BEGINNING = ("started", "checked", "at_hand", "drained", "seal", "poured", "poured")


class CrashError(Exception):
    """The process ends before a unit of work is kept."""


@dataclass
class Model:
    """A job as the model knows it."""

    unit: str
    service: str
    state: str = "planned"
    was_started: bool = False
    entries: int = 0
    counting: list[tuple[int, str, int]] = field(default_factory=list)
    """Number, kind and volume of the entries on the work that count [mL]."""

    def sum_of(self, kind: str) -> int:
        """The volumes of one kind [mL]."""
        return sum(volume for _, one, volume in self.counting if one == kind)

    def has(self, kind: str) -> bool:
        """Whether an entry of that kind counts."""
        return any(one == kind for _, one, _ in self.counting)

    @property
    def is_drained(self) -> bool:
        """Whether the last thing that moved was a drain."""
        moved = [kind for _, kind, _ in self.counting if kind in {"drained", "poured"}]
        return bool(moved) and moved[-1] == "drained"

    def takes(self, kind: str) -> bool:
        """Whether an entry of that kind is taken now."""
        return {
            "started": self.state in {"planned", "started"} and not self.was_started,
            "waiting": self.state in {"planned", "started"},
            "resumed": self.state == "waiting",
            "stopped": self.state in {"planned", "started", "waiting"},
            "checked": self.state == "started" and not self.has("drained"),
            "at_hand": self.state == "started",
            "seal": self.state == "started",
            "drained": self.state == "started"
            and self.has("checked")
            and self.has("at_hand")
            and not self.is_drained,
            "poured": self.state == "started" and self.has("at_hand") and self.has("drained"),
            "undo": self.state == "started" and bool(self.counting),
            "sign_off": self.state == "started" and self.has("poured"),
        }[kind]

    @property
    def used(self) -> dict[str, int]:
        """What the job used."""
        product = SERVICES[self.service][1]
        found = {product: self.sum_of("poured"), "S-14": sum(kind == "seal" for _, kind, _ in self.counting)}
        if self.service == "oil" and self.has("poured"):
            found["F-2"] = 1
        return found


class Machine(RuleBasedStateMachine):
    """Calls in any order on a vehicle at a depot of its own."""

    client: CheckedClient
    numbers: itertools.count[int]

    def __init__(self) -> None:
        """A depot with stock, and a vehicle on which nothing was done."""
        super().__init__()
        which = next(self.numbers)
        self.depot = f"d{which}"
        self.unit = f"U-{which}"
        self.models: dict[int, Model] = {}
        self._make()

    def _make(self) -> None:
        post = self.client.post
        assert (
            post("/v1/depots", json={"code": self.depot, "name": "x", "time_zone": "UTC"}).status_code == 201
        )
        vehicle = {
            "unit": self.unit,
            "spec_sheet": "shuttle",
            "depot": self.depot,
            "in_service_on": "2030-05-01",
        }
        assert post("/v1/vehicles", json=vehicle | {"is_known_from_new": True}).status_code == 201
        lines = [
            {"fluid_product": code, "amount": litres(amount / 1000)}
            if amount >= 1000
            else {"part": code, "amount": quantity(amount, "piece")}
            for code, amount in RECEIVED.items()
        ]
        body = {"key": f"in-{self.depot}", "kind": "receipt", "depot": self.depot, "lines": lines}
        assert post("/v1/stock-entries", json=body).status_code in {200, 201}

    def _call(self, call: Callable[[WriteSession], Any], *, is_crashing: bool) -> Any:
        """What a call gives; after a crash None, and nothing of it is kept."""
        found = None
        with contextlib.suppress(CrashError), self.client.store.writing() as session:
            found = call(session)
            if is_crashing:
                found = None
                raise CrashError
        return found

    @property
    def now_us(self) -> int:
        """The present [us UTC]."""
        return int(self.client.app.state.clock.now_us())

    @rule(
        service=st.sampled_from(sorted(SERVICES)),
        is_begun=st.booleans(),
        is_crashing=st.integers(0, 3).map(lambda one: one == 0),
    )
    def open(self, service: str, *, is_begun: bool, is_crashing: bool) -> None:
        """A job, opened, and perhaps begun as it should be; not a second one for the same service."""
        label = self.unit
        today = self.client.app.state.clock.today()
        is_open = any(
            (one.unit, one.service) == (label, service) and one.state not in {"signed_off", "stopped"}
            for one in self.models.values()
        )

        def call(session: WriteSession) -> int:
            at = Address(FLEET, label, today)
            return job_opening.open_job(
                session, at, NewJob((service,), "foreman"), DueAsk(today), now_us=self.now_us
            )

        if is_open:
            with pytest.raises(ConflictError):
                self._call(call, is_crashing=False)
            return
        number = self._call(call, is_crashing=is_crashing)
        if number is not None:
            model = self.models[number] = Model(label, service)
            for kind in _BEGINNING if is_begun else ():
                self._enter(number, model, kind, 3_000, is_crashing=False, is_stale=False)

    @precondition(lambda self: self.models)
    @rule(
        data=st.data(),
        is_fitting=st.integers(0, 4).map(bool),
        volume_ml=st.integers(1, 6_000),
        is_crashing=st.integers(0, 3).map(lambda one: one == 0),
        is_stale=st.integers(0, 7).map(lambda one: one == 0),
    )
    def act(
        self, data: st.DataObject, volume_ml: int, *, is_fitting: bool, is_crashing: bool, is_stale: bool
    ) -> None:
        """An entry on any job, mostly one that fits; or its undoing, or a signing off."""
        number = data.draw(st.sampled_from(sorted(self.models)))
        model = self.models[number]
        fitting = [kind for kind in ACTS if model.takes(kind)]
        kind = data.draw(st.sampled_from(fitting if is_fitting and fitting else KINDS))
        if kind == "undo":
            self._undo_the_last(number, model, is_crashing=is_crashing)
        elif kind == "sign_off":
            self._sign_off(number, model, has_reasons=not is_stale, is_crashing=is_crashing)
        else:
            self._enter(number, model, kind, volume_ml, is_crashing=is_crashing, is_stale=is_stale)

    def _enter(
        self, number: int, model: Model, kind: str, volume_ml: int, *, is_crashing: bool, is_stale: bool
    ) -> None:
        compartment, product = SERVICES[model.service]
        said: Any = {
            "started": Started(),
            "waiting": Waiting(WaitsFor.PARTS),
            "resumed": Resumed(),
            "stopped": Stopped("given up"),
            "checked": CheckedBefore(compartment, LevelRead(0.5, 60.0)),
            "at_hand": FluidOffered(compartment, product, None, None),
            "seal": SealRenewed(compartment, "drain"),
            "drained": Drained(compartment, volume_ml),
            "poured": Poured(compartment, product, volume_ml),
        }[kind]
        version = (model.entries or 99) if is_stale else model.entries + 1

        def call(session: WriteSession) -> Any:
            new = NewEntry("mechanic", None, said)
            return job_entering.enter(session, FLEET, number, version, new, now_us=self.now_us)

        expected = self._refusal(model, kind, is_stale=is_stale)
        if expected is not None:
            with pytest.raises(expected):
                self._call(call, is_crashing=False)
        elif self._call(call, is_crashing=is_crashing) is not None:
            model.entries += 1
            if kind in {"started", "waiting", "resumed", "stopped"}:
                resumed = "started" if model.was_started else "planned"
                model.state = resumed if kind == "resumed" else kind
                model.was_started = model.was_started or kind == "started"
            else:
                model.counting.append((model.entries, kind, volume_ml))

    @staticmethod
    def _refusal(model: Model, kind: str, *, is_stale: bool) -> type[Exception] | None:
        if is_stale:
            return StaleVersionError
        if model.state in {"signed_off", "stopped"}:
            return ConflictError
        return None if model.takes(kind) else JobError

    def _undo_the_last(self, number: int, model: Model, *, is_crashing: bool) -> None:
        """The newest entry on the work, corrected away."""
        corrects = model.counting[-1][0]

        def call(session: WriteSession) -> Any:
            new = NewEntry("mechanic", None, Corrected(corrects, "mistyped"))
            return job_entering.enter(session, FLEET, number, model.entries + 1, new, now_us=self.now_us)

        if self._call(call, is_crashing=is_crashing) is not None:
            model.entries += 1
            model.counting.pop()

    def _sign_off(self, number: int, model: Model, *, has_reasons: bool, is_crashing: bool) -> None:
        """A job, signed off with reasons for all that is open; not without."""

        def call(session: WriteSession) -> Any:
            job = jobs.job_of(session, FLEET, number)
            reasons = tuple((one.item, "no time") for one in open_items(job.plan, job.standing))
            said = SignedOff(("mechanic",), "foreman", reasons if has_reasons else ())
            signing = SigningOff(said, None, (), None)
            return job_entering.sign_off(
                session, FLEET, number, model.entries + 1, signing, now_us=self.now_us
            )

        # Two jobs of one vehicle signed off at one instant are different work; the same service twice is not.
        self.client.app.state.clock.now_us.__self__.forward(seconds=1)
        if not has_reasons:
            with pytest.raises(JobError):
                self._call(call, is_crashing=False)
        elif self._call(call, is_crashing=is_crashing) is not None:
            model.entries += 1
            model.state = "signed_off"

    @invariant()
    def jobs_are_what_the_model_says(self) -> None:
        """State, version, volumes and work done; the row is the fold of the entries."""
        with self.client.store.reading() as session:
            for number, model in self.models.items():
                job = jobs.job_of(session, FLEET, number)
                row = session.execute(
                    text("SELECT state FROM job WHERE id = :job"), {"job": number}
                ).scalar_one()
                assert (job.standing.state.value, row) == (model.state, model.state)
                assert job.head.version == model.entries + 1 == len(job.entries) + 1
                vessel = job.standing.vessels[SERVICES[model.service][0]]
                assert vessel.measured.drained_ml == model.sum_of("drained")
                assert vessel.measured.poured_ml == model.sum_of("poured")
                assert (job.head.work_done is not None) is (model.state == JobState.SIGNED_OFF.value)
            listed = jobs.jobs_of(
                session,
                FLEET,
                jobs.JobsAsked(depot=self.depot),
                today=self.client.app.state.clock.today(),
                before=None,
                limit=100,
            )
            assert {head.key for head in listed} == set(self.models)

    @invariant()
    def stock_is_what_the_model_says(self) -> None:
        """On hand and reserved of each item, and used fluid."""
        on_hand = dict(RECEIVED)
        reserved = dict.fromkeys(RECEIVED, 0)
        for model in self.models.values():
            if model.state in {"signed_off", "stopped"}:
                for code, used in model.used.items():
                    on_hand[code] -= used
            else:
                for code, amount in RESERVED[model.service].items():
                    reserved[code] += amount
        with self.client.store.reading() as session:
            rows = session.execute(_BALANCES, {"depot": self.depot}).all()
            waste = session.execute(_WASTE, {"depot": self.depot}).scalar_one()
        assert {row.code: (row.on_hand, row.reserved) for row in rows} == {
            code: (on_hand[code], reserved[code]) for code in RECEIVED
        }
        closed = [one for one in self.models.values() if one.state in {"signed_off", "stopped"}]
        assert (waste or 0) == sum(one.sum_of("drained") for one in closed)


_BALANCES = text(
    """
    SELECT coalesce(p.code, f.code) AS code, b.on_hand, b.reserved FROM stock_balance b
    JOIN stock_item i ON i.fleet_id = b.fleet_id AND i.id = b.stock_item_id
    JOIN depot d ON d.fleet_id = b.fleet_id AND d.id = b.depot_id
    LEFT JOIN part p ON p.fleet_id = i.fleet_id AND p.id = i.part_id
    LEFT JOIN fluid_product f ON f.fleet_id = i.fleet_id AND f.id = i.fluid_product_id
    WHERE d.code = :depot
    """
)
_WASTE = text(
    """
    SELECT sum(w.held_ml) FROM used_fluid_balance w
    JOIN depot d ON d.fleet_id = w.fleet_id AND d.id = w.depot_id WHERE d.code = :depot
    """
)
_ORDERS = {"sqlite": (10, 18), "postgresql": (1, 20)}
"""Orders of calls that are tried, and calls in each."""


def test_jobs_and_stock_never_disagree(client: CheckedClient, backend: str) -> None:
    set_up_bay(client)
    orders, calls = _ORDERS[backend]

    class OnClient(Machine):
        pass

    OnClient.client, OnClient.numbers = client, itertools.count()
    run_state_machine_as_test(
        OnClient,
        settings=hypothesis.settings(
            max_examples=orders,
            stateful_step_count=calls,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(hypothesis.HealthCheck),
        ),
    )
