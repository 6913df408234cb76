"""The seat of a tested page: a browser page with what it complained of, stand-ins, and records to show."""

from __future__ import annotations

import time
from typing import Any

from logger.model import CarRest, Condition, PadCondition, Record, Sample, Say, Urgency
from logger.page import Standing

PHONE, WIDE = {"width": 390, "height": 844}, {"width": 1400, "height": 900}
PADS = ("P1", "P2", "P3", "P4")
LOADS = (283.42, 271.90, 203.12, 209.97)
STANDING = Standing(
    car="Wagtail",
    wheelbase_m=2.430,
    track_front_m=1.405,
    track_rear_m=1.395,
    pads=PADS,
    facing="out",
    invented=True,
)

WATCH = """
window.violations = [];
document.addEventListener("securitypolicyviolation", (e) => violations.push(e.violatedDirective));
"""
MOUTH = """
window.heard = [];
window.mute = false;
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
Object.defineProperty(window, "speechSynthesis", { value: {
  speak(u) {
    if (window.mute) return setTimeout(() => u.onerror({ error: "synthesis-failed" }), 1);
    heard.push(u.text);
    window.finish = () => u.onend({});
    if (!window.slow) setTimeout(window.finish, 1);
  },
  cancel() {},
} });
"""
LAMP = """
window.asked = 0;
Object.defineProperty(navigator, "wakeLock", { value: { async request() {
  window.asked += 1;
  window.lock = new EventTarget();
  lock.released = false;
  return lock;
} } });
"""
NO_LAMP = 'Object.defineProperty(navigator, "wakeLock", { value: undefined });'


def samples(masses: tuple[float | None, ...] = LOADS, age_s: float = 0.0) -> list[Record]:
    now = time.monotonic_ns() - round(age_s * 1e9)
    return [
        Sample(pad=pad, t_mono_ns=now, t_wall_ns=0, mass_wire_kg=mass, mass_kg=mass, resolution_kg=0.1)
        for pad, mass in zip(PADS, masses, strict=True)
    ]


def condition(pad: str, what: Condition, reason: str = "") -> PadCondition:
    return PadCondition(pad=pad, condition=what, since_mono_ns=time.monotonic_ns(), reason=reason)


def at_rest(load_u_kg: float = 0.2) -> list[Record]:
    covariance = [0.0] * 16
    covariance[0::5] = [load_u_kg**2] * 4
    now = time.monotonic_ns()
    rest = CarRest(
        pads=PADS,
        t_from_mono_ns=now,
        t_from_wall_ns=0,
        t_declared_mono_ns=now,
        t_to_mono_ns=now,
        declared_mass_kg=968.41,
        declared_u_kg=0.3,
        mass_kg=968.41,
        u_kg=0.3,
        loads_kg=LOADS,
        covariance_kg2=tuple(covariance),
        slope_kg_per_s=0.0,
        n=200,
        open=True,
    )
    return [*samples(), *(condition(pad, Condition.RESTING) for pad in PADS), rest]


def say(text: str, urgency: Urgency = Urgency.RESULT) -> Say:
    return Say(t_mono_ns=0, text=text, urgency=urgency)


class Seat:
    """A page open in the browser, and everything it complained about."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.complaints: list[str] = []
        page.on("console", lambda m: m.type in ("error", "warning") and self.complaints.append(m.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def text(self, selector: str) -> str:
        return str(self.page.text_content(selector)).strip()

    def wait(self, expression: str, within_s: float = 4.0) -> None:
        """Wait until an expression is true in the page (polled from here: the page forbids eval)."""
        end = time.monotonic() + within_s
        while not self.page.evaluate(f"Boolean({expression})"):
            assert time.monotonic() < end, f"did not become true: {expression}"
            time.sleep(0.02)

    def lost(self) -> bool:
        return bool(self.page.evaluate("document.body.classList.contains('lost')"))
