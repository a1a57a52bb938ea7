"""Reads the laptop for ``sitetest check``: the interface that carries the test, its radio, power and what else moves.

Nothing here raises for what the system does not tell. May import observe, visit and the standard library only.
"""

import asyncio
import time
from collections.abc import Callable
from dataclasses import dataclass

from sitetest.cli.blind_flags import blind_flags
from sitetest.cli.radio_findings import RadioSeen
from sitetest.observe.host import HostReader, HostSample
from sitetest.observe.interface import InterfaceFacts, InterfaceKind, interface_facts
from sitetest.observe.link.abandonable_call import AbandonableCall, TimedOut
from sitetest.observe.link.draft import empty_facts, empty_sample
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import own_labels
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reader_choice import choose_reader
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import Moment, Source
from sitetest.observe.power import Power, read_power
from sitetest.observe.system import own_addresses
from sitetest.visit.diagnosis import Route
from sitetest.visit.path import source_address
from sitetest_wire.local_interface import interface_of

QUIET_S = 1.0
"""How long is listened for other traffic."""

SAMPLE_LIMIT_S = 1.0
RADIO_LIMIT_S = 12.0
"""For slow facts, two samples and the question for events together; a driver that hangs must not hold the check up."""

SOMEWHERE = "192.0.2.1"
"""An address of TEST-NET-1 (RFC 5737): asking for the way to it names the interface of the default route, and nothing
is sent."""

MakeReader = Callable[[], LinkReader]


def own_reader() -> LinkReader:
    """Return this system's reader; names are written as labels."""
    return choose_reader(own_labels())


@dataclass(frozen=True, slots=True)
class Laptop:
    """What was read. radio: None where the interface has no radio. quiet: None where no interface is known."""

    facts: InterfaceFacts | None
    radio: RadioSeen | None
    power: Power
    quiet: HostSample | None


def default_route() -> Route | None:
    """Which way packets leave towards somewhere far off; None without a route."""
    local = source_address(SOMEWHERE, 9)
    return None if local is None else Route(interface_of(local, own_addresses()), local)


async def read_laptop(interface: str | None, make_reader: MakeReader = own_reader) -> Laptop:
    """Read the laptop; takes a second or two. interface: that which carries the test, None where it is not known."""
    if interface is None:
        return Laptop(None, None, await asyncio.to_thread(read_power), None)
    facts, power = await asyncio.gather(asyncio.to_thread(interface_facts, interface), asyncio.to_thread(read_power))
    radio = None
    if facts.kind in (InterfaceKind.WIFI, None):
        radio = await asyncio.to_thread(read_radio, interface, make_reader)
    host = HostReader(interface)
    host.prime()
    await asyncio.sleep(QUIET_S)
    return Laptop(facts, radio, power, host.sample())


def read_radio(
    interface: str, make_reader: MakeReader = own_reader, pause: Callable[[float], None] = time.sleep
) -> RadioSeen:
    """Read the radio link of an interface twice, QUIET_S apart. Blocks, up to RADIO_LIMIT_S."""
    call = AbandonableCall[RadioSeen]("link-reader")
    try:
        return call.call(lambda: _read_radio(interface, make_reader, pause), RADIO_LIMIT_S)
    except TimedOut:
        now_s = time.monotonic()
        moment = Moment(Source(NoReader.kind, NoReader.name, ""), interface, now_s, now_s)
        return RadioSeen(empty_sample(moment, Reason.TIMEOUT), empty_facts(moment, Reason.TIMEOUT), events=False)
    finally:
        call.close(0.05)


def _read_radio(interface: str, make_reader: MakeReader, pause: Callable[[float], None]) -> RadioSeen:
    reader = make_reader()
    try:
        facts = reader.facts(interface, time.monotonic() + RADIO_LIMIT_S / 2)
        first = reader.sample(interface, time.monotonic() + SAMPLE_LIMIT_S)
        if first.associated:
            pause(QUIET_S)  # some fields are differences to the look before
        sample = reader.sample(interface, time.monotonic() + SAMPLE_LIMIT_S)
        events = reader.events(interface)
        if events is not None:
            events.close()
        explanation = reader.explanation if isinstance(reader, NoReader) else ""
        blind = blind_flags((first, sample), facts, events_available=events is not None)
        return RadioSeen(sample, facts, events is not None, explanation, blind)
    finally:
        reader.close()
