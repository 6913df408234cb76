"""Reads HTML as a strict reader would: tags nest, and what stands in the page can be asked for."""

from __future__ import annotations

import re
from html.parser import HTMLParser

VOID = {"meta", "br", "hr", "img", "link", "input", "circle", "line", "rect", "path", "ellipse"}


class Reader(HTMLParser):
    """Checks that tags nest, and keeps what the tests ask about."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.data: list[dict[str, str]] = []
        self.words: list[str] = []
        self.inside: dict[str, str] = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)
        if tag == "data":
            self.data.append({name: value or "" for name, value in attrs} | {"text": ""})

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in ("style", "script"):
            self.inside[self.open[-1]] = data
            return
        self.words.append(data)
        if "data" in self.open:
            self.data[-1]["text"] += data

    @property
    def text(self) -> str:
        """Everything a reader sees."""
        return re.sub(r"\s+", " ", "".join(self.words))


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    assert reader.open == []
    return reader


def assert_self_contained(reader: Reader) -> None:
    """Nothing in the page points outside itself or carries code in an attribute."""
    for tag, name, value in reader.attributes:
        assert tag not in ("link", "img", "iframe", "object", "embed", "base"), tag
        assert name not in ("src", "href", "srcset", "style", "action"), name
        assert not name.startswith("on"), name
        assert "url(" not in value
        assert "//" not in value or name == "xmlns"
    assert "url(" not in reader.inside["style"]
    assert "@import" not in reader.inside["style"]
    assert "fetch" not in reader.inside["script"]
