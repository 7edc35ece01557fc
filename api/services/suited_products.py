"""Which products of the catalogue meet stored requirements: by name alone, without containers and prices.

Invariant: as in ``api.services.fluid_supplies``, a product is named only where it is found to meet the requirement.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.services.fluid_terms import stored_requirement
from api.store import queries_jobs, queries_kits
from domain.fluids import Product, suitability
from domain.requirements import FluidKind, FluidRequirement, Standard, Verdict, telling_standards

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.store.session import ReadSession


def suited_products(session: ReadSession, fleet_key: int, codes: Iterable[str]) -> dict[str, list[str]]:
    """Codes of the products that meet stored requirements, by the code of the requirement, in order.

    Two statements, whatever the number of requirements and products.

    Args:
        session: Any unit of work.
        fleet_key: The fleet.
        codes: Codes of the requirements; one by which nothing can be judged has no products.
    """
    wanted = sorted(set(codes))
    if not wanted:
        return {}
    judged = {
        row.code: stored_requirement(row.standard, row.service_class, row.grade)[0]
        for row in queries_kits.requirements(session, fleet_key, wanted)
    }
    telling = {
        code: frozenset() if one is None else telling_standards(one.standard) for code, one in judged.items()
    }
    standards = sorted({standard.value for found in telling.values() for standard in found})
    products = _products(session, fleet_key, standards)
    return {
        code: []
        if required is None
        else [
            product.code
            for product in products
            if any(one.standard in telling[code] for one in product.meets)
            and suitability(product, (required,)).verdict is Verdict.YES
        ]
        for code, required in judged.items()
    }


def _products(session: ReadSession, fleet_key: int, standards: list[str]) -> list[Product]:
    found: dict[tuple[str, str], list[FluidRequirement]] = {}
    for row in queries_jobs.products_stating(session, fleet_key, standards):
        stated = FluidRequirement(Standard(row.standard), row.service_class, row.grade)
        found.setdefault((row.code, row.kind), []).append(stated)
    return [Product(code, FluidKind(kind), tuple(meets)) for (code, kind), meets in found.items()]
