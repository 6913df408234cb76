"""What `restpoint pair` prints: a code with its QR picture, the list of devices, what was revoked."""

from __future__ import annotations

import io

from logger.clock import NS, now_ns, wall_text
from logger.config import Loaded
from logger.health import read_health
from logger.page.certificate import Certificate
from logger.page.doors import is_loopback
from logger.page.server import address_of
from logger.pairing import OFFER_NS, Pairing, PairingRefused, Right

MAY = {"watch": "may watch", "command": "may watch and command"}


def offered(loaded: Loaded, right: Right, name: str) -> list[str]:
    """Offer a code and say how to use it; PairingRefused when no other device could reach the page."""
    page = loaded.config.page
    if not page.enabled or (is_loopback(page.host) and page.pairing != "always"):
        raise PairingRefused(
            'the page is served to this computer only; set [page] host = "0.0.0.0" for phones'
        )
    code = Pairing(loaded.folder).offer(right, name, now_ns()[0])
    told = read_health(loaded.folder) if page.port == 0 else None
    address = told["health"]["page"] if told else address_of(page, page.port)
    lines = [_qr(f"{address}#pair={code}"), f"On the phone open {address} and type  {code[:3]} {code[3:]}"]
    minutes = OFFER_NS // (60 * NS)
    lines.append(
        f"or point its camera at the picture. Good for {minutes} minutes and one device, which {MAY[right]}."
    )
    made = Certificate(loaded.folder / "page.crt", loaded.folder / "page.key")
    if page.tls and made.file.exists():
        lines.append(f"The browser asks once about the certificate; it must be {made.fingerprint}")
    if not page.tls:
        lines.append(
            "Without [page] tls = true, who listens on this network can read along and take the pairing over."
        )
    return lines


def listed(loaded: Loaded) -> list[str]:
    """A line for each device."""
    pairing = Pairing(loaded.folder)
    devices = pairing.devices
    if pairing.trouble:
        raise PairingRefused(pairing.trouble)
    if not devices:
        return ["no device is paired"]
    return [f"{d.id:3}  {d.name}, {MAY[d.right]}, since {wall_text(d.paired_wall_ns)}" for d in devices]


def revoked(loaded: Loaded, device: int) -> list[str]:
    """Revoke a pairing; PairingRefused when there is none of this number."""
    gone = Pairing(loaded.folder).revoke(device)
    if gone is None:
        raise PairingRefused(f"no device has the number {device}; restpoint pair --list shows them")
    return [f"{gone.name} is let in no more; what it has open closes at once"]


def _qr(text: str) -> str:
    import segno  # noqa: PLC0415  only where a picture is drawn

    out = io.StringIO()
    segno.make(text, micro=False).terminal(out=out, compact=True)
    return out.getvalue()
