"""Hostile bodies: refused by their place, never a 500, never an echo, nothing stored."""

from __future__ import annotations

import gzip
import json
import time

import pytest

from tests.support.client import CheckedClient, check_problem, codes_at
from tests.support.probe import sent

JSON = {"content-type": "application/json"}
INTEGER_BEYOND_64_BITS = 2**63


def raw(**texts: str) -> str:
    """A body whose named members hold JSON text as it stands."""
    members = {name: json.dumps(value) for name, value in sent().items()} | texts
    return "{" + ",".join(f'"{name}": {text}' for name, text in members.items()) + "}"


def refused(client: CheckedClient, content: str | bytes, status: int = 422) -> dict[str, str]:
    """The codes by place after a refusal that stored nothing and echoed nothing."""
    response = client.post("/v1/probes", content=content, headers=JSON)
    assert response.status_code == status, response.text
    assert client.get("/v1/probes").json()["ids"] == []
    return codes_at(response)


def test_a_good_body_is_taken(probes: CheckedClient) -> None:
    response = probes.post("/v1/probes?units=us", json=sent(run={"value": 0.1, "unit": "mi"}))
    assert response.status_code == 201
    assert response.json() == {
        "id": 1,
        "run": {"value": 0.1, "unit": "mi"},
        "at": "2031-05-04T06:00:00Z",
        "on": "2031-05-04",
    }


@pytest.mark.parametrize(
    ("member", "text", "pointer", "code"),
    [
        ("run", '{"value": NaN, "unit": "km"}', "#/run/value", "figure_not_finite"),
        ("run", '{"value": Infinity, "unit": "km"}', "#/run/value", "figure_not_finite"),
        ("run", '{"value": -Infinity, "unit": "km"}', "#/run/value", "figure_not_finite"),
        ("run", '{"value": 1e999, "unit": "km"}', "#/run/value", "figure_not_finite"),
        ("run", '{"value": 1e308, "unit": "km"}', "#/run", "figure_too_large"),
        ("run", '{"value": -0.1, "unit": "km"}', "#/run", "figure_negative"),
        ("run", '{"value": true, "unit": "km"}', "#/run/value", "number_expected"),
        ("run", '{"value": "1", "unit": "km"}', "#/run/value", "number_expected"),
        ("run", '{"value": 1, "unit": "furlong"}', "#/run/unit", "unit_unknown"),
        ("run", '{"value": 1, "unit": "L"}', "#/run/unit", "unit_of_wrong_dimension"),
        ("run", '{"value": 1, "unit": "km", "unit": "mi"}', "#/run/unit", "member_repeated"),
        ("run", "5.7", "#/run", "quantity_without_unit"),
        ("oil", '{"value": -300, "unit": "degC"}', "#/oil", "figure_too_small"),
        ("id", str(INTEGER_BEYOND_64_BITS), "#/id", "integer_too_large"),
        ("id", str(-INTEGER_BEYOND_64_BITS), "#/id", "integer_too_large"),
        ("id", "9" * 5000, "#/id", "integer_too_large"),
        ("id", str(INTEGER_BEYOND_64_BITS - 1), "#/id", "figure_too_large"),
        ("id", "1.0", "#/id", "whole_number_expected"),
        ("id", "true", "#/id", "whole_number_expected"),
        ("id", '"1"', "#/id", "whole_number_expected"),
        ("words", '"\\ud800"', "#/words", "text_malformed"),
        ("words", '"a\\udc00b"', "#/words", "text_malformed"),
        ("words", '"a\\u0000b"', "#/words", "text_malformed"),
        ("words", '"line\\nbreak"', "#/words", "text_malformed"),
        ("words", '"   "', "#/words", "text_malformed"),
        ("words", json.dumps("x" * 1_000_000), "#/words", "text_too_long"),
        ("words", "1", "#/words", "text_expected"),
        ("at", '"0001-01-01T00:00:00+14:00"', "#/at", "instant_malformed"),
        ("at", '"9999-12-31T23:59:59-14:00"', "#/at", "instant_malformed"),
        ("at", '"2031-05-04T08:00:00"', "#/at", "instant_malformed"),
        ("at", '"2031-05-04"', "#/at", "instant_malformed"),
        ("at", "1700000000", "#/at", "instant_malformed"),
        ("at", "1700000000000", "#/at", "instant_malformed"),
        ("on", '"9999-12-31"', "#/on", "day_malformed"),
        ("on", '"2031-02-29"', "#/on", "day_malformed"),
        ("on", '"2031-W05-1"', "#/on", "day_malformed"),
        ("on", '"2031-05-04T00:00:00Z"', "#/on", "day_malformed"),
        ("on", "20310504", "#/on", "day_malformed"),
        ("system", '"nautical"', "#/system", "value_not_listed"),
        ("is_new", "1", "#/is_new", "flag_expected"),
        ("is_new", '"true"', "#/is_new", "flag_expected"),
        ("items", '[{"share": 1.5}]', "#/items/0/share", "figure_too_large"),
        ("items", '{"share": 0.5}', "#/items", "list_expected"),
        ("items", "[" + "{}," * 200 + "{}]", "#/items", "list_too_long"),
        ("colour", '"red"', "#/colour", "field_unknown"),
    ],
)
def test_each_bad_place_is_named(
    probes: CheckedClient, member: str, text: str, pointer: str, code: str
) -> None:
    assert refused(probes, raw(**{member: text})) == {pointer: code}


def test_all_errors_of_one_body_come_in_one_answer(probes: CheckedClient) -> None:
    body = raw(id="NaN", words='"\\ud800"', at="1", on='"never"', run='{"value": 1, "unit": "x"}', colour="1")
    assert refused(probes, body) == {
        "#/id": "figure_not_finite",
        "#/words": "text_malformed",
        "#/at": "instant_malformed",
        "#/on": "day_malformed",
        "#/run/unit": "unit_unknown",
        "#/colour": "field_unknown",
    }


def test_errors_stop_at_a_hundred_and_say_so(probes: CheckedClient) -> None:
    body = json.dumps(sent(items=[{"share": 2.0}] * 150))
    document = check_problem(probes.post("/v1/probes", content=body, headers=JSON))
    assert len(document["errors"]) == 100
    assert document["errors_truncated"] is True


def test_a_unit_that_is_a_formula_is_refused_at_once(probes: CheckedClient) -> None:
    for text in ("9**9**9**9", "m**9**9**9", "1e999999999*m"):
        began = time.perf_counter()
        body = json.dumps(sent(run={"value": 1, "unit": text}))
        response = probes.post("/v1/probes", content=body, headers=JSON)
        assert time.perf_counter() - began < 0.5
        (error,) = check_problem(response)["errors"]
        assert error["detail"] == "A distance takes one of these unit codes: m, km, mi."


@pytest.mark.parametrize(
    "content",
    [
        b"{",
        b"nope",
        b"[1,]",
        b'{"a": 1} {"b": 2}',
        b"\xef\xbb\xbf{}",
        b'{"words": "\xff"}',
        b'{"words": "\xed\xa0\x80"}',
        '{"words": "oil"}'.encode("utf-16"),
        b"[" * 100_000,
        b"[" * 33 + b"]" * 33,
        b'{"a":' * 33 + b"1" + b"}" * 33,
        b'["' + b'"]},[{' * 50 + b"[" * 40,
        b'{"words": "a\x00b"}',
        b"\x00",
        b"'{}'",
        b"   ",
    ],
)
def test_a_body_that_is_no_json_is_malformed(probes: CheckedClient, content: bytes) -> None:
    response = probes.post("/v1/probes", content=content, headers=JSON)
    assert response.status_code == 400
    assert check_problem(response)["type"] == "/problems/malformed-request"


def test_nesting_up_to_the_limit_is_read(probes: CheckedClient) -> None:
    assert refused(probes, "[" * 32 + "]" * 32) == {"#": "object_expected"}


def test_brackets_inside_texts_do_not_count_as_nesting(probes: CheckedClient) -> None:
    response = probes.post("/v1/probes", json=sent(words="[{" * 50 + '\\"' + "[" * 20))
    assert response.status_code == 201


def test_an_empty_body_lacks_everything(probes: CheckedClient) -> None:
    assert refused(probes, b"") == {"#": "field_missing"}
    assert set(refused(probes, b"{}").values()) == {"field_missing"}


@pytest.mark.parametrize(
    ("headers", "answered"),
    [
        ({"content-type": "text/plain"}, "accept"),
        ({"content-type": "application/xml"}, "accept"),
        ({"content-type": "application/x-www-form-urlencoded"}, "accept"),
        ({"content-type": "application/json; charset=latin-1"}, "accept"),
        ({}, "accept"),
        ({**JSON, "content-encoding": "gzip"}, "accept-encoding"),
        ({**JSON, "content-encoding": "br"}, "accept-encoding"),
    ],
)
def test_another_media_type_is_refused(probes: CheckedClient, headers: dict[str, str], answered: str) -> None:
    response = probes.post("/v1/probes", content=gzip.compress(b"{}"), headers=headers)
    assert response.status_code == 415
    assert answered in response.headers
    check_problem(response)


def test_a_charset_that_says_utf8_is_taken(probes: CheckedClient) -> None:
    headers = {"content-type": 'Application/JSON; charset="UTF-8"'}
    assert probes.post("/v1/probes", content=json.dumps(sent()), headers=headers).status_code == 201


@pytest.mark.parametrize(
    ("query", "pointer", "code"),
    [
        ("colour=red", "#/colour", "parameter_unknown"),
        ("units=us", "#/units", "parameter_unknown"),
        ("limit=1&limit=2", "#/limit", "parameter_repeated"),
        ("limit=0", "#/limit", "figure_too_small"),
        ("limit=-1", "#/limit", "figure_too_small"),
        ("limit=1001", "#/limit", "figure_too_large"),
        (f"limit={INTEGER_BEYOND_64_BITS}", "#/limit", "figure_too_large"),
        ("limit=" + "9" * 5000, "#/limit", "whole_number_expected"),
        ("limit=1.5", "#/limit", "whole_number_expected"),
        ("limit=", "#/limit", "whole_number_expected"),
        (f"least={INTEGER_BEYOND_64_BITS}", "#/least", "figure_too_large"),
        ("least=NaN", "#/least", "whole_number_expected"),
        ("words=" + "x" * 21, "#/words", "text_too_long"),
        ("words=a%00b", "#/words", "text_malformed"),
        ("words=%ff", "#", "parameters_malformed"),
        ("words=%ed%a0%80", "#", "parameters_malformed"),
        ("&".join(f"a{n}=1" for n in range(60)), "#", "parameters_malformed"),
        ("on=9999-12-31", "#/on", "day_malformed"),
        ("%00=1", "#/\N{REPLACEMENT CHARACTER}", "parameter_unknown"),
    ],
)
def test_each_bad_parameter_is_named(probes: CheckedClient, query: str, pointer: str, code: str) -> None:
    response = probes.get(f"/v1/probes?{query}")
    assert response.status_code == 422
    assert codes_at(response) == {pointer: code}
    assert check_problem(response)["errors"][0]["in"] == "query"


@pytest.mark.parametrize(
    ("key", "status"),
    [
        (str(INTEGER_BEYOND_64_BITS), 422),
        ("9" * 5000, 422),
        ("x", 422),
        ("%00", 404),
        ("a%00b", 404),
        ("1", 404),
    ],
)
def test_a_bad_key_in_the_path_is_refused(probes: CheckedClient, key: str, status: int) -> None:
    assert probes.get(f"/v1/probes/{key}").status_code == status


def test_a_member_whose_name_is_no_text_is_refused(probes: CheckedClient) -> None:
    content = json.dumps(sent())[:-1] + ', "a\\ud800": 1, "b\\u0000": 2}'
    gap = "\N{REPLACEMENT CHARACTER}"
    assert refused(probes, content) == {f"#/a{gap}": "text_malformed", f"#/b{gap}": "text_malformed"}


def test_a_member_name_is_shown_short_and_printable(probes: CheckedClient) -> None:
    body = json.dumps(sent(**{"a/b~c\n" + "x" * 500: 1}))
    (error,) = check_problem(probes.post("/v1/probes", content=body, headers=JSON))["errors"]
    assert error["pointer"] == "#/a~1b~0c\N{REPLACEMENT CHARACTER}" + "x" * 74
