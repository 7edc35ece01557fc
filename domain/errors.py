"""The errors that the domain raises. It knows no HTTP; each error keeps its facts as attributes.

DomainError
└── RuleBrokenError             one or more fields break a rule
    ├── QuantityError           a unit that is not listed, a wrong dimension, a figure that is no number
    ├── SheetError              a spec sheet that contradicts itself
    ├── MeterError              meter segments or figures that contradict each other
    ├── DutyError               duty entries that overlap or exceed their bounds
    ├── WorkError               work done that cannot have happened as entered
    ├── JobError                an entry that a job in the bay cannot take as it stands
    ├── ExchangeError           a fluid exchange, refill or mixture that cannot be computed
    ├── ConditionError          a fluid sample that cannot have been measured as entered
    └── StockError              an entry of the stock ledger that cannot be booked as it is
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Breach:
    """One broken rule.

    Attributes:
        pointer: Place of the value as a JSON Pointer (RFC 6901) relative to the object judged, such as
            ``/services/0/rules/1/every``; empty for the object as a whole.
        rule: Short stable code of the rule, such as ``drained_volume_above_capacity``.
        detail: One sentence for a person. It names figures the domain computed, never raw client text.
    """

    pointer: str
    rule: str
    detail: str

    def under(self, prefix: str) -> Breach:
        """The same breach, seen from an enclosing object at ``prefix``."""
        return Breach(f"{prefix}{self.pointer}", self.rule, self.detail)


class DomainError(Exception):
    """Root of everything that the domain raises on purpose."""


class RuleBrokenError(DomainError):
    """One or more rules are broken; ``breaches`` holds them all, in the order found."""

    def __init__(self, *breaches: Breach) -> None:
        """Keep the breaches; there is at least one."""
        if not breaches:
            msg = "an error needs at least one breach"
            raise ValueError(msg)
        super().__init__("; ".join(f"{b.pointer or '/'}: {b.detail}" for b in breaches))
        self.breaches = breaches


class QuantityError(RuleBrokenError):
    """A unit that is not listed, a wrong dimension, or a figure that is no finite number."""


class SheetError(RuleBrokenError):
    """A spec sheet that contradicts itself."""


class MeterError(RuleBrokenError):
    """Meter segments or figures that contradict each other."""


class DutyError(RuleBrokenError):
    """Duty entries that overlap or exceed their bounds."""


class WorkError(RuleBrokenError):
    """Work done that cannot have happened as entered."""


class JobError(RuleBrokenError):
    """An entry that a job in the bay cannot take as it stands."""


class ExchangeError(RuleBrokenError):
    """A fluid exchange, refill or mixture that cannot be computed."""


class StockError(RuleBrokenError):
    """An entry of the stock ledger that cannot be booked as it is."""


class ConditionError(RuleBrokenError):
    """A fluid sample that cannot have been measured as entered."""
