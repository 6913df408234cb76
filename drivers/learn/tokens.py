"""Ways to take text apart: numbers, words, blanks and marks, each way another pattern."""

from __future__ import annotations

import re

CLOCK = (
    rb"\d{4}-\d\d-\d\d(?:T\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?Z?)?"
    rb"|\d\d?:\d\d:\d\d(?:[.,]\d+)?|\d\d?[./]\d\d?[./]\d{4}"
)
"""A date or a time of day: it goes on, whatever stood still of it in a recording."""
POWER = rb"(?:[Ee][+-]?\d\d?(?!\d))?"


def fine(point: str) -> re.Pattern[bytes]:
    """Numbers with sign and point, runs of letters, blanks, and any other byte."""
    dot = re.escape(point.encode())
    number = rb"(?:(?<![0-9.])[+-] *)?[0-9]+(?:" + dot + rb"[0-9]+" + POWER + rb")?(?:[+-](?![0-9A-Za-z]))?"
    return re.compile(
        rb"(?P<clock>(?<![0-9])(?:"
        + CLOCK
        + rb")(?![0-9]))|(?P<number>"
        + number
        + rb")|(?P<word>[A-Za-z]+)|(?P<blank> +)|(?P<other>[^ ])"
    )


def coarse(point: str) -> re.Pattern[bytes]:
    """Numbers that have a sign or a point, runs of letters and digits, blanks, and any other byte."""
    dot = re.escape(point.encode())
    part = dot + rb"[0-9]+" + POWER
    number = rb"[+-] *[0-9]+(?:" + part + rb")?|[0-9]+" + part + rb"(?:[+-](?![0-9A-Za-z]))?"
    return re.compile(
        rb"(?P<clock>(?<![0-9])(?:" + CLOCK + rb")(?![0-9]))|(?P<number>" + number + rb")"
        rb"|(?P<word>[0-9A-Za-z]+)|(?P<blank> +)|(?P<other>[^ ])"
    )


PHRASES = re.compile(
    rb"(?P<clock>(?<![0-9])(?:" + CLOCK + rb")(?![0-9]))"
    rb"|(?P<number>(?:(?<![0-9.])[+-] *)?[0-9]+(?:[.,][0-9]+)?(?:[+-](?![0-9A-Za-z]))?)"
    rb"|(?P<word>[A-Za-z]+(?: [A-Za-z]+)*)|(?P<blank> +)|(?P<mark>[=~#*?!<>^_@&%$]+)|(?P<other>[^ ])"
)
"""Tokens where words with blanks between them are one, and marks may stand for one another."""
MARKED = re.compile(
    rb"(?P<clock>(?<![0-9])(?:" + CLOCK + rb")(?![0-9]))"
    rb"|(?P<number>(?:(?<![0-9.])[+-] *)?[0-9]+(?:[.,][0-9]+)?(?:[+-](?![0-9A-Za-z]))?)"
    rb"|(?P<word>[A-Za-z]+|[=~#*?!<>^_@&%$]+|[.-]{2,})|(?P<blank> +)|(?P<other>[^ ])"
)
"""Tokens where marks may stand for words."""
APART = re.compile(rb"(?<![0-9])[0-9]{1,3} [0-9]{3}(?![0-9])")
_THOUSANDS = rb"(?P<number>(?:(?<![0-9.])[+-] *)?[0-9]{1,3}(?: [0-9]{3})*(?![0-9])(?:[.,][0-9]+)?)"
_MARKS = rb"[=~#*?!<>^_@&%$]+|[.]{2,})|(?P<blank> +)|(?P<other>[^ ])"
IN_THOUSANDS = re.compile(_THOUSANDS + rb"|(?P<word>[A-Za-z]+(?: [A-Za-z]+)*|" + _MARKS)
WORDS_APART = re.compile(_THOUSANDS + rb"|(?P<word>[A-Za-z]+|" + _MARKS)
"""Tokens where a blank marks thousands and marks may stand for words; words in a row are one, or not."""
