"""What to pour after a drain, and what a level asks for. Nothing is stored.

Invariants: the maker's final level check decides, and each answer says so; the database is asked only where the
request names a product or a compartment.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

from api.services.compartments import CompartmentNamed, compartment_named
from api.services.errors import RefusedError
from api.services.fluid_products import ProductState, products_named
from api.services.places import placed
from domain.corrections import BaseDensity, Edition, base_density
from domain.errors import Breach
from domain.fluids import require_lubricating_oil
from domain.refill import LevelFound, LevelSheet, Refill, refill

if TYPE_CHECKING:
    from api.services.volume_corrections import DensityObserved
    from api.store.session import Store
    from domain.requirements import FluidKind
    from domain.sheet import Compartment


@dataclass(frozen=True, slots=True)
class RefillAsk:
    """A drain, and what is known of fluid, temperatures and level.

    Attributes:
        fluid_kind: What the fluid is; None where the product says it.
        product: Code of a product of the catalogue, for its kind and density.
        compartment: A compartment of a stored sheet, for its level check.
        drained_ml: Drained, as measured; 0 for a level alone [mL].
        drained_at_c: Temperature at which it was measured [degC].
        poured_at_c: Temperature of the fluid poured [degC].
        density_15c_kg_m3: Density at 15 degC [kg/m3].
        density_observed: Density at another temperature instead.
        level: The level found.
        level_place: What its height is called in the request.
        sheet: What the sheet gives for judging it.
        edition: Edition of the volume-correction procedure.
    """

    fluid_kind: FluidKind | None
    product: str | None
    compartment: CompartmentNamed | None
    drained_ml: int
    drained_at_c: float | None
    poured_at_c: float | None
    density_15c_kg_m3: float | None
    density_observed: DensityObserved | None
    level: LevelFound | None
    level_place: str
    sheet: LevelSheet
    edition: Edition


@dataclass(frozen=True, slots=True)
class RefillFound:
    """What to pour.

    Attributes:
        fluid_kind: What the fluid is.
        density: How its density at 15 degC was found; None where it was given, or not needed.
        refill: What to pour.
    """

    fluid_kind: FluidKind
    density: BaseDensity | None
    refill: Refill


def refilled(store: Store, fleet_key: int, ask: RefillAsk) -> RefillFound:
    """What to pour.

    Args:
        store: Read from only where the request names something stored.
        fleet_key: The fleet.
        ask: The question.

    Raises:
        RefusedError: A figure is missing, given twice or out of range, or what is named is not stored.
    """
    product, compartment = _stored(store, fleet_key, ask)
    kind = _kind(ask, product)
    density_15c, density = _density(ask, kind, product)
    with placed({"/level/above_full": ask.level_place}):
        found = refill(
            fluid_kind=kind,
            drained_ml=ask.drained_ml,
            drained_at_c=ask.drained_at_c,
            poured_at_c=ask.poured_at_c,
            density_15c_kg_m3=density_15c,
            level_found=ask.level,
            level_sheet=_level_sheet(ask.sheet, compartment),
            edition=ask.edition,
        )
    return RefillFound(kind, density, found)


def _stored(store: Store, fleet_key: int, ask: RefillAsk) -> tuple[ProductState | None, Compartment | None]:
    if ask.product is None and ask.compartment is None:
        return None, None
    with store.reading() as session:
        named = {} if ask.product is None else {"/product": ask.product}
        product = products_named(session, fleet_key, named).get("/product")
        return product, (
            None if ask.compartment is None else compartment_named(session, fleet_key, ask.compartment)
        )


def _kind(ask: RefillAsk, product: ProductState | None) -> FluidKind:
    if ask.fluid_kind is not None and product is None:
        return ask.fluid_kind
    if ask.fluid_kind is None and product is not None:
        return product.terms.product.kind
    detail = "say what the fluid is, or name a product: one of both"
    raise RefusedError(Breach("/fluid_kind", "fluid_not_one_way", detail))


def _density(
    ask: RefillAsk, kind: FluidKind, product: ProductState | None
) -> tuple[float | None, BaseDensity | None]:
    observed = ask.density_observed
    if ask.density_15c_kg_m3 is not None and observed is not None:
        detail = "the density is given at 15 degC or as observed, not both"
        raise RefusedError(Breach("/density_observed", "density_given_twice", detail))
    if observed is not None:
        places = {"/temperature": "/density_observed/temperature", "/density": "/density_observed/density"}
        with placed(places):
            require_lubricating_oil(kind, "/density_observed")
            found = base_density(
                observed_density_kg_m3=observed.density_kg_m3,
                observed_at_c=observed.at_c,
                edition=ask.edition,
            )
        return found.density_kg_m3, found
    if ask.density_15c_kg_m3 is None and product is not None:
        return product.terms.product.density_15c_kg_m3, None
    return ask.density_15c_kg_m3, None


def _level_sheet(given: LevelSheet, compartment: Compartment | None) -> LevelSheet:
    check = None if compartment is None else compartment.level_check
    if check is None:
        return given
    stored = LevelSheet(
        mark_to_mark_ml=check.mark_to_mark_ml,
        window_low_c=check.temperature_low_c,
        window_high_c=check.temperature_high_c,
    )
    # What the request gives counts; the rest is the sheet's.
    missing = {
        field.name: getattr(stored, field.name)
        for field in fields(LevelSheet)
        if getattr(given, field.name) is None
    }
    return replace(given, **missing)
