"""How often something may happen that comes from outside."""

from __future__ import annotations


class Pace:
    """Lets `burst` through at once and then one each `every_s`; time is handed in."""

    def __init__(self, burst: int, every_s: float) -> None:
        self._burst, self._every_s = burst, every_s
        self._left, self._t_s = float(burst), 0.0

    def allows(self, t_s: float) -> bool:
        """Take one, if there is one to take."""
        self._left = min(self._burst, self._left + max(t_s - self._t_s, 0.0) / self._every_s)
        self._t_s = t_s
        if self._left < 1:
            return False
        self._left -= 1
        return True


def commands() -> Pace:
    """The pace of commands: people press seldom, programs gone wild do not stop."""
    return Pace(burst=20, every_s=0.1)
