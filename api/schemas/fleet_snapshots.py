"""Fleet snapshots of mixed fleets (ISO 15143-3), JSON or XML, and the readings in them.

Each piece of equipment carries its unit number as ``EquipmentID`` and up to four figures, each with an instant of its
own. Everything else in a snapshot is passed over.

Invariants: a document type, an entity or an external reference is refused unread; what is wrong with one figure is its
verdict and sinks neither the others nor the snapshot.

Sources: element names and their nesting from a public model of the snapshot's XML that cites clauses 11.2 and 11.3 of
ISO/TS 15143-3:2016; the standard's own text was not seen. From memory: the words ``kilometre``, ``mile`` and ``litre``,
the ``datetime`` of ``FuelUsed``, and that JSON writes elements and attributes as members of the same names.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Annotated, Any, NamedTuple

from defusedxml import DefusedXmlException
from defusedxml import ElementTree as SafeXml
from pydantic import Field

from api.schemas.base import Answer
from api.schemas.reading_rows import FigureSent, RowSent, taken
from api.services.errors import BodyMalformedError, RefusedError
from api.services.feed.batch import SentReading, Verdict
from api.services.feed.tally import RefusedRow, Tally
from domain.errors import Breach
from domain.sheet import Meter

if TYPE_CHECKING:
    from collections.abc import Iterator
    from xml.etree.ElementTree import Element

MOST_EQUIPMENT = 10_000
LONGEST_TEXT = 64

_ROOT, _EQUIPMENT, _HEADER, _AT = "Fleet", "Equipment", "EquipmentHeader", "datetime"
_ID, _SERIAL = "EquipmentID", "SerialNumber"
_NUMBER = re.compile(r"[+-]?[0-9]{1,30}(?:\.[0-9]{1,30})?")


class _Figure(NamedTuple):
    """An element that carries a meter's figure.

    Attributes:
        element: Its name.
        meter: Whose figure it is.
        value: Name of the child with the figure.
        units: Name of the child with the unit; None where it is hours.
        codes: Unit codes by the words of the standard.
    """

    element: str
    meter: Meter
    value: str
    units: str | None
    codes: dict[str, str]


# A gallon may be US or imperial, so it is not taken.
_FIGURES = (
    _Figure("Distance", Meter.ODOMETER, "Odometer", "OdometerUnits", {"kilometre": "km", "mile": "mi"}),
    _Figure("CumulativeOperatingHours", Meter.ENGINE_HOURS, "Hour", None, {}),
    _Figure("CumulativeIdleHours", Meter.IDLE_HOURS, "Hour", None, {}),
    _Figure("FuelUsed", Meter.FUEL_BURNED, "FuelConsumed", "FuelUnits", {"litre": "L"}),
)
_NEEDED = {_HEADER, *(figure.element for figure in _FIGURES)}


class SnapshotRow(Answer):
    """A figure of a snapshot that was not accepted."""

    equipment: Annotated[int, Field(description="Place of the equipment in the snapshot, from 0.")]
    equipment_id: Annotated[str | None, Field(description="Its EquipmentID, the fleet's unit number.")]
    serial_number: Annotated[str | None, Field(description="Its SerialNumber.")]
    element: Annotated[str, Field(description="The element that carries the figure.")]
    verdict: Annotated[Verdict, Field(description="What became of it at the moment of the answer.")]
    code: Annotated[str, Field(description="Why, as a stable code.")]
    pointer: Annotated[
        str | None, Field(description="Refused: place in the equipment of what breaks a rule.")
    ]
    detail: Annotated[str, Field(description="Why, in a sentence.")]


class SnapshotVerdicts(Answer):
    """What became of a snapshot's figures: exact counts, and those that were not accepted."""

    equipment: Annotated[int, Field(description="Pieces of equipment.")]
    received: Annotated[int, Field(description="Figures of meters in them.")]
    accepted: Annotated[int, Field(description="Stored and counted.")]
    duplicate: Annotated[int, Field(description="Stored before; nothing changed.")]
    held: Annotated[int, Field(description="Stored, and held for a person's review.")]
    refused: Annotated[int, Field(description="Not stored: the figure breaks a rule.")]
    rows: Annotated[list[SnapshotRow], Field(description="Figures not accepted, at most 1,000.")]
    rows_truncated: Annotated[bool, Field(description="Whether more were not accepted than listed.")]


@dataclass(slots=True)
class Snapshot:
    """A snapshot as read.

    Attributes:
        equipment: EquipmentID and SerialNumber of each piece, as far as they are short text.
        sent: Its readings.
        refused: Its figures that break a rule.
    """

    equipment: list[tuple[str | None, str | None]]
    sent: list[SentReading]
    refused: list[RefusedRow]


def snapshot_of_xml(file: IO[bytes], source: str) -> Snapshot:
    """The snapshot in an XML document.

    Args:
        file: The document.
        source: Source of its readings.

    Raises:
        BodyMalformedError: It is no XML, or holds what is not read.
        RefusedError: It is no snapshot, or too large a one.
    """
    try:
        return _snapshot(_xml_pieces(file), source)
    except DefusedXmlException:
        msg = "The document has a document type or entities, which are not read."
        raise BodyMalformedError(msg) from None
    # The parser names some encodings' faults by other types.
    except (SafeXml.ParseError, ValueError, LookupError):
        msg = "The body is no XML."
        raise BodyMalformedError(msg) from None


def snapshot_of_json(value: Any, source: str) -> Snapshot:
    """The snapshot in a JSON value, with or without the root's name.

    Args:
        value: The value.
        source: Source of its readings.

    Raises:
        RefusedError: It is no snapshot, or too large a one.
    """
    root = value.get(_ROOT, value) if isinstance(value, dict) else None
    pieces = root.get(_EQUIPMENT, []) if isinstance(root, dict) else None
    if not isinstance(pieces, list):
        detail = "A snapshot is an object with a list, Equipment, in it."
        raise RefusedError(Breach("", "snapshot_malformed", detail))
    return _snapshot(iter(pieces), source)


def shown_snapshot(snapshot: Snapshot, tally: Tally) -> dict[str, Any]:
    """The answer to a snapshot (``SnapshotVerdicts``)."""
    rows = []
    for row in tally.details:
        equipment, place = divmod(row.place, len(_FIGURES))
        equipment_id, serial_number = snapshot.equipment[equipment]
        rows.append(
            {
                "equipment": equipment,
                "equipment_id": equipment_id,
                "serial_number": serial_number,
                "element": _FIGURES[place].element,
                "verdict": row.verdict.value,
                "code": row.code,
                "pointer": row.pointer,
                "detail": row.detail,
            }
        )
    return {
        "equipment": len(snapshot.equipment),
        "received": tally.received,
        "accepted": tally.accepted,
        "duplicate": tally.duplicate,
        "held": tally.held,
        "refused": tally.refused,
        "rows": rows,
        "rows_truncated": tally.is_truncated,
    }


_TEXT: dict[str, Any] = {"type": "string", "maxLength": LONGEST_TEXT}
_INSTANT: dict[str, Any] = {"type": "string", "format": "date-time"}


def _described(value: str, units: str | None, words: tuple[str, ...]) -> dict[str, Any]:
    properties: dict[str, Any] = {_AT: _INSTANT, value: {"type": "number", "minimum": 0}}
    if units is not None:
        properties[units] = {"enum": list(words)}
    return {"type": "object", "required": list(properties), "properties": properties}


SNAPSHOT_SCHEMA: dict[str, Any] = {
    "title": "FleetSnapshot",
    "description": "A fleet snapshot (ISO 15143-3). Members that are not named here are passed over.",
    "type": "object",
    "required": [_ROOT],
    "properties": {
        _ROOT: {
            "type": "object",
            "required": [_EQUIPMENT],
            "properties": {
                _EQUIPMENT: {
                    "type": "array",
                    "maxItems": MOST_EQUIPMENT,
                    "items": {
                        "type": "object",
                        "required": [_HEADER],
                        "properties": {
                            _HEADER: {
                                "type": "object",
                                "required": [_ID],
                                "properties": {_ID: {**_TEXT, "minLength": 1}, _SERIAL: _TEXT},
                            }
                        }
                        | {f.element: _described(f.value, f.units, tuple(f.codes)) for f in _FIGURES},
                    },
                }
            },
        }
    },
}


def _snapshot(pieces: Iterator[Any], source: str) -> Snapshot:
    found = Snapshot([], [], [])
    rows: list[RowSent] = []
    places: list[int] = []
    for piece in pieces:
        number = len(found.equipment)
        if number == MOST_EQUIPMENT:
            detail = f"A snapshot has at most {MOST_EQUIPMENT} pieces of equipment."
            raise RefusedError(Breach(f"/{_ROOT}/{_EQUIPMENT}", "list_too_long", detail))
        header = piece.get(_HEADER) if isinstance(piece, dict) else None
        names = header if isinstance(header, dict) else {}
        found.equipment.append((_short_text(names.get(_ID)), _short_text(names.get(_SERIAL))))
        for order, figure in enumerate(_FIGURES):
            place = number * len(_FIGURES) + order
            sent = piece.get(figure.element) if isinstance(piece, dict) else None
            if sent is None:
                continue
            row = _row(figure, sent, found.equipment[-1][0], source, place)
            if isinstance(row, RefusedRow):
                found.refused.append(row)
            else:
                rows.append(row)
                places.append(place)
    sent_rows, refused = taken(rows, places)
    found.sent = sent_rows
    found.refused += [_placed(row) for row in refused]
    return found


def _row(figure: _Figure, sent: Any, unit: str | None, source: str, place: int) -> RowSent | RefusedRow:
    """The row of an element; what only this form can get wrong is refused here, the rest as in any row."""
    if unit is None:
        detail = f"The header has no {_ID} of 1 to {LONGEST_TEXT} letters, so the vehicle is not known."
        return RefusedRow(place, "equipment_id_missing", f"/{_HEADER}/{_ID}", detail)
    if not isinstance(sent, dict):
        detail = "The element stands once, with its figure in a child of its own."
        return RefusedRow(place, "element_malformed", f"/{figure.element}", detail)
    code: str | None = "h"
    if figure.units is not None:
        word = sent.get(figure.units)
        code = figure.codes.get(word.strip().lower()) if isinstance(word, str) else None
        if code is None:
            allowed = ", ".join(figure.codes)
            detail = f"The unit is one of these words: {allowed}."
            return RefusedRow(place, "unit_unknown", f"/{figure.element}/{figure.units}", detail)
    value = _number(sent.get(figure.value))
    if value is None:
        return RefusedRow(
            place, "figure_malformed", f"/{figure.element}/{figure.value}", "The figure is a decimal number."
        )
    at = sent.get(_AT)
    return RowSent(
        unit=unit,
        meter=figure.meter.value,
        at=at.strip() if isinstance(at, str) else "",
        source=source,
        figure=FigureSent(value, code or ""),
    )


def _placed(row: RefusedRow) -> RefusedRow:
    """The same refusal, pointing into the equipment."""
    figure = _FIGURES[row.place % len(_FIGURES)]
    pointers = {
        "/figure/value": f"/{figure.element}/{figure.value}",
        "/at": f"/{figure.element}/{_AT}",
        "/unit": f"/{_HEADER}/{_ID}",
    }
    return row._replace(pointer=pointers.get(row.pointer, row.pointer))


def _number(sent: Any) -> float | None:
    if isinstance(sent, str):
        text = sent.strip()
        return float(text) if _NUMBER.fullmatch(text) else None
    if isinstance(sent, (int, float)) and not isinstance(sent, bool) and math.isfinite(sent):
        return float(sent)
    return None


def _short_text(sent: Any) -> str | None:
    text = sent.strip() if isinstance(sent, str) else ""
    return text if 1 <= len(text) <= LONGEST_TEXT and text.isprintable() else None


def _xml_pieces(file: IO[bytes]) -> Iterator[dict[str, Any]]:
    """Each piece of equipment as members, elements and attributes alike; the tree is let go piece by piece."""
    depth = 0
    root: Element | None = None
    for event, element in SafeXml.iterparse(file, events=("start", "end"), forbid_dtd=True):
        if event == "start":
            if root is None:
                root = element
                if _local(element.tag) != _ROOT:
                    detail = f"The root element is {_ROOT}."
                    raise RefusedError(Breach("", "snapshot_malformed", detail))
            depth += 1
            continue
        depth -= 1
        if depth == 1:
            if _local(element.tag) == _EQUIPMENT:
                yield _members(element)
            if root is not None:
                root.clear()


def _members(equipment: Element) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for child in equipment:
        name = _local(child.tag)
        if name not in _NEEDED:
            continue
        members: dict[str, Any] = {_local(key): value for key, value in child.attrib.items()}
        for part in child:
            key = _local(part.tag)
            # Which of two counts is anybody's guess.
            members[key] = None if key in members else part.text
        found[name] = "" if name in found else members
    return found


def _local(tag: Any) -> str:
    """A name without its namespace, which differs between editions."""
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""
