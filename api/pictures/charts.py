"""Bars of demand by period and fans of what a meter will show, as SVG.

Invariants: the same figures give the same bytes; letters are drawn as paths, and nothing is loaded from outside; shades
of grey, hatching and line styles tell apart what colours would. Matplotlib's settings belong to the whole process, so
one picture is drawn at a time; it is imported with the first one.
"""

from __future__ import annotations

import io
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

SVG = "image/svg+xml"
MOST_PANELS = 8

_WIDTH_IN = 8.0
_PANEL_IN = 2.4
_EMPTY_IN = 1.6
_EDGES_IN = 0.9
_MOST_BARS = 36
_MOST_TICKS = 12
_LONGEST_TEXT = 90
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "figures",
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.parse_math": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "grid.color": "0.85",
    "hatch.linewidth": 0.6,
}
_METADATA = {"Date": None, "Creator": None, "Format": None, "Type": None}
_one_at_a_time = threading.Lock()


@dataclass(frozen=True, slots=True)
class DemandBars:
    """Demand for one thing, a figure a period.

    Attributes:
        title: What it is.
        expected: Expected figures.
        low: Not exceeded with a chance of 5 %.
        high: Not exceeded with a chance of 95 %.
    """

    title: str
    expected: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class MeterFan:
    """What one meter showed last, and what it is expected to show.

    Attributes:
        title: The meter.
        unit: Unit of its figures.
        read_on: Day of the last reading.
        reading: The last reading.
        on: Days ahead, rising.
        low: Not exceeded on them with a chance of 5 %.
        middle: Of 50 %.
        high: Of 95 %.
    """

    title: str
    unit: str
    read_on: date
    reading: float
    on: tuple[date, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


def demand_picture(title: str, unit: str, first_days: Sequence[date], bars: Sequence[DemandBars]) -> bytes:
    """Bars of demand, a panel a thing, as SVG; what is demanded most comes first, and of many only some are drawn.

    Args:
        title: Heading of the picture.
        unit: Unit of all figures.
        first_days: The first day of each period.
        bars: The things; none: the picture says so.
    """
    ranked = sorted(bars, key=lambda one: -sum(one.expected))
    shown = ranked[:MOST_PANELS]
    note = f"{len(ranked) - len(shown)} more are not drawn." if len(ranked) > len(shown) else ""
    if not shown:
        return _drawn(title, [], "No demand is foreseen in this time.")
    return _drawn(title, [_bars(one, unit, first_days) for one in shown], note)


def fan_picture(title: str, fans: Sequence[MeterFan]) -> bytes:
    """Fans of what meters will show, a panel a meter, as SVG.

    Args:
        title: Heading of the picture.
        fans: The meters; none: the picture says so.
    """
    if not fans:
        return _drawn(title, [], "No meter has readings that tell how it runs.")
    return _drawn(title, [_fan(one) for one in fans[:MOST_PANELS]], "")


def _drawn(title: str, panels: Sequence[Callable[[Any], None]], note: str) -> bytes:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with _one_at_a_time, mpl.rc_context(_SETTINGS):
        height = _EMPTY_IN if not panels else _PANEL_IN * len(panels) + _EDGES_IN
        figure = Figure(figsize=(_WIDTH_IN, height))
        figure.suptitle(_drawable(title), fontsize=11, fontweight="bold", y=1.0 - 0.12 / height, va="top")
        if panels:
            # Set places: finding them by drawing several times over would cost more than the picture.
            figure.subplots_adjust(0.1, 0.95 / height, 0.985, 1.0 - 0.65 / height, hspace=0.5)
            axes = figure.subplots(len(panels), 1, squeeze=False)[:, 0]
            for one, panel in zip(axes, panels, strict=True):
                panel(one)
            # One legend below all panels, where it hides nothing.
            figure.legend(
                *axes[0].get_legend_handles_labels(), loc="outside lower center", ncols=4, fontsize=8
            )
            figure.text(0.995, 0.005, note, ha="right", va="bottom", fontsize=8)
        else:
            figure.text(0.5, 0.4, note, ha="center", va="center")
        written = io.BytesIO()
        figure.savefig(written, format="svg", metadata=_METADATA)
    text = written.getvalue()
    # The document type names a file of the W3C, which nothing needs.
    return b'<?xml version="1.0" encoding="utf-8"?>\n' + text[text.index(b"<svg") :]


def _bars(one: DemandBars, unit: str, first_days: Sequence[date]) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        places = list(range(len(one.expected)))
        if len(places) <= _MOST_BARS:
            _draw_bars(axes, places, one)
        else:
            _draw_steps(axes, places, one)
        step = -(-len(first_days) // _MOST_TICKS)
        axes.set_xticks(places[::step], [day.isoformat() for day in first_days][::step], fontsize=7)
        axes.tick_params(axis="x", rotation=30)
        axes.set_xlim(-0.6, len(places) - 0.4)
        axes.set_ylim(0, 1.05 * max(*one.high, *one.expected) or 1.0)
        axes.set_ylabel(unit)
        axes.set_title(_drawable(one.title), loc="left", fontsize=9)

    return draw


def _draw_bars(axes: Any, places: Sequence[int], one: DemandBars) -> None:
    axes.bar(places, one.expected, width=0.7, color="0.85", edgecolor="0.2", hatch="///", label="expected")
    below = [max(e - low, 0.0) for e, low in zip(one.expected, one.low, strict=True)]
    above = [max(high - e, 0.0) for e, high in zip(one.expected, one.high, strict=True)]
    axes.errorbar(
        places,
        one.expected,
        yerr=[below, above],
        fmt="none",
        color="black",
        elinewidth=1.2,
        capsize=3,
        label="5 % to 95 %",
    )


def _draw_steps(axes: Any, places: Sequence[int], one: DemandBars) -> None:
    # Too many for bars: a band and a line.
    axes.fill_between(places, one.low, one.high, step="mid", color="0.82", linewidth=0, label="5 % to 95 %")
    axes.step(places, one.expected, where="mid", color="black", linewidth=1.2, label="expected")


def _fan(one: MeterFan) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        days = [one.read_on, *one.on]
        low, middle, high = ([one.reading, *line] for line in (one.low, one.middle, one.high))
        axes.fill_between(days, low, high, color="0.87", linewidth=0)
        axes.plot(
            [one.read_on], [one.reading], color="black", marker="s", linestyle="none", label="last reading"
        )
        axes.plot(days, low, color="0.25", linestyle=":", linewidth=1.4, label="5 %")
        axes.plot(days, middle, color="black", linewidth=1.6, marker="o", markersize=3, label="50 %")
        axes.plot(days, high, color="0.25", linestyle="--", linewidth=1.0, label="95 %")
        axes.set_ylabel(one.unit)
        axes.yaxis.set_major_formatter(lambda figure, _: f"{figure:,.0f}".replace(",", "\N{NO-BREAK SPACE}"))
        axes.set_title(_drawable(one.title), loc="left", fontsize=9)
        axes.tick_params(axis="x", labelsize=7)

    return draw


def _drawable(text: str) -> str:
    """The text with a stand-in for each character that the letters at hand lack, cut where it is too long."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    font = get_font(findfont(FontProperties(family=["DejaVu Sans"])))
    known = "".join(
        c if c.isprintable() and font.get_char_index(ord(c)) else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    return known if len(known) <= _LONGEST_TEXT else f"{known[: _LONGEST_TEXT - 1]}\N{HORIZONTAL ELLIPSIS}"
