"""The announcement, as a browser of RFC 6763 on the same (loopback) network sees it come and go."""

import asyncio
import errno
from collections.abc import AsyncIterator, Callable

import pytest
from zeroconf import ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from sitetest_server.announce import Announcement, own_addresses
from sitetest_wire.messages import PROTOCOL_VERSION, SERVICE_TYPE

Event = tuple[str, ServiceStateChange]


@pytest.fixture
async def browsing() -> AsyncIterator[tuple[AsyncZeroconf, "asyncio.Queue[Event]"]]:
    events: asyncio.Queue[Event] = asyncio.Queue()

    def note(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        events.put_nowait((name, state_change))

    zeroconf = AsyncZeroconf(interfaces=["127.0.0.1"])
    browser = AsyncServiceBrowser(zeroconf.zeroconf, SERVICE_TYPE, handlers=[note])
    yield zeroconf, events
    await browser.async_cancel()
    await zeroconf.async_close()


def announcement(note: Callable[[str], None]) -> Announcement:
    return Announcement(
        server_id="0123456789abcdef", name="till.room", address="127.0.0.1", port=17300, tls=False, note=note
    )


async def seen(events: "asyncio.Queue[Event]", change: ServiceStateChange, marker: str) -> str:
    while True:
        name, state = await asyncio.wait_for(events.get(), 10)
        if state is change and marker in name:
            return name


@pytest.mark.slow
async def test_a_server_is_found_with_its_facts_and_says_goodbye(
    browsing: tuple[AsyncZeroconf, "asyncio.Queue[Event]"],
) -> None:
    zeroconf, events = browsing
    notes: list[str] = []
    announced = announcement(notes.append)
    announced.begin()
    name = await seen(events, ServiceStateChange.Added, "012345")
    info = AsyncServiceInfo(SERVICE_TYPE, name)
    assert await info.async_request(zeroconf.zeroconf, 3000)
    assert info.port == 17300
    assert info.parsed_addresses() == ["127.0.0.1"]
    assert info.decoded_properties == {
        "protocol": str(PROTOCOL_VERSION),
        "server_id": "0123456789abcdef",
        "port": "17300",
        "tls": "0",
    }
    await announced.end()
    assert await seen(events, ServiceStateChange.Removed, "012345") == name
    assert notes == []


async def test_a_network_without_multicast_is_a_note_and_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_multicast(**_options: object) -> AsyncZeroconf:
        raise OSError(errno.ENODEV, "No such device")

    monkeypatch.setattr("sitetest_server.announce.AsyncZeroconf", no_multicast)
    notes: asyncio.Queue[str] = asyncio.Queue()
    announced = announcement(notes.put_nowait)
    announced.begin()
    note = await asyncio.wait_for(notes.get(), 5)
    await announced.end()
    assert "not announced" in note
    assert "No such device" in note
    assert "--server HOST:PORT" in note


async def test_a_server_that_stops_at_once_leaves_nothing_behind() -> None:
    notes: list[str] = []
    announced = announcement(notes.append)
    announced.begin()
    async with asyncio.timeout(2):
        await announced.end()
    assert [task for task in asyncio.all_tasks() if "announcement" in task.get_name()] == []


def test_loopback_is_not_an_address_that_others_reach() -> None:
    assert not {"127.0.0.1", "::1"} & set(own_addresses())
