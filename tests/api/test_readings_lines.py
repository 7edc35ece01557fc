"""Readings as lines, plain and compressed: a bad line is its own verdict, a bad body stores nothing."""

from __future__ import annotations

import gzip
import json
import zlib
from typing import TYPE_CHECKING, Any

import anyio.lowlevel
import pytest
from sqlalchemy import text

from api.routes import feeding
from api.services.feed import parts, recording
from api.store.errors import StoreBusyError, StoreFullError
from tests.support.client import check_problem, codes_at
from tests.support.fleets import km_row, plant, service, sheet

if TYPE_CHECKING:
    from httpx2 import Response

    from tests.support.client import CheckedClient

LINES = {"Content-Type": "application/x-ndjson"}
GZIP = {"Content-Encoding": "gzip"}
SHEET = sheet(service("oil", km=10_000))
ROW = km_row("K-01", "2031-05-01T08:00:00Z", 1000)
LINE = json.dumps(ROW).encode()


@pytest.fixture
def planted(client: CheckedClient) -> CheckedClient:
    plant(client.app.state.store, SHEET, ["K-01", "K-02"])
    return client


def rows(count: int, *, first: int = 0) -> list[dict[str, Any]]:
    """Rows of two vehicles, each a second and 10 m after the one before."""
    return [
        km_row(
            f"K-0{1 + place % 2}",
            f"2031-05-0{1 + place // 86_400}T{place // 3600 % 24:02}:{place // 60 % 60:02}:{place % 60:02}Z",
            1000 + place / 100,
        )
        for place in range(first, first + count)
    ]


def lines(some: list[dict[str, Any]]) -> bytes:
    return b"".join(json.dumps(row).encode() + b"\n" for row in some)


def send(client: CheckedClient, body: bytes, **headers: str) -> Response:
    return client.post("/v1/readings", content=body, headers=LINES | headers)


def told(client: CheckedClient, body: bytes, **headers: str) -> dict[str, Any]:
    answer = send(client, body, **headers)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    assert found["received"] == found["accepted"] + found["duplicate"] + found["held"] + found["refused"]
    return found


def counts(answer: dict[str, Any]) -> tuple[int, int, int, int]:
    return answer["accepted"], answer["duplicate"], answer["held"], answer["refused"]


def stored(client: CheckedClient) -> int:
    with client.store.reading() as session:
        waiting = session.execute(text("SELECT COUNT(*) FROM unplaced_reading")).scalar_one()
        return int(session.execute(text("SELECT COUNT(*) FROM reading")).scalar_one()) + int(waiting)


def test_lines_are_stored_and_the_same_again_changes_nothing(planted: CheckedClient) -> None:
    """With and without the last line's end, in one go or as JSON: the same readings."""
    body = lines(rows(200))
    assert counts(told(planted, body)) == (200, 0, 0, 0)
    assert counts(told(planted, body.rstrip())) == (0, 200, 0, 0)
    again = planted.post("/v1/readings", json={"readings": rows(200)}).json()
    assert counts(again) == (0, 200, 0, 0)
    assert again["rows"][0]["line"] is None
    assert stored(planted) == 200


def test_the_malformed_line_7341_is_refused_by_its_number(planted: CheckedClient) -> None:
    """8,000 lines of which one is no JSON: 7,999 are stored, and the answer names the line."""
    some = lines(rows(8000)).splitlines()
    some[7340] = some[7340][:-10]
    answer = told(planted, b"\n".join(some))
    assert counts(answer) == (7999, 0, 0, 1)
    assert [(r["index"], r["line"], r["verdict"], r["code"]) for r in answer["rows"]] == [
        (7340, 7341, "refused", "row_malformed")
    ]


@pytest.mark.parametrize(
    ("line", "code", "pointer"),
    [
        (b"{", "row_malformed", ""),
        (b"nope", "row_malformed", ""),
        (b"[1]", "row_malformed", ""),
        (b"1", "row_malformed", ""),
        (LINE + LINE, "row_malformed", ""),
        (LINE + b" " + LINE, "row_malformed", ""),
        (LINE.replace(b"K-01", b"K-\xff"), "text_malformed", ""),
        (LINE.replace(b"K-01", b"K-\\ud800"), "row_malformed", ""),
        (LINE.replace(b"K-01", b"K-\\u0000"), "code_malformed", "/unit"),
        (LINE.replace(b"K-01", b"K-\x00"), "row_malformed", ""),
        (b"\xef\xbb\xbf" + LINE, "byte_order_mark", ""),
        (LINE.replace(b"K-01", b"K" * 10_000_000), "line_too_long", ""),
        (LINE.replace(b"K-01", b"K" * 65_536), "line_too_long", ""),
        (LINE.replace(b"K-01", b"K" * 60_000), "code_malformed", "/unit"),
        (LINE.replace(b'"value": 1000', b'"value": NaN'), "row_malformed", ""),
        (LINE.replace(b'"value": 1000', b'"value": -Infinity'), "row_malformed", ""),
        (LINE.replace(b'"value": 1000', b'"value": 1e999'), "row_malformed", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": 1e308'), "figure_out_of_range", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": ' + b"9" * 5000), "row_malformed", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": -0.1'), "figure_out_of_range", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": "1000"'), "row_malformed", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": true'), "row_malformed", "/figure/value"),
        (LINE.replace(b'"value": 1000', b'"value": 1, "value": 2'), "member_repeated", ""),
        (LINE.replace(b'"value": 1000', b'"value": 1, "v\\u0061lue": 2'), "member_repeated", ""),
        (LINE.replace(b'{"unit"', b'{"unit": "K-02", "unit"'), "member_repeated", ""),
        (LINE.replace(b'{"unit"', b'{"colour": "red", "unit"'), "member_unknown", ""),
        (LINE.replace(b"2031-05-01T08:00:00Z", b"9999-12-31T23:59:59Z"), "instant_malformed", "/at"),
        (LINE.replace(b"2031-05-01T08:00:00Z", b"2031-05-01T08:00:00"), "instant_malformed", "/at"),
        (LINE.replace(b"2031-05-01T08:00:00Z", b"2031-05-01"), "instant_malformed", "/at"),
        (LINE.replace(b'"2031-05-01T08:00:00Z"', b"1935619200"), "row_malformed", "/at"),
        (LINE.replace(b'"odometer"', b'"mileage"'), "meter_unknown", "/meter"),
        (LINE.replace(b'"km"', b'"furlong"'), "unit_unknown", "/figure/unit"),
        (LINE.replace(b'"km"', b'"h"'), "unit_of_wrong_dimension", "/figure/unit"),
        (LINE.replace(b'"gateway"', b'" gateway"'), "code_malformed", "/source"),
        (b'{"unit":' + b"[" * 60_000, "row_malformed", "/unit"),
        (b'{"deep":' * 7_000, "member_unknown", ""),
    ],
)
@pytest.mark.parametrize("around", [1, 100])
def test_a_bad_line_is_refused_and_sinks_nothing(
    planted: CheckedClient, line: bytes, code: str, pointer: str, around: int
) -> None:
    """The lines before and after it are stored, few or many; the answer tells the line, the rule and the place."""
    before, after = lines(rows(around)), lines(rows(around, first=around))
    answer = told(planted, before + line + b"\n" + after)
    assert counts(answer) == (2 * around, 0, 0, 1)
    (row,) = answer["rows"]
    assert (row["line"], row["code"], row["pointer"]) == (around + 1, code, pointer)
    assert "red" not in row["detail"]


def test_blank_lines_and_carriage_returns_are_no_rows(planted: CheckedClient) -> None:
    """They count as lines, so that a line's number is the one an editor shows."""
    first, second = lines(rows(2)).splitlines()
    answer = told(planted, b"\r\n" + first + b"\r\n\n  \r\n" + second + b"\r\n{\r\n")
    assert counts(answer) == (2, 0, 0, 1)
    assert [(row["index"], row["line"]) for row in answer["rows"]] == [(5, 6)]
    many = b"\r\n".join(lines(rows(100, first=2)).splitlines()) + b"\r\n"
    assert counts(told(planted, many)) == (100, 0, 0, 0)


def test_a_value_over_two_lines_is_refused_though_the_count_of_values_is_right(
    planted: CheckedClient,
) -> None:
    """Two values on one line and one over two lines: a line is one value, so three lines are refused."""
    good = lines(rows(100)).splitlines()
    last = good.pop()
    head, tail = last[:-20], last[-20:]
    body = b"\n".join([*good[:-2], good[-2] + b" " + good[-1], head, tail])
    answer = told(planted, body)
    assert counts(answer) == (97, 0, 0, 3)
    assert [row["line"] for row in answer["rows"]] == [98, 99, 100]


def test_nanoseconds_are_cut_and_an_unknown_source_is_taken_in(planted: CheckedClient) -> None:
    """Digits beyond the sixth are cut, so this is the same reading; a new source begins with its first row."""
    one = km_row("K-01", "2031-05-01T08:00:00.123456Z", 1000, "never-seen-before")
    told(planted, lines([one]))
    assert counts(told(planted, lines([one | {"at": "2031-05-01T08:00:00.123456999Z"}]))) == (0, 1, 0, 0)
    (row,) = planted.get("/v1/vehicles/K-01/readings").json()["readings"]
    assert (row["source"], row["at"]) == ("never-seen-before", "2031-05-01T08:00:00.123456Z")


@pytest.mark.parametrize("body", [b"", b"\n", b" \r\n\n"])
def test_a_body_without_rows_is_refused(planted: CheckedClient, body: bytes) -> None:
    """An empty body is a mistake of the sender's, not a batch."""
    answer = send(planted, body)
    assert answer.status_code == 422
    assert codes_at(answer) == {"#": "row_count"}


@pytest.mark.parametrize("media", ["application/json", "application/x-ndjson"])
@pytest.mark.parametrize("count", [3, 150])
def test_gzip_is_read_in_one_member_or_many(planted: CheckedClient, media: str, count: int) -> None:
    """A compressed body is the same body; members are read one after the other, empty ones too."""
    some = rows(count)
    body = lines(some) if media.endswith("ndjson") else json.dumps({"readings": some}).encode()
    cut = len(body) // 3
    several = gzip.compress(body[:cut]) + gzip.compress(b"") + gzip.compress(body[cut:])
    for packed, expected in ((gzip.compress(body), (count, 0, 0, 0)), (several, (0, count, 0, 0))):
        answer = planted.post(
            "/v1/readings", content=packed, headers={"Content-Type": media, "Content-Encoding": "gzip"}
        )
        assert answer.status_code == 200, answer.text
        assert counts(answer.json()) == expected


PACKED = gzip.compress(lines(rows(50)), mtime=0)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        PACKED[:-1],
        PACKED[:-8],
        PACKED[:40],
        PACKED[:5],
        PACKED + PACKED[:30],
        PACKED + b"trailing junk",
        PACKED[:60] + bytes([PACKED[60] ^ 0xFF]) + PACKED[61:],
        PACKED[:-5] + bytes([PACKED[-5] ^ 0xFF]) + PACKED[-4:],
        zlib.compress(lines(rows(50))),
        lines(rows(50)),
    ],
)
def test_broken_gzip_stores_nothing(planted: CheckedClient, body: bytes) -> None:
    """Truncated anywhere, with junk behind it, damaged or not gzip at all: 400, and not one row is stored."""
    answer = send(planted, body, **GZIP)
    assert answer.status_code == 400
    assert check_problem(answer)["type"] == "/problems/malformed-request"
    assert stored(planted) == 0


@pytest.mark.parametrize(
    ("headers", "named"),
    [
        ({"Content-Type": "text/csv"}, ("accept", "application/json, application/x-ndjson")),
        ({"Content-Type": "application/ndjson"}, ("accept", "application/json, application/x-ndjson")),
        (
            {"Content-Type": "application/x-ndjson; charset=latin-1"},
            ("accept", "application/json, application/x-ndjson"),
        ),
        ({"Content-Encoding": "br"}, ("accept-encoding", "gzip, identity")),
        ({"Content-Encoding": "gzip, gzip"}, ("accept-encoding", "gzip, identity")),
    ],
)
def test_another_media_type_or_coding_stores_nothing(
    planted: CheckedClient, headers: dict[str, str], named: tuple[str, str]
) -> None:
    """415, with what is read here."""
    answer = send(planted, LINE, **headers)
    assert answer.status_code == 415
    assert answer.headers[named[0]] == named[1]
    check_problem(answer)
    assert stored(planted) == 0


def limited(client: CheckedClient, **limits: int) -> None:
    client.app.state.settings = client.app.state.settings.model_copy(update=limits)


def test_a_bomb_is_refused_where_the_limit_is_reached(planted: CheckedClient) -> None:
    """64 MiB of zeros in 64 kB, and a good row before a bomb: 413 as soon as the limit is passed, nothing stored."""
    limited(planted, max_feed_bytes=1 << 20, max_body_bytes=1 << 20)
    bomb = gzip.compress(bytes(64 << 20))
    for body in (bomb, gzip.compress(lines([ROW])) + bomb):
        answer = send(planted, body, **GZIP)
        assert answer.status_code == 413
        assert check_problem(answer)["type"] == "/problems/body-too-large"
    as_json = planted.post("/v1/readings", content=bomb, headers={"Content-Type": "application/json"} | GZIP)
    assert as_json.status_code == 413
    assert stored(planted) == 0


def test_lines_may_be_longer_than_json(planted: CheckedClient) -> None:
    """The limits of the two media types differ; each is kept to the byte."""
    body = lines(rows(100))
    limited(planted, max_feed_bytes=len(body), max_body_bytes=1024)
    assert send(planted, body).status_code == 200
    limited(planted, max_feed_bytes=len(body) - 1)
    assert send(planted, body).status_code == 413
    as_json = json.dumps({"readings": rows(100)}).encode()
    headers = {"Content-Type": "application/json"}
    limited(planted, max_body_bytes=len(as_json) - 1)
    assert planted.post("/v1/readings", content=as_json, headers=headers).status_code == 413
    limited(planted, max_body_bytes=len(as_json))
    assert planted.post("/v1/readings", content=as_json, headers=headers).status_code == 200


def test_too_many_lines_store_nothing(planted: CheckedClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blank lines count too: reading them is work."""
    monkeypatch.setattr(parts, "MOST_LINES", 100)
    assert send(planted, lines(rows(100)) + b"\n" * 10).status_code == 413
    assert stored(planted) == 0
    assert send(planted, lines(rows(100))).status_code == 200


def test_a_long_body_in_chunks_is_spooled(planted: CheckedClient) -> None:
    """A chunked body of more than a mebibyte, unpacked to a file piece by piece, is the same body."""
    body = lines(rows(12_000))
    assert len(body) > 1 << 20
    pieces = (body[begin : begin + 50_000] for begin in range(0, len(body), 50_000))
    answer = planted.post("/v1/readings", content=pieces, headers=LINES)
    assert counts(answer.json()) == (12_000, 0, 0, 0)


def test_a_body_cut_off_on_its_way_stores_nothing(planted: CheckedClient) -> None:
    """The sender goes away in the middle: what has come in by then is dropped."""
    messages: list[dict[str, Any]] = [
        {"type": "http.request", "body": lines(rows(100)), "more_body": True},
        {"type": "http.disconnect"},
    ]
    answers: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        await anyio.lowlevel.checkpoint()
        return messages.pop(0)

    async def answered(message: dict[str, Any]) -> None:
        await anyio.lowlevel.checkpoint()
        answers.append(message)

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/v1/readings",
        "query_string": b"",
        "headers": [(b"content-type", b"application/x-ndjson"), (b"transfer-encoding", b"chunked")],
    }
    assert planted.portal is not None
    app: Any = planted.app
    planted.portal.call(app, scope, receive, answered)
    assert answers[0]["status"] == 400
    assert stored(planted) == 0


@pytest.fixture
def short_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parts of 100 rows, and bodies of more than 250 rows stored in parts."""
    monkeypatch.setattr(parts, "MOST_ROWS_AT_ONCE", 250)
    monkeypatch.setattr("api.schemas.reading_lines.PART_ROWS", 100)


def failing_at(monkeypatch: pytest.MonkeyPatch, call: int, error: Exception) -> list[int]:
    """Let one call of ``record`` fail; how many rows each call had."""
    sizes: list[int] = []
    record = recording.record

    def failing(session: Any, fleet_key: int, sent: Any, *, now_us: int) -> Any:
        sizes.append(len(sent))
        outcome = record(session, fleet_key, sent, now_us=now_us)
        if len(sizes) == call:
            raise error
        return outcome

    monkeypatch.setattr(feeding, "record", failing)
    return sizes


@pytest.mark.usefixtures("short_parts")
def test_a_long_body_is_stored_in_parts(planted: CheckedClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to 250 rows are one transaction; 560 are six, and refused lines are told by their numbers over all parts."""
    sizes = failing_at(monkeypatch, -1, RuntimeError())
    assert counts(told(planted, lines(rows(250)))) == (250, 0, 0, 0)
    assert sizes == [250]
    some = lines(rows(560)).splitlines()
    some[99] = some[342] = b"{"
    answer = told(planted, b"\n".join(some))
    assert counts(answer) == (309, 249, 0, 2)
    assert sizes[1:] == [99, 100, 100, 99, 100, 60]
    assert [row["line"] for row in answer["rows"] if row["verdict"] == "refused"] == [100, 343]
    assert [row["index"] for row in answer["rows"]] == sorted(row["index"] for row in answer["rows"])


@pytest.mark.usefixtures("short_parts")
@pytest.mark.parametrize("bad", ["gzip", "lines"])
def test_a_long_body_is_checked_before_its_first_part(
    planted: CheckedClient, monkeypatch: pytest.MonkeyPatch, bad: str
) -> None:
    """Its last byte missing, or one line too many: nothing of it is stored."""
    body = lines(rows(600))
    if bad == "gzip":
        answer = send(planted, gzip.compress(body)[:-1], **GZIP)
        assert answer.status_code == 400
    else:
        monkeypatch.setattr(parts, "MOST_LINES", 599)
        assert send(planted, body).status_code == 413
    assert stored(planted) == 0


@pytest.mark.usefixtures("short_parts")
@pytest.mark.parametrize(
    ("error", "status", "kind"),
    [
        (StoreFullError("full"), 507, "stored-in-part-disk-full"),
        (StoreBusyError("busy"), 503, "stored-in-part"),
        (RuntimeError("a fault"), 503, "stored-in-part"),
    ],
)
def test_a_failure_after_the_first_part_names_the_last_stored_line(
    planted: CheckedClient, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, kind: str
) -> None:
    """The third part fails: two are stored, the third left no trace; sending all again ends with each row once."""
    body = lines(rows(600))
    failing_at(monkeypatch, 3, error)
    answer = send(planted, body)
    document = check_problem(answer)
    assert (answer.status_code, document["type"]) == (status, f"/problems/{kind}")
    assert document["stored_through_line"] == 200
    assert "line 200" in document["detail"]
    assert (status == 503) == ("retry-after" in answer.headers)
    assert stored(planted) == 200
    assert counts(told(planted, body)) == (400, 200, 0, 0)
    assert stored(planted) == 600


@pytest.mark.usefixtures("short_parts")
def test_a_failure_of_the_first_part_is_the_plain_one(
    planted: CheckedClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is stored, so the answer is the one that says so."""
    failing_at(monkeypatch, 1, StoreFullError("full"))
    answer = send(planted, lines(rows(600)))
    assert check_problem(answer)["type"] == "/problems/storage-full"
    assert "stored_through_line" not in answer.json()
    assert stored(planted) == 0


def test_no_room_for_a_long_body_is_a_full_disk(
    planted: CheckedClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the spool file cannot grow, the answer is 507 and nothing is stored."""
    body = lines(rows(12_000))

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.SpooledTemporaryFile.write", full)
    answer = send(planted, body)
    assert answer.status_code == 507
    monkeypatch.undo()
    assert stored(planted) == 0
    assert send(planted, body).status_code == 200


def test_raw_values_are_scaled_or_refused(planted: CheckedClient) -> None:
    """Counts become figures; what says not available, error or no figure refuses the row, as does a mixed-up row."""
    base = {"unit": "K-01", "meter": "odometer", "at": "2031-05-01T08:00:00Z", "source": "bus"}

    def raw(signal: str, value: Any, **changes: Any) -> dict[str, Any]:
        return base | {"raw": {"signal": signal, "value": value}} | changes

    some = [
        raw("j1939_spn_245", 1_000_000),
        raw("j1939_spn_917", 25_000_000, at="2031-05-01T08:00:01Z"),
        raw("obd_pid_a6", 1_250_010, at="2031-05-01T08:01:00Z"),
        raw("j1939_spn_247", 20_000, meter="engine_hours"),
        raw("j1939_spn_245", 0xFFFFFFFF),
        raw("j1939_spn_245", 0xFE000000),
        raw("j1939_spn_917", 0xFB000000),
        raw("j1939_spn_245", 2**32),
        raw("j1939_spn_245", 10**400),
        raw("j1939_spn_245", -1),
        raw("j1939_spn_245", 1.5),
        raw("j1939_spn_999", 1),
        raw("j1939_spn_247", 1),
        raw("j1939_spn_245", 1, figure={"value": 1, "unit": "km"}),
        base,
        raw("j1939_spn_245", 1, meter="clock"),
    ]
    for body in (lines(some), lines([*some, *rows(100)])):
        answer = told(planted, body)
        assert {
            row["line"]: (row["code"], row["pointer"])
            for row in answer["rows"]
            if row["verdict"] == "refused"
        } == {
            5: ("signal_not_available", "/raw/value"),
            6: ("signal_in_error", "/raw/value"),
            7: ("signal_out_of_range", "/raw/value"),
            8: ("signal_out_of_range", "/raw/value"),
            9: ("signal_out_of_range", "/raw/value"),
            10: ("signal_out_of_range", "/raw/value"),
            11: ("row_malformed", "/raw/value"),
            12: ("signal_unknown", "/raw/signal"),
            13: ("signal_of_other_meter", "/raw/signal"),
            14: ("figure_or_raw", ""),
            15: ("figure_or_raw", ""),
            16: ("meter_unknown", "/meter"),
        }
    listed = planted.get("/v1/vehicles/K-01/readings?limit=200&meter=odometer").json()["readings"]
    figures = [row["figure"]["value"] for row in listed if row["source"] == "bus"]
    assert figures == [125_000.0, 125_000.0, 125_001.0]
    (hours,) = planted.get("/v1/vehicles/K-01/readings?meter=engine_hours").json()["readings"]
    assert hours["figure"] == {"value": 1000.0, "unit": "h"}
