"""What is published is what logger/bus.asyncapi.json says, and commands are read as it says."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import msgspec
import pytest
from bus.every_record import a_rest, a_sample, one_of_each
from hypothesis import given, settings
from hypothesis import strategies as st
from support import ROOT

from logger import heard, model, topics
from logger.bus import BusCounts
from logger.clock import now_ns
from logger.topics import CHANNELS, Topics

DOCUMENT = json.loads((ROOT / "logger/bus.asyncapi.json").read_text())
BARN = Topics("barn", "boot1")


def closed(kind: str) -> dict[str, Any]:
    """The schema of a payload with every name that is not written up forbidden."""
    schema = {**DOCUMENT["components"]["schemas"][kind], "unevaluatedProperties": False}
    return {**schema, "components": DOCUMENT["components"]}


def check(topic: str, payload: bytes) -> dict[str, Any]:
    """Hold one message against the document and return what it says."""
    said: dict[str, Any] = json.loads(payload)
    channel = DOCUMENT["channels"][said["kind"]]
    assert topic == channel["address"].format(bay=said["bay"], pad=said.get("pad"))
    jsonschema.validate(said, closed(said["kind"]), jsonschema.Draft202012Validator)
    return said


def written(record: model.Record, write: Topics = BARN) -> dict[str, Any]:
    t_mono_ns, t_wall_ns = now_ns()
    message = write.message(record, 7, t_wall_ns - t_mono_ns)
    assert message is not None
    return check(message.topic, write.payload(message, t_mono_ns))


def test_every_record_goes_out_as_documented() -> None:
    kinds = {written(record)["kind"] for record in one_of_each()}
    known = [cls for cls in model.Record.__subclasses__() if cls.__module__ == model.__name__]
    records = set(known) - {model.Chunk}
    assert records == {type(record) for record in one_of_each()}, "a new record needs a place on the bus"
    assert kinds == CHANNELS.keys() - {"state", "health", "live_car"}


def test_what_the_bus_itself_says_is_as_documented() -> None:
    t, offset = now_ns()[0], 0
    counts = msgspec.to_builtins(BusCounts())
    for message in (
        BARN.state("online", ["P1"], 1, t, offset),
        BARN.health(
            {
                "uptime_s": 1.0,
                "queued": 0,
                "overflowed": 0,
                "superseded": 0,
                **counts,
                "report": {"disk": "well"},
            },
            2,
            t,
            offset,
        ),
        BARN.live_car({"P1": a_sample(), "P2": a_sample("P2")}, 3, offset),
        BARN.refused("restpoint/barn/do/jump", "no verb", 4, t, offset),
    ):
        assert message is not None
        check(message.topic, BARN.payload(message, t))


def test_document_and_code_name_the_same_topics() -> None:
    operations = DOCUMENT["operations"].values()
    sent = {op["channel"]["$ref"].rpartition("/")[2]: op for op in operations if op["action"] == "send"}
    assert sent.keys() == CHANNELS.keys()
    for kind, channel in CHANNELS.items():
        assert DOCUMENT["channels"][kind]["address"] == f"restpoint/{{bay}}/{channel.address}"
        binding = sent[kind]["bindings"]["mqtt"]
        assert (binding["qos"], binding["retain"]) == (channel.qos, channel.retain)
    received = {op["channel"]["$ref"].rpartition("/")[2] for op in operations if op["action"] == "receive"}
    addresses = {DOCUMENT["channels"][name]["address"] for name in received}
    assert addresses == {f"restpoint/{{bay}}/do/{verb}" for verb in heard.VERBS}
    assert received | sent.keys() == DOCUMENT["channels"].keys()


def test_the_closed_schema_can_fail() -> None:
    said = written(a_rest(242))
    with pytest.raises(jsonschema.ValidationError):
        check("restpoint/barn/rest/P1", json.dumps(said | {"weight": 1}).encode())
    with pytest.raises(jsonschema.ValidationError):
        check("restpoint/barn/rest/P1", json.dumps({k: v for k, v in said.items() if k != "u"}).encode())


def test_every_reference_in_the_document_leads_somewhere() -> None:
    def walk(node: Any) -> None:
        if isinstance(node, dict):
            if "$ref" in node:
                target = DOCUMENT
                for part in node["$ref"].removeprefix("#/").split("/"):
                    target = target[part]
            for value in node.values():
                walk(value)
        elif isinstance(node, list):
            for value in node:
                walk(value)

    walk(DOCUMENT)
    assert DOCUMENT["asyncapi"] == "3.0.0"


def test_pounds_go_through_everything() -> None:
    # 0.45359237 kg exactly: international pound, 1959 agreement (NIST SP 811)
    said = written(a_rest(242), Topics("barn", "boot1", "lb"))
    assert said["value"] == pytest.approx(242 / 0.45359237, abs=1e-4)
    assert said["u"] == pytest.approx(0.1 / 0.45359237, abs=1e-5)
    assert said["declared_value"] == pytest.approx(242.2 / 0.45359237, abs=1e-4)
    assert said["slope_per_s"] == pytest.approx(0.001 / 0.45359237)
    assert said["unit"] == "lb"
    assert said["text"] == "533.5 ± 0.4 lb"
    car = written(next(r for r in one_of_each() if isinstance(r, model.CarRest)), Topics("barn", "b", "lb"))
    assert car["covariance"][0] == pytest.approx(0.04 / 0.45359237**2)
    assert car["loads"][0]["u"] == pytest.approx(0.2 / 0.45359237, abs=1e-5)


def test_age_is_that_of_the_moment_of_sending() -> None:
    rest = a_rest(242)
    message = BARN.message(rest, 1, 0)
    assert message is not None
    late = json.loads(BARN.payload(message, rest.t_to_mono_ns + 90_000_000_000))
    assert late["age_s"] == 90.0


def test_no_sum_while_a_pad_has_no_number() -> None:
    assert BARN.live_car({"P1": a_sample(), "P2": a_sample("P2", None)}, 1, 0) is None
    assert BARN.live_car({}, 1, 0) is None


@pytest.mark.parametrize("name", ["", "car", "a/b", "+", "a#", "$SYS", "nul\0"])
def test_ids_that_no_topic_can_hold_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match="id"):
        topics.check_level(name)


@pytest.mark.parametrize(
    ("payload", "argument", "origin"),
    [
        (b"", "", "bus"),
        (b" spare wheel out \n", "spare wheel out", "bus"),
        (b'{"argument": "seat out", "origin": "foot switch"}', "seat out", "foot switch"),
        (b"{}", "", "bus"),
        ("Größe".encode(), "Größe", "bus"),
    ],
)
def test_a_command_is_text_or_json(payload: bytes, argument: str, origin: str) -> None:
    order = heard.read_command("restpoint/barn/do/begin", payload, 5)
    assert (order.verb, order.argument, order.origin) == ("begin", argument, origin)


@pytest.mark.parametrize(
    ("verb", "payload", "why"),
    [
        ("jump", b"", "no verb"),
        ("name", b"", "needs the name"),
        ("take", b"x" * 501, "too many"),
        ("take", b"\xff\xfe", "UTF-8"),
        ("take", b'{"arg": 1}', "JSON"),
        ("take", b'{"argument": 1}', "JSON"),
        ("take", b"{", "JSON"),
        ("name", b"a\x1b[2J", "cannot be shown"),
    ],
)
def test_what_is_no_command_is_refused_in_words(verb: str, payload: bytes, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        heard.read_command(f"restpoint/barn/do/{verb}", payload, 5)


@settings(max_examples=200, deadline=None)
@given(verb=st.one_of(st.sampled_from(heard.VERBS), st.text(max_size=12)), payload=st.binary(max_size=600))
def test_any_bytes_are_a_command_or_refused(verb: str, payload: bytes) -> None:
    try:
        order = heard.read_command(f"restpoint/barn/do/{verb}", payload, 5)
    except ValueError:
        return
    assert order.argument.isprintable()
    written(order)


@settings(max_examples=100, deadline=None)
@given(payload=st.binary(max_size=100))
def test_any_bytes_read_back_are_a_mark(payload: bytes) -> None:
    assert isinstance(heard.read_mark(payload), heard.Mark)
