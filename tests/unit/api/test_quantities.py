"""Quantities in requests and answers: exact at the edge, one unit system an answer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from api.schemas import quantities
from api.schemas.quantities import (
    CalendarSpan,
    Distance,
    Duration,
    Temperature,
    UnitSystem,
    Volume,
    shown_quantity,
    unit_code,
)
from domain.units import UNITS, Dimension


@given(st.integers(0, 9_999_999), st.sampled_from([("km", UnitSystem.METRIC), ("mi", UnitSystem.US)]))
def test_every_tenth_of_a_kilometre_or_mile_comes_back(tenths: int, unit: tuple[str, UnitSystem]) -> None:
    code, system = unit
    run_m = Distance(value=tenths / 10, unit=code).canonical()
    assert isinstance(run_m, int)
    assert shown_quantity(run_m, Dimension.DISTANCE, system) == {"value": tenths / 10, "unit": code}


@given(
    st.integers(0, 99_999),
    st.sampled_from([("L", UnitSystem.METRIC), ("qt_us", UnitSystem.US), ("qt_imp", UnitSystem.IMPERIAL)]),
)
def test_every_tenth_of_a_litre_or_quart_comes_back(tenths: int, unit: tuple[str, UnitSystem]) -> None:
    code, system = unit
    filled_ml = Volume(value=tenths / 10, unit=code).canonical()
    assert shown_quantity(filled_ml, Dimension.VOLUME, system) == {"value": tenths / 10, "unit": code}


def test_quarts_of_two_systems_are_kept_apart() -> None:
    # Exact by definition: a US gallon is 231 cubic inches (3.785411784 L), an imperial one 4.54609 L.
    assert Volume(value=4, unit="qt_us").canonical() == 3785
    assert Volume(value=4, unit="qt_imp").canonical() == 4546


def test_canonical_figures_are_those_of_the_domain() -> None:
    assert Distance(value=1, unit="mi").canonical() == 1609
    assert Duration(value=1.5, unit="h").canonical() == 5400
    assert CalendarSpan(value=2, unit="year").canonical() == 24
    assert Temperature(value=212, unit="degF").canonical() == pytest.approx(100)


@pytest.mark.parametrize("value", [0.5, 1.25])
def test_months_are_whole(value: float) -> None:
    with pytest.raises(ValidationError, match="whole numbers"):
        CalendarSpan(value=value, unit="month")


def test_every_dimension_has_a_unit_in_every_system_and_models_both_ways() -> None:
    asked = {m.dimension for m in quantities._WholeQuantity.__subclasses__()}
    asked |= {m.dimension for m in quantities._RealQuantity.__subclasses__()}
    shown = {m.dimension for m in quantities._ShownQuantity.__subclasses__()}
    assert asked == shown == set(Dimension)
    for system in UnitSystem:
        for dimension in Dimension:
            assert UNITS[unit_code(system, dimension)].dimension is dimension


def test_the_schema_lists_the_units_of_the_dimension() -> None:
    unit = Volume.model_json_schema()["properties"]["unit"]
    assert unit["enum"] == [code for code, listed in UNITS.items() if listed.dimension is Dimension.VOLUME]
    assert {"L", "qt_us", "qt_imp"} < set(unit["enum"])
