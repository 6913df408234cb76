"""Three-by-three linear algebra in plain Python: numpy costs more than it does on so small a matrix."""

from __future__ import annotations

Three = tuple[float, float, float]
Matrix = tuple[Three, Three, Three]


def times(m: Matrix, v: Three) -> Three:
    """Matrix times vector."""
    (a, b, c), (d, e, f), (g, h, i) = m
    x, y, z = v
    return (a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z)


def inverse(m: Matrix) -> Matrix:
    """Inverse by cofactors; ZeroDivisionError when there is none."""
    (a, b, c), (d, e, f), (g, h, i) = m
    p, q, r = e * i - f * h, f * g - d * i, d * h - e * g
    n = 1.0 / (a * p + b * q + c * r)
    return (
        (p * n, (c * h - b * i) * n, (b * f - c * e) * n),
        (q * n, (a * i - c * g) * n, (c * d - a * f) * n),
        (r * n, (b * g - a * h) * n, (a * e - b * d) * n),
    )
