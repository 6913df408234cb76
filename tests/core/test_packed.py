"""Pieces of bytes in one buffer, taken out again as they were."""

from __future__ import annotations

import random

import numpy as np

from logger.packed import Packed


def packed(pieces: list[bytes]) -> Packed:
    sizes = np.array([len(piece) for piece in pieces], np.int64)
    return Packed(np.frombuffer(b"".join(pieces) or b"\0", np.uint8), np.cumsum(sizes) - sizes, sizes)


def test_any_pieces_are_joined_as_python_joins_them() -> None:
    dice = random.Random(1)
    for longest in (0, 1, 5, 40):
        pieces = [dice.randbytes(dice.randint(0, longest)) for _ in range(300)]
        whole = packed(pieces)
        assert len(whole) == 300
        for where in ([], [0], [299], list(range(300)), sorted(dice.sample(range(300), 120))):
            assert whole.joined(np.array(where, np.intp)) == b"".join(pieces[k] for k in where)
        part = whole.taken(100, 200)
        assert [part.piece(k) for k in range(len(part))] == pieces[100:200]
        assert part.joined(np.arange(3, 100)) == b"".join(pieces[103:200])
