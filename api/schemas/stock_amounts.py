"""Amounts of stock in requests and answers: whole pieces of a part, a volume of a fluid."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema, PydanticCustomError

from api.schemas.base import Answer, Key, Request
from api.schemas.quantities import UnitSystem, unit_code
from domain.stock import MAX_AMOUNT, StockItem
from domain.units import UNITS, Dimension, codes, from_canonical, to_canonical, to_canonical_whole

PIECE = "piece"
_UNITS = (PIECE, *codes(Dimension.VOLUME))

PartCode = Annotated[Key | None, Field(description="Code of a part; null for a fluid.")]
ProductCode = Annotated[Key | None, Field(description="Code of a fluid product; null for a part.")]


class StockAmount(Request):
    """So many pieces of a part, or so much of a fluid."""

    value: Annotated[float, Field(ge=0, le=MAX_AMOUNT, description="The figure, in `unit`.", examples=[5.0])]
    unit: Annotated[
        str, Field(max_length=16, description="`piece` for a part, a unit of volume for a fluid.")
    ]

    @model_validator(mode="after")
    def _listed(self) -> StockAmount:
        if self.unit not in _UNITS:
            rule = "unit_of_wrong_dimension" if self.unit in UNITS else "unit_unknown"
            text = "An amount of stock takes one of these unit codes: {allowed}"
            raise PydanticCustomError(rule, text, {"allowed": ", ".join(_UNITS)})
        if self.unit == PIECE and self.value != int(self.value):
            rule, text = "figure_not_whole", "Pieces are counted in whole numbers"
            raise PydanticCustomError(rule, text)
        if self.unit != PIECE and to_canonical(self.value, self.unit, Dimension.VOLUME) > MAX_AMOUNT:
            rule, text = "figure_too_large", "The volume is larger than any real one"
            raise PydanticCustomError(rule, text)
        return self

    def canonical(self) -> int:
        """Whole pieces, or whole millilitres."""
        if self.unit == PIECE:
            return int(self.value)
        return to_canonical_whole(self.value, self.unit, Dimension.VOLUME)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """The model's schema with the unit codes that it takes."""
        found = handler.resolve_ref_schema(handler(schema))
        found["properties"]["unit"]["enum"] = list(_UNITS)
        found["properties"]["unit"].pop("maxLength", None)
        return found


class ShownAmount(Answer):
    """So many pieces of a part, or so much of a fluid."""

    value: Annotated[float, Field(description="The figure, in `unit`, rounded to the places of that unit.")]
    unit: Annotated[str, Field(description="`piece` for a part, a unit of volume for a fluid.")]


def shown_amount(item: StockItem, amount: int, units: UnitSystem) -> ShownAmount:
    """An amount of an item [piece or mL], in a system's units."""
    if item.part is not None:
        return ShownAmount(value=float(amount), unit=PIECE)
    code = unit_code(units, Dimension.VOLUME)
    return ShownAmount(value=from_canonical(amount, code), unit=code)
