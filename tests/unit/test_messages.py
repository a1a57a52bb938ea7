"""The wire messages: what one end writes the other end reads, and everything else is refused by name."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest_wire.messages import (
    EndLine,
    EngineOffer,
    Identity,
    LeaseRequest,
    LeaseState,
    Limits,
    MessageError,
    Problem,
    ServerHost,
    ServerSecond,
    sample_line_from_json,
)
from sitetest_wire.samples import Sample
from sitetest_wire.units import bytes_at, mbps
from sitetest_wire.words import CountedAs, Direction, EngineName

IDENTITY = Identity(
    server_id="a1b2",
    name="stock-room",
    version="0.1.0",
    protocol=1,
    engines={EngineName.HTTP: EngineOffer(True, "3"), EngineName.IPERF3: EngineOffer(False, None, "no library")},
    limits=Limits(max_streams=8, max_transfer_s=60.0, max_transfer_bytes=10**9),
    simulated="two AP configs by pacing",
    congestion_control=("cubic", "reno"),
    reflector_port=17300,
)
REQUEST = LeaseRequest("laptop", EngineName.HTTP, Direction.UPLOAD, 5, 3.0, 30.0, "cubic")
STATE = LeaseState("l1", "waiting", place=2, wait_s=41.5, held_by="other laptop")
ACTIVE = LeaseState("l2", "active", ends_in_s=53.0, reflector_port=17300, reflector_token="0123456789abcdef" * 2)
HOST = ServerHost(
    interface="eth0",
    speed_mbps=1000,
    duplex="full",
    seconds=(
        ServerSecond(0.0, 0.4, None, None, None, None),
        ServerSecond(1.0, 1.0, 62.5, 40.0, 118_000_000, 2_400_000),
    ),
)
SAMPLE = Sample(1.5, (10, 20), CountedAs.ACKED, rtt_ms=(1.5, 2.5), retransmits=3)


def over_the_wire(body: dict[str, Any]) -> Any:
    return json.loads(json.dumps(body))


def test_reading_and_writing_are_opposites() -> None:
    assert Identity.from_json(over_the_wire(IDENTITY.to_json())) == IDENTITY
    assert LeaseRequest.from_json(over_the_wire(REQUEST.to_json())) == REQUEST
    assert LeaseState.from_json(over_the_wire(STATE.to_json())) == STATE
    assert sample_line_from_json(over_the_wire(SAMPLE.to_json())) == SAMPLE
    end = EndLine(congestion_control="cubic", cpu_share=0.4, raw="{}")
    assert sample_line_from_json(over_the_wire(end.to_json())) == end
    told = EndLine(host=HOST, mss_bytes=1448, receive_window_bytes=3_145_728)
    assert sample_line_from_json(over_the_wire(told.to_json())) == told
    assert LeaseState.from_json(over_the_wire(ACTIVE.to_json())) == ACTIVE
    problem = Problem("token", "the token is wrong")
    assert Problem.from_json(over_the_wire(problem.to_json())) == problem


def test_a_newer_server_may_say_more() -> None:
    """Unknown keys and engines in an answer are passed over."""
    body = over_the_wire(IDENTITY.to_json())
    body["engines"]["carrier_pigeon"] = {"usable": True}
    body["colour"] = "blue"
    body["limits"]["max_pigeons"] = 3
    assert Identity.from_json(body) == IDENTITY
    end = over_the_wire(EndLine(host=HOST).to_json())
    end["end"]["weather"] = "fair"
    end["end"]["host"]["fans"] = 2
    end["end"]["host"]["seconds"][0]["fan_rpm"] = 900
    assert sample_line_from_json(end) == EndLine(host=HOST)


def test_an_older_server_says_less() -> None:
    """Before the reflector and the facts of the server's machine, these keys were not there."""
    state, end = over_the_wire(ACTIVE.to_json()), over_the_wire(EndLine(cpu_share=0.4).to_json())
    del state["reflector_port"], state["reflector_token"]
    del end["end"]["host"], end["end"]["mss_bytes"], end["end"]["receive_window_bytes"]
    read = LeaseState.from_json(state)
    assert (read.reflector_port, read.reflector_token) == (None, None)
    assert sample_line_from_json(end) == EndLine(cpu_share=0.4)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("reflector_port", 0),
        ("reflector_port", 65536),
        ("reflector_port", "17300"),
        ("reflector_port", True),
        ("reflector_token", ""),
        ("reflector_token", "0123"),
        ("reflector_token", "0123456789ABCDEF" * 2),
        ("reflector_token", "g" * 32),
        ("reflector_token", "0" * 32 + "\n"),
        ("reflector_token", 12),
    ],
)
def test_a_reflector_that_cannot_be_asked_is_refused_by_name(key: str, value: object) -> None:
    with pytest.raises(MessageError, match=key) as caught:
        LeaseState.from_json({**ACTIVE.to_json(), key: value})
    assert "g" * 32 not in str(caught.value), "what may be a secret is not repeated"


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("mss_bytes",), -1, "mss_bytes"),
        (("mss_bytes",), 1448.5, "mss_bytes"),
        (("receive_window_bytes",), "big", "receive_window_bytes"),
        (("host",), [], "JSON object"),
        (("host", "interface"), "", "interface"),
        (("host", "speed_mbps"), 0, "speed_mbps"),
        (("host", "speed_mbps"), 2.5, "speed_mbps"),
        (("host", "duplex"), "both", "duplex must be one of full, half"),
        (("host", "seconds"), None, "seconds"),
        (("host", "seconds"), {"0": {}}, "seconds"),
        (("host", "seconds", 1), 7, "JSON object"),
        (("host", "seconds", 1), {"at_s": 1.0}, "second of the server's host"),
        (("host", "seconds", 1, "at_s"), None, "at_s"),
        (("host", "seconds", 1, "at_s"), float("inf"), "at_s"),
        (("host", "seconds", 1, "length_s"), 0, "length_s"),
        (("host", "seconds", 1, "length_s"), -1.0, "length_s"),
        (("host", "seconds", 1, "busiest_core_pct"), 100.5, "busiest_core_pct must be from 0 to 100"),
        (("host", "seconds", 1, "mean_core_pct"), -1, "mean_core_pct"),
        (("host", "seconds", 1, "received_bytes"), -1, "received_bytes"),
        (("host", "seconds", 1, "sent_bytes"), 1.5, "sent_bytes"),
        (("host", "seconds", 1, "sent_bytes"), True, "sent_bytes"),
    ],
)
def test_a_wrong_fact_of_the_servers_machine_is_refused_by_name(
    path: tuple[str | int, ...], value: object, said: str
) -> None:
    body = EndLine(host=HOST, mss_bytes=1448).to_json()
    spot = json.loads(json.dumps(body["end"]))
    body = {"end": spot}
    for step in path[:-1]:
        spot = spot[step]
    spot[path[-1]] = value
    with pytest.raises(MessageError, match=said):
        sample_line_from_json(body)


def test_a_request_with_an_unknown_key_is_refused_with_the_allowed_ones() -> None:
    with pytest.raises(MessageError, match=r"unknown key 'stream'.*allowed are .*streams"):
        LeaseRequest.from_json({**REQUEST.to_json(), "stream": 4})


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("streams", 0, "allowed is 1 or more"),
        ("streams", "5", "streams must be a whole number, found '5'"),
        ("streams", True, "streams must be a whole number"),
        ("duration_s", 0, "allowed is above 0"),
        ("duration_s", float("inf"), "allowed is above 0"),
        ("duration_s", float("nan"), "duration_s must be a number"),
        ("warm_up_s", -1, "allowed is 0 or more"),
        ("direction", "sideways", "direction must be one of download, upload, found 'sideways'"),
        ("engine", None, "engine must be one of"),
        ("agent", "", "agent must be text"),
    ],
)
def test_a_bad_value_is_named_with_what_is_allowed(key: str, value: object, said: str) -> None:
    with pytest.raises(MessageError, match=said):
        LeaseRequest.from_json({**REQUEST.to_json(), key: value})


@pytest.mark.parametrize(
    ("where", "key", "value"),
    [("limits", "max_streams", "many"), ("engines", "http", {"usable": "yes"}), ("", "congestion_control", "cubic")],
)
def test_an_answer_of_the_wrong_type_is_refused_by_name(where: str, key: str, value: object) -> None:
    body = over_the_wire(IDENTITY.to_json())
    (body[where] if where else body)[key] = value
    with pytest.raises(MessageError, match=rf"{key}|usable"):
        Identity.from_json(body)


SECOND_KEYS = ("at_s", "length_s", "busiest_core_pct", "mean_core_pct", "received_bytes", "sent_bytes")
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=5),
    max_leaves=12,
)
near_misses = st.fixed_dictionaries(
    {},
    optional=dict.fromkeys((*REQUEST.to_json(), *STATE.to_json(), "engines", "limits", "end", "error"), json_values),
)
near_ends = st.fixed_dictionaries(
    {
        "end": st.fixed_dictionaries(
            {
                "host": st.fixed_dictionaries(
                    {"seconds": st.lists(st.dictionaries(st.sampled_from(SECOND_KEYS), json_values), max_size=3)},
                    optional=dict.fromkeys(("interface", "speed_mbps", "duplex"), json_values),
                )
            },
            optional=dict.fromkeys(("mss_bytes", "receive_window_bytes", "cpu_share"), json_values),
        )
    }
)


@given(json_values | near_misses | near_ends)
def test_anything_is_read_or_refused_as_a_message_error(body: object) -> None:
    for read in (
        Identity.from_json,
        LeaseRequest.from_json,
        LeaseState.from_json,
        Problem.from_json,
        sample_line_from_json,
    ):
        try:
            read(body)
        except MessageError as problem:
            assert str(problem)  # noqa: PT017  # the point is that nothing else is raised


def test_a_megabit_is_a_million_bits() -> None:
    """SI prefix (BIPM, The International System of Units, table 7): mega is 10^6."""
    assert mbps(125_000, 1.0) == 1.0
    assert bytes_at(1.0, 8.0) == 1_000_000
    with pytest.raises(ValueError, match="above zero"):
        mbps(1, 0.0)
