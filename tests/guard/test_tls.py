"""The page over https: a certificate made at the first start, kept, and renewed when it no longer fits."""

from __future__ import annotations

import shutil
import socket
import ssl
import stat
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from support import absent
from support.knock import knock
from support.served_page import Served, until

from logger.page import web
from logger.page.certificate import Certificate, NoCertificate, certificate
from logger.pairing import Pairing


@pytest.fixture(autouse=True)
def _openssl() -> None:
    if shutil.which("openssl") is None:
        absent("openssl (Debian package openssl)")


def trusting(made: Certificate) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=str(made.file))


def test_a_client_that_trusts_the_certificate_gets_the_page_and_a_secure_cookie(
    tmp_path: Path, guarded: Callable[..., Served]
) -> None:
    served = guarded(tls=True)
    address = served.await_address()
    assert address.startswith("https://127.0.0.1:")
    made = Certificate(tmp_path / "page.crt", tmp_path / "page.key")
    until(lambda: served.log)
    assert made.fingerprint in served.log[0]
    context = trusting(made)
    assert knock(address, "GET", "/", context=context)[0] == 200
    code = Pairing(tmp_path).offer("command", "", time.monotonic_ns())
    status, headers, _ = knock(address, "POST", "/pair", {"code": code}, context=context)
    assert status == 200
    assert "Secure" in headers["set-cookie"]
    assert "strict-transport-security" not in headers, "browsers then let nobody past the question"
    plain = address.replace("https", "http")
    assert knock(address, "POST", "/do/take", {}, context=context, origin=plain)[0] == 403
    with pytest.raises(ssl.SSLCertVerificationError):
        knock(address, "GET", "/", context=ssl.create_default_context())


def test_who_begins_no_handshake_in_time_is_let_go(
    guarded: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(web, "HANDSHAKE_S", 0.3)
    address = guarded(tls=True).await_address()
    place = ("127.0.0.1", int(address.rstrip("/").rpartition(":")[2]))
    with socket.create_connection(place, timeout=5) as silent:
        assert silent.recv(1) == b"", "closed"
    context = ssl._create_unverified_context()
    assert knock(address, "GET", "/", context=context)[0] == 200


def test_it_is_made_once_renewed_for_other_names_and_near_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = certificate(tmp_path, ["bay.lan"]).fingerprint
    assert stat.S_IMODE((tmp_path / "page.key").stat().st_mode) == 0o600
    assert certificate(tmp_path, ["bay.lan"]).fingerprint == first
    other = certificate(tmp_path, ["bay.lan", "192.0.2.9"]).fingerprint
    assert other != first
    text = subprocess.run(
        ["openssl", "x509", "-in", tmp_path / "page.crt", "-noout", "-text"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for name in ("DNS:bay.lan", "DNS:localhost", "IP Address:127.0.0.1", "IP Address:192.0.2.9"):
        assert name in text
    monkeypatch.setattr("logger.page.certificate.RENEW_S", 801 * 86_400)
    assert certificate(tmp_path, ["bay.lan", "192.0.2.9"]).fingerprint != other


@pytest.mark.parametrize("spoil", ["page.key", "page.crt", "page.names"])
@pytest.mark.parametrize("content", [b"", b"\xff" * 200, b"cut"])
def test_damaged_files_are_made_anew(tmp_path: Path, spoil: str, content: bytes) -> None:
    first = certificate(tmp_path, ["bay.lan"])
    was, file = first.fingerprint, tmp_path / spoil
    file.write_bytes(file.read_bytes()[:100] if content == b"cut" else content)
    again = certificate(tmp_path, ["bay.lan"])
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(again.file, again.key)
    assert again.fingerprint != was or spoil == "page.names"


def test_a_certificate_of_another_key_is_made_anew(tmp_path: Path, guarded: Callable[..., Served]) -> None:
    (tmp_path / "other").mkdir()
    served = guarded(tls=True)
    served.await_address()
    served.stop()
    certificate(tmp_path / "other", [])
    shutil.copy(tmp_path / "other" / "page.key", tmp_path / "page.key")
    again = guarded(tls=True)
    made = Certificate(tmp_path / "page.crt", tmp_path / "page.key")
    assert knock(again.await_address(), "GET", "/", context=trusting(made))[0] == 200


def test_a_folder_that_takes_no_certificate_is_told_and_tried_again(
    tmp_path: Path, guarded: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuses(*_: object) -> Certificate:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as full:
        full.setattr("logger.page.server.certificate", refuses)
        served = guarded(tls=True, retry_s=0.05)
        until(lambda: served.page.trouble)
        assert "No space left on device" in served.log[0]
        assert served.page.address is None
    assert served.await_address().startswith("https://")


def test_without_openssl_what_is_there_is_used_and_nothing_is_served_in_the_clear(
    tmp_path: Path, guarded: Callable[..., Served], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("logger.page.certificate.shutil.which", lambda _: None)
    with pytest.raises(NoCertificate, match="apt install openssl"):
        certificate(tmp_path, [])
    served = guarded(tls=True, retry_s=0.05)
    until(lambda: served.page.trouble)
    assert served.page.address is None
    assert "openssl is not installed" in served.log[0]
    monkeypatch.undo()
    assert served.await_address().startswith("https://")
    made = Certificate(tmp_path / "page.crt", tmp_path / "page.key")
    until(lambda: len(served.log) > 1)
    assert "is served again" in served.log[1]
    monkeypatch.setattr("logger.page.certificate.shutil.which", lambda _: None)
    assert certificate(tmp_path, ["new.lan"]) == made
