"""Requests as they stand: what a browser or a program that is none would send to the page."""

from __future__ import annotations

import http.client
import json
import ssl
from typing import Any
from urllib.parse import urlsplit


def knock(
    address: str,
    method: str,
    path: str,
    body: Any = None,
    *,
    context: ssl.SSLContext | None = None,
    **headers: str,
) -> tuple[int, dict[str, str], str]:
    """Send one request; underscores in header names are dashes, an empty value leaves the header out."""
    where = urlsplit(address)
    host, port = where.hostname or "", where.port
    connection: http.client.HTTPConnection = (
        http.client.HTTPConnection(host, port, timeout=5)
        if context is None
        else http.client.HTTPSConnection(host, port, timeout=5, context=context)
    )
    content = b"" if body is None else json.dumps(body).encode()
    sent = {"host": where.netloc, "origin": address, "content-type": "application/json"}
    sent |= {"content-length": str(len(content))} if method == "POST" else {}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
    for name, value in sent.items():
        if value:
            connection.putheader(name, value)
    connection.endheaders(content)
    answer = connection.getresponse()
    got = {name.lower(): value for name, value in answer.getheaders()}
    text = "" if answer.status == 200 and path.startswith("/events") else answer.read().decode()
    connection.close()
    return answer.status, got, text
