"""What the demo prints: calls ready to paste, and answers in short, within the width of a terminal.

Invariant: a call is printed as it stands, never cut or wrapped, so that it can be pasted into a shell.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from api.cli.demo.scenario import Call

WIDTH = 80
Cell = str | Text

_INDENT = 2
_BODY = "  -H 'Content-Type: application/json' -d '"
_GAP = "  "
_SHELL = set("?&;()* ")
_THOUSANDS = re.compile(r"(?<=\d) (?=\d{3}\b)")
_STYLES = {
    "overdue": "bold red",
    "due": "red",
    "in_window": "yellow",
    "deferred": "magenta",
    "duplicate": "dim",
    "held": "yellow",
    "refused": "red",
}


class Paper:
    """The demo's output."""

    def __init__(self, console: Console, base_url: str) -> None:
        """Print on ``console`` calls to the service at ``base_url``."""
        self.console = console
        self.base_url = base_url
        self.width = min(WIDTH, console.width)

    def heading(self, title: str, question: str = "") -> None:
        """A chapter, and what it asks."""
        self.console.print()
        bar = "─" * max(0, self.width - len(title) - 4)
        self.console.print(Text.assemble(("── ", "cyan"), (title, "bold"), (f" {bar}", "cyan")))
        if question:
            self.say(question)

    def say(self, text: str, style: str = "") -> None:
        """A paragraph; a line break before it leaves a blank line."""
        if text.startswith("\n"):
            self.console.print()
        for line in wrapped(text.strip(), self.width):
            self.console.print(Text(line, style=style))

    def call(self, call: Call) -> None:
        """A call, ready to paste."""
        self.console.print()
        self.console.print(Text(curl(self.base_url, call), style="cyan"), soft_wrap=True, crop=False)

    def lines(self, text: str) -> None:
        """A paragraph of an answer, indented."""
        for line in wrapped(text, self.width - _INDENT):
            self.console.print(Text(" " * _INDENT + line))

    def table(self, names: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
        """Rows of an answer in columns; a name that begins with ``>`` stands flush right over its column.

        Where a row would be too long for the terminal, the widest of the other columns give way.
        """
        shown = [tuple(Text(cell) if isinstance(cell, str) else cell for cell in row) for row in rows]
        if not shown:
            return
        flush_right = [name.startswith(">") for name in names]
        head = tuple(Text(name.removeprefix(">"), style="dim") for name in names)
        widths = [max(cell.cell_len for cell in column) for column in zip(head, *shown, strict=True)]
        yielding = [place for place, is_right in enumerate(flush_right) if not is_right]
        while _INDENT + sum(widths) + len(_GAP) * (len(widths) - 1) > self.width:
            widths[max(yielding, key=widths.__getitem__)] -= 1
        for row in (head, *shown):
            line = Text(" " * _INDENT)
            for place, cell in enumerate(row):
                cell.truncate(widths[place], overflow="ellipsis")
                cell.align("right" if flush_right[place] else "left", widths[place])
                line.append_text(cell)
                line.append(_GAP)
            line.rstrip()
            self.console.print(line)


def styled(state: str) -> Text:
    """A state or verdict in its colour."""
    return Text(state.replace("_", " "), style=_STYLES.get(state, ""))


def figure(quantity: dict[str, Any]) -> str:
    """A quantity as people write it: two places, thousands apart, no zeros at its end."""
    digits = f"{quantity['value']:,.2f}".rstrip("0").rstrip(".").replace(",", "\u00a0")
    return f"{digits} {quantity['unit']}"


def span(fluid: dict[str, Any]) -> str:
    """The least and the most of a fluid, or one figure where they are the same."""
    low, high = figure(fluid["low"]), figure(fluid["high"])
    return high if low == high else f"{low.rpartition(' ')[0]} to {high}"


def left(line: dict[str, Any]) -> str:
    """What is left to run on the limb that governs a line of the due list."""
    for limb in line["limbs"]:
        if limb["limb"] == line["governed_by"]:
            if limb["remaining"] is not None:
                return figure(limb["remaining"])
            return "" if limb["remaining_days"] is None else f"{limb['remaining_days']} d"
    return ""


def curl(base_url: str, call: Call) -> str:
    """The shell command of a call."""
    url = f"{base_url}{call.path}"
    if set(url) & _SHELL:
        url = f"'{url}'"
    if call.method == "GET":
        return f"curl -s {url}"
    body = json_text(call.body, room=WIDTH - len(_BODY) - 1).replace("'", "'\\''")
    return f"curl -s {url} \\\n{_BODY}{body}'"


def json_text(value: Any, *, room: int, indent: int = _INDENT) -> str:
    """JSON text whose lines fit the terminal: list members stand on lines of their own, object members fill them.

    Args:
        value: Any JSON value.
        room: Characters left on the first line.
        indent: Blanks before each further line.
    """
    flat = json.dumps(value, ensure_ascii=False)
    if len(flat) <= room or not isinstance(value, (dict, list)):
        return flat
    pad = "\n" + " " * indent
    if isinstance(value, list):
        members = [json_text(member, room=WIDTH - indent - _INDENT, indent=indent + 1) for member in value]
        return f"[{pad}" + f",{pad}".join(members) + "]"
    text, used = "{", WIDTH - room + 1
    for place, (name, member) in enumerate(value.items()):
        label = f"{json.dumps(name)}: "
        inner = json_text(member, room=WIDTH - indent - len(label) - _INDENT, indent=indent + 1)
        first = len(label) + len(inner.partition("\n")[0])
        separator = "" if place == 0 else ", "
        if used + len(separator) + first + 1 > WIDTH:
            separator, used = f"{separator.rstrip()}{pad}", indent
        text += f"{separator}{label}{inner}"
        used = len(text) - text.rindex("\n") - 1 if "\n" in text else used + len(separator) + first
    return text + "}"


def wrapped(text: str, width: int) -> list[str]:
    """The lines of a paragraph; a figure whose thousands stand apart stays whole."""
    return textwrap.wrap(_THOUSANDS.sub("\u00a0", text), width)
