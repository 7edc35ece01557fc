"""Settings: all have defaults, unknown and unsafe ones are refused."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from api.settings import Settings, UnknownSettingError, settings_from_environment


@pytest.fixture(autouse=True)
def _no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in Settings.model_fields:
        monkeypatch.delenv(f"FILLMARK_{name.upper()}", raising=False)


def test_nothing_set_means_a_file_in_the_working_directory() -> None:
    settings = settings_from_environment()
    assert settings.database_url == "sqlite:///fillmark.db"
    assert settings.is_sqlite


def test_variables_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILLMARK_DATABASE_URL", "postgresql://shop@db.example/fleet")
    monkeypatch.setenv("FILLMARK_THREADS", "2")
    settings = settings_from_environment()
    assert settings.database_url == "postgresql+psycopg://shop@db.example/fleet"
    assert settings.threads == 2
    assert not settings.is_sqlite


def test_a_slip_of_the_pen_stops_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILLMARK_DATABASE_URI", "sqlite:///other.db")
    with pytest.raises(UnknownSettingError, match="FILLMARK_DATABASE_URI"):
        settings_from_environment()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("DATABASE_URL", "sqlite://"),
        ("DATABASE_URL", "sqlite:///"),
        ("DATABASE_URL", "sqlite:///:memory:"),
        ("DATABASE_URL", "sqlite:///file:x?mode=memory&uri=true"),
        ("DATABASE_URL", "sqlite:///x.db?timeout=0"),
        ("DATABASE_URL", "mysql://localhost/x"),
        ("DATABASE_URL", ""),
        ("WRITER_WAIT_S", "0"),
        ("WRITER_WAIT_S", "soon"),
        ("THREADS", "0"),
        ("MAX_BODY_BYTES", "-1"),
        ("WRITER_WAIT_S", "inf"),
        ("WRITER_WAIT_S", "nan"),
    ],
)
def test_an_unsafe_value_stops_the_start(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv(f"FILLMARK_{name}", value)
    with pytest.raises(ValidationError):
        settings_from_environment()
