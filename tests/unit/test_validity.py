"""What an attempt turned out to be, as a table; and that no rule looks at how fast it was."""

import ast
import inspect
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from visit_fakes import LINK_DOWN, NO_TELLING, SERVER_DEAD, WELL, broken, steady

from sitetest.engines.base import Failure, FailureKind, TransferResult, TransferSpec
from sitetest.plan.cases import Leg
from sitetest.store.records import Status
from sitetest.visit import validity
from sitetest.visit.diagnosis import Answer, Diagnosis, Route
from sitetest.visit.validity import RULES, Evidence, judge, went_wrong
from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs, Direction

SPEC = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=1.0, duration_s=10.0)
WLAN, OTHER_ADDRESS, CABLE = Route("wlan0", "192.0.2.10"), Route("wlan0", "192.0.2.99"), Route("eth0", "192.0.2.20")
SILENT_API = Diagnosis(Answer.YES, Answer.YES, Answer.UNKNOWN, Answer.NO, "wlan0")
GATEWAY_ONLY = Diagnosis(Answer.YES, Answer.YES, Answer.NO, Answer.NO, "wlan0")

K = FailureKind


def failing(kind: FailureKind, until_s: float = 4.0) -> TransferResult:
    return broken(SPEC, kind, until_s=until_s)


def saturated(version: str | None, share: float) -> TransferResult:
    return replace(steady(SPEC), client_cpu_share=share, engine_version=version)


# engine saw                        network answers   leg    status             code word
TABLE: list[tuple[TransferResult, Diagnosis | None, Leg, Status, str]] = [
    (steady(SPEC), None, Leg.LAN, Status.OK, ""),
    (failing(K.STOPPED), None, Leg.LAN, Status.INTERRUPTED, "stopped"),
    # the association went: a result, whatever word the engine has for it
    *(
        (failing(kind), LINK_DOWN, Leg.LAN, Status.FAILED, "link_lost")
        for kind in (K.LINK_LOST, K.STALLED, K.DEADLINE, K.UNREACHABLE, K.CONNECT_TIMEOUT, K.PEER_DIED, K.LEASE_DENIED)
    ),
    # the server went, and its host or (on the LAN) the gateway says so
    *(
        (failing(kind), SERVER_DEAD, Leg.LAN, Status.INVALID, "server_gone")
        for kind in (K.PEER_DIED, K.STALLED, K.REFUSED, K.LINK_LOST, K.LEASE_DENIED)
    ),
    (failing(K.STALLED), GATEWAY_ONLY, Leg.LAN, Status.INVALID, "server_gone"),
    # the SYN is answered and the API is not, which a bad path does as well as a hung server: no excuse for the path
    (failing(K.STALLED), SILENT_API, Leg.LAN, Status.FAILED, "unreachable"),
    (failing(K.PEER_DIED), SILENT_API, Leg.INTERNET, Status.FAILED, "unreachable"),
    # ... while on the internet leg an answering gateway says nothing about the line
    (failing(K.STALLED), GATEWAY_ONLY, Leg.INTERNET, Status.FAILED, "unreachable"),
    (failing(K.PEER_DIED), SERVER_DEAD, Leg.INTERNET, Status.INVALID, "server_gone"),
    # nobody can tell
    *(
        (failing(kind), NO_TELLING, Leg.LAN, Status.FAILED, "unreachable")
        for kind in (K.LINK_LOST, K.STALLED, K.DEADLINE, K.UNREACHABLE, K.CONNECT_TIMEOUT, K.PEER_DIED)
    ),
    (failing(K.STALLED), None, Leg.LAN, Status.FAILED, "unreachable"),
    (TransferResult(SPEC), NO_TELLING, Leg.LAN, Status.FAILED, "unreachable"),
    # the server is well right afterwards: the AP config did not deliver
    *((failing(kind), WELL, Leg.LAN, Status.FAILED, "stalled") for kind in (K.STALLED, K.LINK_LOST, K.DEADLINE)),
    *((failing(kind, 0), WELL, Leg.LAN, Status.FAILED, "no_connection") for kind in (K.UNREACHABLE, K.CONNECT_TIMEOUT)),
    (TransferResult(SPEC), WELL, Leg.LAN, Status.FAILED, "nothing_delivered"),
    # ... or the fault lies elsewhere
    (failing(K.PEER_DIED), WELL, Leg.LAN, Status.INVALID, "peer_died"),
    (failing(K.STREAMS_MISSING), WELL, Leg.LAN, Status.INVALID, "streams_missing"),
    (failing(K.REFUSED, 0), WELL, Leg.LAN, Status.INVALID, "refused"),
    (failing(K.CERTIFICATE, 0), WELL, Leg.INTERNET, Status.INVALID, "certificate"),
    (failing(K.LEASE_DENIED, 0), WELL, Leg.LAN, Status.INVALID, "lease"),
    (failing(K.BUSY, 0), WELL, Leg.LAN, Status.INVALID, "lease"),
    (failing(K.UNAVAILABLE, 0), WELL, Leg.LAN, Status.INVALID, "engine_unusable"),
    (failing(K.WORKER_CRASHED), WELL, Leg.LAN, Status.INVALID, "engine_fault"),
    (failing(K.BAD_OUTPUT), WELL, Leg.LAN, Status.INVALID, "engine_fault"),
    # something was delivered, but not this case was measured
    (replace(steady(SPEC), shared=True), None, Leg.LAN, Status.INVALID, "shared"),
    (steady(SPEC, until_s=9.05), WELL, Leg.LAN, Status.INVALID, "too_short"),
    (failing(K.DATA_CAP, 5.0), WELL, Leg.INTERNET, Status.INVALID, "data_cap"),
    (failing(K.DATA_CAP, 10.5), WELL, Leg.INTERNET, Status.OK, ""),
    *(
        (saturated(version, 0.96), None, Leg.LAN, Status.INVALID, "laptop_saturated")
        for version in ("aiohttp 3.9.5", "3.9", "3.12", "3.15+")
    ),
    # limits themselves still count
    (steady(SPEC, until_s=9.1), None, Leg.LAN, Status.OK, ""),
    (saturated("3.12", 0.95), None, Leg.LAN, Status.OK, ""),
    # several threads, or nobody knows: the sum of their shares says nothing about any of them
    *((saturated(version, 3.2), None, Leg.LAN, Status.OK, "") for version in ("3.16", "3.20", "4.0", "", None)),
]


@pytest.mark.parametrize(
    ("result", "diagnosis", "leg", "status", "code"),
    TABLE,
    ids=[f"{row[4] or 'ok'}-{n}" for n, row in enumerate(TABLE)],
)
def test_the_table_of_rules(
    result: TransferResult, diagnosis: Diagnosis | None, leg: Leg, status: Status, code: str
) -> None:
    """docs/method.md, "Invalid and failed": which is which."""
    judgement = judge(Evidence(result, leg, diagnosis, WLAN, WLAN, "wlan0"))
    assert (judgement.status, judgement.code) == (status, code)


def test_every_rule_is_reached_and_every_failure_kind_has_a_row() -> None:
    """A rule that nothing reaches is dead; a kind without a row is not thought about. path_changed is tested below."""
    assert {rule.code for rule in RULES} - {"path_changed"} == {row[4] for row in TABLE} - {""}
    assert {row[0].failure.kind for row in TABLE if row[0].failure} == set(FailureKind)


@settings(deadline=None)
@given(
    kind=st.sampled_from([None, *FailureKind]),
    until_s=st.floats(min_value=0, max_value=11.1),
    answers=st.tuples(*(st.sampled_from(Answer) for _ in range(4))),
    leg=st.sampled_from(Leg),
    rates=st.tuples(*(st.floats(min_value=0.1, max_value=9000) for _ in range(2))),
)
def test_no_judgement_depends_on_how_fast_it_was(
    kind: FailureKind | None,
    until_s: float,
    answers: tuple[Answer, Answer, Answer, Answer],
    leg: Leg,
    rates: tuple[float, float],
) -> None:
    """The rule may not look at the throughput (docs/method.md): two rates, one judgement."""
    judged = []
    for rate_mbps in rates:
        result = steady(SPEC, rate_mbps, until_s)
        result = result if kind is None else replace(result, failure=Failure(kind, "as scripted"))
        judged.append(judge(Evidence(result, leg, Diagnosis(*answers), WLAN, WLAN)))
    assert judged[0] == judged[1]


@settings(deadline=None)
@given(
    kind=st.sampled_from([None, *FailureKind]),
    answers=st.tuples(*(st.sampled_from(Answer) for _ in range(4))),
    leg=st.sampled_from(Leg),
)
def test_an_attempt_is_ok_only_when_nothing_went_wrong_for_good(
    kind: FailureKind | None, answers: tuple[Answer, Answer, Answer, Answer], leg: Leg
) -> None:
    """The one failure that may still be ok is a data cap reached after enough of the window, which is not this one."""
    result = TransferResult(SPEC) if kind is None else broken(SPEC, kind, until_s=3.0)
    assert went_wrong(result)
    judgement = judge(Evidence(result, leg, Diagnosis(*answers)))
    assert judgement.status is not Status.OK
    assert judgement.reason.startswith(f"{judgement.code}: ")


@pytest.mark.parametrize(
    ("before", "after", "visit_interface", "changed"),
    [
        (WLAN, WLAN, "wlan0", False),
        (WLAN, CABLE, "wlan0", True),
        (WLAN, OTHER_ADDRESS, "wlan0", True),
        (CABLE, CABLE, "wlan0", True),
        (CABLE, CABLE, None, False),
        (WLAN, None, "wlan0", False),
        (None, WLAN, "wlan0", False),
        (None, None, None, False),
    ],
)
def test_a_changed_path_is_another_case(
    before: Route | None, after: Route | None, visit_interface: str | None, changed: bool
) -> None:
    """Interface or address other than before; a route that is not known proves nothing."""
    judgement = judge(Evidence(steady(SPEC), Leg.LAN, None, before, after, visit_interface))
    assert judgement.code == ("path_changed" if changed else "")


def test_a_lost_association_outranks_the_changed_path_that_follows_from_it() -> None:
    """When Wi-Fi goes and another interface takes over, the AP config has failed; it must not hide behind the cable."""
    judgement = judge(Evidence(failing(K.STALLED), Leg.LAN, LINK_DOWN, WLAN, CABLE, "wlan0"))
    assert judgement.code == "link_lost"


def test_an_invalid_attempt_carries_a_flag_of_the_same_word_and_a_failed_one_none() -> None:
    """Severity ``invalid`` names what made it so."""
    invalid = judge(Evidence(failing(K.PEER_DIED), Leg.LAN, SERVER_DEAD))
    assert [(flag.name, flag.severity) for flag in invalid.flags] == [("server_gone", "invalid")]
    assert invalid.reason == f"server_gone: {invalid.flags[0].reason}"
    assert judge(Evidence(failing(K.STALLED), Leg.LAN, WELL)).flags == ()


def test_bytes_of_the_warm_up_alone_are_no_result() -> None:
    """Something came while it did not count, and nothing while it did: the AP config did not deliver."""
    spec = replace(SPEC, warm_up_s=1.0, duration_s=8.0)
    receiver = tuple(
        Sample(0.1 * tick, (min(tick, 5) * 1000,) * spec.streams, CountedAs.RECEIVED) for tick in range(95)
    )
    result = replace(steady(SPEC), spec=spec, receiver=receiver)
    assert result.received_bytes == 0
    assert went_wrong(result)
    well = Diagnosis(Answer.YES, Answer.UNKNOWN, Answer.YES, Answer.YES)
    assert judge(Evidence(result, Leg.LAN, well)).code == "nothing_delivered"
    gone = Diagnosis(Answer.UNKNOWN, Answer.UNKNOWN, Answer.NO, Answer.NO)
    assert judge(Evidence(result, Leg.LAN, gone)).code == "unreachable"


def test_doubts_are_flagged_and_do_not_decide() -> None:
    """A busy processor at either end, and seconds of silence, are reasons to doubt an attempt that counts."""
    pause = (Sample(0.1, (10, 10), CountedAs.RECEIVED), Sample(2.0, (10, 10), CountedAs.RECEIVED))
    silent = replace(steady(SPEC), receiver=(*pause, Sample(11.2, (9000, 9000), CountedAs.RECEIVED)))
    judgement = judge(Evidence(replace(silent, client_cpu_share=0.9, server_cpu_share=1.2), Leg.LAN))
    assert judgement.status is Status.OK
    assert {(flag.name, flag.severity) for flag in judgement.flags} == {
        ("laptop_cpu", "note"),
        ("server_cpu", "note"),
        ("stall", "note"),
    }


def test_the_network_is_asked_exactly_when_something_went_wrong() -> None:
    """A healthy transfer must not be followed by questions that take time."""
    assert not went_wrong(steady(SPEC))
    assert went_wrong(TransferResult(SPEC))
    assert went_wrong(steady(SPEC, until_s=5.0))
    assert went_wrong(failing(K.STALLED))
    assert went_wrong(replace(steady(SPEC), failure=Failure(K.DEADLINE, "late")))


def test_validity_never_names_a_throughput() -> None:
    """Beside the property above: the source itself has no access to a rate."""
    names = {node.attr for node in ast.walk(ast.parse(inspect.getsource(validity))) if isinstance(node, ast.Attribute)}
    assert names.isdisjoint({"throughput_mbps", "retransmits", "raw"})
    assert "window" in names, "the walk sees attributes at all"
