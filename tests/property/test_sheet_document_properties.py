"""Whatever stands at whatever place of a spec sheet document, it is read or refused, never a fault."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from api.schemas.sheets import SpecSheetDocument
from domain.errors import SheetError
from domain.sheet import check_sheet
from tests.support.sheet_documents import changed, van_document


def _places(value: Any, at: str = "") -> list[str]:
    steps = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place for step, part in steps for place in (f"{at}/{step}", *_places(part, f"{at}/{step}"))]


PLACES = _places(van_document())
# Leaves first, so that a change never takes away the place of the next one.
ORDER = {place: -len(place) for place in PLACES}
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.sampled_from([0, -1, 1.5, 10**18, 1e300, "", "x", "odometer", "oil", "L", "km", [], {}, [None], [[]]]),
    st.fixed_dictionaries({"value": st.floats(allow_nan=False), "unit": st.sampled_from(["L", "h", "year"])}),
    st.fixed_dictionaries({"colour": st.text(max_size=3)}),
)


@given(st.dictionaries(st.sampled_from(PLACES), VALUES, min_size=1, max_size=6))
def test_a_changed_document_is_read_or_refused(values: dict[str, Any]) -> None:
    """Each refusal names a place that the document has, or one that is missing there."""
    document = van_document()
    for place in sorted(values, key=ORDER.__getitem__):
        changed(document, place, values[place])
    try:
        check_sheet(SpecSheetDocument.model_validate(document).value())
    except ValidationError as error:
        for entry in error.errors():
            assert _leads_somewhere(document, entry["loc"])
    except SheetError as error:
        for breach in error.breaches:
            steps = tuple(int(s) if s.isdecimal() else s for s in breach.pointer.split("/")[1:])
            assert _leads_somewhere(document, steps)


def _leads_somewhere(document: Any, steps: tuple[int | str, ...]) -> bool:
    place: Any = document
    for step in steps[:-1]:
        try:
            place = place[step]
        except (LookupError, TypeError):
            return False
    return True
