"""The sheet for the bay: one page with the vehicle, the steps to tick, figures, parts, cautions, and room to write.

Black on white, nothing but text and lines, the type as large as one page of A4 or Letter allows. A job beyond what
6 pt hold runs on to further pages, heads repeated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.printed import paper
from api.printed.bay_steps import BLANK, both_units, figure, step_groups
from api.printed.markup import Markup, document, element
from api.schemas.times import instant_text
from domain.units import from_canonical

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from fastapi import Response

    from api.printed.bay_steps import StepGroup
    from api.schemas.jobs import Job
    from api.services.bay_sheet import BayVehicle
    from domain.sheet import Caution

_MEASURED_SHARE = 0.38
_BOX_EM = 1.8
_ROW_EM = 0.2
_SMALL_EM = 0.85

# The title, and the margins of the table and the list.
_REST_EM = 3.2

_TO_WRITE = (
    f"Found, left undone, why: {BLANK * 9}",
    f"Done by {BLANK * 3} Checked by {BLANK * 3} Date, time {BLANK * 2}",
)

_STYLE = """
@page { margin: %(margin)dmm; }
html { font-size: %(size)gpt; }
body { font-family: Arial, "Liberation Sans", Helvetica, "DejaVu Sans Condensed", sans-serif; }
body { line-height: %(line)g; margin: 0 auto; }
body { color: #000; background: #fff; }
body { max-width: %(width)dmm; }
h1 { font-size: 1.4rem; line-height: 1.1; margin: 0; }
p { margin: 0.1rem 0; }
p.write { margin: 0.5rem 0 0; }
table { border-collapse: collapse; width: 100%%; table-layout: fixed; margin: 0.2rem 0; }
th, td { border: 0.25mm solid #000; padding: 0.06rem 0.3rem; text-align: left; vertical-align: middle; }
th, td { overflow-wrap: anywhere; }
tr { break-inside: avoid; }
thead { display: table-header-group; }
col.tick { width: %(box)grem; }
col.measured { width: %(measured)g%%; }
th.group { border-width: 0.6mm 0.25mm 0.25mm; }
.box { display: block; width: 0.85rem; height: 0.85rem; border: 0.4mm solid #000; margin: 0.1rem auto; }
.box { line-height: 0.85rem; font-weight: bold; text-align: center; }
ol { margin: 0.2rem 0; padding-left: 1.6rem; list-style: upper-alpha; font-size: %(small)grem; }
"""


def bay_sheet_document(metric: Job, inch: Job, vehicle: BayVehicle) -> Response:
    """The sheet of a job as a page to print.

    Args:
        metric: The job in metric units.
        inch: The same job in inch units.
        vehicle: The vehicle that it is on.
    """
    groups = step_groups(metric, inch)
    above, below = list(_above(metric, vehicle)), [_materials(metric, inch), *_TO_WRITE]
    cautions = [caution.words for caution in metric.cautions]
    letters = {caution.caution: chr(ord("A") + place) for place, caution in enumerate(metric.cautions)}
    titles = [_head(group, letters) for group in groups]
    size = paper.largest_pt(lambda width: _height_em(width, groups, titles, [*above, *below], cautions))
    style = _STYLE % {
        "margin": paper.MARGIN_MM,
        "size": size,
        "line": paper.LINE_EM,
        "width": paper.WIDTH_MM,
        "box": _BOX_EM,
        "small": _SMALL_EM,
        "measured": 100 * _MEASURED_SHARE,
    }
    return document(
        f"Job {metric.number}, {metric.unit}",
        style,
        element("h1", f"Job {metric.number}: {vehicle.unit}"),
        *(element("p", text) for text in above),
        _steps_table(groups, titles),
        element("p", below[0]),
        *(element("p", text, class_="write") for text in _TO_WRITE),
        element("ol", *(element("li", words) for words in cautions)),
    )


def _steps_table(groups: Sequence[StepGroup], titles: Sequence[str]) -> Markup:
    columns = element(
        "colgroup", element("col", class_="tick"), element("col"), element("col", class_="measured")
    )
    heads = element("thead", element("tr", *(element("th", text) for text in ("", "Step", "Measured"))))
    rows = []
    for group, title in zip(groups, titles, strict=True):
        rows.append(element("tr", element("th", title, colspan="3", class_="group")))
        rows += [
            element(
                "tr",
                element("td", element("span", "X" if step.is_done else "", class_="box")),
                element("td", step.words),
                element("td", step.to_measure),
            )
            for step in group.steps
        ]
    return element("table", columns, heads, element("tbody", *rows))


def _head(group: StepGroup, letters: Mapping[Caution, str]) -> str:
    apply = " ".join(letters[caution] for caution in group.cautions if caution in letters)
    return f"{group.title}. Cautions {apply}" if apply else group.title


def _above(job: Job, vehicle: BayVehicle) -> Iterator[str]:
    year = None if vehicle.model_year is None else str(vehicle.model_year)
    known = [
        vehicle.make,
        year,
        None if vehicle.vin is None else f"VIN {vehicle.vin}",
        None if vehicle.serial_number is None else f"serial number {vehicle.serial_number}",
        None if vehicle.engine is None else f"engine {vehicle.engine}",
    ]
    yield ", ".join([text for text in known if text] + [f"type {job.spec_sheet}", f"depot {job.depot}"])
    services = ", ".join(service.name for service in job.services_and_included)
    order = "" if job.reference is None else f", order {job.reference}"
    yield f"{services}. Opened {instant_text(job.opened_at)[:10]} by {job.opened_by}{order}"
    read = [
        f"{meter.meter.replace('_', ' ')} {BLANK} {meter.unit}"
        + ("" if meter.figure is None else f" (last {from_canonical(meter.figure, meter.unit):.12g})")
        for meter in vehicle.meters
    ]
    yield ", ".join(read) if read else f"Odometer, hours {BLANK} {BLANK}"


def _materials(metric: Job, inch: Job) -> str:
    fluids = [
        f"{fluid.product or fluid.fluid_requirement} for {fluid.compartment} {both_units(fluid.need, other.need)}"
        for fluid, other in zip(metric.fluids, inch.fluids, strict=True)
    ]
    parts = [
        f"{part.quantity} of {part.name} {part.part}" + (f" ({part.missing} missing)" if part.missing else "")
        for part in metric.parts
    ]
    tools = [
        f"wrench {figure(plug.wrench)}"
        for compartment in metric.compartments
        for plug in compartment.plugs
        if plug.wrench is not None
    ]
    tools += [tool.name if tool.size is None else f"{tool.name} {figure(tool.size)}" for tool in metric.tools]
    named = (("Fluids", fluids), ("Parts", parts), ("Tools", list(dict.fromkeys(tools))))
    return " ".join(f"{name}: {', '.join(things)}." for name, things in named if things)


def _height_em(
    width_em: float,
    groups: Sequence[StepGroup],
    titles: Sequence[str],
    paragraphs: Sequence[str],
    cautions: Sequence[str],
) -> float:
    """Height of the sheet at a width, both in the size of its type [em]."""
    measured = width_em * _MEASURED_SHARE - 1
    worded = width_em * (1 - _MEASURED_SHARE) - _BOX_EM - 1
    lines = [paper.lines_of(title, width_em - 1) for title in titles] + [1]
    lines += [
        max(paper.lines_of(step.words, worded), paper.lines_of(step.to_measure, measured))
        for group in groups
        for step in group.steps
    ]
    rows = sum(count * paper.LINE_EM + _ROW_EM for count in lines)
    texts = sum(paper.lines_of(text, width_em) * paper.LINE_EM + 0.3 for text in paragraphs)
    small = width_em / _SMALL_EM - 2
    hazards = sum(paper.lines_of(words, small) for words in cautions) * paper.LINE_EM * _SMALL_EM
    return rows + texts + hazards + _REST_EM
