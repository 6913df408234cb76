"""Messages whose bytes are not told apart are cut alike, and are found again by what of them matters."""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import words as module
from drivers.alike import classes, told_apart
from drivers.words import Table, hashed, words, words_in_a_row, words_of

PATTERNS = [
    rb"P(?P<a>\d) +(?P<v>-?\d+\.\d\d|-------) (?P<u>kg|lb)",
    rb"(?P<v>[+-]? *[0-4]+(?:,[5-9])?)(?P<u>[^0-9a-c]*)\b(?P<n>.{2,3}?)",
    rb"^(?=P)(?P<v>\w+)(?!-)\s*(?P<n>[\w.]*\Z)|(?P<u>(?>ab)+)x",
    rb"(?P<v>\D+)(?P<n>[\x00-\x1f\xf0-\xff]*)$",
]


@given(st.sampled_from(PATTERNS), st.integers(0, 2**32))
def test_a_pattern_cuts_what_it_does_not_tell_apart_alike(pattern: bytes, seed: int) -> None:
    dice = random.Random(seed)
    layout = re.compile(pattern, re.DOTALL)
    sets = told_apart(layout)
    assert sets is not None
    number = classes(sets)
    likes = [[byte for byte in range(256) if number[byte] == number[one]] for one in range(256)]
    message = bytes(dice.choice(b"P1 -23.47,kgabx\n\x00\xf1") for _ in range(dice.randrange(9)))
    other = bytes(dice.choice(likes[byte]) for byte in message)
    spans = [found and found.regs for found in map(layout.fullmatch, (message, other))]
    assert spans[0] == spans[1]


@pytest.mark.parametrize("pattern", [rb"(?P<v>\d)(?P=v)", rb"(?i)k", rb"(?P<v>a)?(?(v)b|c)", rb"(?i:k)g"])
def test_a_pattern_that_asks_for_more_than_bytes_is_let_alone(pattern: bytes) -> None:
    assert told_apart(re.compile(pattern, re.DOTALL)) is None


def test_digits_are_alike_where_none_is_asked_for() -> None:
    sets = told_apart(re.compile(PATTERNS[0], re.DOTALL))
    assert sets is not None
    assert len({classes(sets)[byte] for byte in b"0123456789"}) == 1


def test_pieces_are_found_by_what_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    dice = random.Random(2)
    for few in (False, True):
        if few:  # many keys then want one place
            monkeypatch.setattr(module, "hashed", lambda key: hashed(key) >> np.uint64(60) << np.uint64(60))
        for size in (1, 3, 7, 8, 9, 16, 26):
            pieces = [bytes(dice.choice(b"01\xff") for _ in range(size)) for _ in range(400)]
            different = list(dict.fromkeys(pieces))
            values = np.frombuffer(b"".join(pieces), np.uint8)
            starts = np.arange(len(pieces)) * size
            in_a_row = zip(words_in_a_row(values, size), words(values, starts, size), strict=True)
            assert all(np.array_equal(mine, theirs) for mine, theirs in in_a_row)
            table, first = Table(len(words_of(bytes(size)))), []
            for k in range(0, 400, 50):
                key = words(values, starts[k : k + 50], size)
                assert [[int(word[j]) for word in key] for j in range(50)] == list(
                    map(words_of, pieces[k : k + 50])
                )
                first += [piece for piece in dict.fromkeys(pieces[k : k + 50]) if piece not in first]
                new = [pieces.index(piece) for piece in first[len(table) :]]
                table.add(words(values, starts[new], size))
                found = table.find(words(values, starts, size)).tolist()
                assert found == [first.index(piece) if piece in first else -1 for piece in pieces]
            assert first == different
