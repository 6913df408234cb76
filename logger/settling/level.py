"""A rest as one stream shows it, before zero is taken off."""

from __future__ import annotations

from msgspec import Struct

from logger.settling.cells import Array

TINY = 1e-18


class Level(Struct, frozen=True, gc=False):
    """A rest as the channel sees it (values as on the wire); `change` says what happened to it."""

    change: str
    """declared, refined, closed (movement), silenced (no samples), ended (recording ends) or reopened."""
    from_ns: int
    declared_ns: int
    to_ns: int
    declared: float
    declared_u: float
    value: float
    u: float
    slope: float
    u_slope: float
    n: int
    wobble: float
    """Residual standard deviation of one cell."""
    parts: tuple[Array, Array] | None = None
    """Means of the parts over this rest and their covariance; None for a stream without parts."""

    @property
    def open(self) -> bool:
        """True while the rest lasts."""
        return self.change not in ("closed", "silenced", "ended")


def joined(before: Level, value: float, u: float) -> tuple[float, float]:
    """What one rest reads that a knock parted, and its uncertainty.

    Each part counts by how well it is known. Both share the display's rounding and the same tail, so that
    together they are known no better than the better one.
    """
    a, b = 1.0 / max(before.u * before.u, TINY), 1.0 / max(u * u, TINY)
    return (a * before.value + b * value) / (a + b), min(before.u, u)
