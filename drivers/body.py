"""The table [body] of a layout: how a message is taken apart, and where each field's bytes stand."""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from drivers import parts
from drivers.alike import Alike, classes, told_apart
from drivers.checks import Check
from drivers.decode import Pad
from drivers.framing import Framing
from drivers.poll import Poll
from drivers.schema import Table, nearest

KINDS = ("positions", "pattern", "columns", "keyed", "json")


@dataclass(kw_only=True)
class Body:
    """A body and the sources that fields asked for; a source is a span, a group, a column or a key."""

    kind: str
    head: int = 0
    tail: int = 0
    size: int | None = None
    pattern: re.Pattern[bytes] = re.compile(b"")
    separator: bytes = b","
    assign: bytes = b"="
    count: int = 0
    constants: list[tuple[int, bytes]] = field(default_factory=list)
    sources: list[tuple[int, int] | str | int] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    """What asked for each source, as in the layout ("value", "pads[0].value"), "+" between several."""

    @property
    def tail_safe(self) -> bool:
        """True when a body that lost its beginning never reads: counted columns, keys, an object."""
        return self.kind in ("keyed", "json") or (self.kind == "columns" and 0 not in self.sources)

    def place(self, source: tuple[int, int] | str | int, name: str) -> int:
        """Number of the part that this source gives; a source asked for twice is one part."""
        name = name.removeprefix("fields.")
        if source not in self.sources:
            self.sources.append(source)
            self.names.append(name)
        part = self.sources.index(source)
        if name not in self.names[part].split("+"):
            self.names[part] += f"+{name}"
        return part

    def spans(self, message: bytes) -> list[tuple[int, int, str]]:
        """Where each source stands: begin, end, name; [] when the message does not read."""
        if self.kind == "positions":
            size = len(message)
            places = [(at + size if at < 0 else at, n) for at, n in self._spans()]
            return [(at, at + n, name) for (at, n), name in zip(places, self.names, strict=True)]
        body, stop = self.head, len(message) - self.tail
        if self.kind == "pattern":
            found = self.pattern.fullmatch(message, body, stop)
            if found is None:
                return []
            return [
                (*found.span(str(group)), name) for group, name in zip(self.sources, self.names, strict=True)
            ]
        return self._cell_spans(message[body:stop], body)

    def alike(self) -> Alike | None:
        """What this body does not tell apart; None where that cannot be said."""
        sets: list[Iterable[int]] | None = None
        if self.kind == "pattern":
            sets = told_apart(self.pattern)
        elif self.kind == "columns":
            sets = [{byte} for byte in self.separator]
        elif self.kind == "positions":
            sets = [{byte} for _, text in self.constants for byte in text]
        return None if sets is None else Alike(classes(sets), self.spans)

    def _cell_spans(self, text: bytes, at: int) -> list[tuple[int, int, str]]:
        spans = []
        for number, cell in enumerate(text.split(self.separator) if self.kind != "json" else []):
            key, mark, _ = cell.partition(self.assign)
            source: object = number if self.kind == "columns" else key.strip(b" ").decode("latin-1")
            before = 0 if self.kind == "columns" else len(key) + len(mark)
            if source in self.sources:
                name = self.names[self.sources.index(source)]
                spans.append((at + before, at + len(cell), name))
            at += len(cell) + len(self.separator)
        return spans

    def _spans(self) -> list[tuple[int, int]]:
        return [source for source in self.sources if isinstance(source, tuple)]

    def take(self) -> parts.Take:
        """Make the function that takes the sources from a message."""
        if self.kind == "positions":
            return parts.by_position(self._spans(), self.size, self.constants)
        words = [source for source in self.sources if isinstance(source, str)]
        if self.kind == "pattern":
            return parts.by_pattern(self.pattern, words, self.head, self.tail)
        if self.kind == "columns":
            columns = [source for source in self.sources if isinstance(source, int)]
            return parts.by_column(self.separator, self.count, columns, self.head, self.tail)
        if self.kind == "keyed":
            keys = [word.encode("latin-1") for word in words]
            return parts.by_key(self.separator, self.assign, keys, self.head, self.tail)
        return parts.by_json(words, self.head, self.tail)


Ask = Callable[[Table, str], int]
"""Takes a field's table and name, reads where the field stands and returns the number of its part."""


@dataclass(frozen=True, kw_only=True)
class Made:
    """All of a layout but its fields: how messages are cut, checked, taken apart and asked for."""

    framing: Framing
    check: Check | None
    body: Body
    ask: Ask
    poll: Poll | None = None
    name_pads: Callable[[tuple[Pad, ...]], tuple[Pad, ...]] = lambda pads: pads


def read_body(table: Table, framing: Framing, check: Check | None) -> tuple[Body, Ask]:
    """Read [body]; the second answer is what fields use to ask for their bytes."""
    kind = table.choice("kind", KINDS, "positions")
    body = Body(kind=kind, size=framing.size, head=table.whole("from", framing.head, 0, 4096))
    ends_checked = check is not None and check.at == -framing.tail - check.size
    tail = framing.tail + (check.size if check and ends_checked else 0)
    body.tail = -table.whole("to", -tail, -4096, 0)
    if kind == "positions":
        _positions(table, body, framing)
    elif kind == "pattern":
        body.pattern = _pattern(table)
    elif kind == "columns":
        body.separator = table.octets("separator", b",") or b","
        body.count = table.whole("count", 0, 1, 1000)
        if not body.count:
            table.fault("body.count is needed: how many columns a message has")
    elif kind == "keyed":
        body.separator = table.octets("separator", b";") or b";"
        body.assign = table.octets("assign", b"=") or b"="
    table.close()
    return body, lambda source, name: _ask(body, source, name)


def _positions(table: Table, body: Body, framing: Framing) -> None:
    for item in table.tables("constants"):
        body.constants.append((item.whole("at", 0, 0, 4096), item.octets("text")))
        item.close()
    if framing.size is None and framing.kind != "length":
        table.fault("frame.size is needed when fields stand by position: the message's exact length")


def _pattern(table: Table) -> re.Pattern[bytes]:
    text = table.text("pattern")
    if not text:
        table.fault("body.pattern is needed for kind 'pattern'")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", FutureWarning)  # what may mean something else some day
            return re.compile(text.encode("latin-1"), re.DOTALL)
    except (re.error, UnicodeEncodeError, FutureWarning) as fault:
        table.fault(f"body.pattern: {fault}")
        return re.compile(b"")


def _ask(body: Body, table: Table, name: str) -> int:
    source: tuple[int, int] | str | int
    if body.kind == "positions":
        source = _span(body, table)
    elif body.kind == "pattern":
        source = table.text("group", name)
        if body.pattern.pattern and source not in body.pattern.groupindex:
            table.fault(
                f"{table.where}: the pattern has no group {source!r}; "
                f"{nearest(source, sorted(body.pattern.groupindex))}"
            )
    elif body.kind == "columns":
        source = table.whole("column", 0, 0, max(body.count - 1, 0))
        if not table.has("column"):
            table.fault(f"{table.name('column')} is needed, counted from 0")
    else:
        source = table.text("key")
        if not source:
            table.fault(f"{table.name('key')} is needed")
    return body.place(source, table.where)


def _span(body: Body, table: Table) -> tuple[int, int]:
    at, size = table.whole("at", 0, -4096, 4096), table.whole("size", 1, 1, 64)
    if not table.has("at"):
        table.fault(f"{table.name('at')} is needed: the field's first byte, counted from 0")
    end = at + size
    if (at < 0 < end) or (body.size is not None and (end if at >= 0 else -at) > body.size):
        table.fault(f"{table.where}: bytes {at} to {end - 1} do not stand in a message of {body.size} bytes")
    return at, size
