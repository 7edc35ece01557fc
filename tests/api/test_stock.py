"""The stock ledger over HTTP: receipts to issues, lots by their dates, counts, orders, corrections, used fluid."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from tests.support.client import codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity

if TYPE_CHECKING:
    from tests.support.apps import SetClock
    from tests.support.client import CheckedClient

ENTRIES = "/v1/stock-entries"


@pytest.fixture(autouse=True)
def catalogue(client: CheckedClient) -> None:
    """Two depots, a filter, an engine oil that keeps, a brake fluid that does not once it is opened."""
    for code in ("north", "south"):
        assert client.post("/v1/depots", json={"code": code, "name": code.title()}).status_code == 201
    assert client.put("/v1/parts/OF-1", json={"name": "Oil filter", "kind": "filter"}).status_code == 201
    oil = {
        "name": "Engine oil 5W-30",
        "kind": "engine_oil",
        "currency": "EUR",
        "containers": [{"size": quantity(5, "L"), "price_minor": 3250}],
        "meets": [{"standard": "acea", "service_class": "C3", "grade": "5W-30"}],
        "shelf_unopened": quantity(48, "month"),
        "shelf_opened": quantity(6, "month"),
    }
    brake = oil | {
        "name": "Brake fluid",
        "kind": "brake_fluid",
        "meets": [{"standard": "fmvss_116", "service_class": "DOT 4"}],
    }
    assert client.put("/v1/fluid-products/oil", json=oil).status_code == 201
    assert client.put("/v1/fluid-products/brake", json=brake).status_code == 201


def filters(pieces: float, **line: Any) -> dict[str, Any]:
    """A line of oil filters."""
    return {"part": "OF-1", "amount": quantity(pieces, "piece")} | line


def fluid(product: str, litres: float, **line: Any) -> dict[str, Any]:
    """A line of a fluid product."""
    return {"fluid_product": product, "amount": quantity(litres, "L")} | line


def enter(client: CheckedClient, key: str, kind: str, *lines: dict[str, Any], **entry: Any) -> dict[str, Any]:
    """An entry that is booked, at the northern depot unless told otherwise."""
    if kind not in {"release", "order_closing", "correction"}:
        entry = {"depot": "north", **entry}
    body = {"key": key, "kind": kind, "lines": list(lines), **entry}
    response = client.post(ENTRIES, json=body)
    assert response.status_code == 201, response.text
    found: dict[str, Any] = response.json()
    return found


def refused(client: CheckedClient, status: int, **entry: Any) -> dict[str, str]:
    """The rules that an entry breaks."""
    response = client.post(ENTRIES, json={"key": "x"} | entry)
    assert response.status_code == status, response.text
    return codes_at(response)


def stock(client: CheckedClient, query: str = "") -> dict[str, list[float]]:
    """On hand, reserved, free and on order by depot and item."""
    return {
        f"{one['depot']}/{one['part'] or one['fluid_product']}": [
            one[figure]["value"] for figure in ("on_hand", "reserved", "free", "on_order")
        ]
        for one in client.get(f"/v1/stock{query}").json()["stock"]
    }


def lots(client: CheckedClient, query: str) -> list[tuple[str | None, str | None, float]]:
    """Code, day of opening and what is on hand of each lot of one balance."""
    (one,) = client.get(f"/v1/stock{query}").json()["stock"]
    return [(lot["code"], lot["opened_on"], lot["on_hand"]["value"]) for lot in one["lots"]]


def check_sums(client: CheckedClient) -> None:
    """Every balance and every lot is the sum of its movements."""
    figures = ", ".join(
        f"COALESCE(SUM(CASE WHEN m.measure = '{name}' THEN m.amount END), 0) = b.{name}"
        for name in ("on_hand", "reserved", "on_order")
    )
    of_balance = text(
        f"SELECT {figures} FROM stock_balance b LEFT JOIN stock_movement m ON m.fleet_id = b.fleet_id"  # noqa: S608 - names of this module
        " AND m.depot_id = b.depot_id AND m.stock_item_id = b.stock_item_id"
        " GROUP BY b.fleet_id, b.depot_id, b.stock_item_id, b.on_hand, b.reserved, b.on_order"
    )
    of_lot = text(
        "SELECT COALESCE(SUM(m.amount), 0) = l.on_hand FROM stock_lot l LEFT JOIN stock_movement m"
        " ON m.fleet_id = l.fleet_id AND m.stock_lot_id = l.id GROUP BY l.id, l.on_hand"
    )
    with client.store.reading() as session:
        for query in (of_balance, of_lot):
            rows = session.execute(query).all()
            assert rows
            assert all(all(row) for row in rows)


def test_from_the_order_to_the_job_and_back(client: CheckedClient, clock: SetClock) -> None:
    enter(
        client,
        "o-1",
        "order",
        filters(10),
        fluid("oil", 60),
        supplier="Depot supply",
        expected_on="2031-05-12",
    )
    assert stock(client) == {"north/OF-1": [0, 0, 0, 10], "north/oil": [0, 0, 0, 60]}
    opened = client.get("/v1/stock-orders").json()["open_orders"]
    assert [(one["order"], one["amount"]["value"], one["expected_on"]) for one in opened] == [
        ("o-1", 10, "2031-05-12"),
        ("o-1", 60, "2031-05-12"),
    ]
    clock.forward(days=7)
    first = enter(
        client,
        "r-1",
        "receipt",
        filters(8),
        fluid("oil", 20, lot="A", best_before="2032-01-31", container=quantity(5, "L")),
        fluid("oil", 20, lot="B", best_before="2031-09-30", container=quantity(5, "L")),
        order="o-1",
    )
    assert [(m["measure"], m["amount"]["value"], m["after"]["value"]) for m in first["movements"]] == [
        ("on_hand", 8, 8),
        ("on_order", -8, 2),
        ("on_hand", 20, 20),
        ("on_order", -20, 40),
        ("on_hand", 20, 40),
        ("on_order", -20, 20),
    ]
    enter(client, "res-1", "reservation", filters(1), fluid("oil", 7.2), job="J-1")
    assert stock(client) == {"north/OF-1": [8, 1, 7, 2], "north/oil": [40, 7.2, 32.8, 20]}
    # 7.2 L come from two containers of the lot that expires first; what is left of the second is an opened lot.
    enter(client, "i-1", "issue", filters(1), fluid("oil", 7.2), job="J-1")
    assert stock(client) == {"north/OF-1": [7, 0, 7, 2], "north/oil": [32.8, 0, 32.8, 20]}
    assert lots(client, "?fluid_product=oil") == [
        ("B", "2031-05-12", 2.8),
        ("B", None, 10.0),
        ("A", None, 20.0),
    ]
    enter(client, "b-1", "return", fluid("oil", 0.5, lot="B", opened_on="2031-05-12"), job="J-1")
    assert lots(client, "?fluid_product=oil")[0] == ("B", "2031-05-12", 3.3)
    enter(client, "c-1", "order_closing", order="o-1", reason="The rest is not made any longer.")
    assert stock(client) == {"north/OF-1": [7, 0, 7, 0], "north/oil": [33.3, 0, 33.3, 0]}
    assert client.get("/v1/stock-orders").json()["open_orders"] == []
    assert refused(client, 409, kind="order_closing", order="o-1", reason="Again.") == {
        "#/order": "nothing_open"
    }
    check_sums(client)


def test_an_entry_sent_again_books_nothing_more(client: CheckedClient) -> None:
    first = enter(client, "r-1", "receipt", filters(8))
    assert enter(client, "r-1", "receipt", filters(8)) == first
    assert stock(client)["north/OF-1"][0] == 8
    assert refused(client, 409, key="r-1", kind="receipt", depot="north", lines=[filters(9)]) == {
        "#/key": "entry_key_taken"
    }
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: enter(client, "r-2", "receipt", filters(1)), range(6)))
    assert len({answer["id"] for answer in answers}) == 1
    assert stock(client)["north/OF-1"][0] == 9
    assert client.get(f"{ENTRIES}/{first['id']}").json() == first
    assert client.get(f"{ENTRIES}/99").status_code == 404


def test_entries_at_once_all_count(client: CheckedClient) -> None:
    enter(client, "r-0", "receipt", filters(100), fluid("oil", 100))
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda n: enter(client, f"i-{n}", "issue", filters(1), fluid("oil", 1.5)), range(12)))
    assert stock(client) == {"north/OF-1": [88, 0, 88, 0], "north/oil": [82, 0, 82, 0]}
    check_sums(client)


def test_more_than_the_book_has_is_booked_and_a_count_asked_for(client: CheckedClient) -> None:
    enter(client, "r-1", "receipt", filters(2))
    enter(client, "i-1", "issue", filters(3))
    (asked,) = client.get("/v1/stock?state=count_asked").json()["stock"]
    assert (asked["on_hand"]["value"], asked["is_count_asked"]) == (-1, True)
    counted = enter(client, "n-1", "count", filters(4))
    assert [m["amount"]["value"] for m in counted["movements"]] == [5]
    assert client.get("/v1/stock?state=count_asked").json()["stock"] == []
    enter(client, "res-1", "reservation", filters(6), job="J-1")
    assert stock(client, "?state=short") == {"north/OF-1": [4, 6, -2, 0]}
    enter(client, "rel-1", "release", job="J-1")
    assert stock(client, "?state=short") == {}
    assert refused(client, 409, kind="release", job="J-1") == {"#/job": "nothing_open"}
    check_sums(client)


# The statements are the same; both databases are held to the story above.
@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_what_is_past_its_date_is_scrapped_and_never_used(client: CheckedClient, clock: SetClock) -> None:
    enter(
        client, "r-1", "receipt", fluid("oil", 5, lot="A", best_before="2031-05-10"), fluid("oil", 5, lot="B")
    )
    # A delivery whose date nobody noted keeps as long as the product does when it is new.
    (held,) = client.get("/v1/stock").json()["stock"]
    assert [lot["keeps_through"] for lot in held["lots"]] == ["2031-05-10", "2035-05-05"]
    clock.forward(days=6)
    assert refused(client, 422, kind="issue", depot="north", lines=[fluid("oil", 1, lot="A")]) == {
        "#/lines/0/lot": "lot_past_date"
    }
    enter(client, "i-1", "issue", fluid("oil", 1))
    assert lots(client, "?state=past_date") == [("A", None, 5.0), ("B", None, 4.0)]
    assert stock(client) == {"north/oil": [9, 0, 4, 0]}
    enter(client, "s-1", "scrap", fluid("oil", 5, lot="A"), reason="Past its date.")
    assert lots(client, "") == [("B", None, 4.0)]
    check_sums(client)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_opened_brake_fluid_is_scrapped_and_not_kept(client: CheckedClient) -> None:
    enter(client, "r-1", "receipt", fluid("brake", 4, lot="A", container=quantity(1, "L")))
    issued = enter(client, "i-1", "issue", fluid("brake", 1.3))
    assert [(m["cause"], m["amount"]["value"]) for m in issued["movements"]] == [
        ("issue", -1.3),
        ("scrap", -0.7),
    ]
    back = enter(client, "b-1", "return", fluid("brake", 0.2, lot="A", opened_on="2031-05-05"))
    assert [(m["cause"], m["amount"]["value"]) for m in back["movements"]] == [
        ("return", 0.2),
        ("scrap", -0.2),
    ]
    enter(client, "b-2", "return", fluid("brake", 1, lot="A", container=quantity(1, "L")))
    assert stock(client) == {"north/brake": [3, 0, 3, 0]}
    check_sums(client)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_a_transfer_takes_its_lots_along(client: CheckedClient) -> None:
    enter(client, "r-1", "receipt", fluid("oil", 10, lot="A", best_before="2032-01-31"))
    enter(client, "t-1", "transfer", fluid("oil", 4), to_depot="south")
    assert stock(client) == {"north/oil": [6, 0, 6, 0], "south/oil": [4, 0, 4, 0]}
    assert lots(client, "?depot=south") == [("A", None, 4.0)]
    check_sums(client)


def test_a_correction_names_what_it_takes_back(client: CheckedClient) -> None:
    enter(client, "r-1", "receipt", fluid("oil", 10, lot="A", container=quantity(5, "L")))
    enter(client, "res-1", "reservation", fluid("oil", 6), job="J-1")
    before = stock(client)
    wrong = enter(client, "i-1", "issue", fluid("oil", 6), job="J-1")
    undone = enter(client, "k-1", "correction", corrects=wrong["id"], reason="Entered for the wrong job.")
    assert stock(client) == before == {"north/oil": [10, 6, 4, 0]}
    assert lots(client, "") == [("A", None, 10.0)]
    assert undone["corrects"] == wrong["id"]
    assert client.get(f"{ENTRIES}/{wrong['id']}").json()["corrected_by"] == undone["id"]
    again = {"kind": "correction", "corrects": wrong["id"], "reason": "Again."}
    assert refused(client, 409, **again) == {"#/corrects": "corrected_before"}
    assert refused(client, 422, **again | {"corrects": undone["id"]}) == {"#/corrects": "entry_is_correction"}
    assert refused(client, 422, **again | {"corrects": 999}) == {"#/corrects": "entry_unknown"}
    enter(client, "i-2", "issue", fluid("oil", 6), job="J-1")
    (reserved,) = [
        e["id"]
        for e in client.get(f"{ENTRIES}?job=J-1").json()["stock_entries"]
        if e["kind"] == "reservation"
    ]
    assert refused(client, 409, **again | {"corrects": reserved}) == {"#/corrects": "entry_built_on"}
    check_sums(client)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_an_entry_of_the_wrong_form_is_refused_and_leaves_nothing(client: CheckedClient) -> None:
    answer = refused(client, 422, kind="receipt", lines=[filters(0), filters(1, opened_on="2031-05-01")])
    assert answer == {
        "#/depot": "field_missing",
        "#/lines/0/amount": "amount_zero",
        "#/lines/1/opened_on": "field_not_applicable",
    }
    north = {"depot": "north"}
    cases: list[tuple[dict[str, str], dict[str, Any]]] = [
        ({"#/depot": "depot_unknown"}, {"kind": "receipt", "depot": "east", "lines": [filters(1)]}),
        ({"#/lines/0/part": "part_unknown"}, {"kind": "receipt", "lines": [filters(1, part="X")]} | north),
        (
            {"#/lines/0/fluid_product": "product_unknown"},
            {"kind": "receipt", "lines": [fluid("X", 1)]} | north,
        ),
        (
            {"#/lines/0": "item_not_told"},
            {"kind": "receipt", "lines": [filters(1, fluid_product="oil")]} | north,
        ),
        (
            {"#/lines/0": "unit_of_wrong_dimension"},
            {"kind": "count", "lines": [{"part": "OF-1", "amount": quantity(1, "L")}]} | north,
        ),
        ({"#/lines/0/amount": "figure_not_whole"}, {"kind": "count", "lines": [filters(1.5)]} | north),
        ({"#/lines/0/amount/value": "figure_too_small"}, {"kind": "count", "lines": [filters(-1)]} | north),
        (
            {"#/lines/0/container": "volume_out_of_range"},
            {"kind": "receipt", "lines": [fluid("oil", 5, container=quantity(0, "L"))]} | north,
        ),
        ({"#/lines": "list_too_short"}, {"kind": "issue"} | north),
        (
            {"#/job": "field_missing", "#/order": "field_not_applicable"},
            {"kind": "reservation", "lines": [filters(1)], "order": "o"} | north,
        ),
        ({"#/order": "order_unknown"}, {"kind": "receipt", "lines": [filters(1)], "order": "o"} | north),
        ({"#/lines/0/lot": "lot_unknown"}, {"kind": "issue", "lines": [filters(1, lot="Z")]} | north),
        (
            {"#/to_depot": "depot_repeated"},
            {"kind": "transfer", "lines": [filters(1)], "to_depot": "north"} | north,
        ),
        (
            {"#/at": "instant_in_future"},
            {"kind": "receipt", "lines": [filters(1)], "at": "2031-05-05T08:00:01Z"} | north,
        ),
    ]
    for expected, entry in cases:
        assert refused(client, 422, **entry) == expected
    assert client.get("/v1/stock").json()["stock"] == []
    assert client.get(ENTRIES).json()["stock_entries"] == []
    assert client.get("/v1/stock?part=X").status_code == client.get("/v1/stock?depot=X").status_code == 404
    assert client.get(f"{ENTRIES}?part=OF-1").json()["stock_entries"] == []


def test_lists_come_in_pages_with_as_many_statements(client: CheckedClient) -> None:
    for number in range(5):
        enter(client, f"r-{number}", "order", filters(1), fluid("oil", 1), depot="north")
        enter(client, f"s-{number}", "receipt", filters(1), fluid("brake", 1), depot="south")
    for path, member in (
        ("/v1/stock", "stock"),
        (ENTRIES, "stock_entries"),
        ("/v1/stock-orders", "open_orders"),
    ):
        whole = client.get(path).json()[member]
        seen: list[Any] = []
        page = f"{path}?limit=1"
        while page:
            response = client.get(page)
            seen += response.json()[member]
            page = response.headers.get("link", "").removeprefix("<").partition(">")[0]
        assert seen == whole
        with counted_queries(client.store) as one:
            client.get(f"{path}?limit=1")
        with counted_queries(client.store) as more:
            client.get(path)
        assert one.count == more.count


def test_used_fluid_waits_by_stream_until_it_is_collected(client: CheckedClient) -> None:
    def put(status: int = 201, **entry: Any) -> Any:
        response = client.post("/v1/used-fluid-entries", json=entry)
        assert response.status_code == status, response.text
        return response.json() if status == 201 else codes_at(response)

    def held() -> dict[str, float]:
        rows = client.get("/v1/used-fluids?depot=north").json()["used_fluids"]
        return {row["stream"]: row["held"]["value"] for row in rows}

    oil: dict[str, Any] = {"depot": "north", "stream": "used_oil", "volume": quantity(8.5, "L")}
    first = put(key="u-1", kind="drained", **oil, job="J-1")
    assert put(key="u-1", kind="drained", **oil, job="J-1") == first
    put(key="u-2", kind="drained", depot="north", stream="used_coolant", volume=quantity(6, "L"))
    assert held() == {"used_coolant": 6.0, "used_oil": 8.5}
    taken = oil | {"volume": quantity(8, "L"), "collected_by": "Waste collection"}
    collected = put(key="u-3", kind="collected", **taken)
    assert (collected["volume"]["value"], collected["after"]["value"]) == (-8.0, 0.5)
    put(key="u-4", kind="correction", corrects=collected["id"], reason="Another depot's.")
    assert held() == {"used_coolant": 6.0, "used_oil": 8.5}
    assert client.get(f"/v1/used-fluid-entries/{collected['id']}").json()["corrected_by"] is not None
    assert put(409, key="u-5", kind="correction", corrects=collected["id"], reason="Again.") == {
        "#/corrects": "corrected_before"
    }
    assert put(409, key="u-1", kind="drained", **oil) == {"#/key": "entry_key_taken"}
    assert put(422, key="u-6", kind="drained", depot="north", collected_by="Who") == {
        "#/stream": "field_missing",
        "#/volume": "field_missing",
        "#/collected_by": "field_not_applicable",
    }
    assert put(422, key="u-6", kind="drained", **oil | {"depot": "X"}) == {"#/depot": "depot_unknown"}
    listed = client.get("/v1/used-fluid-entries?stream=used_oil&limit=2").json()
    assert [one["key"] for one in listed["used_fluid_entries"]] == ["u-4", "u-3"]
