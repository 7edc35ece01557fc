"""Fluid condition: what contradicts itself, what is judged how, and what is not judged."""

from __future__ import annotations

import pytest

from domain.cleanliness import Counts, code_of, count_excess, excess, parse_code
from domain.condition import (
    MOST_WAYS,
    Acid,
    AcidMethod,
    Base,
    BaseMethod,
    Colour,
    ColourChange,
    Judged,
    Measure,
    Measures,
    Taking,
    Verdict,
    check_measures,
    index_of,
    judged,
    particle_basis,
    viscosity_change,
)
from domain.errors import ConditionError
from domain.sheet import ConditionLimits
from domain.viscosity_index import reference_oils_mm2_s, viscosity_index

LIMITS = ConditionLimits(
    colour_darkest="5.0",
    cleanliness_worst="19/17/14",
    water_max_mg_kg=1000,
    viscosity_fall_max_share=0.2,
    viscosity_rise_max_share=0.3,
    acid_max_mg_g=4.0,
    acid_method="D664",
    base_min_mg_g=4.0,
    base_method="D2896",
)
FRESH = Measures(
    colour=Colour(is_dyed=False, number="2.0"),
    water_mg_kg=100,
    kinematic_40_mm2_s=68.0,
    kinematic_100_mm2_s=11.0,
    acid=Acid(2.0, AcidMethod.D664),
    base=Base(9.0, BaseMethod.D2896),
)


def one(measures: Measures, *, fresh: Measures | None = FRESH, why: str | None = None) -> Judged:
    (found,) = judged(measures, fresh, LIMITS, no_code_why=why)
    return found


@pytest.mark.parametrize(
    ("measures", "verdict", "share"),
    [
        (Measures(water_mg_kg=550), Verdict.WITHIN, 0.5),
        (Measures(water_mg_kg=820), Verdict.NEAR, 0.8),
        (Measures(water_mg_kg=1000), Verdict.NEAR, 1.0),
        (Measures(water_mg_kg=1001), Verdict.BEYOND, 901 / 900),
        (Measures(kinematic_100_mm2_s=9.9), Verdict.WITHIN, 0.5),
        (Measures(kinematic_100_mm2_s=9.0), Verdict.NEAR, 2 / 11 / 0.2),
        (Measures(kinematic_100_mm2_s=8.0), Verdict.BEYOND, 3 / 11 / 0.2),
        (Measures(kinematic_40_mm2_s=68 * 1.29), Verdict.NEAR, 0.29 / 0.3),
        (Measures(kinematic_40_mm2_s=68 * 1.31), Verdict.BEYOND, 0.31 / 0.3),
        (Measures(acid=Acid(3.0, AcidMethod.D664)), Verdict.WITHIN, 0.5),
        (Measures(base=Base(5.0, BaseMethod.D2896)), Verdict.NEAR, 0.8),
        (Measures(base=Base(3.9, BaseMethod.D2896)), Verdict.BEYOND, 5.1 / 5),
        (Measures(colour=Colour(is_dyed=False, number="3.5")), Verdict.WITHIN, 0.5),
        (Measures(colour=Colour(is_dyed=False, number="4.5")), Verdict.NEAR, 2.5 / 3),
        (Measures(colour=Colour(is_dyed=False, number="L5.5")), Verdict.BEYOND, 3.25 / 3),
    ],
)
def test_the_way_to_a_limit_is_counted_from_the_fresh_fluid(
    measures: Measures, verdict: Verdict, share: float
) -> None:
    found = one(measures)
    assert found.verdict is verdict
    assert found.used_share == pytest.approx(share)


def test_without_a_fresh_fluid_the_way_begins_at_nothing() -> None:
    assert one(Measures(water_mg_kg=800), fresh=None).used_share == pytest.approx(0.8)
    assert one(Measures(base=Base(5.0, BaseMethod.D2896)), fresh=None).used_share == pytest.approx(0.8)
    assert one(Measures(base=Base(0.0, BaseMethod.D2896)), fresh=None).verdict is Verdict.BEYOND
    gone = one(Measures(base=Base(5e-324, BaseMethod.D2896)), fresh=None)
    assert (gone.verdict, gone.used_share) == (Verdict.BEYOND, MOST_WAYS)
    dark = Measures(colour=Colour(is_dyed=False, number="4.0"))
    seen = one(Measures(colour=Colour(is_dyed=False, number="4.5")), fresh=dark)
    assert (seen.verdict, seen.used_share) == (Verdict.NEAR, 0.5), "half a number below the limit is near"
    worn = Measures(water_mg_kg=1200)
    assert one(Measures(water_mg_kg=500), fresh=worn).used_share == pytest.approx(0.5)
    assert one(Measures(kinematic_40_mm2_s=60), fresh=None).verdict is Verdict.NOT_JUDGED


def test_a_code_is_judged_by_its_worst_size_and_only_where_the_sample_is_a_basis() -> None:
    for code, verdict in (
        ("18/16/13", Verdict.WITHIN),
        ("18/17/13", Verdict.NEAR),
        ("18/16/15", Verdict.BEYOND),
        ("-/16/13", Verdict.WITHIN),
        ("*/16/13", Verdict.BEYOND),
    ):
        assert one(Measures(code=code)).verdict is verdict
    why = particle_basis(Taking.PAN, is_bottle_clean=True)
    assert why is not None
    assert one(Measures(code="25/24/23"), why=why) == Judged(
        Measure.CLEANLINESS, Verdict.NOT_JUDGED, None, why
    )
    assert particle_basis(Taking.DRAIN_STREAM, is_bottle_clean=True) is not None
    assert particle_basis(Taking.LIVE_MID_STREAM, is_bottle_clean=False) is not None
    assert particle_basis(Taking.LIVE_MID_STREAM, is_bottle_clean=True) is None


def test_what_cannot_be_compared_is_not_judged_and_says_why() -> None:
    dyed = one(Measures(colour=Colour(is_dyed=True, beside_fresh=ColourChange.DARKER)))
    assert (dyed.verdict, dyed.why) == (Verdict.NOT_JUDGED, "a dyed fluid is held beside a fresh sample")
    unnumbered = one(Measures(colour=Colour(is_dyed=False, beside_fresh=ColourChange.SAME)))
    assert unnumbered.why == "no number was taken"
    for other in (
        Measures(acid=Acid(9.0, AcidMethod.D974)),
        Measures(base=Base(1.0, BaseMethod.D4739)),
    ):
        assert "another method" in one(other).why
    everything = Measures(
        FRESH.colour,
        Counts(100, 10, 1),
        None,
        1.0,
        FRESH.kinematic_40_mm2_s,
        FRESH.kinematic_100_mm2_s,
        FRESH.acid,
        FRESH.base,
    )
    for limits in (None, ConditionLimits()):
        found = judged(everything, FRESH, limits, no_code_why=None)
        assert [each.measure for each in found] == list(Measure)
        assert {each.verdict for each in found} == {Verdict.NOT_JUDGED}


@pytest.mark.parametrize(
    ("measures", "rules"),
    [
        (Measures(), {"": "sample_without_measure"}),
        (Measures(colour=Colour(is_dyed=False)), {"/colour": "colour_not_said"}),
        (
            Measures(colour=Colour(is_dyed=True, number="3.0")),
            {"/colour/number": "colour_number_of_dyed_fluid"},
        ),
        (Measures(colour=Colour(is_dyed=False, number="8.5")), {"/colour/number": "colour_number_unknown"}),
        (Measures(colour=Colour(is_dyed=False, number="3.2")), {"/colour/number": "colour_number_unknown"}),
        (Measures(counts=Counts(10, 20, 1)), {"/counts": "counts_not_cumulative"}),
        (Measures(code="13/16/18"), {"/cleanliness_code": "cleanliness_code_malformed"}),
        (Measures(code="29/16/13"), {"/cleanliness_code": "cleanliness_code_malformed"}),
        (Measures(code="-/-/-"), {"/cleanliness_code": "cleanliness_code_malformed"}),
        (Measures(counts=Counts(None, 2, 1), code="18/16/13"), {"/cleanliness_code": "code_beside_counts"}),
        (
            Measures(kinematic_40_mm2_s=10, kinematic_100_mm2_s=10),
            {"/kinematic_100": "viscosity_reversed"},
        ),
    ],
)
def test_a_sample_that_contradicts_itself_is_refused(measures: Measures, rules: dict[str, str]) -> None:
    with pytest.raises(ConditionError) as caught:
        check_measures(measures)
    assert {breach.pointer: breach.rule for breach in caught.value.breaches} == rules


def test_measures_that_agree_are_taken() -> None:
    check_measures(FRESH)
    check_measures(Measures(counts=Counts(None, 20, 1)))
    assert code_of(Counts(None, 20, 1)).text == "-/11/7"
    assert code_of(Counts(3e6, 20, 0)).text == ">28/11/0"


def test_index_and_change_follow_from_two_viscosities() -> None:
    found = index_of(FRESH)
    assert found == viscosity_index(at_40c_mm2_s=68.0, at_100c_mm2_s=11.0)
    assert index_of(Measures(kinematic_40_mm2_s=5.0, kinematic_100_mm2_s=1.9)) is None
    assert index_of(Measures(kinematic_40_mm2_s=5.0)) is None
    assert viscosity_change(Measures(kinematic_40_mm2_s=34.0), FRESH, 40) == pytest.approx(-0.5)
    assert viscosity_change(Measures(kinematic_40_mm2_s=34.0), None, 40) is None
    with pytest.raises(ConditionError, match="not defined below 2"):
        viscosity_index(at_40c_mm2_s=5.0, at_100c_mm2_s=1.9)


def test_the_two_procedures_meet_at_a_hundred() -> None:
    """Just above and just below the oil of index 100, at each range of the equations."""
    for hot in (2.5, 4.0, 4.7, 6.0, 8.0, 14.0, 35.0, 90.0):
        _, hundred = reference_oils_mm2_s(hot)
        thick = viscosity_index(at_40c_mm2_s=hundred * (1 + 1e-9), at_100c_mm2_s=hot)
        thin = viscosity_index(at_40c_mm2_s=hundred * (1 - 1e-9), at_100c_mm2_s=hot)
        assert (thick.procedure, thin.procedure, thick.index, thin.index) == ("A", "B", 100, 100)


def test_counts_stand_between_the_whole_numbers_of_their_code() -> None:
    limit = parse_code("19/17/14")
    assert count_excess(Counts(5_000, 1_300, 160), limit) == pytest.approx(0.0)
    assert count_excess(Counts(10_000, 10, 1), limit) == pytest.approx(1.0)
    assert excess(code_of(Counts(10_000, 10, 1)), limit) == 1
    assert excess(parse_code("18/-/-"), parse_code("-/17/14")) is None
