"""Whatever JSON is sent to the server that asks for a lease, the answer is a lease or a Problem, and never a fault."""

import http.client
import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from server_app import lease_request
from server_process import ServerProcess, server_process

from sitetest_wire.messages import LeaseState, Problem

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.integers(min_value=10**300, max_value=10**320)
    | st.floats()
    | st.text(max_size=30)
    | st.sampled_from(["http", "iperf3", "download", "upload", "cubic", "\ud800", "\x00"])
)
ANY_JSON = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=10,
)
NEAR_REQUESTS = st.builds(
    lambda changes, dropped: {key: value for key, value in lease_request(**changes).items() if key not in dropped},
    st.dictionaries(st.sampled_from([*lease_request(), "congestion_control", "stream"]), ANY_JSON, max_size=4),
    st.sets(st.sampled_from(list(lease_request())), max_size=2),
)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    with server_process(tmp_path_factory.mktemp("hostile")) as running:
        yield running
        assert "Traceback" not in running.stderr_path.read_text(encoding="utf-8")


def ask(server: ServerProcess, method: str, path: str, body: bytes | None = None) -> tuple[int, Any]:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
    try:
        connection.request(method, path, body, server.headers)
        answer = connection.getresponse()
        text = answer.read()
        return answer.status, json.loads(text) if text else None
    finally:
        connection.close()


def check_answer(server: ServerProcess, body: bytes) -> None:
    status, answer = ask(server, "POST", "/v1/leases", body)
    assert status < 500 or Problem.from_json(answer).code == "engine", answer
    if status in (201, 202):
        state = LeaseState.from_json(answer)
        assert ask(server, "DELETE", f"/v1/leases/{state.lease_id}")[0] == 204
    else:
        assert Problem.from_json(answer).message


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=ANY_JSON | NEAR_REQUESTS)
def test_any_json_gives_a_lease_or_a_problem(server: ServerProcess, body: Any) -> None:
    check_answer(server, json.dumps(body).encode())


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=200))
def test_any_bytes_give_a_problem(server: ServerProcess, body: bytes) -> None:
    check_answer(server, body)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    method=st.sampled_from(["GET", "POST", "DELETE", "HEAD", "PUT", "OPTIONS"]),
    parts=st.lists(
        st.sampled_from(["v1", "leases", "transfer", "download", "upload", "samples", "identity", "0", "..", ""])
        | st.text(alphabet=st.characters(min_codepoint=33, max_codepoint=126, exclude_characters="#"), max_size=8),
        max_size=6,
    ),
)
def test_any_path_gives_an_answer_that_is_no_fault(server: ServerProcess, method: str, parts: list[str]) -> None:
    status, _ = ask(server, method, "/" + "/".join(parts))
    assert status < 500
