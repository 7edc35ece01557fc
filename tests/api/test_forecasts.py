"""Demand ahead over HTTP: what adds up, what is left out, what is refused."""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from api.services.demand import demand_laws
from api.store.queries_names import depot_codes
from tests.support.client import codes_at
from tests.support.queries import counted_queries
from tests.support.small_fleet import SmallFleet, small_fleet

if TYPE_CHECKING:
    from tests.support.client import CheckedClient

QUANTILES = ("p05", "p50", "p90", "p95")


@pytest.fixture
def fleet(client: CheckedClient) -> SmallFleet:
    """Vans 1 and 2 in the north, 3 in the south, new on 1 May 2030 and read each month; 4 without papers, 5 unread."""
    made = small_fleet(client.app.state.store)
    for unit, depot, km_a_month in (("1", "north", 1_000), ("2", "north", 2_500), ("3", "south", 5_000)):
        made.add_vehicle(unit, depot=depot)
        months = [(2030 + (4 + m) // 12, (4 + m) % 12 + 1, m) for m in range(13)]
        made.read(unit, *((f"{y}-{on:02d}-04T08:00", 0.1 + km_a_month * m) for y, on, m in months))
    made.add_vehicle("4", depot="south", is_known_from_new=False)
    made.add_vehicle("5", depot="south")
    return made


def by_code(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The fluids by requirement."""
    return {fluid["fluid_requirement"]["code"]: fluid for fluid in answer["fluids"]}


def adds_up(shown: dict[str, Any], name: str) -> bool:
    """Whether what is shown of depots and periods adds up to what is shown of the whole, to the last place."""

    def same(parts: list[float], whole: float) -> bool:
        return round(sum(parts), 6) == whole

    depots = shown["depots"]
    return (
        same([d["total"][name] for d in depots], shown["total"][name])
        and same(shown["periods"][name], shown["total"][name])
        and all(same(d["periods"][name], d["total"][name]) for d in depots)
        and all(
            same([d["periods"][name][p] for d in depots], figure)
            for p, figure in enumerate(shown["periods"][name])
        )
    )


@pytest.mark.usefixtures("fleet")
@pytest.mark.parametrize(("query", "periods"), [("months=12&units=us", 12), ("months=3&by=week", 14)])
def test_expected_figures_add_up_and_quantiles_rise(client: CheckedClient, query: str, periods: int) -> None:
    with counted_queries(client.store) as counted:
        answer = client.get(f"/v1/forecasts/fluids?{query}").json()
    assert counted.count <= 20
    assert len(answer["periods"]) == periods
    assert "Quantiles do not" in answer["adding"]
    oil = by_code(answer)["oil-a"]
    for name in ("low", "expected", "margin"):
        assert adds_up(oil, name)
    for figures in (oil["total"], *(depot["total"] for depot in oil["depots"])):
        assert [figures[q] for q in QUANTILES] == sorted(figures[q] for q in QUANTILES)
    # The oil of vans 1 to 3, overdue since 1 May, is taken in the first period for certain.
    assert oil["periods"]["p05"][0] == oil["periods"]["p95"][0] == oil["periods"]["expected"][0]


@pytest.mark.usefixtures("fleet")
def test_figures_by_hand_of_what_is_certain(client: CheckedClient) -> None:
    # Three vans have 5.7 L of oil each overdue; a tenth of it is margin. Van 3 has run 60,000 km: its gearbox fluid
    # (3.5 to 4.1 L) is due as well, the others' not for years.
    answer = client.get("/v1/forecasts/fluids?months=1").json()
    assert (answer["as_of"], answer["through"]) == ("2031-05-05", "2031-06-04")
    oil, gearbox = by_code(answer)["oil-a"], by_code(answer)["fluid-b"]
    first = {
        "low": 17.1,
        "expected": 17.1,
        "margin": 1.71,
        "p05": 17.1,
        "p50": 17.1,
        "p90": 17.1,
        "p95": 17.1,
    }
    assert oil["total"] == pytest.approx(first)
    assert [(d["depot"], d["total"]["expected"]) for d in oil["depots"]] == [("north", 11.4), ("south", 5.7)]
    assert gearbox["total"] == pytest.approx(
        {"low": 3.5, "expected": 4.1, "margin": 0.0, "p05": 4.1, "p50": 4.1, "p90": 4.1, "p95": 4.1}
    )
    # Filters by the number now supplied; the large service of van 3 is due at 60,000 km too and takes F-2.
    parts = {
        part["part"]: part["total"] for part in client.get("/v1/forecasts/parts?months=1").json()["parts"]
    }
    assert parts["F-1B"]["expected"] == parts["F-1B"]["p95"] == 3
    assert "F-1" not in parts
    assert {code: figures["p50"] for code, figures in parts.items()} == {
        "F-1B": 3,
        "F-2": 2,
        "S-17": 3,
        "S-19": 1,
    }
    # Oil 0.5 h thrice, the large services 0.25 h twice, the gearbox 2/3 h, the inspections 0.25 h thrice.
    hours = client.get("/v1/forecasts/bay-hours?months=1").json()
    assert hours["unit"] == "h"
    assert hours["total"]["expected"] == pytest.approx(1.5 + 0.5 + 0.67 + 0.75 + 0.25, abs=0.011)


@pytest.mark.usefixtures("fleet")
def test_what_can_not_be_counted_is_told_apart(client: CheckedClient) -> None:
    answer = client.get("/v1/forecasts/fluids").json()
    told = {one["reason"]: (one["services"], one["vehicles"]) for one in answer["not_in_forecast"]}
    # Van 4 has four services without a last time; van 5 three that run on its odometer, which was never read.
    assert told == {"baseline_needed": (4, 1), "no_reading": (3, 1)}
    assert answer["vehicles"] == 5
    north = client.get("/v1/forecasts/fluids?depot=north").json()
    assert (north["vehicles"], north["not_in_forecast"]) == (2, [])


def test_a_service_put_off_comes_at_its_new_limit_and_a_vehicle_that_leaves_ends(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    fleet.defer("1", "oil", granted_on="2031-05-02", until_on="2031-07-20")
    months = by_code(client.get("/v1/forecasts/fluids?depot=north&months=3").json())["oil-a"]["periods"]
    assert months["expected"][0] == 5.7  # of van 2 alone
    assert months["expected"][2] >= 5.7
    fleet.add_vehicle("6", retired_on="2031-06-30")
    with_6 = client.get("/v1/forecasts/bay-hours?depot=north&months=12").json()
    fleet.add_vehicle("7", retired_on="2031-05-04")
    assert client.get("/v1/forecasts/bay-hours?depot=north&months=12").json() == with_6
    assert with_6["vehicles"] == 3


@pytest.mark.usefixtures("fleet")
def test_the_forecast_as_csv_has_the_same_figures(client: CheckedClient) -> None:
    answer = client.get("/v1/forecasts/fluids?months=2", headers={"Accept": "text/csv"})
    assert answer.headers["Content-Type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    shown = by_code(client.get("/v1/forecasts/fluids?months=2").json())["oil-a"]
    whole = next(
        row
        for row in rows
        if (row["item"], row["depot"], row["first_on"], row["through"])
        == ("oil-a", "", "2031-05-05", "2031-07-04")
    )
    assert [float(whole[name]) for name in ("low", "expected", "p90")] == [
        shown["total"][name] for name in ("low", "expected", "p90")
    ]
    # Two items; three months' rows (two and the whole) for two depots and for all, where gearbox fluid has one depot.
    assert len(rows) == 9 + 6


def test_an_empty_fleet_has_an_empty_forecast(client: CheckedClient) -> None:
    assert client.get("/v1/forecasts/fluids").json()["fluids"] == []
    assert client.get("/v1/forecasts/parts").json()["parts"] == []
    assert client.get("/v1/forecasts/bay-hours?months=2").json()["hours"]["p95"] == [0, 0]


@pytest.mark.parametrize(
    ("query", "pointer", "rule"),
    [
        ("months=37", "#/months", "figure_too_large"),
        ("months=0", "#/months", "figure_too_small"),
        ("as_of=2031-05-04", "#/as_of", "day_past"),
        ("as_of=2099-01-01", "#/as_of", "day_too_late"),
        ("by=year", "#/by", "value_not_listed"),
    ],
)
def test_a_question_out_of_range_is_refused(
    client: CheckedClient, query: str, pointer: str, rule: str
) -> None:
    answer = client.get(f"/v1/forecasts/fluids?{query}")
    assert answer.status_code == 422
    assert codes_at(answer) == {pointer: rule}


def test_top_ups_come_on_lines_of_their_own_and_a_rising_rate_is_told(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    before = client.get("/v1/forecasts/fluids").json()
    assert [f["source"] for f in before["fluids"]] == ["services", "services"]
    # Van 2 took a litre in August and November; van 3 takes one ever more often.
    days = {"2": ["2030-08-10", "2030-11-20"], "3": ["2030-09-01", "2031-02-20", "2031-03-15", "2031-04-01"]}
    days["3"] += ["2031-04-12", "2031-04-24"]
    for unit, on in ((unit, on) for unit, dates in days.items() for on in dates):
        body = {
            "compartment": "sump",
            "volume": {"value": 1, "unit": "L"},
            "topped_up_at": f"{on}T09:00:00Z",
        }
        entered = client.post(f"/v1/vehicles/{unit}/top-ups", json=body)
        assert entered.status_code == 201
    answer = client.get("/v1/forecasts/fluids").json()
    lines = [(f["fluid_requirement"]["code"], f["source"]) for f in answer["fluids"]]
    assert lines == [("fluid-b", "services"), ("oil-a", "services"), ("oil-a", "top_ups")]
    # Seven litres counted (the first begins the time) in the 268 days since 10 August, by vans that run on as they do.
    between = answer["fluids"][2]
    assert 6 < between["total"]["expected"] < 13
    assert adds_up(between, "expected")
    assert between["total"]["p05"] < between["total"]["p50"] < between["total"]["p95"]
    south = client.get("/v1/forecasts/fluids?depot=south").json()["fluids"][2]
    assert south["total"] == pytest.approx(between["depots"][1]["total"], abs=0.01)
    # All but one of van 3's six fall into the last 90 of 268 days: 6 p^5 (1 - p) + p^6 with p = 90/268 is 1.8 %.
    assert answer["rising_top_ups"] == []
    body = {
        "compartment": "sump",
        "volume": {"value": 1, "unit": "L"},
        "topped_up_at": "2031-05-02T09:00:00Z",
    }
    last = client.post("/v1/vehicles/3/top-ups", json=body).json()
    (rising,) = client.get("/v1/forecasts/fluids").json()["rising_top_ups"]
    # Now 7 p^6 (1 - p) + p^7, 0.72 %.
    assert (rising["unit"], rising["compartment"], rising["recent"], rising["before"]) == ("3", "sump", 6, 1)
    assert rising["chance"] == 0.0072
    assert "leak" in rising["detail"]
    client.post(f"/v1/vehicles/3/top-ups/{last['id']}/withdrawal", json={"reason": "Typed twice"})
    assert client.get("/v1/forecasts/fluids").json() == answer
    assert fleet.vehicles["3"]


def test_a_van_that_runs_evenly_takes_what_is_worked_by_hand(
    client: CheckedClient, fleet: SmallFleet
) -> None:
    # 100 km a day; oil every 15,000 km or 12 months. Done with the large service on 1 May 2031 at 36,500 km, it is due
    # at 51,500 km. On 4 May the dial shows 36,800: 14,700 km are left, 147 days, and then 150 more. Of the year from
    # 5 May on that is days 146 and 296: two changes of 5.7 L, and a tenth of that to have at hand.
    fleet.add_depot("west")
    fleet.add_vehicle("8", depot="west")
    days = [date(2030, 5, 1) + timedelta(days=30 * m) for m in range(13)]
    steady = [(f"{day}T12:00", (day - days[0]).days * 100.0) for day in [*days, date(2031, 5, 4)]]
    fleet.read("8", *steady)
    entered = client.post(
        "/v1/work-done",
        json={
            "unit": "8",
            "done_at": "2031-05-01T12:00:00Z",
            "services": [{"service": "large"}],
            "figures": [{"meter": "odometer", "figure": {"value": 36_500, "unit": "km"}}],
        },
    )
    assert entered.status_code == 201, entered.text
    oil = by_code(client.get("/v1/forecasts/fluids?depot=west").json())["oil-a"]
    assert oil["total"]["p50"] == 11.4
    assert oil["total"]["expected"] == pytest.approx(11.4, rel=0.1)
    assert sum(oil["periods"]["expected"][3:7]) == pytest.approx(5.7, rel=0.1)
    assert oil["total"]["margin"] == pytest.approx(oil["total"]["expected"] / 10, rel=0.01)


@pytest.mark.usefixtures("fleet")
def test_laws_of_a_depot_say_what_its_forecast_says(client: CheckedClient) -> None:
    for on in ("2031-01-10", "2031-02-20", "2031-04-01"):
        body = {"compartment": "sump", "volume": {"value": 1, "unit": "L"}, "topped_up_at": f"{on}T09:00:00Z"}
        assert client.post("/v1/vehicles/2/top-ups", json=body).status_code == 201
    with client.store.reading() as session:
        (key,) = (k for k, code in depot_codes(session, 1).items() if code == "north")
        laws = demand_laws(session, 1, depot_key=key, as_of=date(2031, 5, 5), days=[31, 366])
    shown = client.get("/v1/forecasts/fluids?depot=north").json()
    month, year = laws["fluid", "oil-a"]
    oil = by_code({"fluids": [f for f in shown["fluids"] if f["source"] == "services"]})["oil-a"]
    assert (month.quantile(0.05), month.quantile(0.95)) == (11_400, 11_400)
    assert [year.quantile(share) / 1000 for share in (0.05, 0.5, 0.9, 0.95)] == [
        oil["total"][q] for q in QUANTILES
    ]
    assert year.mean / 1000 == pytest.approx(oil["total"]["expected"], abs=0.1)
    assert year.probabilities.sum() == pytest.approx(1)
    between = next(f for f in shown["fluids"] if f["source"] == "top_ups")
    assert laws["top_up", "oil-a"][1].mean / 1000 == pytest.approx(between["total"]["expected"], rel=0.1)
    assert laws["part", "F-1B"][0].mean == 2
