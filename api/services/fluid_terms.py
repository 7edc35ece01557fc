"""Fluid requirements as the fleet stores them, as what products are judged by.

Invariant: a requirement that names no class, or a class or grade that its standard lacks, is judged by nobody;
no match is assumed for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from domain.errors import Breach
from domain.requirements import FluidRequirement, Standard, requirement_breaches

if TYPE_CHECKING:
    from collections.abc import Iterable

_VISCOSITY = frozenset({Standard.SAE_J300, Standard.SAE_J306})


def stored_requirement(
    standard: str, service_class: str | None, grade: str | None
) -> tuple[FluidRequirement | None, tuple[Breach, ...]]:
    """The requirement, and why products cannot be judged by it; one of both is empty.

    Args:
        standard: The standard as stored.
        service_class: The class as stored; for a viscosity standard the grade may stand alone.
        grade: The grade as stored.
    """
    if standard not in {known.value for known in Standard}:
        return None, (
            Breach("/standard", "standard_unknown", "the standard is none of those that are judged"),
        )
    known = Standard(standard)
    if service_class is None and known in _VISCOSITY:
        service_class, grade = grade, None
    if service_class is None:
        return None, (Breach("/service_class", "class_missing", "the requirement names no class"),)
    found = FluidRequirement(known, service_class, grade)
    breaches = tuple(requirement_places(requirement_breaches(found)))
    return (None, breaches) if breaches else (found, ())


def requirement_places(breaches: Iterable[Breach]) -> list[Breach]:
    """The breaches of requirements, at the names that requests give their fields."""
    return [
        Breach(f"{b.pointer.removesuffix('/class')}/service_class", b.rule, b.detail)
        if b.pointer.endswith("/class")
        else b
        for b in breaches
    ]
