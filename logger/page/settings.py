"""Settings of the page, `[page]` in the configuration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, kw_only=True)
class PageSettings:
    """Where the page is served, how often it is renewed, what it accepts."""

    enabled: bool = True
    """The page is how a person in the seat sees what the daemon waits for."""
    host: str = "127.0.0.1"
    """This computer only. "0.0.0.0" lets phones in that were paired."""
    port: int = 8460
    """Free on common systems; 0 takes any free port."""
    pairing: Literal["network", "always", "off"] = "network"
    """Who must be paired: all but this computer; "always": its own programs too, as on a PC that others use;
    "off": nobody, and everybody on the network can watch and command."""
    tls: bool = False
    """Serve over https with a certificate of our own: encrypted, but browsers ask once whether to go on."""
    metrics: bool = False
    """Give counts in Prometheus' text form at /metrics, to whoever may watch."""
    names: tuple[str, ...] = ()
    """Further names browsers may ask for; this computer's own and plain addresses always work."""
    renew_Hz: float = 5.0
    """Faster figures cannot be read, and five drawings a second cost a phone nothing."""
    stale_after_s: float = 2.0
    """A reading older than this is greyed and says its age; live streams send several times a second."""
    viewers: int = 16
    """Phones and screens at once; one more is asked to try later."""
    behind: int = 50
    """Messages a viewer may lag (10 s at 5 Hz); then it is let go and comes back to the present state."""
    retry_s: float = 5.0
    """Pause between tries while another program has the port."""
