"""How a soak stands as metrics: the format against OpenMetrics 1.0, the values against the happenings behind them, and
who may ask for them."""

import asyncio
import re
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import aiohttp
import psutil
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from soak_happenings import (
    EVENING,
    MORNING,
    a_round,
    a_second,
    a_soak_plan,
    away,
    back,
    happened,
    kept,
    part,
    started,
    switching,
    turned,
)
from store_records import an_attempt

from sitetest.cli.metrics_endpoint import metrics_endpoint
from sitetest.cli.soak_metrics import CONTENT_TYPE, exposition
from sitetest.errors import UsageError
from sitetest.store.soak_events import Cause, RoundPassed, Slept, SwitchTried
from sitetest.visit.soak.events import Resting, SoakHappening
from sitetest.visit.soak.state import SoakState, StateFollower, after

HOSTILE = 'quay "street"\n# EOF\nsitetest_path_up 1\\ \u202e{}=,\r\t'

NIGHT: tuple[SoakHappening, ...] = (
    started(),
    part(awake=False),
    happened(SwitchTried(1, "wide80", 1, True, 3.0, "", 9.0, "")),
    switching(1, "wide80"),
    turned(1, "wide80"),
    a_round(7, 1, "wide80"),
    kept(an_attempt(1, ap_config="wide80", throughput_mbps=288.0, rtt_loaded_p95_ms=31.0, moved_bytes=1000)),
    kept(an_attempt(2, ap_config="wide80", direction="upload", status="failed", throughput_mbps=None, moved_bytes=24)),
    happened(RoundPassed(6, "path_away")),
    happened(Slept(600.0, stall=False)),
    back(3, 12.5, Cause.LINK),
    back(4, 40.0, Cause.SERVER),
    a_second(answered=9),
    Resting(240),
)


def state_after(*happenings: SoakHappening) -> SoakState:
    state = SoakState(since=EVENING)
    for happening in happenings:
        state = after(state, happening, EVENING)
    return state


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Parse a text with prometheus_client's parser of OpenMetrics; a sample that comes twice is an error."""
    found: dict[tuple[str, tuple[tuple[str, str], ...]], float] = {}
    for family in text_string_to_metric_families(text):  # type: ignore[no-untyped-call]
        for sample in family.samples:
            key = (sample.name, tuple(sorted(sample.labels.items())))
            assert key not in found
            found[key] = sample.value
    return found


def value_of(text: str, name: str, **labels: str) -> float | None:
    return samples(text).get((name, tuple(sorted(labels.items()))))


# The grammar of OpenMetrics 1.0, "Text format", "ABNF", as far as it concerns us (no exemplars, no timestamps).
NAME = r"[A-Za-z_:][A-Za-z0-9_:]*"
ESCAPED = r'(?:[^\n"\\]|\\[n"\\])*'
LABEL = rf'[A-Za-z_][A-Za-z0-9_]*="{ESCAPED}"'
NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\d*\.\d+)(?:e[+-]?\d+)?"
LINE = re.compile(
    rf"# TYPE (?P<typed>{NAME}) (?P<type>counter|gauge|stateset|info)"
    rf"|# HELP (?P<helped>{NAME}) {ESCAPED}"
    rf"|# UNIT (?P<measured>{NAME}) (?P<unit>[A-Za-z0-9_:]*)"
    rf"|(?P<sample>{NAME})(?:\{{(?:{LABEL}(?:,{LABEL})*)?\}})? (?P<number>{NUMBER})"
)


@pytest.mark.parametrize(
    "state",
    [
        state_after(),
        state_after(*NIGHT),
        state_after(*NIGHT, away(9)),
        state_after(started(plan=a_soak_plan(site=HOSTILE, ap_configs=(HOSTILE, "auto"))), switching(1, HOSTILE)),
    ],
    ids=["before anything", "a night", "away", "hostile names"],
)
def test_every_line_is_as_the_specification_has_it(state: SoakState) -> None:
    text = exposition(state).decode("utf-8")
    assert text.endswith("\n# EOF\n")  # "Expositions MUST end with EOF and SHOULD end with EOF\n"
    types: dict[str, str] = {}
    current = ""
    for line in text.removesuffix("# EOF\n").removesuffix("\n").split("\n"):
        match = LINE.fullmatch(line)
        assert match, line
        family = match["typed"] or match["helped"] or match["measured"]
        if family:
            assert family == current or family not in types, f"{family} comes twice"
            current = family
        if match["type"]:
            assert family not in types
            types[family] = match["type"]
        if match["unit"]:
            assert family.endswith(f"_{match['unit']}")
        if match["sample"]:
            suffix = {"counter": "_total", "info": "_info"}.get(types[current], "")
            assert match["sample"] == current + suffix
            assert types[current] != "counter" or float(match["number"]) >= 0
    assert len(types) > 20
    assert all(name.startswith("sitetest_") for name in types)
    assert samples(text)  # and the parser of a library agrees


def test_the_values_are_those_of_the_night_in_base_units() -> None:
    text = exposition(state_after(*NIGHT)).decode()
    case = {"ap_config": "wide80", "leg": "lan", "engine": "http"}
    assert value_of(
        text, "sitetest_soak_info", site="quay-street-bookshop", location="basement", profile="overnight",
        visit_id="visit-1",
    ) == 1  # fmt: skip
    assert value_of(text, "sitetest_soak_state", sitetest_soak_state="resting") == 1
    assert value_of(text, "sitetest_soak_state", sitetest_soak_state="testing") == 0
    assert value_of(text, "sitetest_soak_ap_config", sitetest_soak_ap_config="wide80") == 1
    assert value_of(text, "sitetest_soak_ap_config", sitetest_soak_ap_config="auto") == 0
    assert value_of(text, "sitetest_soak_until_timestamp_seconds") == MORNING.timestamp()
    next_round = (EVENING + timedelta(seconds=240)).timestamp()
    assert value_of(text, "sitetest_soak_next_round_timestamp_seconds") == next_round
    assert value_of(text, "sitetest_soak_rounds_total") == 1
    assert value_of(text, "sitetest_soak_round") == 7
    assert value_of(text, "sitetest_soak_rounds_passed_total", reason="path_away") == 1
    assert value_of(text, "sitetest_soak_switches_total", ap_config="wide80", worked="true") == 1
    assert value_of(text, "sitetest_tests_total", status="ok") == 1
    assert value_of(text, "sitetest_tests_total", status="invalid") == 0
    assert value_of(text, "sitetest_tests_moved_bytes_total") == 1024
    throughput = "sitetest_last_test_throughput_bytes_per_second"
    assert value_of(text, throughput, **case, direction="download") == 36e6  # 288 Mbit/s
    assert value_of(text, throughput, **case, direction="upload") is None
    assert value_of(text, "sitetest_last_test_ok", **case, direction="upload") == 0
    assert value_of(text, "sitetest_last_test_rtt_loaded_p95_seconds", **case, direction="download") == 0.031
    assert value_of(text, "sitetest_path_up") == 1
    assert value_of(text, "sitetest_path_away_since_timestamp_seconds") is None
    assert value_of(text, "sitetest_path_probes_total") == 10
    assert value_of(text, "sitetest_path_probes_answered_total") == 9
    assert value_of(text, "sitetest_path_rtt_seconds") == 0.0025
    assert value_of(text, "sitetest_link_signal_dbm") == -61
    assert value_of(text, "sitetest_outages_total", cause="link") == 1
    assert value_of(text, "sitetest_outage_seconds_total", cause="server") == 40
    assert value_of(text, "sitetest_outage_seconds_total", cause="path") == 0
    assert value_of(text, "sitetest_laptop_sleep_seconds_total") == 600
    assert value_of(text, "sitetest_laptop_sleep_held_off") == 0


def test_the_documentation_has_every_metric(repository: Path) -> None:
    text = exposition(state_after(*NIGHT, away(9))).decode()
    told = set(re.findall(r"`(sitetest_\w+)`", (repository / "docs" / "soak.md").read_text(encoding="utf-8")))
    assert told == {name for name, _labels in samples(text)}


def test_what_is_not_known_has_no_sample() -> None:
    text = exposition(state_after()).decode()
    assert "# TYPE sitetest_path_up gauge" in text
    assert value_of(text, "sitetest_path_up") is None
    assert value_of(text, "sitetest_laptop_sleep_held_off") is None


def test_hostile_names_stay_in_their_labels() -> None:
    plan = a_soak_plan(site=HOSTILE, ap_configs=(HOSTILE, "auto", "half \udc80"))
    text = exposition(state_after(started(plan=plan), switching(1, HOSTILE))).decode()
    sites = [dict(labels)["site"] for (name, labels) in samples(text) if name == "sitetest_soak_info"]
    assert sites == [HOSTILE]
    assert value_of(text, "sitetest_soak_ap_config", sitetest_soak_ap_config=HOSTILE) == 1
    assert value_of(text, "sitetest_path_up") is None
    assert text.count("\n# EOF\n") == 1


@asynccontextmanager
async def asked(url: str, **options: object) -> AsyncIterator[aiohttp.ClientResponse]:
    async with aiohttp.ClientSession() as session, session.request("GET", url, **options) as answer:  # type: ignore[arg-type]
        yield answer


async def test_it_answers_with_how_the_soak_stands_now() -> None:
    follower = StateFollower(lambda: EVENING)
    async with metrics_endpoint(0, follower) as url:
        assert re.fullmatch(r"http://127\.0\.0\.1:[1-9]\d*/metrics", url)
        async with asked(url) as answer:
            assert answer.status == 200
            # OpenMetrics 1.0, "Overall Structure": the content type MUST be this
            assert answer.headers["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
            assert value_of(await answer.text(), "sitetest_soak_rounds_total") == 0
        for happening in NIGHT:
            follower(happening)
        async with asked(url) as answer:
            text = await answer.text()
        assert text.encode() == exposition(follower.state)
        assert value_of(text, "sitetest_soak_rounds_total") == 1
    assert CONTENT_TYPE == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    with pytest.raises(aiohttp.ClientConnectorError):
        async with asked(url):
            pass


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost:9000", 200),
        ("127.0.0.1", 200),
        ("bookshop.example", 421),
        ("127.0.0.1.bookshop.example:80", 421),
        ("[::1", 421),
        ("", 421),
    ],
)
async def test_it_answers_only_to_a_name_of_this_machine(host: str, status: int) -> None:
    """421: RFC 9110, 15.5.20. A browser that was sent here under another name says that name as Host."""
    async with metrics_endpoint(0, StateFollower(lambda: EVENING)) as url:
        async with asked(url, headers={"Host": host}) as answer:
            assert answer.status == status
        async with asked(url.replace("/metrics", "/other")) as answer:
            assert answer.status == 404


def other_local_addresses() -> list[str]:
    addresses = [
        one.address for of_one in psutil.net_if_addrs().values() for one in of_one if one.family == socket.AF_INET
    ]
    return ["127.0.0.2", *(address for address in addresses if address != "127.0.0.1")]


async def test_no_other_address_of_this_machine_reaches_it() -> None:
    """All of 127/8 is this machine (RFC 1122, 3.2.1.3), on Linux as it stands. So are its own others."""
    async with metrics_endpoint(0, StateFollower(lambda: EVENING)) as url:
        port = int(url.split(":")[2].split("/")[0])
        for address in other_local_addresses():
            with pytest.raises(OSError, match=r"refused|unreachable|assign"):
                await asyncio.to_thread(socket.create_connection, (address, port), 5)
        listening = [
            one.laddr.ip for one in psutil.Process().net_connections("tcp") if one.laddr[1:] == (port,)
            and one.status == psutil.CONN_LISTEN
        ]  # fmt: skip
        assert listening == ["127.0.0.1"]  # as the kernel lists it


async def test_a_port_that_is_taken_is_wrong_use() -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(UsageError, match=f"{port}.*another program has it") as refused:
            async with metrics_endpoint(port, StateFollower(lambda: EVENING)):
                pytest.fail("it was entered")
    assert refused.value.exit_code == 2
    assert "--metrics-port 0" in refused.value.next_step
