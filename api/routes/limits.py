"""What the service takes in."""

from __future__ import annotations

from api.bodies import CODINGS
from api.deps import CurrentSettings
from api.intake import router
from api.schemas.fleet_snapshots import MOST_EQUIPMENT
from api.schemas.limits import Limits
from api.schemas.times import EARLIEST_US, LATEST_US
from api.services.feed.judging import CLOCK_SKEW_US
from api.services.feed.parts import LONGEST_LINE_BYTES, MOST_LINES, MOST_ROWS_AT_ONCE, PART_ROWS
from api.services.feed.tally import MOST_DETAILS

routes = router("/limits", tag="readings")


@routes.get("", operation_id="show_limits", summary="What the service takes in")
async def show_limits(settings: CurrentSettings) -> Limits:
    """Sizes, lengths and times that a gateway has to keep to."""
    return Limits(
        body_bytes=settings.max_body_bytes,
        batch_rows=MOST_ROWS_AT_ONCE,
        lines_bytes=settings.max_feed_bytes,
        lines=MOST_LINES,
        line_bytes=LONGEST_LINE_BYTES,
        transaction_rows=MOST_ROWS_AT_ONCE,
        part_rows=PART_ROWS,
        detail_rows=MOST_DETAILS,
        equipment=MOST_EQUIPMENT,
        earliest_at=EARLIEST_US,
        before_at=LATEST_US,
        ahead_s=CLOCK_SKEW_US // 1_000_000,
        codings=list(CODINGS),
    )
