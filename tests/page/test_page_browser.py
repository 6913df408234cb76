"""The page in a real Chromium: what a person in the seat sees, hears and presses; and when it goes dark."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from msgspec.structs import replace as restated
from support.seat import LOADS, MOUTH, NO_LAMP, STANDING, WIDE, Seat, at_rest, condition, samples, say
from weighin.afternoons import GEOMETRY, afternoon

from logger.car_file import Car
from logger.drawing.view import CarView, PartView, WheelLoad
from logger.guide.live import LiveGuide
from logger.mechanics.weighing import Allowances, Known
from logger.model import (
    Advice,
    Capture,
    Command,
    Condition,
    Urgency,
    Waiting,
)
from logger.page import Results
from logger.quantity import Quantity
from logger.weighin.results import weigh_in_result
from logger.weighin.standing import Spots


def test_phone_shows_loads_and_what_is_waited_for(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    seat = sit(served.await_address())
    served.put(
        STANDING,
        *at_rest(),
        say("Resting. Total nine hundred and sixty-eight point four kilograms."),
        Waiting(t_mono_ns=0, stage="facing", text="Turn the car to face back.", cautions=(7,)),
    )
    seat.wait("document.querySelector('#plan svg')")
    tree = seat.page.locator("body").aria_snapshot()
    assert re.sub('img "(.*?)": .*', "img", tree) == TREE.strip()
    assert seat.page.get_attribute("#plan svg", "aria-label") == PLAN_WORDS
    assert seat.text("[data-corner=LF]") == "283.4kgLF ± 0.4● resting"
    lf, rr = (seat.page.locator("#plan .disc").nth(i).bounding_box() for i in (0, 3))
    assert lf["y"] < rr["y"], "nose up on a phone"
    assert lf["x"] < rr["x"]


PLAN_WORDS = (
    "Plan of the car, nose up. Left front 283.4 ± 0.4 kg, resting. Right front 271.9 ± 0.4 kg, resting. "
    "Left rear 203.1 ± 0.4 kg, resting. Right rear 210.0 ± 0.4 kg, resting. Total 968.4 ± 0.6 kg. "
    "Centre of mass 1.393 m ahead of the rear axle, 0.003 m left of the centre line."
)
TREE = """
- banner: Wagtail, an invented car, facing out ● live
- main:
  - region "What is said and waited for":
    - paragraph: Resting. Total nine hundred and sixty‑eight point four kilograms.
    - paragraph: Turn the car to face back.
    - paragraph:
      - text: ▲
      - link "One caution for this step":
        - /url: "#mind"
  - figure:
    - img
  - list "Mind":
    - listitem: ▲ People aboard sit still, doors closed, motor off; nobody leans on the car or rolls it.
  - paragraph: Not for trade, and no proof of a road-legal axle load.
- contentinfo:
  - 'button "Start: speak and stay awake"'
  - paragraph
  - group "Weigh-in":
    - button "Begin"
    - button "Take"
    - button "Discard"
"""


def test_moving_and_silent_pads(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    now = samples((263.44, 291.93, 0.04, 190.1))
    served.put(STANDING, *now[:3], *samples((None, None, None, 190.1), age_s=12)[3:])
    served.put(
        condition("P1", Condition.MOVING),
        condition("P3", Condition.EMPTY),
        condition("P4", Condition.SILENT, "its radio is out of reach"),
    )
    seat = sit(served.await_address())
    seat.wait("document.querySelector('#plan svg')")
    assert seat.text("[data-corner=LF]") == "263kgLF≈ moving"
    assert seat.text("[data-corner=LR]") == "0kgLR○ empty"
    assert re.fullmatch("190kgRR✕ silent, 1[2-4] s old", seat.text("[data-corner=RR]"))
    assert "Total" not in seat.page.get_attribute("#plan svg", "aria-label")
    assert re.fullmatch(r"P4 silent for \d s: its radio is out of reach", seat.text("#pads li"))


def test_speaks_after_one_tap_results_before_prompts_and_nothing_twice(
    serve: Any, sit: Callable[..., Seat]
) -> None:
    served = serve()
    served.put(say("Zero is good."))
    seat = sit(served.await_address())
    seat.wait("document.getElementById('said').textContent == 'Zero is good.'")
    assert seat.page.evaluate("heard") == [], "silent until somebody taps"
    seat.page.evaluate("window.slow = true")
    seat.page.click("#start")
    seat.wait("heard.length == 1")
    served.put(say("Wait.", Urgency.PROMPT), say("Resting. Total one thousand kilograms."))
    served.put(say("Get out.", Urgency.PROMPT), say("Pad three is silent.", Urgency.WARNING))
    seat.wait("document.getElementById('said').className == 'warning'")
    seat.page.evaluate("window.slow = false; finish()")
    seat.wait("heard.length == 4")
    expected = ["Zero is good.", "Pad three is silent.", "Resting. Total one thousand kilograms.", "Get out."]
    assert seat.page.evaluate("heard") == expected
    assert seat.text("#sound-state") == "Speaks · screen stays on"
    seat.page.set_viewport_size(WIDE)  # opens another stream, which tells everything again
    seat.wait("document.getElementById('said').textContent")
    served.put(say("Done."))
    seat.wait("heard.length == 5")
    assert seat.page.evaluate("heard") == [*expected, "Done."]


def test_only_results_and_warnings_are_announced_to_screen_readers(
    serve: Any, sit: Callable[..., Seat]
) -> None:
    served = serve()
    seat = sit(served.await_address())
    for urgency, live in ((Urgency.RESULT, "polite"), (Urgency.PROMPT, "off"), (Urgency.WARNING, "polite")):
        served.put(say(f"A {urgency}.", urgency))
        seat.wait(f"document.getElementById('said').textContent == 'A {urgency}.'")
        assert seat.page.get_attribute("#said", "aria-live") == live


def test_says_what_it_got_when_it_cannot_speak_or_stay_awake(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    served.put(say("Zero is good."))
    seat = sit(served.await_address(), scripts=MOUTH + NO_LAMP)
    seat.page.evaluate("window.mute = true")
    seat.page.click("#start")
    seat.wait("document.getElementById('sound-state').textContent.includes('synthesis-failed')")
    assert (
        seat.text("#sound-state") == "Cannot speak here (synthesis-failed): read instead · screen may sleep"
    )


def test_asks_to_stay_awake_again_when_the_phone_wakes(serve: Any, sit: Callable[..., Seat]) -> None:
    seat = sit(serve().await_address())
    seat.page.click("#start")
    seat.wait("asked == 1")
    seat.page.evaluate("lock.released = true; lock.dispatchEvent(new Event('release'))")
    assert seat.text("#sound-state").endswith("screen may sleep")
    seat.page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    seat.wait("asked == 2")
    assert seat.text("#sound-state").endswith("screen stays on")


def test_buttons_send_the_commands_of_the_bus(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    seat = sit(served.await_address())
    seat.page.click("#start")
    for name in ("Begin", "Take", "Discard", "Say again"):
        with seat.page.expect_response(lambda answer: "/do/" in answer.url) as answer:
            seat.page.get_by_role("button", name=name, exact=True).click()
        assert answer.value.status == 202
    assert [command.verb for command in served.commands] == ["begin", "take", "discard", "say-again"]
    assert seat.text("#note") == ""


def test_the_page_leads_the_weigh_in_as_bus_and_terminal_do(serve: Any, sit: Callable[..., Seat]) -> None:
    """What the guide advises is shown with its reason and the way to stand; what is told goes back to it."""
    served = serve()
    captures, changes = afternoon()
    spots = Spots(pads={f"S{n}": f"P{n}" for n in range(1, 5)})
    guide = LiveGuide(
        Car(name="Wagtail", geometry=GEOMETRY, known=Known(), allowances=Allowances()), spots, "kg"
    )
    served.put(STANDING, guide.advise((), None, spots, 0))
    seat = sit(served.await_address())
    seat.wait("!document.getElementById('advice').hidden")
    assert seat.text("#advice-action").startswith("Let all pads stand empty")
    assert seat.page.locator("#advice-stand tr").all_inner_texts()[0].split() == ["LF", "P1", "on", "S1"]

    def advice() -> Advice:
        result = weigh_in_result(captures[:1], changes, guide.car, guide.aim)
        assert result is not None
        return guide.advise(captures[:1], result.solutions[result.latest], spots, 1)

    def told(act: Callable[[], object]) -> tuple[str, str]:
        with seat.page.expect_response(lambda answer: "/do/" in answer.url):
            act()
        return served.commands[-1].verb, served.commands[-1].argument

    advised = advice()
    assert advised.wants == "heights"
    served.put(advised)
    seat.wait("!document.getElementById('heights-form').hidden")
    assert seat.page.is_hidden("#stand")
    for spot, height in zip(("S1", "S2", "S3", "S4"), ("0", "1,5", "-0.5", "6"), strict=True):
        seat.page.fill(f"#heights-form [name={spot}]", height)
    assert told(lambda: seat.page.click("#heights-form button")) == ("heights", "0 1.5 -0.5 6 mm")
    assert guide.told(served.commands[-1]) == "Noted. The pad tops' heights, S1 to S4: 0 1.5 -0.5 6 mm."
    assert guide.car.known.spot_heights_m["S4"] == 0.006

    while (advised := advice()).steps[0].kind != "shim":
        guide.told(Command(t_mono_ns=0, verb="skip"))
    served.put(advised)
    seat.wait("document.getElementById('advice-action').textContent.startsWith('Shim test')")
    assert re.fullmatch(r"cross ±[\d.]+ % → ±[\d.]+ %", seat.text("#advice-why"))
    rows = [row.split("\t") for row in seat.page.locator("#advice-stand tr").all_inner_texts()]
    assert [row[1] for row in rows] == ["P1 on S1", "P2 on S2", "P3 on S3", "P4 on S4"]
    assert rows[1][2] == "5 mm shim"
    assert seat.page.locator("#advice-others li").count() == len(advised.steps) - 1

    assert told(lambda: seat.page.click("#stand")) == ("stand", "")
    assert told(lambda: seat.page.select_option("#aim", "front")) == ("aim", "front")
    assert told(lambda: seat.page.click("#skip")) == ("skip", "")
    assert guide.stand_as_advised() == "S1=P1 S2=P2 S3=P3 S4=P4 flat S2+5mm"


def test_a_command_that_does_not_get_through_says_so(serve: Any, sit: Callable[..., Seat]) -> None:
    seat = sit(serve().await_address())
    seat.page.route("**/do/*", lambda route: route.abort())
    seat.page.click("[data-verb=take]")
    seat.wait("document.getElementById('note').textContent")
    assert seat.text("#note") == "take: did not get through; try again"
    seat.complaints.clear()  # the browser logs the request that this test broke


def test_greys_within_two_seconds_of_the_end_and_comes_back_alone(
    serve: Any, sit: Callable[..., Seat]
) -> None:
    served = serve()
    served.put(STANDING, *at_rest())
    address = served.await_address()
    seat = sit(address)
    seat.wait("document.querySelector('#plan svg')")
    begin = time.monotonic()
    served.stop()
    seat.wait("document.body.classList.contains('lost')", within_s=2.0)
    assert time.monotonic() - begin < 2.0
    assert seat.page.is_disabled("[data-verb=take]")
    seat.wait("document.getElementById('link').textContent.startsWith('no connection for')")
    assert float(seat.page.evaluate("getComputedStyle(document.getElementById('plan')).opacity")) < 0.5
    again = serve(port=int(address.rpartition(":")[2]))
    again.put(say("Back again."))
    again.await_address()
    seat.wait("!document.body.classList.contains('lost')")
    seat.wait("document.getElementById('said').textContent == 'Back again.'")
    assert seat.page.evaluate("heard") == []


def test_greys_when_the_daemon_hangs_with_the_connection_open(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    seat = sit(served.await_address())
    begin = time.monotonic()
    served.loop.call_soon_threadsafe(time.sleep, 2.2)
    seat.wait("document.body.classList.contains('lost')", within_s=2.0)
    assert time.monotonic() - begin < 2.0
    seat.wait("!document.body.classList.contains('lost')")


def test_results_and_captures(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    capture = Capture(
        number=1,
        t_mono_ns=0,
        t_wall_ns=0,
        t_rest_from_mono_ns=0,
        build="base car",
        aboard=("driver",),
        facing="out",
        placement=1,
        run=1,
        loads=(),
        covariance_kg2=(),
        mass_kg=1039.6,
        u_kg=0.3,
    )
    wheels = [WheelLoad(load=Quantity(m, 0.2, "kg"), condition=Condition.RESTING) for m in LOADS]
    view = CarView(
        wheelbase_m=2.43,
        track_front_m=1.405,
        track_rear_m=1.395,
        loads=(wheels[0], wheels[1], wheels[2], wheels[3]),
        parts=(PartView(name="spare wheel", mass=Quantity(-14.2, 0.1, "kg"), x_m=-0.3, y_m=0.0),),
    )
    results = Results(
        title="Wagtail so far",
        figures=(("Total", "968.4 ± 0.6 kg"), ("Cross weight", "49.0 ± 0.4 %")),
        plan=view,
        notes=("Averaging two facings does not remove floor twist.",),
        cautions=(9,),
    )
    served.put(capture, restated(capture, discarded=True), results)
    seat = sit(served.await_address())
    seat.wait("document.querySelector('#results-plan svg')")
    assert seat.text("#figures") == "Total968.4 ± 0.6 kgCross weight49.0 ± 0.4 %"
    assert seat.text("#notes") == "Averaging two facings does not remove floor twist."
    assert "Weight taken out moves the balance" in seat.text("#results-mind")
    assert "1 spare wheel −14.20 ± 0.20 kg" in seat.text("#results-plan")
    assert seat.text("#taken li") == "base car, driver aboard, facing out: 1039.6 ± 0.6 kg, discarded"
    served.put(replace(results, figures=()))
    seat.wait("document.getElementById('figures').children.length == 0")


def test_a_phone_that_slept_shows_the_present_when_it_wakes(serve: Any, sit: Callable[..., Seat]) -> None:
    served = serve()
    address = served.await_address()
    seat = sit(address)
    seat.page.click("#start")
    session = seat.page.context.new_cdp_session(seat.page)
    session.send("Page.setWebLifecycleState", {"state": "frozen"})
    served.stop()  # as its wi-fi was off while it slept
    again = serve(port=int(address.rpartition(":")[2]))
    again.await_address()
    again.put(say("Taken while you slept."))
    session.send("Page.setWebLifecycleState", {"state": "active"})
    seat.page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    seat.wait("document.getElementById('said').textContent == 'Taken while you slept.'")
    seat.wait("!document.body.classList.contains('lost')")
    again.put(say("Resting."))
    seat.wait("heard.at(-1) == 'Resting.'")
    assert "Taken while you slept." not in seat.page.evaluate("heard"), (
        "history of another start is shown only"
    )
