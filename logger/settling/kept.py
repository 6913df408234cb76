# cython: annotation_typing=False, auto_pickle=False
"""What a bay's state keeps of an object, compiled or not: the attributes that its class names."""

from __future__ import annotations

import copyreg
from typing import Any


class Kept:
    """An object that is kept by name; made anew without its `__init__`, then given what was kept."""

    kept = ()  # type: tuple[str, ...]

    def __reduce__(self) -> tuple[Any, ...]:
        """Tell pickle class and values."""
        values = tuple([getattr(self, name) for name in self.kept])
        return copyreg.__newobj__, (type(self),), values  # type: ignore[attr-defined]

    def __setstate__(self, state: tuple[Any, ...]) -> None:
        for name, value in zip(self.kept, state, strict=True):
            setattr(self, name, value)
