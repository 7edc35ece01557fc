"""The catalogue over HTTP: products in versions, withdrawn and back, and whether they suit."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.client import CheckedClient, codes_at
from tests.support.queries import counted_queries
from tests.support.sheet_documents import quantity

PRODUCTS = "/v1/fluid-products"


def product(**changes: Any) -> dict[str, Any]:
    """An engine oil in two containers; ``changes`` replace members."""
    return {
        "name": "Engine oil 5W-30",
        "kind": "engine_oil",
        "currency": "EUR",
        "containers": [
            {"size": quantity(5, "L"), "price_minor": 3250},
            {"size": quantity(1, "qt_us"), "price_minor": 890},
        ],
        "meets": [
            {"standard": "acea", "service_class": "C3", "grade": "5W-30"},
            {"standard": "api_service", "service_class": "SP", "grade": "5W-30"},
        ],
        "density_15c": quantity(0.854, "g/mL"),
        "shelf_unopened": quantity(4, "year"),
        "shelf_opened": quantity(12, "month"),
    } | changes


def put(client: CheckedClient, code: str, **changes: Any) -> None:
    """Store a product that is not there yet."""
    assert client.put(f"{PRODUCTS}/{code}", json=product(**changes)).status_code == 201


def meeting(standard: str, service_class: str, grade: str | None = None) -> dict[str, Any]:
    """A statement."""
    return {"standard": standard, "service_class": service_class, "grade": grade}


def judged(client: CheckedClient, code: str, **question: Any) -> dict[str, Any]:
    """The answer about a product."""
    response = client.post(f"{PRODUCTS}/{code}/suitability", json=question)
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.json()
    return found


def test_a_product_comes_back_in_any_units(client: CheckedClient) -> None:
    created = client.put(f"{PRODUCTS}/oil", json=product())
    assert created.status_code == 201
    assert created.headers["Location"] == f"{PRODUCTS}/oil"
    assert created.headers["ETag"] == '"1"'
    found = client.get(f"{PRODUCTS}/oil?units=us").json()
    # 5 L are 5.28 US quarts (0.946352946 L each, NIST SP 811); the smaller container stands first.
    assert [c["size"] for c in found["containers"]] == [quantity(1.0, "qt_us"), quantity(5.28, "qt_us")]
    assert found["density_15c"] == quantity(854.0, "kg/m3")
    assert (found["shelf_unopened"], found["shelf_opened"]) == (quantity(48, "month"), quantity(12, "month"))
    assert found["meets"][0] == meeting("acea", "C3", "5W-30")
    assert (found["version"], found["withdrawal"]) == (1, None)


def test_a_replacement_names_its_version(client: CheckedClient) -> None:
    put(client, "oil")
    newer = product(containers=[{"size": quantity(60, "L"), "price_minor": 29_900}])
    assert client.put(f"{PRODUCTS}/oil", json=newer).status_code == 428
    assert client.put(f"{PRODUCTS}/oil", json=newer, headers={"If-Match": '"7"'}).status_code == 412
    assert client.put(f"{PRODUCTS}/oil", json=newer, headers={"If-None-Match": "*"}).status_code == 412
    changed = client.put(f"{PRODUCTS}/oil", json=newer, headers={"If-Match": '"1"'})
    assert (changed.status_code, changed.headers["ETag"]) == (200, '"2"')
    assert [c["price_minor"] for c in changed.json()["containers"]] == [29_900]
    same = client.put(f"{PRODUCTS}/oil", json=newer, headers={"If-Match": '"2"'})
    assert (same.status_code, same.headers["ETag"]) == (200, '"2"')


def test_a_withdrawn_product_stays_and_may_come_back(client: CheckedClient) -> None:
    put(client, "oil")
    put(client, "other")
    path = f"{PRODUCTS}/oil/withdrawal"
    assert client.post(path, json={"reason": "No longer sold."}).status_code == 428
    stale = client.post(path, json={"reason": "No longer sold."}, headers={"If-Match": '"9"'})
    assert stale.status_code == 412
    gone = client.post(path, json={"reason": "No longer sold."}, headers={"If-Match": '"1"'})
    assert gone.json()["withdrawal"] == {"withdrawn_at": "2031-05-05T08:00:00Z", "reason": "No longer sold."}
    assert client.get(f"{PRODUCTS}/oil").json()["version"] == 2
    assert client.post(path, json={"reason": "Again."}, headers={"If-Match": '"2"'}).status_code == 410
    asked = client.post(f"{PRODUCTS}/oil/suitability", json={"requirements": [meeting("acea", "C3")]})
    assert asked.status_code == 410

    def listed(query: str = "") -> list[str]:
        return [one["code"] for one in client.get(f"{PRODUCTS}{query}").json()["fluid_products"]]

    assert (listed(), listed("?has_withdrawn=true")) == (["other"], ["oil", "other"])
    back = client.put(f"{PRODUCTS}/oil", json=product(), headers={"If-Match": '"2"'})
    assert (back.json()["withdrawal"], back.json()["version"], listed()) == (None, 3, ["oil", "other"])


def test_pages_follow_each_other(client: CheckedClient) -> None:
    for code in ("b", "a", "c"):
        put(client, code)
    first = client.get(f"{PRODUCTS}?limit=2").json()
    assert [one["code"] for one in first["fluid_products"]] == ["a", "b"]
    last = client.get(f"{PRODUCTS}?limit=2&cursor={first['next']}").json()
    assert ([one["code"] for one in last["fluid_products"]], last["next"]) == (["c"], None)


def test_the_statements_do_not_grow_with_the_page(client: CheckedClient) -> None:
    counts = []
    for many in (2, 12):
        for number in range(many):
            put(client, f"p{many}-{number}")
        with counted_queries(client.store) as counted:
            client.get(PRODUCTS)
        counts.append(counted.count)
    assert counts[0] == counts[1]


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"meets": []}, {"#/meets": "product_meets_nothing"}),
        ({"meets": [meeting("api_service", "ZZ")]}, {"#/meets/0/service_class": "class_unknown"}),
        ({"meets": [meeting("fmvss_116", "DOT 4")]}, {"#/meets/0": "standard_of_other_kind"}),
        ({"meets": [meeting("acea", "C3", "75W-90")]}, {"#/meets/0/grade": "grade_unknown"}),
        (
            {"kind": "brake_fluid", "meets": [meeting("fmvss_116", "DOT 4"), meeting("fmvss_116", "DOT 5")]},
            {"#/meets": "brake_bases_contradict"},
        ),
        ({"density_15c": quantity(8540, "kg/m3")}, {"#/density_15c": "density_out_of_range"}),
        ({"density_15c": quantity(5, "L")}, {"#/density_15c/unit": "unit_of_wrong_dimension"}),
        ({"shelf_opened": quantity(0, "month")}, {"#/shelf_opened": "shelf_life_out_of_range"}),
        ({"currency": "eur"}, {"#/currency": "text_malformed"}),
        (
            {
                "containers": [
                    {"size": quantity(1, "L"), "price_minor": 1},
                    {"size": quantity(1000, "mL"), "price_minor": 2},
                ]
            },
            {"#/containers/1/size": "size_repeated"},
        ),
        (
            {"containers": [{"size": quantity(0, "L"), "price_minor": 1}]},
            {"#/containers/0/size": "volume_out_of_range"},
        ),
        (
            {"containers": [{"size": quantity(1, "L"), "price_minor": -1}]},
            {"#/containers/0/price_minor": "figure_too_small"},
        ),
    ],
)
def test_a_product_that_contradicts_itself_is_refused(
    client: CheckedClient, changes: dict[str, Any], expected: dict[str, str]
) -> None:
    response = client.put(f"{PRODUCTS}/oil", json=product(**changes))
    assert codes_at(response) == expected
    assert client.get(f"{PRODUCTS}/oil").status_code == 404


def test_a_product_suits_by_published_rules_only(client: CheckedClient) -> None:
    put(client, "oil")
    # API: the later S category includes the earlier ones, not the other way round; the grade counts too.
    yes = judged(client, "oil", requirements=[meeting("api_service", "SN", "5W-30")])["suitability"]
    assert yes["verdict"] == "yes"
    assert [one["rule"] for one in yes["rulings"]] == ["later_category", "grade_stated"]
    assert yes["rulings"][0]["requirement"] == meeting("api_service", "SN", "5W-30")
    no = judged(client, "oil", requirements=[meeting("api_service", "SQ")])["suitability"]
    assert (no["verdict"], no["rulings"][0]["rule"]) == ("no", "older_category")
    maker = judged(client, "oil", requirements=[meeting("maker", "Family 7")])["suitability"]
    assert (maker["verdict"], maker["rulings"][0]["rule"]) == ("maker_decides", "not_stated")
    # All requirements hold together: the least favourable answer is the answer.
    both = judged(
        client, "oil", requirements=[meeting("acea", "C3", "5W-30"), meeting("acea", "C2", "5W-30")]
    )["suitability"]
    assert both["verdict"] == "maker_decides"


def test_a_stored_requirement_is_asked_about_by_its_code(client: CheckedClient) -> None:
    put(client, "oil")
    requirement = {"name": "Engine oil", "standard": "acea", "service_class": "C3", "grade": "5W-30"}
    client.put("/v1/fluid-requirements/low-ash", json=requirement)
    found = judged(client, "oil", fluid_requirement="low-ash")
    assert found["suitability"]["verdict"] == "yes"
    assert found["notices"][0]["code"] == "makers_manual_governs"
    client.put("/v1/fluid-requirements/vague", json={"name": "The maker's own", "standard": "maker"})
    for code, rule in (("vague", "requirement_not_judged"), ("none", "fluid_requirement_unknown")):
        response = client.post(f"{PRODUCTS}/oil/suitability", json={"fluid_requirement": code})
        assert codes_at(response) == {"#/fluid_requirement": rule}


@pytest.mark.parametrize(
    ("inside", "added", "verdict", "rule"),
    [
        # 49 CFR 571.116: silicone fluids are never mixed with the others.
        ("dot-4", "dot-5", "no", "silicone_with_glycol"),
        ("dot-4", "mineral", "no", "mineral_with_glycol"),
        ("dot-4", "coolant", "no", "other_kind"),
        ("dot-4", "dot-51", "maker_decides", "requirement_not_given"),
        ("coolant", "coolant-b", "maker_decides", "inhibitors_differ"),
        ("dot-4", "dot-4", "yes", "same_product"),
    ],
)
def test_mixing_two_products_is_judged(
    client: CheckedClient, inside: str, added: str, verdict: str, rule: str
) -> None:
    put(client, "dot-4", kind="brake_fluid", meets=[meeting("fmvss_116", "DOT 4")])
    put(client, "dot-5", kind="brake_fluid", meets=[meeting("fmvss_116", "DOT 5")])
    put(client, "dot-51", kind="brake_fluid", meets=[meeting("fmvss_116", "DOT 5.1")])
    put(client, "mineral", kind="mineral_brake_oil", meets=[meeting("maker", "Green 1")])
    put(client, "coolant", kind="coolant", meets=[meeting("astm_d3306", "I")])
    put(client, "coolant-b", kind="coolant", meets=[meeting("astm_d3306", "I")])
    found = judged(client, added, mixed_with=inside)
    assert (found["mixed_with"], found["suitability"]) == (inside, None)
    assert (found["mixing"]["verdict"], found["mixing"]["rulings"][-1]["rule"]) == (verdict, rule)


def test_aus_32_keeps_by_its_storage_temperature(client: CheckedClient) -> None:
    put(client, "urea", kind="aus_32", meets=[meeting("iso_22241", "AUS 32")])
    # ISO 22241-3 as cited in public pages: 18 months up to 25 degC, 12 up to 30, beyond 35 a test first.
    for storage, months in ((quantity(25, "degC"), 18), (quantity(86, "degF"), 12)):
        life = judged(client, "urea", storage_temperature=storage)["storage_life"]
        assert (life["keeps"], life["is_test_needed"]) == (quantity(months, "month"), False)
    hot = judged(client, "urea", storage_temperature=quantity(40, "degC"))["storage_life"]
    assert (hot["keeps"], hot["is_test_needed"]) == (None, True)
    frozen = client.post(f"{PRODUCTS}/urea/suitability", json={"storage_temperature": quantity(-20, "degC")})
    assert codes_at(frozen) == {"#/storage_temperature": "temperature_outside_table"}


def test_bad_questions_about_a_product(client: CheckedClient) -> None:
    put(client, "oil")

    def refused(**question: Any) -> dict[str, str]:
        return codes_at(client.post(f"{PRODUCTS}/oil/suitability", json=question))

    assert refused() == {"#": "question_missing"}
    assert refused(mixed_with="none") == {"#/mixed_with": "product_unknown"}
    assert refused(requirements=[meeting("acea", "C3")], fluid_requirement="x") == {
        "#/fluid_requirement": "requirement_given_twice"
    }
    assert refused(requirements=[meeting("api_service", "SI")]) == {
        "#/requirements/0/service_class": "class_unknown"
    }
    assert refused(storage_temperature=quantity(20, "degC")) == {
        "#/storage_temperature": "shelf_life_not_published"
    }
    assert client.post(f"{PRODUCTS}/none/suitability", json={"mixed_with": "oil"}).status_code == 404
