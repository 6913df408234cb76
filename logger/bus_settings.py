"""Settings of the bus, `[bus]` in the configuration."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class BusSettings:
    """How the bus is spoken to; which broker that is, logger.broker decides."""

    username: str = ""
    password_file: str = ""
    """A file that holds the password alone: the configuration itself is copied into journal and reports."""
    tls: bool = False
    ca_file: str = ""
    """Who signs the broker's certificate; empty: the machine's own authorities."""
    live_Hz: float = 5.0
    """A display needs no more; programs that do read the journal."""
    live_most_age_s: float = 1.0
    """An older value is no live value and is not sent."""
    health_s: float = 5.0
    """A broker that hangs is noticed after this and `timeout_s` at the latest."""
    timeout_s: float = 2.0
    """A broker on this machine or the next answers within some milliseconds."""
    keepalive_s: int = 10
    """The broker publishes our will after 1.5 times this silence (MQTT 3.1.1, 3.1.2.10)."""
    retry_first_s: float = 0.2
    retry_most_s: float = 5.0
    """The longest a person waits for the bus after the broker is back."""
    queue_most: int = 5000
    """Messages kept for a broker that is away, about 1 kB each. A full queue lets go of what a later revision
    of the same rest says better, then of the oldest."""
