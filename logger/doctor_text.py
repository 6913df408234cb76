"""A finding as a tree on the terminal and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from logger.doctor import Finding
from logger.drawing.view import span_words

SIGNS = {"well": "✓", "mind": "▲", "ill": "✗"}


def as_tree(found: Finding) -> list[str]:
    """Lines of the tree: sign, name, state in words, since when; the next step below, behind an arrow."""
    verdict = {"well": "all is well", "mind": "works; see ▲", "ill": "needs somebody; see ✗"}[found.worst]
    return [f"{found.name}: {verdict}", *_branches(found.parts, "")]


def _branches(parts: tuple[Finding, ...], before: str) -> Iterator[str]:
    for part in parts:
        last = part is parts[-1]
        since = "" if part.since_s is None else f" (for {span_words(max(part.since_s, 0.0))})"
        detail = f"  {part.detail}" if part.detail else ""
        yield f"{before}{'└─' if last else '├─'} {SIGNS[part.worst]} {part.name}{detail}{since}"
        below = before + ("   " if last else "│  ")
        if part.step:
            yield f"{below}     → {part.step}"
        yield from _branches(part.parts, below)


def as_json(found: Finding) -> dict[str, Any]:
    """The same for programs: `state` is the part's own, `worst` includes what is in it."""
    return {"schema": 1, **_plain(found)}


def _plain(found: Finding) -> dict[str, Any]:
    return {
        "name": found.name,
        "state": found.state,
        "worst": found.worst,
        "detail": found.detail,
        "since_s": None if found.since_s is None else round(found.since_s, 1),
        "step": found.step,
        "parts": [_plain(part) for part in found.parts],
    }
