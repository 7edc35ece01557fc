"""``fillmark backtest`` and ``fillmark learn``, as a user runs them."""

from __future__ import annotations

import csv
import json
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from api.cli.main import app
from api.services.feed.batch import SentReading
from api.services.feed.recording import record
from api.store.session import Store
from tests.support.fleets import FLEET, at_us, plant, service, sheet
from tests.support.use_fleets import wandering

if TYPE_CHECKING:
    from pathlib import Path

    from domain.use_history import DaySeries

SHEET = sheet(service("oil", km=10_000))
EPOCH = date(1970, 1, 1)


def run(*arguments: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, list(arguments), env={"COLUMNS": "80"})
    assert result.exit_code == status, result.output
    return result.output


def written(path: Path, series: list[DaySeries], types: list[int]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("type", "unit", "read_on", "odometer_km"))
        for place, (one, kind) in enumerate(zip(series, types, strict=True)):
            for day, life in zip(one.days.tolist(), one.life.tolist(), strict=True):
                on = (EPOCH + timedelta(days=day)).isoformat()
                rows.writerow((f"type {kind}", f"K-{place:02}", on, life / 1000))
    return path


def test_a_file_is_held_against_its_own_past(tmp_path: Path) -> None:
    """Every forecast from the 13th month on, none skipped, by horizon, type and year; within 82 columns."""
    file = written(tmp_path / "use.csv", *wandering([80_000.0, 20_000.0], 6, 40, seed=6))
    output = run("backtest", str(file), "--json", str(tmp_path / "figures.json"))
    assert "12 vehicles of 2 types in use.csv" in output
    for heading in ("Error and coverage by horizon", "By type", "By year", "Where it loses:"):
        assert heading in output
    assert all(len(line) <= 82 for line in output.splitlines()[:-1])
    figures = json.loads((tmp_path / "figures.json").read_text("utf-8"))
    assert [score["months"] for score in figures["overall"]] == [1, 3, 6, 12]
    # 41 readings: forecasts from the 13th on whose month, quarter, half-year and year have passed
    assert [score["forecasts"] for score in figures["overall"]] == [12 * (41 - 12 - h) for h in (1, 3, 6, 12)]
    assert set(figures["by_type"]) == {"type 0", "type 1"}
    assert list(figures["by_year"]) == ["1981", "1982", "1983"]
    for score in figures["overall"]:
        assert 0.75 < score["coverage"] < 1.0
        assert set(score["rules"]) == {"last_rate", "12_month_mean", "exponential_smoothing"}


def test_files_that_are_no_histories(tmp_path: Path) -> None:
    file = tmp_path / "use.csv"
    file.write_text("unit,read_on\nK-01,2030-01-01\n", "utf-8")
    assert "names no column for the figure" in run("backtest", str(file), status=2)
    file.write_text("unit,read_on,odometer_km\nK-01,2030-01-01,5\nK-01,then,6\nK-01,2030-02-01,x\n", "utf-8")
    assert "no vehicle has readings of more than one day" in run("backtest", str(file), status=2)
    file.write_text("unit,read_on,odometer_km\nK-01,2030-01-01,5\nK-01,2030-02-01,9\n", "utf-8")
    assert "nothing to hold" in run("backtest", str(file), status=2)
    assert "there is no meter" in run("backtest", str(file), "--meter", "clock", status=2)


def test_columns_as_an_import_takes_them(tmp_path: Path) -> None:
    """Units row by row, other meters passed over, a figure that goes back left out."""
    rows = ["unit,meter,at,value,unit_code,source"]
    for month in range(30):
        on = f"{2020 + month // 12}-{1 + month % 12:02}-01T08:00:00Z"
        rows += [f"K-1,odometer,{on},{month * 1000},mi,h", f"K-1,engine_hours,{on},{month * 20},h,h"]
    rows.append("K-1,odometer,2022-06-15T08:00:00Z,5,mi,h")
    file = tmp_path / "history.csv"
    file.write_text("\n".join(rows), "utf-8")
    output = run("backtest", str(file))
    assert "1 vehicle of 1 type in history.csv; 1 row left out" in output.replace("\n", " ")
    assert "1.00 in 90 %" in output


@pytest.fixture
def read_store(database_url: str, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A store with six vehicles read monthly for two and a half years, which commands find by their settings."""
    monkeypatch.setenv("FILLMARK_DATABASE_URL", database_url)
    store = Store.at(database_url)
    series, _ = wandering([80_000.0], 6, 30, seed=8)
    shift = (date(2028, 1, 1) - date(1980, 1, 1)).days
    plant(store, SHEET, [f"K-{place}" for place in range(6)], in_service_on=date(2027, 12, 1))
    sent = [
        SentReading(
            len(series) * at + place, f"K-{place}", 1, (day + shift) * 86_400_000_000, round(life), "g"
        )
        for place, one in enumerate(series)
        for at, (day, life) in enumerate(zip(one.days.tolist(), one.life.tolist(), strict=True))
    ]
    with store.writing() as session:
        assert record(session, FLEET, sent, now_us=at_us("2031-05-05")).accepted == len(sent)
    return store


def test_what_is_stored_is_held_against_its_own_past_and_learned(read_store: Store) -> None:
    """A pattern a type and meter, another version each time, and a level for every vehicle."""
    try:
        assert "6 vehicles of 1 type" in run("backtest")
        assert "no vehicle has readings of its engine hours" in run(
            "backtest", "--meter", "engine_hours", status=2
        )
        assert "odometer: 1 type, 6 vehicles" in run("learn")
        run("learn")
        with read_store.reading() as session:
            rows = session.execute(
                text("SELECT meter, version, vehicles, forecasts FROM use_pattern ORDER BY id")
            )
            assert [tuple(row) for row in rows][:2] == [(1, 1, 6, 6 * (29 + 27 + 24 + 18)), (1, 2, 6, 588)]
            levels = session.execute(text("SELECT odometer_use FROM standing")).scalars().all()
            assert {len(level) for level in levels} == {48}
    finally:
        read_store.close()


def test_there_is_nothing_to_learn_from(database_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILLMARK_DATABASE_URL", database_url)
    assert "nothing to learn from" in run("learn", status=2)
