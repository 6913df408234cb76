"""One self-contained HTML file: style and script inside, allowed by hash, and nothing from a network."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from html import escape
from importlib.resources import files


def page(title: str, body: str, *, version: str) -> str:
    """Wrap a body (HTML) into a whole page with the looks and the zoom of every drawing in it."""
    style = _text("logger.report", "report.css") + _text("logger.drawing", "curves.css")
    script = _text("logger.report", "zoom.js")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "base-uri 'none'; form-action 'none'"
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta name="generator" content="restpoint {escape(version)}">'
        f"<title>{escape(title)}</title><style>{style}</style></head>\n"
        f'<body><main class="sheet">\n{body}\n</main><script>{script}</script></body></html>\n'
    )


def _text(package: str, name: str) -> str:
    return files(package).joinpath(name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return f"sha256-{b64encode(sha256(text.encode()).digest()).decode()}"
