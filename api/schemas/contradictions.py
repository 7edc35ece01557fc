"""What a spec sheet document contradicts beside its fields of the wrong form, so that all is told at once.

A document with a field of the wrong form has no value to check. Here the smallest piece around each such
field (a rule, a task, a compartment, a service) is taken out, and the rest is checked as a sheet. What might
be a mere consequence of a piece taken out is not told: the client hears it with the next attempt, if it is so.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from domain.errors import Breach, SheetError
from domain.sheet import Meter, check_sheet

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pydantic_core import ErrorDetails

    from domain.sheet import SpecSheet

Place = tuple[int | str, ...]

_PLACEHOLDER = "x"
_PIECES = {"rules", "tasks"}
# Rules that a missing compartment, service or task can break by itself.
_CONSEQUENCES = {
    "compartments": {
        "compartment_unknown",
        "plug_unknown",
        "fluid_requirement_missing",
        "volume_missing",
    },
    "services": {"service_unknown"},
    "tasks": {"service_without_tasks"},
}


@dataclass(slots=True)
class _Cut:
    """What is taken out of a document.

    Attributes:
        members: Members that the schema does not know.
        root: Members of the document that others stand in for.
        compartments: Places of compartments.
        services: Places of services.
        pieces: Places of rules and tasks: service, list, place.
    """

    members: list[Place] = field(default_factory=list)
    root: dict[str, Any] = field(default_factory=lambda: {"parts": [], "fluid_requirements": []})
    compartments: set[int] = field(default_factory=set)
    services: set[int] = field(default_factory=set)
    pieces: set[tuple[int, str, int]] = field(default_factory=set)

    def consequences(self) -> set[str]:
        """Rules that what is left may break for want of what was taken out."""
        found: set[str] = set()
        if self.compartments or "compartments" in self.root:
            found |= _CONSEQUENCES["compartments"]
        if self.services:
            found |= _CONSEQUENCES["services"]
        if any(name == "tasks" for _, name, _ in self.pieces):
            found |= _CONSEQUENCES["tasks"]
        return found


def breaches_beside(
    sent: Any, errors: Iterable[ErrorDetails], value: Callable[[Any], SpecSheet]
) -> list[Breach]:
    """The contradictions of what is left of a document, by their places in the document as it was sent.

    Args:
        sent: The decoded body.
        errors: What is of the wrong form in it.
        value: Gives the sheet of a sound document, or raises ``pydantic.ValidationError``.
    """
    if not isinstance(sent, dict):
        return []
    cut = _Cut()
    for error in errors:
        _take_out(cut, error)
    try:
        sheet = value(_without(sent, cut))
        check_sheet(sheet)
    except ValidationError:
        return []
    except SheetError as error:
        told = [breach for breach in error.breaches if breach.rule not in cut.consequences()]
        return [Breach(_place_as_sent(breach.pointer, cut), breach.rule, breach.detail) for breach in told]
    return []


def place_of(pointer: str) -> Place:
    """The steps of a JSON Pointer."""
    return tuple(int(step) if step.isdecimal() else step for step in pointer.split("/")[1:])


def _take_out(cut: _Cut, error: ErrorDetails) -> None:
    match error["loc"]:
        case place if error["type"] == "extra_forbidden":
            cut.members.append(place)
        case ("code" | "name" as name, *_):
            cut.root[name] = _PLACEHOLDER
        case ("meters", *_):
            cut.root["meters"] = list(Meter)
        case ("compartments", int(index), *_):
            cut.compartments.add(index)
        case ("services", int(index), str(name), int(at), *_) if name in _PIECES:
            cut.pieces.add((index, name, at))
        case ("services", int(index), *_):
            cut.services.add(index)
        case ("compartments" | "services" as name, *_):
            cut.root[name] = []


def _without(document: dict[str, Any], cut: _Cut) -> Any:
    whole = document
    for place in cut.members:
        whole = _without_member(whole, place)
    whole = whole | cut.root
    compartments, services = whole.get("compartments", []), whole.get("services", [])
    return whole | {
        "compartments": [c for index, c in enumerate(compartments) if index not in cut.compartments],
        "services": [
            _service_without(service, index, cut)
            for index, service in enumerate(services)
            if index not in cut.services
        ],
    }


def _service_without(service: dict[str, Any], index: int, cut: _Cut) -> dict[str, Any]:
    lists = {
        name: [piece for at, piece in enumerate(service[name]) if (index, name, at) not in cut.pieces]
        for name in _PIECES
        if name in service
    }
    return service | lists


def _without_member(whole: Any, place: Place) -> Any:
    first, *rest = place
    changed = copy(whole)
    if rest:
        changed[first] = _without_member(changed[first], tuple(rest))
    else:
        del changed[first]
    return changed


def _place_as_sent(pointer: str, cut: _Cut) -> str:
    steps = list(place_of(pointer))
    match steps:
        case ["compartments", int(index), *_]:
            steps[1] = _index_as_sent(index, cut.compartments)
        case ["services", int(index), *rest]:
            service = steps[1] = _index_as_sent(index, cut.services)
            match rest:
                case [str(name), int(at), *_] if name in _PIECES:
                    taken = {place for of, list_, place in cut.pieces if (of, list_) == (service, name)}
                    steps[3] = _index_as_sent(at, taken)
    return "".join(f"/{step}" for step in steps)


def _index_as_sent(index: int, taken: set[int]) -> int:
    sent = index
    for place in sorted(taken):
        if place <= sent:
            sent += 1
    return sent
