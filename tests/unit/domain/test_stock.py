"""The book of an item at a depot: what each kind of entry does to it, whatever came before."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.errors import StockError
from domain.requirements import FluidKind
from domain.stock import (
    NO_LOT,
    RULES,
    Book,
    Cause,
    EntryKind,
    Keeping,
    LotTerms,
    Measure,
    Movement,
    StockItem,
    StockLine,
    WasteStream,
    entry_breaches,
    waste_stream_of,
)

DAY = date(2031, 5, 5)
PART, OIL = StockItem(part="P"), StockItem(fluid_product="O")
KEPT = Keeping(FluidKind.ENGINE_OIL, 48, 6)


def held(book: Book) -> dict[str, int]:
    """What is on hand, by the text of the lot's terms."""
    return {terms.key: lot.on_hand for terms, lot in book.lots.items() if lot.on_hand}


def test_a_lot_keeps_until_the_first_of_its_two_dates() -> None:
    sealed = LotTerms("A", date(2031, 9, 30))
    assert sealed.keeps_through(6) == date(2031, 9, 30)
    assert LotTerms("A", date(2031, 9, 30), DAY).keeps_through(6) == date(2031, 9, 30)
    assert LotTerms("A", date(2033, 9, 30), DAY).keeps_through(6) == date(2031, 11, 5)
    assert LotTerms("A", None, DAY).keeps_through(None) is None
    # 31 August and six months: clamped to the end of February.
    assert LotTerms("A", None, date(2031, 8, 31)).keeps_through(6) == date(2032, 2, 29)


def test_a_delivery_keeps_from_its_manufacture_or_as_if_it_were_new() -> None:
    assert KEPT.best_before(StockLine(OIL, 1, best_before_on=DAY), DAY) == DAY
    assert KEPT.best_before(StockLine(OIL, 1, made_on=date(2030, 1, 31)), DAY) == date(2034, 1, 31)
    assert KEPT.best_before(StockLine(OIL, 1), DAY) == date(2035, 5, 5)
    assert Keeping().best_before(StockLine(PART, 1), DAY) is None


def test_what_expires_first_is_taken_first_and_what_is_opened_before_what_is_sealed() -> None:
    book = Book(KEPT)
    for code, day in (("late", date(2032, 1, 1)), ("soon", date(2031, 6, 1)), ("past", date(2031, 5, 4))):
        book.receive(StockLine(OIL, 5_000, code, day, container_ml=5_000), DAY)
    moved = book.issue(StockLine(OIL, 6_000), DAY)
    assert [(one.lot.code, one.cause, one.amount) for one in moved if one.lot] == [
        ("soon", Cause.ISSUE, -5_000),
        ("late", Cause.ISSUE, -1_000),
        ("late", Cause.OPENING, -4_000),
        ("late", Cause.OPENING, 4_000),
    ]
    again = book.issue(StockLine(OIL, 500), DAY)
    assert [(one.lot.opened_on, one.amount) for one in again if one.lot] == [(DAY, -500)]
    assert book.past_date(DAY) == 5_000
    assert book.free(DAY) == 3_500


def test_beyond_the_book_is_booked_and_a_count_asked_for() -> None:
    book = Book(Keeping())
    book.receive(StockLine(PART, 2), DAY)
    assert not book.is_count_asked
    book.issue(StockLine(PART, 5), DAY)
    assert (book.on_hand, book.is_count_asked) == (-3, True)
    # A delivery does not make the book right.
    book.receive(StockLine(PART, 10), DAY)
    assert book.is_count_asked
    book.count(StockLine(PART, 9))
    assert (book.on_hand, book.is_count_asked) == (9, False)


def test_a_count_takes_what_is_missing_from_what_expires_first() -> None:
    book = Book(Keeping())
    book.receive(StockLine(PART, 4, "soon", date(2031, 6, 1)), DAY)
    book.receive(StockLine(PART, 4, "late", date(2032, 6, 1)), DAY)
    book.count(StockLine(PART, 5))
    assert held(book) == {"soon|2031-06-01||": 1, "late|2032-06-01||": 4}
    moved = book.count(StockLine(PART, 11))
    assert [(one.lot, one.amount) for one in moved] == [(NO_LOT, 6)]
    moved = book.count(StockLine(PART, 11))
    assert [one.amount for one in moved] == [0]
    book.count(StockLine(PART, 3, "late"))
    assert book.on_hand == 10
    assert book.count(StockLine(PART, 0, "never"))[0].amount == 0


def test_a_named_lot_is_taken_beyond_its_book_and_refused_past_its_date() -> None:
    book = Book(Keeping())
    book.receive(StockLine(PART, 2, "A", date(2031, 6, 1)), DAY)
    book.issue(StockLine(PART, 3, "A"), DAY)
    assert held(book) == {"A|2031-06-01||": -1}
    with pytest.raises(StockError) as refused:
        book.issue(StockLine(PART, 1, "A"), date(2031, 6, 2))
    assert refused.value.breaches[0].rule == "lot_past_date"
    with pytest.raises(StockError) as refused:
        book.send(StockLine(PART, 1, "A"), date(2031, 6, 2))
    assert refused.value.breaches[0].rule == "lot_past_date"
    with pytest.raises(StockError) as refused:
        book.scrap(StockLine(PART, 1, "B"))
    assert refused.value.breaches[0].rule == "lot_unknown"


def test_a_job_takes_its_reservation_first_and_an_order_is_used_up() -> None:
    book = Book(Keeping())
    book.order(10)
    book.receive(StockLine(PART, 12), DAY, outstanding=10)
    assert (book.on_hand, book.on_order) == (12, 0)
    book.reserve(5)
    book.issue(StockLine(PART, 7), DAY, outstanding=5)
    assert (book.on_hand, book.reserved, book.free(DAY)) == (5, 0, 5)
    assert book.release(0) == []


def test_what_is_sent_arrives_by_lot_and_an_order_may_end_early() -> None:
    here, there = Book(Keeping()), Book(Keeping())
    here.receive(StockLine(PART, 2, "late", date(2032, 1, 1)), DAY)
    here.receive(StockLine(PART, 2, "soon", date(2031, 6, 1)), DAY)
    assert [terms.code for terms, _ in here.lots_in_order()] == ["soon", "late"]
    there.take_in(here.send(StockLine(PART, 3), DAY))
    assert held(there) == {"soon|2031-06-01||": 2, "late|2032-01-01||": 1}
    there.order(6)
    assert [one.amount for one in there.close_order(6)] == [-6]
    assert there.on_order == 0


def test_every_stream_takes_its_own_fluid() -> None:
    assert {kind: waste_stream_of(kind) for kind in FluidKind}[FluidKind.GEAR_OIL] is WasteStream.USED_OIL
    assert waste_stream_of(FluidKind.COOLANT) is WasteStream.USED_COOLANT
    # Halogens of refrigerants would make hazardous waste of all the used oil (40 CFR 279.10(b)(1)(ii)).
    assert waste_stream_of(FluidKind.COMPRESSOR_OIL) is WasteStream.USED_COMPRESSOR_OIL


def test_each_kind_takes_its_members_and_no_others() -> None:
    members = ("depot", "to_depot", "job", "order", "supplier", "expected_on", "reason", "corrects")
    for kind, rule in RULES.items():
        lines = [StockLine(OIL, 1)] if rule.has_lines else []
        exact = dict.fromkeys(rule.needed, True)
        assert entry_breaches(kind, exact, lines) == []
        every = entry_breaches(kind, dict.fromkeys(members, True), lines)
        assert {breach.pointer[1:] for breach in every} == set(members) - rule.needed - rule.allowed
        none = entry_breaches(kind, {}, lines)
        assert {breach.pointer[1:] for breach in none} == rule.needed
        wrong = entry_breaches(kind, exact, [] if rule.has_lines else [StockLine(OIL, 1)])
        assert [breach.pointer for breach in wrong] == ["/lines"]
    out_of_range = [
        StockLine(OIL, 10**13),
        StockLine(PART, 1, container_ml=5),
        StockLine(OIL, 1, container_ml=0),
        StockLine(OIL, 1, container_ml=5),
        StockLine(OIL, 0),
        StockLine(OIL, 1, opened_on=DAY),
    ]
    found = {b.pointer: b.rule for b in entry_breaches(EntryKind.RECEIPT, {"depot": True}, out_of_range)}
    assert found == {
        "/lines/0/amount": "amount_out_of_range",
        "/lines/1/container": "field_not_applicable",
        "/lines/2/container": "volume_out_of_range",
        "/lines/4/amount": "amount_zero",
        "/lines/5/opened_on": "field_not_applicable",
    }


DAYS = st.sampled_from([None, date(2031, 5, 1), date(2031, 6, 1), date(2032, 1, 1)])
LINES = st.builds(
    StockLine,
    st.just(OIL),
    st.integers(0, 30),
    st.sampled_from([None, "A", "B"]),
    DAYS,
    st.none(),
    st.sampled_from([None, date(2031, 5, 3)]),
    st.sampled_from([None, 4, 5]),
)
STEPS = st.lists(
    st.tuples(st.sampled_from(["receive", "count", "issue", "back", "scrap", "send"]), LINES), max_size=12
)


@settings(max_examples=150)
@given(STEPS, st.sampled_from([FluidKind.ENGINE_OIL, FluidKind.BRAKE_FLUID]))
def test_any_order_of_entries_adds_up_and_can_be_taken_back(
    steps: list[tuple[str, StockLine]], kind: FluidKind
) -> None:
    """Figures are the sums of movements, brake fluid is never kept open by an issue, and undoing all leaves nothing."""
    book = Book(Keeping(kind, None, 6))
    moved: list[Movement] = []
    for name, line in steps:
        acts = {
            "receive": lambda one=line: book.receive(one, DAY, outstanding=3),
            "count": lambda one=line: book.count(one),
            "issue": lambda one=line: book.issue(one, DAY, outstanding=2),
            "back": lambda one=line: book.take_back(one),
            "scrap": lambda one=line: book.scrap(one),
            "send": lambda one=line: book.send(one, DAY),
        }
        try:
            made = acts[name]()
        except StockError:
            continue
        moved += made
        if name == "count" and line.lot is None:
            assert book.on_hand == line.amount
        if name in {"issue", "scrap", "send"}:
            asked = {"issue": Cause.ISSUE, "scrap": Cause.SCRAP, "send": Cause.TRANSFER}[name]
            taken = (m.amount for m in made if m.cause is asked and m.measure is Measure.ON_HAND)
            assert sum(taken) == -line.amount
        if kind is FluidKind.BRAKE_FLUID:
            assert all(m.cause is not Cause.OPENING for m in made)
        for measure, figure in (
            (Measure.ON_HAND, book.on_hand),
            (Measure.RESERVED, book.reserved),
            (Measure.ON_ORDER, book.on_order),
        ):
            assert sum(m.amount for m in moved if m.measure is measure) == figure
        for terms, lot in book.lots.items():
            assert sum(m.amount for m in moved if m.lot == terms) == lot.on_hand
    for one in reversed(moved):
        book.take_back_movement(one)
    assert (held(book), book.reserved, book.on_order) == ({}, 0, 0)
