"""HTML from elements: no text gets in unescaped."""

from __future__ import annotations

from api.printed.markup import document, element, table

HOSTILE = "\"><script>alert(1)</script>&'"


def test_texts_and_attributes_are_escaped_and_elements_are_not() -> None:
    made = element("p", HOSTILE, element("b", "x"), None, class_=HOSTILE, id=None)
    assert made == (
        '<p class="&quot;&gt;&lt;script&gt;alert(1)&lt;/script&gt;&amp;&#x27;">'
        "&quot;&gt;&lt;script&gt;alert(1)&lt;/script&gt;&amp;&#x27;<b>x</b></p>"
    )
    assert element("br") == "<br>"


def test_a_table_has_a_head_that_repeats() -> None:
    assert table(("a",), [("<", None)]) == (
        "<table><thead><tr><th>a</th></tr></thead><tbody><tr><td>&lt;</td><td></td></tr></tbody></table>"
    )


def test_a_document_loads_nothing() -> None:
    page = document(HOSTILE, "p { margin: 0; }", element("p", HOSTILE))
    body = bytes(page.body).decode()
    assert body.count("<script") == 0
    assert page.headers["content-security-policy"].startswith("default-src 'none'; style-src 'unsafe-inline'")
