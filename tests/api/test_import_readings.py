"""``fillmark import readings``, run as a user runs it, and broken off on the way."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import date
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from api.cli import csv_history
from api.cli.csv_history import NoHistoryError, batches
from api.cli.main import app
from api.services.feed import recording
from api.store.session import Store
from tests.support.fleets import plant, service, sheet

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

HEADER = "unit,meter,at,value,unit_code,source"
SHEET = sheet(service("oil", km=10_000))


@pytest.fixture
def planted(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A store with two vehicles, which the command finds by its settings."""
    monkeypatch.setenv("FILLMARK_DATABASE_URL", database_url)
    store = Store.at(database_url)
    plant(store, SHEET, ["K-01", "K-02"], in_service_on=date(2024, 1, 1))
    yield store
    store.close()


def line(place: int, unit: str = "K-01") -> str:
    at = f"2025-05-{1 + place // 1440:02}T{place // 60 % 24:02}:{place % 60:02}:00Z"
    return f"{unit},odometer,{at},{1000 + place / 10},km,history"


def written(folder: Path, *lines: str) -> Path:
    file = folder / "history.csv"
    file.write_bytes("\r\n".join([HEADER, *lines, ""]).encode("utf-8", "surrogateescape"))
    return file


def imported(file: Path, *, status: int = 0) -> str:
    result = CliRunner().invoke(app, ["import", "readings", str(file)])
    assert result.exit_code == status, result.output
    return re.sub(r"\s+", " ", result.output)


def stored(store: Store) -> int:
    with store.reading() as session:
        return int(session.execute(text("SELECT COUNT(*) FROM reading")).scalar_one())


def rejects(file: Path) -> list[dict[str, str]]:
    content = file.with_name(file.name + ".rejects.csv").read_bytes().decode("utf-8")
    return list(csv.DictReader(io.StringIO(content, newline="")))


def test_a_history_is_stored_and_the_same_again_changes_nothing(planted: Store, tmp_path: Path) -> None:
    """Columns in any order beside others, a byte order mark, quotes, blank lines, no end of the last line."""
    file = tmp_path / "history.csv"
    file.write_text(
        "\ufeffsource,note,unit,value,unit_code,at,meter\n"
        'history,"a, b",K-01,100.5,mi,2025-05-01T08:00:00Z,odometer\n'
        "\n"
        '"history","say ""hi""",K-02,12.25,h,2025-05-01T08:00:00+02:00,engine_hours\n'
        "history,,X-77,1,km,2025-05-01T08:00:00Z,odometer",
        "utf-8",
    )
    assert "2 accepted, 0 duplicate, 1 held, 0 refused" in imported(file)
    assert "0 accepted, 3 duplicate, 0 held, 0 refused" in imported(file)
    assert stored(planted) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["history.csv"]


def test_refused_rows_go_to_a_file_with_their_reasons(planted: Store, tmp_path: Path) -> None:
    """Each with its line, a code, the column and its own fields; the rows around them are stored."""
    bad = [
        line(1).replace("1000.1", "1,000.1"),
        line(1).replace("1000.1", "NaN"),
        line(1).replace("1000.1", "1e5"),
        line(1).replace("km", "furlong"),
        line(1).replace("odometer", "clock"),
        line(1).replace("00Z", "00"),
        line(1).replace("K-01", "K-\udcff"),
        line(1).replace("K-01", ' K"01'),
        line(1).replace("K-01", '"K-01'),
        line(1).replace("K-01", "K" * 70_000),
        "K-01,odometer",
        line(1).replace("1000.1", "-1"),
        line(1).replace("1000.1", "9" * 30),
    ]
    said = imported(written(tmp_path, line(0), *bad, line(2)))
    assert f"2 accepted, 0 duplicate, 0 held, {len(bad)} refused" in said
    found = rejects(tmp_path / "history.csv")
    assert [(row["line"], row["code"], row["column"]) for row in found] == [
        ("3", "unit_unknown", "unit_code"),
        ("4", "figure_malformed", "value"),
        ("5", "figure_malformed", "value"),
        ("6", "unit_unknown", "unit_code"),
        ("7", "meter_unknown", "meter"),
        ("8", "instant_malformed", "at"),
        ("9", "code_malformed", "unit"),
        ("10", "code_malformed", "unit"),
        ("11", "row_malformed", ""),
        ("12", "row_malformed", ""),
        ("13", "row_malformed", ""),
        ("14", "figure_out_of_range", "value"),
        ("15", "figure_out_of_range", "value"),
    ]
    assert (found[1]["unit"], found[1]["value"], found[6]["unit"]) == ("K-01", "NaN", "K-\\udcff")
    assert stored(planted) == 2


@pytest.mark.parametrize("change", ["none", "file", "progress"])
def test_an_import_that_was_broken_off_goes_on(
    planted: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """Stopped in the third batch of 100, it goes on after row 200; a changed file or record begins at the start."""
    monkeypatch.setattr(csv_history, "PART_ROWS", 100)
    file = written(tmp_path, *[line(n) if n % 50 else line(n).replace("km", "x") for n in range(450)])
    record, calls = recording.record, []

    def stopping(session: Any, fleet_key: int, sent: Any, *, now_us: int) -> Any:
        calls.append(len(sent))
        outcome = record(session, fleet_key, sent, now_us=now_us)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return outcome

    monkeypatch.setattr(recording, "record", stopping)
    assert "broken off" in imported(file, status=2)
    assert stored(planted) == 196
    progress = tmp_path / "history.csv.progress.json"
    assert json.loads(progress.read_text())["rows"] == 200
    if change == "file":
        file.write_bytes(file.read_bytes() + b"\r\n")
    elif change == "progress":
        progress.write_text('{"rows": ')
    said = imported(file)
    assert ("goes on after row 200" in said) == (change == "none")
    assert ("245 accepted, 0 duplicate" in said) == (change == "none")
    assert stored(planted) == 441
    assert [int(row["line"]) for row in rejects(file)] == [2 + n for n in range(0, 450, 50)]
    assert not progress.exists()


def test_a_file_that_is_no_history_ends_the_command(planted: Store, tmp_path: Path) -> None:
    """Without a file, with another header, or with a column twice: one line says why, and nothing is stored."""
    assert "does not exist" in imported(tmp_path / "nothing.csv", status=2)
    for header in ("", "unit,meter,at,value,unit_code", HEADER + ",unit", "\udcff"):
        file = tmp_path / "history.csv"
        file.write_bytes(header.encode("utf-8", "surrogateescape") + b"\n" + line(0).encode())
        assert "the first line names each of the columns" in imported(file, status=2)
    assert stored(planted) == 0
    with pytest.raises(NoHistoryError):
        next(batches(tmp_path / "nothing.csv", skipped=0))
