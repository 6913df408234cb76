"""The schema at the head of drivers/layout.py names every key that the reader asks for, and no other."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from drivers import codes, fields, framing, layout, numbers
from drivers.body import KINDS as BODY_KINDS
from drivers.checks import CODINGS, KINDS
from drivers.registry import SHIPPED
from drivers.schema import Table
from drivers.wire import UNITS

CASES = Path(__file__).parent / "cases"


def asked_keys(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    asked: set[str] = set()
    raw = Table.raw

    def noting(self: Table, key: str) -> Any:
        if not re.search(r"\.(map|bits)$", self.where):
            asked.add(key)
        return raw(self, key)

    monkeypatch.setattr(Table, "raw", noting)
    for path in [*CASES.glob("*/layout.toml"), *SHIPPED.glob("*.toml")]:
        layout.load_layout(path)
    return asked


def test_every_key_is_documented(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = asked_keys(monkeypatch)
    assert {"limits_kg", "wraps", "reversed", "registers", "echo", "plus", "constants"} <= asked
    said = set(re.findall(r"[a-z_A-Z0-9]+", layout.__doc__ or ""))
    assert asked <= said


def test_every_word_is_documented() -> None:
    said = set(re.findall(r"[a-z_A-Z-]+", layout.__doc__ or ""))
    words = [
        *framing.KINDS, *BODY_KINDS, *KINDS, *CODINGS, *numbers.CODINGS, *numbers.INTEGER_FORMS,
        *numbers.ORDERS, *codes.WORDS, *fields.NAMES, *UNITS,
    ]  # fmt: skip
    assert set(words) <= said


def test_every_feature_has_a_case() -> None:
    texts = [
        path.read_text(encoding="utf-8") for path in [*CASES.glob("*/layout.toml"), *SHIPPED.glob("*.toml")]
    ]
    used = " ".join(texts)
    words = [
        *framing.KINDS, *BODY_KINDS[1:], *KINDS, "hex", "decimal", "bcd", "float", "twos", "ones",
        "magnitude", "offset", "sign-last", "little", "swapped", *codes.FLAGS, "minus", "absent", "void",
    ]  # fmt: skip
    missing = [word for word in words if not re.search(rf'["/ ]{re.escape(word)}["/ ]', used)]
    assert missing == []
