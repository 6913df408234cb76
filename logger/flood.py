"""How much of the machine one line may take, and when what it brings is noise that nobody keeps."""

from __future__ import annotations

BURST_S = 0.1
"""A line that was slow for so long may be quick once, without waiting."""
DRAIN_S = 0.002
"""Pause between reads that are thrown away: 2 MB/s with 4 KiB a read; what is more waits in the kernel."""
MOST_AHEAD_S = 1.0
"""A flood has ended when so long nothing came, or longer less than the line's share."""


class Allowance:
    """What may be taken of a line that brings more than its share.

    At first it is made to wait, which loses nothing where the kernel or a network holds what comes: after a
    stalled network a lot comes at once. What brings more than its share for `flood_s` on end is a flood,
    which no kernel holds: it is read and dropped, so that the loss is seen and counted, until it is calm.
    """

    def __init__(self, most_bytes_per_s: int, flood_s: float) -> None:
        self._most, self._flood_s = most_bytes_per_s, flood_s
        self._paid_until_s = self._calm_s = 0.0

    def take(self, count: int, now_s: float) -> tuple[bool, float]:
        """Hear of so many bytes: whether they are kept, and how long (s) to wait before the next are read."""
        if self._paid_until_s <= now_s - BURST_S:
            self._calm_s = now_s
        self._paid_until_s = max(self._paid_until_s, now_s - BURST_S) + count / self._most
        if now_s - self._calm_s <= self._flood_s:
            return True, max(self._paid_until_s - now_s, 0.0)
        self._paid_until_s = min(self._paid_until_s, now_s + MOST_AHEAD_S)
        return False, DRAIN_S

    def calm(self, now_s: float) -> bool:
        """Whether the line has brought less than its share of late."""
        return self._paid_until_s <= now_s - BURST_S
