from __future__ import annotations

from dataclasses import replace

import pytest

from domain.cautions import WORDS, in_order, task_cautions, visit_cautions
from domain.sheet import Caution, Compartment, CompartmentKind, FluidAction, Task
from tests.unit.domain.sheet_cases import GEARBOX_FLUID, OIL, SHEET, TYRES

MANUAL = Caution.MAKERS_MANUAL_GOVERNS
DRAINING = {
    MANUAL,
    Caution.HOT_FLUID_AND_EXHAUST,
    Caution.VEHICLE_ON_STANDS,
    Caution.SKIN_CONTACT,
    Caution.SPILLS_AND_USED_FLUID,
}
FILLING = {MANUAL, Caution.SKIN_CONTACT, Caution.SPILLS_AND_USED_FLUID}


def _found(kind: CompartmentKind, action: FluidAction, plugs: tuple[str, ...] = ()) -> set[Caution]:
    task = Task("t", "T", compartment="c", fluid_action=action, plugs=plugs)
    return set(task_cautions(task, Compartment("c", kind, "C")))


def test_every_caution_has_words_of_its_own() -> None:
    """No caution is silent, and the words that must not be missing are there."""
    assert set(WORDS) == set(Caution)
    assert len(set(WORDS.values())) == len(WORDS)
    assert "vehicle maker's manual governs" in WORDS[MANUAL]
    assert "jack alone" in WORDS[Caution.VEHICLE_ON_STANDS]
    assert "local rules" in WORDS[Caution.SPILLS_AND_USED_FLUID]
    assert "licensed" in WORDS[Caution.HIGH_VOLTAGE]


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (CompartmentKind.ENGINE_SUMP, DRAINING),
        (CompartmentKind.AUTOMATIC_TRANSMISSION, DRAINING),
        (CompartmentKind.CONTINUOUSLY_VARIABLE_TRANSMISSION, DRAINING),
        (CompartmentKind.DUAL_CLUTCH_TRANSMISSION, DRAINING),
        (CompartmentKind.MANUAL_GEARBOX, DRAINING),
        (CompartmentKind.AXLE, DRAINING),
        (CompartmentKind.TRANSFER_CASE, DRAINING),
        (CompartmentKind.ELECTRIC_AXLE_REDUCER, DRAINING | {Caution.HIGH_VOLTAGE}),
        (CompartmentKind.COOLANT_CIRCUIT, DRAINING | {Caution.PRESSURISED_COOLANT}),
        (
            CompartmentKind.BATTERY_COOLANT_CIRCUIT,
            DRAINING | {Caution.PRESSURISED_COOLANT, Caution.HIGH_VOLTAGE},
        ),
        (CompartmentKind.BRAKE_CIRCUIT, FILLING | {Caution.BRAKE_SYSTEM}),
        (CompartmentKind.CLUTCH_CIRCUIT, FILLING | {Caution.BRAKE_SYSTEM}),
        (CompartmentKind.POWER_STEERING, DRAINING | {Caution.HYDRAULIC_PRESSURE}),
        (CompartmentKind.HYDRAULIC_TANK, DRAINING | {Caution.HYDRAULIC_PRESSURE}),
        (CompartmentKind.ADDITIVE_TANK, FILLING),
        (CompartmentKind.AIR_CONDITIONING, FILLING | {Caution.REFRIGERANT}),
    ],
)
def test_an_exchange_carries_the_hazards_of_its_compartment(
    kind: CompartmentKind, expected: set[Caution]
) -> None:
    """Hot fluid and stands where it's drained from below, and what the kind of compartment adds."""
    assert _found(kind, FluidAction.EXCHANGE) == expected


def test_a_level_that_is_only_looked_at_carries_no_hazard_of_draining() -> None:
    """Nothing runs out, but the cap of a cooling circuit is opened."""
    assert _found(CompartmentKind.ENGINE_SUMP, FluidAction.CHECK) == {MANUAL}
    assert _found(CompartmentKind.COOLANT_CIRCUIT, FluidAction.CHECK) == {MANUAL, Caution.PRESSURISED_COOLANT}


def test_a_plug_opened_counts_as_draining() -> None:
    """A level plug sits underneath, and what stands above it runs out."""
    assert _found(CompartmentKind.AXLE, FluidAction.CHECK, ("fill",)) == DRAINING


def test_a_top_up_carries_skin_contact_and_spills() -> None:
    """Fluid is poured from above, and none is drained."""
    assert _found(CompartmentKind.ENGINE_SUMP, FluidAction.TOP_UP) == FILLING


def test_what_a_task_names_itself_is_kept_and_the_manual_stands_first() -> None:
    """In the order of the cautions, whatever the order in the sheet."""
    task = replace(TYRES, cautions=(Caution.REFRIGERANT, Caution.VEHICLE_ON_STANDS))
    assert task_cautions(task, None) == (MANUAL, Caution.VEHICLE_ON_STANDS, Caution.REFRIGERANT)


def test_a_visit_states_each_caution_once() -> None:
    """Two exchanges share their cautions; a visit without tasks still says what governs."""
    assert visit_cautions(SHEET, (OIL, GEARBOX_FLUID, TYRES)) == in_order(DRAINING)
    assert visit_cautions(SHEET, ()) == (MANUAL,)
