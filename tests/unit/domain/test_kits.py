from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from domain.cautions import task_cautions
from domain.errors import SheetError
from domain.kits import Kit, Part, PartKind, PassKit, Torque, kit_for, pass_kits_for, supplied_part
from domain.sheet import Caution, PartLine, Tool
from tests.unit.domain.sheet_cases import (
    AXLE_LEVEL,
    GEARBOX,
    GEARBOX_FLUID,
    OIL,
    OIL_WITHOUT_FILTER,
    SHEET,
    SUMP,
    TYRES,
)

PARTS = {
    part.code: part
    for part in (
        Part("F-1", "Oil filter", kind=PartKind.FILTER, superseded_by="F-1A"),
        Part("F-1A", "Oil filter", kind=PartKind.FILTER, superseded_by="F-1B", alternates=("X-0",)),
        Part("F-1B", "Oil filter", kind=PartKind.FILTER, alternates=("X-1", "X-2", "F-1", "X-3")),
        Part("X-1", "Oil filter, other make", kind=PartKind.FILTER, superseded_by="X-2"),
        Part("X-2", "Oil filter, other make", kind=PartKind.FILTER),
        Part("S-17", "Sealing ring 17 mm", kind=PartKind.SEAL),
        Part("S-19", "Sealing ring 19 mm", kind=PartKind.SEAL),
        Part("W-1", "Wiping cloth", unit="sheet", kind=PartKind.CONSUMABLE),
    )
}


def _quantities(kit: Kit | PassKit) -> dict[str, int]:
    return {line.part.code: line.quantity for line in kit.lines}


def test_one_small_service() -> None:
    """Worked by hand: one filter, one seal, 30 + 4 minutes."""
    kit = kit_for(SHEET, ["small"], PARTS)
    assert kit.tasks == (OIL, TYRES)
    assert _quantities(kit) == {"F-1B": 1, "S-17": 1}
    assert kit.labour_s == 2_040
    assert kit.tools == (Tool("drip tray"), Tool("filter wrench", 76.0), Tool("wrench or bit", 17.0))
    assert kit.torques == (Torque("sump", "drain", 40.0, 17.0),)
    assert kit.cautions == task_cautions(OIL, SUMP)
    assert kit.cautions[0] is Caution.MAKERS_MANUAL_GOVERNS


def test_a_task_filter_and_seal_of_two_services_count_once() -> None:
    """The large service includes the small one and has its oil task too; it adds a level check."""
    once = kit_for(SHEET, ["large"], PARTS)
    assert once == kit_for(SHEET, ["small", "large"], PARTS)
    assert once.tasks == (OIL, TYRES, AXLE_LEVEL)
    assert _quantities(once) == {"F-1B": 1, "S-17": 2}
    assert once.labour_s == 2_040 + 600


def test_seals_and_cloths_are_taken_at_each_of_three_passes() -> None:
    """Worked by hand: 3 x 2 cloths; ring 19 once by the plug and once by the task's own line, 3 passes: 6.

    The level plug's seal is kept, and the vent has none.
    """
    kit = kit_for(SHEET, ["gearbox"], PARTS)
    assert _quantities(kit) == {"W-1": 6, "F-2": 1, "S-19": 6}
    assert [tool for tool in kit.tools if tool.name == "wrench or bit"] == [
        Tool("wrench or bit", 10.0),
        Tool("wrench or bit", 19.0),
    ]
    assert kit.torques == (Torque("gearbox", "drain", 34.0, 19.0), Torque("gearbox", "level", 12.0, 10.0))


def test_one_more_pass_takes_its_seals_and_cloths_only() -> None:
    (one,) = pass_kits_for(SHEET, ["gearbox", "top_up"], PARTS)
    assert (one.task, one.compartment) == ("gearbox_fluid", "gearbox")
    assert _quantities(one) == {"W-1": 2, "S-19": 2}
    assert one.tools == (Tool("wrench or bit", 10.0), Tool("wrench or bit", 19.0))
    assert one.torques == kit_for(SHEET, ["gearbox"], PARTS).torques
    assert one.cautions == task_cautions(GEARBOX_FLUID, GEARBOX)


def test_a_pass_more_is_the_difference_of_two_kits() -> None:
    """Four passes less three take just what the kit of one pass holds."""
    four = replace(GEARBOX_FLUID, passes=4)
    services = tuple(replace(s, tasks=(four,)) if s.code == "gearbox" else s for s in SHEET.services)
    more = _quantities(kit_for(replace(SHEET, services=services), ["gearbox"], PARTS))
    (one,) = pass_kits_for(SHEET, ["gearbox"], PARTS)
    difference = {
        code: more[code] - quantity
        for code, quantity in _quantities(kit_for(SHEET, ["gearbox"], PARTS)).items()
    }
    assert {code: n for code, n in difference.items() if n} == _quantities(one)


def test_two_exchanges_of_one_compartment_open_its_plug_once() -> None:
    """With and without filter in one visit: the oil is drained once, so one seal and one filter."""
    kit = kit_for(SHEET, ["small", "sump_only"], PARTS)
    assert kit.tasks == (OIL, TYRES, OIL_WITHOUT_FILTER)
    assert _quantities(kit) == {"F-1B": 1, "S-17": 1}
    assert kit.torques == (Torque("sump", "drain", 40.0, 17.0),)


def test_lines_say_what_was_named_and_what_does_as_well() -> None:
    """The filter is two supersessions on; X-1 is now X-2; F-1 is the part itself; X-3 is uncatalogued."""
    filter_line, seal_line = kit_for(SHEET, ["small"], PARTS).lines
    assert filter_line.part is PARTS["F-1B"]
    assert filter_line.named == ("F-1",)
    assert filter_line.alternates == ("X-2", "X-3")
    assert (seal_line.part, seal_line.named, seal_line.alternates) == (PARTS["S-17"], (), ())


def test_parts_that_have_become_one_part_are_one_line() -> None:
    """Worked by hand: a filter and six rings, all supplied as one part number now: seven."""
    merged = {
        "S-19": Part("S-19", "Ring", superseded_by="S-20"),
        "F-2": Part("F-2", "Ring", superseded_by="S-20"),
        "S-20": Part("S-20", "Ring"),
    }
    lines = kit_for(SHEET, ["gearbox"], merged).lines
    assert [(line.part.code, line.quantity, line.named) for line in lines] == [
        ("W-1", 6, ()),
        ("S-20", 7, ("F-2", "S-19")),
    ]


def test_an_uncatalogued_number_stands_for_itself() -> None:
    """Its code is all that is known of it."""
    line = kit_for(SHEET, ["small"], {}).lines[0]
    assert line.part == Part("F-1", "F-1")


def test_a_chain_that_leaves_the_catalogue_ends_there() -> None:
    """The last number named is the one supplied."""
    assert supplied_part("A", {"A": Part("A", "A", superseded_by="B")}) == "B"


@pytest.mark.parametrize("chain", ["AA", "ABA", "ABCB"])
def test_a_chain_that_comes_back_to_itself_is_refused(chain: str) -> None:
    """At once, after two, and after a start outside the circle."""
    parts = {code: Part(code, code, superseded_by=following) for code, following in pairwise(chain)}
    with pytest.raises(SheetError) as caught:
        supplied_part(chain[0], parts)
    assert caught.value.breaches[0].rule == "supersession_cycle"
    task = replace(OIL, parts=(PartLine(chain[0], 1),))
    services = (replace(SHEET.services[0], tasks=(task,)),)
    with pytest.raises(SheetError):
        kit_for(replace(SHEET, services=services), ["small"], parts)


def test_an_unknown_service_is_refused() -> None:
    """The sheet is asked for what it has."""
    with pytest.raises(SheetError) as caught:
        kit_for(SHEET, ["nothing"], PARTS)
    assert caught.value.breaches[0].rule == "service_unknown"
