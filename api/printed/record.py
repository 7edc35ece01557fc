"""A vehicle's record on paper: who it is, what is coming, what happened, and what corrects what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.printed.markup import document, element, table
from api.schemas.times import instant_text
from api.schemas.vehicle_record import figure_text
from api.services.vehicle_record import LineKind

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from fastapi import Response

    from api.schemas.vehicle_record import Coming, Identity, Record, RecordEntry

_STYLE = """
@page { margin: 14mm 12mm; }
body { font: 11pt/1.35 sans-serif; color: #000; background: #fff; margin: 0 auto; max-width: 190mm; }
h1 { font-size: 18pt; margin: 0 0 3mm; }
h2 { font-size: 13pt; margin: 6mm 0 2mm; break-after: avoid; }
table { border-collapse: collapse; width: 100%; }
th, td { border: 0.3mm solid #000; padding: 1mm 1.5mm; }
th, td { text-align: left; vertical-align: top; overflow-wrap: break-word; }
th { font-weight: bold; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
table.identity th { width: 62mm; }
table.log td:first-child, table.log td:last-child { white-space: nowrap; }
.ended { text-decoration: line-through; }
.off-road { border: 1mm solid #000; font-size: 14pt; font-weight: bold; padding: 2mm; }
p { margin: 2mm 0; }
"""


def record_document(record: Record) -> Response:
    """The record of a vehicle as a page to print."""
    identity = record.identity
    off_road = "Off the road: an open defect stands against the vehicle until it is released."
    return document(
        f"Record of {identity.unit}",
        _STYLE,
        element("h1", f"Maintenance record of {identity.unit}"),
        element("p", f"As of {record.as_of.isoformat()}, days in {record.time_zone}."),
        element("p", off_road, class_="off-road") if record.is_off_road else None,
        element("h2", "Identity"),
        element(
            "table",
            *(
                element("tr", element("th", name), element("td", text or "not stated"))
                for name, text in _identity(identity, record)
            ),
            class_="identity",
        ),
        element("h2", "Coming"),
        table(
            ("Operation", "Due on", "Due at", "State"),
            (
                (line.name, _day(line.due_on), _due(line), line.state.replace("_", " "))
                for line in record.coming
            ),
        )
        if record.coming
        else element("p", "Nothing."),
        element("h2", "Open defects") if record.open_defects else None,
        table(
            ("Found", "What", "Off the road", "To be seen to by"),
            (
                (
                    instant_text(defect.found_at)[:10],
                    defect.what,
                    "yes" if defect.is_off_road else "no",
                    defect.assigned_to,
                )
                for defect in record.open_defects
            ),
        )
        if record.open_defects
        else None,
        element("h2", "Done, found and put off"),
        table(
            ("Date", "Nature", "Meters", "By", "Reference, note", "Kept until"),
            (tuple(_cells(line)) for line in record.entries),
            class_="log",
        )
        if record.entries
        else element("p", "Nothing."),
        element(
            "p",
            "No entry goes before the day in the last column. One that a due point is counted from has none, nor has a"
            " defect that is not released. A line struck through was withdrawn, and says by whom and why.",
        ),
    )


def _identity(identity: Identity, record: Record) -> list[tuple[str, str | None]]:
    return [
        ("Unit number", ", ".join(_numbered(record))),
        ("Make", identity.make),
        ("Vehicle identification number", identity.vin),
        ("Serial number", identity.serial_number),
        ("Year", None if identity.model_year is None else str(identity.model_year)),
        ("Tyre size", identity.tyre_size),
        ("Supplied by", identity.supplied_by or "owned, or not stated"),
        ("Type, depot", f"{identity.spec_sheet}, {identity.depot}"),
        ("In service", _span(identity)),
    ]


def _numbered(record: Record) -> Iterator[str]:
    for label in record.unit_numbers:
        until = "" if label.valid_through is None else f" through {label.valid_through.isoformat()}"
        yield f"{label.unit} from {label.valid_from.isoformat()}{until}"


def _span(identity: Identity) -> str:
    left = "" if identity.retired_on is None else f", left on {identity.retired_on.isoformat()}"
    return f"from {identity.in_service_on.isoformat()}{left}"


def _due(line: Coming) -> str:
    return ", ".join(figure_text(limb.due) for limb in line.limbs if limb.due is not None)


def _day(day: date | None) -> str:
    return "not known" if day is None else day.isoformat()


def _cells(line: RecordEntry) -> Iterator[str | None]:
    ended = line.withdrawn
    yield line.on.isoformat()
    nature = element("span", line.nature, class_=None if ended is None else "ended")
    notes = []
    if line.corrects is not None:
        notes.append(f"Corrects entry {line.corrects.entry}, by {line.corrects.by}: {line.corrects.why}")
    if ended is not None:
        by = "" if ended.by is None else f" by {ended.by}"
        place = "" if ended.entry is None else f", entry {ended.entry} stands in its place"
        notes.append(f"Withdrawn{by}{place}: {ended.why}")
    entry = element("p", f"{line.kind.replace('_', ' ')} {line.entry}")
    yield element("div", nature, entry, *(element("p", note) for note in notes))
    yield ", ".join(figure_text(noted.life_to_date) for noted in line.figures)
    yield line.by
    yield ". ".join(text for text in (line.reference, line.note) if text)
    if line.kept_until is not None:
        yield line.kept_until.isoformat()
    else:
        yield "until released" if line.kind is LineKind.DEFECT else "counted from"
