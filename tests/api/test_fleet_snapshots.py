"""Fleet snapshots: each figure a reading with its verdict, JSON and XML alike; hostile documents store nothing."""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text

from tests.support.client import check_problem, codes_at
from tests.support.fleets import plant, service, sheet

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

XML = {"Content-Type": "application/xml"}
SHEET = sheet(service("oil", km=10_000))
AT = "2031-05-01T08:00:00Z"


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.app.state.store, SHEET, ["K-01", "K-02"])
    return client


def equipment(unit: Any = "K-01", **elements: Any) -> dict[str, Any]:
    return {"EquipmentHeader": {"EquipmentID": unit, "SerialNumber": "S-1"}, **elements}


def distance(odometer: Any, units: Any = "kilometre", at: Any = AT) -> dict[str, Any]:
    return {"datetime": at, "OdometerUnits": units, "Odometer": odometer}


def hours(hour: Any, at: Any = AT) -> dict[str, Any]:
    return {"datetime": at, "Hour": hour}


def element(name: str, value: Any) -> str:
    if not isinstance(value, dict):
        return f"<{name}>{value}</{name}>"
    at = f' datetime="{value["datetime"]}"' if "datetime" in value else ""
    return (
        f"<{name}{at}>" + "".join(element(k, v) for k, v in value.items() if k != "datetime") + f"</{name}>"
    )


def xml(*pieces: dict[str, Any]) -> bytes:
    """The pieces as XML, in a namespace and with the parts of a snapshot that are passed over."""
    inner = "".join(element("Equipment", piece) for piece in pieces)
    links = "<Links><rel>self</rel><href>/Fleet/1</href></Links>"
    return f'<?xml version="1.0"?><Fleet xmlns="urn:example" version="1">{links}{inner}</Fleet>'.encode()


def send(client: CheckedClient, form: str, *pieces: dict[str, Any], query: str = "") -> Response:
    path = f"/v1/fleet-snapshots{query}"
    if form == "json":
        return client.post(path, json={"Fleet": {"Links": [], "Equipment": list(pieces)}})
    return client.post(path, content=xml(*pieces), headers=XML)


def told(client: CheckedClient, form: str, *pieces: dict[str, Any], query: str = "") -> dict[str, Any]:
    answer = send(client, form, *pieces, query=query)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    assert found["received"] == found["accepted"] + found["duplicate"] + found["held"] + found["refused"]
    return found


def stored(client: CheckedClient) -> list[tuple[Any, ...]]:
    with client.store.reading() as session:
        rows = session.execute(
            text("SELECT vehicle_id, meter, at_us, figure, status FROM reading ORDER BY 1, 2")
        ).all()
    return [tuple(row) for row in rows]


@pytest.mark.parametrize("form", ["json", "xml"])
def test_each_figure_becomes_a_reading_with_its_verdict(planted: CheckedClient, form: str) -> None:
    """Distance in miles, hours, and a meter that is not fitted; the other elements are passed over."""
    pieces = (
        equipment(
            Distance=distance("12345.6", "mile"),
            CumulativeOperatingHours=hours(431.25, "2031-05-01T10:00:00+02:00"),
            CumulativeIdleHours=hours(20),
            Location={"datetime": AT, "Latitude": 1, "Longitude": 2},
            FuelRemaining={"datetime": AT, "Percent": 50},
        ),
        equipment(
            "K-02", Distance=distance(100), FuelUsed={"datetime": AT, "FuelUnits": "litre", "FuelConsumed": 5}
        ),
        equipment("X-77", Distance=distance(5)),
        equipment("K-02"),
    )
    answer = told(planted, form, *pieces)
    assert (answer["equipment"], answer["received"], answer["accepted"], answer["held"]) == (4, 6, 3, 3)
    assert [
        (r["equipment"], r["equipment_id"], r["serial_number"], r["element"], r["code"])
        for r in answer["rows"]
    ] == [
        (0, "K-01", "S-1", "CumulativeIdleHours", "meter_not_fitted"),
        (1, "K-02", "S-1", "FuelUsed", "meter_not_fitted"),
        (2, "X-77", "S-1", "Distance", "unit_unknown"),
    ]
    (mileage,) = planted.get("/v1/vehicles/K-01/readings?meter=odometer&units=us").json()["readings"]
    assert (mileage["figure"], mileage["at"]) == ({"value": 12_345.6, "unit": "mi"}, AT)
    assert mileage["source"] == "fleet-snapshot"
    (engine,) = planted.get("/v1/vehicles/K-01/readings?meter=engine_hours").json()["readings"]
    assert engine["figure"] == {"value": 431.25, "unit": "h"}
    again = told(planted, "xml" if form == "json" else "json", *pieces)
    assert (again["accepted"], again["duplicate"]) == (0, 6)


@pytest.mark.parametrize("form", ["json", "xml"])
def test_what_is_wrong_with_a_figure_is_its_verdict(planted: CheckedClient, form: str) -> None:
    """Each refused by the element and the place in it; the good figure beside them is stored."""
    pieces = (
        equipment(Distance=distance(100), CumulativeOperatingHours=hours("many")),
        equipment(Distance=distance(1, "furlong")),
        equipment(Distance=distance(1, at="2031-05-01T08:00:00")),
        equipment(Distance={"OdometerUnits": "mile", "Odometer": 1}),
        equipment(Distance=distance(-1)),
        equipment(Distance=distance("1" + "0" * 20)),
        equipment(Distance={"datetime": AT, "OdometerUnits": "mile"}),
        equipment("K" * 65, Distance=distance(1)),
        {
            "EquipmentHeader": {"SerialNumber": "S-9"},
            "Distance": distance(1),
            "CumulativeOperatingHours": hours(1),
        },
        {"Distance": distance(1)},
        equipment(FuelUsed={"datetime": AT, "FuelUnits": "gallon", "FuelConsumed": 5}),
        equipment(Distance="7"),
        equipment(CumulativeOperatingHours={"datetime": AT, "Hour": "0x10"}),
    )
    answer = told(planted, form, *pieces)
    assert [(row["equipment"], row["element"], row["code"], row["pointer"]) for row in answer["rows"]] == [
        (0, "CumulativeOperatingHours", "figure_malformed", "/CumulativeOperatingHours/Hour"),
        (1, "Distance", "unit_unknown", "/Distance/OdometerUnits"),
        (2, "Distance", "instant_malformed", "/Distance/datetime"),
        (3, "Distance", "instant_malformed", "/Distance/datetime"),
        (4, "Distance", "figure_out_of_range", "/Distance/Odometer"),
        (5, "Distance", "figure_out_of_range", "/Distance/Odometer"),
        (6, "Distance", "figure_malformed", "/Distance/Odometer"),
        (7, "Distance", "equipment_id_missing", "/EquipmentHeader/EquipmentID"),
        (8, "Distance", "equipment_id_missing", "/EquipmentHeader/EquipmentID"),
        (8, "CumulativeOperatingHours", "equipment_id_missing", "/EquipmentHeader/EquipmentID"),
        (9, "Distance", "equipment_id_missing", "/EquipmentHeader/EquipmentID"),
        (10, "FuelUsed", "unit_unknown", "/FuelUsed/FuelUnits"),
        (
            11,
            "Distance",
            *(
                ("element_malformed", "/Distance")
                if form == "json"
                else ("unit_unknown", "/Distance/OdometerUnits")
            ),
        ),
        (12, "CumulativeOperatingHours", "figure_malformed", "/CumulativeOperatingHours/Hour"),
    ]
    assert (answer["accepted"], answer["refused"]) == (1, 14)
    assert len(stored(planted)) == 1


def test_an_element_that_stands_twice_in_xml_is_refused(planted: CheckedClient) -> None:
    """Which of two counts is anybody's guess."""
    one = element("Distance", distance(100))
    header = element("EquipmentHeader", {"EquipmentID": "K-01"})
    twice = one.replace("</Distance>", "<Odometer>5</Odometer></Distance>")
    body = f"<Fleet><Equipment>{header}{one}{one}</Equipment><Equipment>{header}{twice}</Equipment></Fleet>"
    answer = planted.post("/v1/fleet-snapshots", content=body.encode(), headers=XML).json()
    assert [(row["equipment"], row["code"]) for row in answer["rows"]] == [
        (0, "element_malformed"),
        (1, "figure_malformed"),
    ]


def test_a_source_can_be_named(planted: CheckedClient) -> None:
    """One source for each supplier of snapshots; a code that is none is refused."""
    told(planted, "xml", equipment(Distance=distance(100)), query="?source=excavators")
    (row,) = planted.get("/v1/vehicles/K-01/readings").json()["readings"]
    assert row["source"] == "excavators"
    assert send(planted, "xml", query="?source=%20x").status_code == 422


def test_json_without_the_roots_name_and_compressed_bodies(planted: CheckedClient) -> None:
    """Both are the same snapshot."""
    piece = equipment(Distance=distance(100))
    bare = planted.post("/v1/fleet-snapshots", json={"Equipment": [piece]})
    assert bare.json()["accepted"] == 1
    packed = planted.post(
        "/v1/fleet-snapshots", content=gzip.compress(xml(piece)), headers=XML | {"Content-Encoding": "gzip"}
    )
    assert packed.json()["duplicate"] == 1


BOMB = '<!DOCTYPE f [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><Fleet>&b;</Fleet>'


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"nope",
        b"<Fleet>",
        b"<Fleet></Fleet><Fleet/>",
        b"<Fleet><Equipment></Fleet>",
        BOMB.encode(),
        b'<!DOCTYPE Fleet SYSTEM "file:///etc/hostname"><Fleet/>',
        b'<!DOCTYPE f [<!ENTITY x SYSTEM "file:///etc/hostname">]><Fleet>&x;</Fleet>',
        b"<Fleet>&unknown;</Fleet>",
        b"<Fleet>\xff</Fleet>",
        b"<Fleet>\x00</Fleet>",
        b'<?xml version="1.0" encoding="utf-7"?><Fleet/>',
        b'<?xml version="1.0" encoding="no-such-thing"?><Fleet/>',
        b'<?xml version="1.0" encoding="shift_jis"?><Fleet/>',
        b'<?xml version="1.0" encoding="idna"?><Fleet/>',
        b"{}",
    ],
)
def test_what_is_no_xml_stores_nothing(planted: CheckedClient, body: bytes) -> None:
    """Cut off, with entities or external references, in an odd encoding: 400, unread and without an echo."""
    answer = planted.post("/v1/fleet-snapshots", content=body, headers=XML)
    assert answer.status_code == 400, answer.text
    check_problem(answer)
    assert "hostname" not in answer.text
    assert stored(planted) == []


def test_deep_and_wide_xml_is_read_without_trouble(planted: CheckedClient) -> None:
    """100,000 levels, and a tag with 10,000 attributes: passed over like anything that is not asked for."""
    deep = b"<a>" * 100_000 + b"</a>" * 100_000
    wide = b"<b " + b" ".join(b'c%d="1"' % n for n in range(10_000)) + b"/>"
    good = xml(equipment(Distance=distance(100))).replace(b"<Links>", deep + wide + b"<Links>")
    answer = planted.post("/v1/fleet-snapshots", content=good, headers=XML)
    assert answer.json()["accepted"] == 1


@pytest.mark.parametrize(
    ("body", "status", "places"),
    [
        (b"{", 400, None),
        (b"\xef\xbb\xbf{}", 400, None),
        (b"[]", 422, {"#": "snapshot_malformed"}),
        (b"{}", 200, None),
        (b'{"Fleet": []}', 422, {"#": "snapshot_malformed"}),
        (b'{"Fleet": {"Equipment": {}}}', 422, {"#": "snapshot_malformed"}),
        (
            b'{"Fleet": {"Equipment": [{"Distance": NaN}]}}',
            422,
            {"#/Fleet/Equipment/0/Distance": "figure_not_finite"},
        ),
        (b'{"Fleet": {"Equipment": [1, "x", null, []]}}', 200, None),
        (json.dumps({"Equipment": [{}] * 10_001}).encode(), 422, {"#/Fleet/Equipment": "list_too_long"}),
    ],
)
def test_json_that_is_no_snapshot(
    planted: CheckedClient, body: bytes, status: int, places: dict[str, str] | None
) -> None:
    """Malformed text is 400, another form 422; an empty snapshot is one without figures."""
    answer = planted.post("/v1/fleet-snapshots", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == status, answer.text
    if places is not None:
        assert codes_at(answer) == places
    assert stored(planted) == []


def test_another_root_and_another_media_type(planted: CheckedClient) -> None:
    """Another document is 422; text/xml is not read, and the answer says what is."""
    other = planted.post("/v1/fleet-snapshots", content=b"<Herd/>", headers=XML)
    assert codes_at(other) == {"#": "snapshot_malformed"}
    answer = planted.post("/v1/fleet-snapshots", content=b"<Fleet/>", headers={"Content-Type": "text/xml"})
    assert answer.status_code == 415
    assert answer.headers["accept"] == "application/json, application/xml"
