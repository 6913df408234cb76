"""A certificate that the page signs for itself, made by openssl when there is none or it has had its time."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path

DAYS = 800
"""Phones take no certificate that is good for longer than 825 days (common practice, no source)."""
RENEW_S = 30 * 86_400
"""So long before its end (s) it is made anew, at a start of the daemon."""


class NoCertificate(Exception):
    """There is no certificate and none can be made; the text says what to do."""


@dataclass(frozen=True)
class Certificate:
    """A certificate and its key, as files."""

    file: Path
    key: Path

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate as browsers show it: pairs of hexadecimal digits."""
        import hashlib  # noqa: PLC0415  only for those who serve over TLS

        der = ssl.PEM_cert_to_DER_cert(self.file.read_text())
        return hashlib.sha256(der).digest().hex(":").upper()


def certificate(folder: Path, names: Iterable[str]) -> Certificate:
    """The folder's certificate for these names and numbers, kept while it fits and has not had its time.

    The key is readable by the service user alone and never leaves the folder. NoCertificate says why not.
    """
    made = Certificate(folder / "page.crt", folder / "page.key")
    program = shutil.which("openssl")
    if program is None:
        if _is_usable(made):
            return made
        raise NoCertificate("openssl is not installed (apt install openssl), so there is no certificate")
    alternatives = ",".join(sorted(map(_alternative, {*names, "localhost", "127.0.0.1"})))
    noted = folder / "page.names"
    fits = noted.exists() and noted.read_bytes() == alternatives.encode() and _is_usable(made)
    if not (fits and _has_time(program, made.file)):
        _make(program, made, alternatives)
        noted.write_text(alternatives)
    return made


def _is_usable(made: Certificate) -> bool:
    """Whether both files are there and belong together: a damaged one is made anew."""
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(made.file, made.key)
    except (OSError, ValueError):
        return False
    return True


def _alternative(name: str) -> str:
    try:
        return f"IP:{ip_address(name)}"
    except ValueError:
        return f"DNS:{name}"


def _has_time(program: str, file: Path) -> bool:
    command = [program, "x509", "-checkend", str(RENEW_S), "-noout", "-in", str(file)]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


def _make(program: str, made: Certificate, alternatives: str) -> None:
    made.file.parent.mkdir(parents=True, exist_ok=True, mode=0o750)
    key = made.key.with_suffix(".tmp")
    key.unlink(missing_ok=True)
    os.close(os.open(key, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))  # never readable, not for a moment
    command = [program, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-keyout", str(key), "-out", str(made.file), "-days", str(DAYS)]
    command += ["-subj", f"/CN=restpoint on {socket.gethostname()[:40]}"]
    command += ["-addext", f"subjectAltName={alternatives}", "-addext", "extendedKeyUsage=serverAuth"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise NoCertificate(f"openssl made no certificate: {done.stderr.strip().splitlines()[-1:]}")
    key.replace(made.key)
