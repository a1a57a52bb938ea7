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
)
REQUEST = LeaseRequest("laptop", EngineName.HTTP, Direction.UPLOAD, 5, 3.0, 30.0, "cubic")
STATE = LeaseState("l1", "waiting", place=2, wait_s=41.5, held_by="other laptop")
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
    problem = Problem("token", "the token is wrong")
    assert Problem.from_json(over_the_wire(problem.to_json())) == problem


def test_a_newer_server_may_say_more() -> None:
    """Unknown keys and engines in an answer are passed over."""
    body = over_the_wire(IDENTITY.to_json())
    body["engines"]["carrier_pigeon"] = {"usable": True}
    body["colour"] = "blue"
    body["limits"]["max_pigeons"] = 3
    assert Identity.from_json(body) == IDENTITY


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


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=5),
    max_leaves=12,
)
near_misses = st.fixed_dictionaries(
    {},
    optional=dict.fromkeys((*REQUEST.to_json(), *STATE.to_json(), "engines", "limits", "end", "error"), json_values),
)


@given(json_values | near_misses)
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
