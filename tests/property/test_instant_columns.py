"""Instants in columns are the instants one at a time."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

from hypothesis import example, given
from hypothesis import strategies as st

from api.schemas.instant_columns import MALFORMED, instants_us
from api.schemas.times import instant_us

MOMENTS = st.datetimes(
    min_value=datetime(1969, 12, 30),  # noqa: DTZ001 - the zone is drawn
    max_value=datetime(2200, 1, 2),  # noqa: DTZ001 - the zone is drawn
    timezones=st.integers(-1439, 1439).map(lambda minutes: timezone(timedelta(minutes=minutes))),
)
SPECS = st.sampled_from(["seconds", "milliseconds", "microseconds"])
FORMED = st.builds(lambda moment, spec: moment.isoformat(timespec=spec), MOMENTS, SPECS)
ZULU = FORMED.map(lambda text: text[:-6] + "Z")
LONGER = st.builds(
    lambda text, more: text[:-6] + more + "Z", FORMED, st.from_regex(r"[0-9]{0,12}", fullmatch=True)
)
# One letter changed or left out makes texts that are nearly instants.
CHANGED = st.builds(
    lambda text, place, letter: text[: place % len(text)] + letter + text[place % len(text) + 1 :],
    st.one_of(FORMED, ZULU),
    st.integers(0, 40),
    st.sampled_from(["", "0", "3", "6", "9", "/", ":", ".", "+", "-", "t", "z", " ", "\u0662", "\0"]),
)


@given(st.lists(st.one_of(FORMED, ZULU, LONGER, CHANGED, st.text(max_size=30)), max_size=30))
@example(["2031-05-04T08:00:00.1234Z", "2031-05-04T08:00:00+02:00", "2031-02-29T08:00:00Z"])
@example(["2100-02-29T00:00:00Z", "2096-02-29T00:00:00Z", "2000-02-29T00:00:00Z", "1970-01-01T00:00:00Z"])
@example(["2031-05-04T08:00:00.Z", "2031-05-04T08:00:00.1", "2031-13-04T08:00:00Z", "2031-00-04T08:00:00Z"])
def test_a_column_equals_its_texts(texts: list[str]) -> None:
    """Whatever a column mixes, each figure is the one of its text, malformed or not."""
    single = [instant_us(text) for text in texts]
    assert instants_us(texts).tolist() == [MALFORMED if at_us is None else at_us for at_us in single]
