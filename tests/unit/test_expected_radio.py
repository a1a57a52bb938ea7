"""What the site declares for an AP config, against one look at the link."""

from collections.abc import Mapping
from typing import Any

import pytest
from flag_scenes import SOURCE, link_sample

from sitetest.observe.link.draft import empty_sample
from sitetest.observe.link.events import EventSource
from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import FullNames, Labels
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, SourceKind
from sitetest.observe.link.scenario import Scenario, steady
from sitetest.observe.link.scenario_reader import ScenarioReader
from sitetest.plan.cases import Turn
from sitetest.plan.site import AccessPoint, ApConfig
from sitetest.visit.diagnosis import Route
from sitetest.visit.expected_radio import Comparison, ExpectedRadio, Mismatch, compare, expected_radio, mismatch
from sitetest.visit.radio_check import LinkRadioCheck

NAMES = Labels(b"a salt of this test")
ADDRESS = "02:00:00:aa:bb:01"
COUNTER = AccessPoint.model_validate({"name": "counter", "bssids": [ADDRESS, "02:00:00:aa:bb:03"]})
WIDE80 = ApConfig(name="wide80", access_point="counter", band="5", channel=36, width_mhz=80)
HERE = NAMES.bssid(ADDRESS)


def look(**fields: Any) -> LinkSample:
    """A link on channel 36, 80 MHz wide, on the declared access point, unless said otherwise."""
    return link_sample(100.0, {"bssid": HERE, **fields})


def wide80(**changes: Any) -> ExpectedRadio:
    config = WIDE80.model_copy(update=changes)
    return expected_radio(config, COUNTER, NAMES)


def test_bssids_are_compared_as_the_labels_that_the_reader_writes() -> None:
    """Whatever the spelling, and with full names where those were asked for."""
    assert wide80().bssids == {HERE, NAMES.bssid("02-00-00-AA-BB-3")}
    assert expected_radio(WIDE80, COUNTER, FullNames()).bssids == set(COUNTER.bssids)
    assert not any(address in repr(wide80()) for address in COUNTER.bssids)


def test_auto_and_what_is_left_out_state_nothing() -> None:
    bare = AccessPoint(name="counter")
    auto = ApConfig(name="auto", access_point="counter", channel="auto", width_mhz="auto")
    expected = expected_radio(auto, bare, NAMES)
    assert not expected.states_something
    assert mismatch(expected, look(freq_mhz=2437)) is None
    assert expected_radio(auto, COUNTER, NAMES).states_something


@pytest.mark.parametrize(
    ("fields", "differ", "untold"),
    [
        ({}, (), ()),
        ({"bssid": NAMES.bssid("02:00:00:aa:bb:02")}, ("bssid",), ()),
        ({"freq_mhz": 5200}, ("channel",), ()),
        ({"freq_mhz": 2437, "width_mhz": 20}, ("band", "channel", "width_mhz"), ()),
        ({"width_mhz": 40}, ("width_mhz",), ()),
        ({"width_mhz": 160}, ("width_mhz",), ()),
        # not told: a width that shows under load only, a name that the system hides
        ({"width_mhz": None}, (), ("width_mhz",)),
        ({"bssid": None}, (), ("bssid",)),
        ({"freq_mhz": None}, (), ("band", "channel")),
        ({"bssid": None, "width_mhz": 40}, ("width_mhz",), ("bssid",)),
        ({"associated": False}, (), ("bssid", "band", "channel", "width_mhz")),
        ({"associated": None}, (), ("bssid", "band", "channel", "width_mhz")),
    ],
)
def test_field_by_field(fields: dict[str, Any], differ: tuple[str, ...], untold: tuple[str, ...]) -> None:
    sample = look(**fields)
    assert compare(wide80(), sample) == Comparison(differ, untold)
    found = mismatch(wide80(), sample)
    assert (() if found is None else found.fields) == differ


def test_a_connection_of_several_links_agrees_when_one_of_them_does() -> None:
    """Wi-Fi 7: the top level has the name of the whole access point and no channel."""
    links = [
        {"link_id": 0, "bssid": HERE, "freq_mhz": 5180, "band": "5", "channel": 36, "width_mhz": 80},
        {"link_id": 1, "bssid": "ap-2", "freq_mhz": 6135, "band": "6", "channel": 37, "width_mhz": 160},
    ]
    whole = {"bssid": "ap-mld", "freq_mhz": None, "width_mhz": None}
    assert mismatch(wide80(), look(**whole, links=links)) is None
    other = mismatch(wide80(), look(**whole, links=links[1:]))
    assert other is not None
    assert other.fields == ("bssid", "band", "channel", "width_mhz")
    assert other.seen == "ap-mld (6 GHz, channel 37, 160 MHz)"


def test_the_sentence_says_what_is_and_what_should_be() -> None:
    found = mismatch(wide80(), look(width_mhz=40))
    assert found == Mismatch(
        ("width_mhz",),
        f"{HERE} (5 GHz, channel 36, 40 MHz)",
        f"The laptop is on {HERE} (5 GHz, channel 36, 40 MHz); the profile says 80 MHz for AP config 'wide80'.",
    )
    hidden = mismatch(wide80(band="6", channel=5), look(bssid=None))
    assert hidden is not None
    assert hidden.sentence == (
        "The laptop is on an access point whose name this system hides (5 GHz, channel 36, 80 MHz); the profile says "
        "6 GHz, channel 5 for AP config 'wide80'."
    )
    elsewhere = mismatch(wide80(), look(bssid="ap-ffffffff"))
    assert elsewhere is not None
    assert "access point 'counter' (ap-" in elsewhere.sentence


# --- the look itself --------------------------------------------------------------------------------------------------

TURN = Turn(number=1, quad=1, ap_config="wide80", slots=())


class Radio:
    """A system with a Wi-Fi interface, or none."""

    def __init__(self, route: Route | None, scenario: Scenario | None) -> None:
        self._route = route
        self._scenario = scenario
        self.routes_asked = 0
        self.readers_made = 0

    async def route(self) -> Route | None:
        self.routes_asked += 1
        return self._route

    def reader(self) -> "ScenarioReader | NoReader":
        self.readers_made += 1
        return NoReader(Reason.NOT_WIFI) if self._scenario is None else ScenarioReader(self._scenario, NAMES)

    def check(self, expected: Mapping[str, ExpectedRadio]) -> LinkRadioCheck:
        return LinkRadioCheck(expected, self.route, self.reader)


WLAN = Route("wlan0", "192.0.2.10")


async def test_a_look_through_the_reader_finds_what_differs() -> None:
    radio = Radio(WLAN, steady())
    assert await radio.check({"wide80": wide80()}).look(TURN) is None
    found = await radio.check({"wide80": wide80(width_mhz=160)}).look(TURN)
    assert found is not None
    assert found.fields == ("width_mhz",)
    assert radio.readers_made == 2


async def test_nothing_is_looked_at_where_nothing_is_declared() -> None:
    radio = Radio(WLAN, steady())
    nothing = ExpectedRadio("wide80", "counter")
    assert await radio.check({}).look(TURN) is None
    assert await radio.check({"wide80": nothing}).look(TURN) is None
    assert (radio.routes_asked, radio.readers_made) == (0, 0)


@pytest.mark.parametrize("route", [None, Route(None, "192.0.2.10"), Route("eth0", "192.0.2.10")])
async def test_a_cable_or_no_way_at_all_is_no_mismatch(route: Route | None) -> None:
    """A wired baseline is measured under a profile that declares a radio."""
    assert await Radio(route, None).check({"wide80": wide80(band="6", channel=None)}).look(TURN) is None


class Faulty:
    """A reader with a fault."""

    kind = SourceKind.LIVE
    name = "faulty"
    closed = 0

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        raise RuntimeError("a fault of the reader")

    def capabilities(self) -> dict[str, Reason | None]:
        return {}

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        raise NotImplementedError

    def events(self, interface: str) -> EventSource | None:
        return None

    def close(self) -> None:
        type(self).closed += 1


async def test_a_reader_that_fails_stops_nothing_and_is_closed() -> None:
    radio = Radio(WLAN, None)
    assert await LinkRadioCheck({"wide80": wide80()}, radio.route, Faulty).look(TURN) is None
    assert Faulty.closed == 1


def test_a_sample_in_which_nothing_is_known_differs_in_nothing() -> None:
    sample = empty_sample(Moment(SOURCE, "wlan0", 1.0, 1.0), Reason.TIMEOUT)
    assert mismatch(wide80(), sample) is None
    assert len(compare(wide80(), sample).untold) == 4
