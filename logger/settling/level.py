"""A rest as one stream shows it, before zero is taken off."""

from __future__ import annotations

from msgspec import Struct

from logger.settling.cells import Array, Cells
from logger.settling.tail import Estimate

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


def found(fit: Estimate, cells: Cells, wobble: float, end_ns: int) -> Level:
    """A rest as this fit of the newest cells shows it, told at `end_ns`; one cell scatters by `wobble`."""
    return Level(
        change="declared",
        from_ns=int(cells.first[cells.n - fit.count]),
        declared_ns=end_ns,
        to_ns=cells.last_ns,
        declared=fit.value,
        declared_u=fit.u,
        value=fit.value,
        u=fit.u,
        slope=fit.slope,
        u_slope=fit.u_slope,
        n=int(fit.samples),
        wobble=wobble,
    )


def foreseen(fit: Estimate, far: float) -> float:
    """What it settles to, but no farther from what it reads now than can be foreseen."""
    return min(max(fit.value, fit.now - far), fit.now + far)


def joined(before: Level, value: float, u: float) -> tuple[float, float]:
    """What one rest reads that a knock parted, and its uncertainty.

    Each part counts by how well it is known. Both share the display's rounding and the same tail, so that
    together they are known no better than the better one.
    """
    a, b = 1.0 / max(before.u * before.u, TINY), 1.0 / max(u * u, TINY)
    return (a * before.value + b * value) / (a + b), min(before.u, u)
