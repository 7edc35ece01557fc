"""Pages for people: the documentation and what each kind of problem means. They load no other file."""

from __future__ import annotations

import html
import json
import re
from typing import Annotated, Any

from fastapi import Path, Request
from fastapi.responses import HTMLResponse
from pydantic import Field

from api.intake import router
from api.problems import KINDS
from api.schemas.base import Answer
from api.services.errors import NotFoundError

routes = router("", tag="explain", is_versioned=False)

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
_STYLE = """
:root { color-scheme: light dark; font: 16px/1.5 system-ui, sans-serif; }
body { max-width: 60rem; margin: 0 auto; padding: 1rem; }
h2 { border-bottom: 1px solid; margin-top: 2.5rem; }
code, pre { font: 0.9rem/1.4 ui-monospace, monospace; }
pre { overflow-x: auto; padding: 0.5rem; border: 1px solid; border-radius: 4px; }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; padding: 0.2rem 0.6rem 0.2rem 0;
vertical-align: top; } details { margin: 0.3rem 0; }
nav dl { display: grid; grid-template-columns: max-content 1fr; gap: 0.3rem 1rem; } dd { margin: 0; }
nav a { white-space: nowrap; margin-right: 0.6rem; }
@media print { details:not([open]) { display: none; } }
"""
# The main job comes first on the page, the rest by name, what serves the service itself last.
_FIRST = ("due", "kits", "fluids", "readings", "work done", "vehicles", "spec sheets")
_LAST = ("health", "explain")


class ProblemKind(Answer):
    """One kind of problem."""

    type: Annotated[str, Field(description="The path that problem documents give as `type`.")]
    status: Annotated[int, Field(description="HTTP status.")]
    title: Annotated[str, Field(description="The kind in words.")]
    cause: Annotated[str, Field(description="Why a caller meets it.")]
    remedy: Annotated[str, Field(description="What the caller can do.")]


@routes.get("/problems/{slug}", operation_id="explain_problem", summary="What a kind of problem means")
async def explain_problem(
    slug: Annotated[str, Path(max_length=64, description="Last part of a problem's `type`.")],
) -> ProblemKind:
    """Answers with cause and remedy; works without any other server."""
    kind = KINDS.get(slug)
    if kind is None:
        missing = "kind of problem"
        raise NotFoundError(missing)
    return ProblemKind(
        type=kind.type, status=kind.status, title=kind.title, cause=kind.cause, remedy=kind.remedy
    )


@routes.get("/docs", include_in_schema=False, response_class=HTMLResponse)
async def show_documentation(request: Request) -> HTMLResponse:
    """The documentation as one page."""
    return HTMLResponse(_page(request.app.openapi()), headers={"Content-Security-Policy": _POLICY})


def _page(schema: dict[str, Any]) -> str:
    info = schema["info"]
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>",
        f"<title>{_text(info['title'])}</title><style>{_STYLE}</style>",
        f"<h1>{_text(info['title'])} {_text(info['version'])}</h1>",
        f"<p>{_text(info.get('description', ''))}</p>",
        "<p>The same, for programs: <a href=/openapi.json>openapi.json</a></p>",
    ]
    by_tag: dict[str, list[tuple[str, str, dict[str, Any]]]] = {}
    for path, methods in schema["paths"].items():
        for method, operation in methods.items():
            by_tag.setdefault(operation.get("tags", ["other"])[0], []).append((path, method, operation))
    tags = sorted(by_tag, key=_place)
    parts.append(f"<nav><dl>{''.join(_contents(tag, by_tag[tag]) for tag in tags)}</dl></nav>")
    for tag in tags:
        parts.append(f"<h2>{_text(tag.capitalize())}</h2>")
        parts += [_operation(path, method, operation) for path, method, operation in by_tag[tag]]
    parts.append("<h2>Schemas</h2>")
    for name, found in sorted(schema["components"]["schemas"].items()):
        parts.append(
            f"<details id='schema-{_text(name)}'><summary>{_text(name)}</summary>{_json(found)}</details>"
        )
    return "".join(parts)


def _place(tag: str) -> tuple[int, str]:
    if tag in _FIRST:
        return _FIRST.index(tag), tag
    return len(_FIRST) + (_LAST.index(tag) + 1 if tag in _LAST else 0), tag


def _contents(tag: str, operations: list[tuple[str, str, dict[str, Any]]]) -> str:
    links = "".join(
        f"<a href='#{_text(operation['operationId'])}'>{_text(operation.get('summary', ''))}</a> "
        for _, _, operation in operations
    )
    return f"<dt>{_text(tag.capitalize())}</dt><dd>{links}</dd>"


def _operation(path: str, method: str, operation: dict[str, Any]) -> str:
    parts = [
        f"<h3 id='{_text(operation['operationId'])}'><code>{method.upper()} {_text(path)}</code></h3>",
        f"<p><strong>{_text(operation.get('summary', ''))}.</strong> {_words(operation.get('description', ''))}</p>",
    ]
    rows = "".join(
        f"<tr><td><code>{_text(p['name'])}</code><td>{_text(p['in'])}<td>{_words(p.get('description', ''))}"
        for p in operation.get("parameters", [])
    )
    if rows:
        parts.append(f"<table><tr><th>parameter<th>in<th>meaning{rows}</table>")
    body = operation.get("requestBody", {}).get("content", {}).get("application/json")
    if body:
        parts.append(_media("Body", body))
    for status, answer in operation["responses"].items():
        for media, content in answer.get("content", {}).items():
            if media == "application/json" or "examples" in content:
                parts.append(_media(f"{status} {answer.get('description', '')}", content))
    return "".join(parts)


def _media(heading: str, content: dict[str, Any]) -> str:
    shown = "".join(
        f"<details><summary>Example: {_text(case)}</summary>{_json(example['value'])}</details>"
        for case, example in content.get("examples", {}).items()
    )
    schema = f"<details><summary>Schema</summary>{_json(content.get('schema', {}))}</details>"
    return f"<h4>{_text(heading)}</h4>{schema}{shown}"


def _json(value: object) -> str:
    return f"<pre>{_text(json.dumps(value, indent=2, ensure_ascii=False))}</pre>"


def _words(text: str) -> str:
    """A sentence in which names stand between backticks, as descriptions have them."""
    return re.sub("`([^`]+)`", r"<code>\1</code>", _text(text))


def _text(value: object) -> str:
    return html.escape(str(value))
