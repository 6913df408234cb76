"""Two indicators on one line, each of which answers when asked."""

from __future__ import annotations

POLLED = """
limits_kg = [-100, 2500]
[frame]
kind = "line"
end = "<CR>"
[body]
kind = "pattern"
pattern = '(?P<value>[0-9.]+)'
[fields]
unit = "kg"
value = {}
[poll]
requests = ["A?<CR>", "B?<CR>"]
addresses = ["left", "right"]
period_s = 0.05
timeout_s = 0.02
"""
