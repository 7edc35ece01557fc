from __future__ import annotations

import pytest

from domain.errors import Breach, MeterError, RuleBrokenError


def test_an_error_keeps_all_breaches_and_tells_them() -> None:
    """In the order found; a breach of the whole object is told at its root."""
    breaches = (Breach("/a", "one", "first"), Breach("", "two", "second"))
    error = MeterError(*breaches)
    assert error.breaches == breaches
    assert str(error) == "/a: first; /: second"
    assert isinstance(error, RuleBrokenError)


def test_an_error_without_a_breach_is_a_mistake_of_the_program() -> None:
    """There is nothing to tell."""
    with pytest.raises(ValueError, match="at least one breach"):
        RuleBrokenError()


def test_a_breach_seen_from_outside_points_further_in() -> None:
    """The prefix goes before its own pointer."""
    assert Breach("/b", "r", "d").under("/a/0") == Breach("/a/0/b", "r", "d")
