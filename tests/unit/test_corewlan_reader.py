"""The macOS reader against an object with CoreWLAN's method names. Not run on a Mac."""

import json
import subprocess
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from link_invariants import check_record

from sitetest.observe.link.corewlan_decode import decode_facts, decode_sample, read_profiler
from sitetest.observe.link.corewlan_reader import CoreWlanReader
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import Moment, Source, SourceKind

MOMENT = Moment(Source(SourceKind.LIVE, "macos-corewlan", "darwin"), "en0", 1.0, 1.01)


class Answers:
    """Answers each method with a value, or raises it."""

    def __init__(self, **answers: Any) -> None:
        self._answers = answers

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__") or name not in self._answers:
            raise AttributeError(name)

        def answer(*arguments: object) -> Any:
            value = self._answers[name]
            if isinstance(value, Exception):
                raise value
            return value

        return answer


def card(**changes: Any) -> Answers:
    channel = Answers(channelNumber=40, channelWidth=4, channelBand=2)
    usual = {
        "interfaceName": "en0", "powerOn": True, "ssid": None, "bssid": None, "rssiValue": -51, "noiseMeasurement": -90,
        "transmitRate": 1297.0, "activePHYMode": 6, "wlanChannel": channel, "transmitPower": 100, "countryCode": "XX",
    }  # fmt: skip
    return Answers(**{**usual, **changes})


def profile(**changes: Any) -> str:
    network = {
        "_name": "<redacted>", "spairport_network_channel": "40 (5GHz, 160MHz)", "spairport_network_mcs": 6,
        "spairport_network_phymode": "802.11ax", "spairport_network_rate": 1297, **changes,
    }  # fmt: skip
    cards = [{"_name": "awdl0"}, {"_name": "en0", "spairport_current_network_information": network}]
    return json.dumps({"SPAirPortDataType": [{"spairport_airport_interfaces": cards}]})


def reader(found: Any, profiler: Any = lambda limit_s: profile()) -> CoreWlanReader:
    client = Answers(interfaceWithName_=found)
    return CoreWlanReader(FullNames(), client=client, profiler=profiler, clock=lambda: 1.0, system="macOS 15.5")


def test_a_sample_without_location_permission() -> None:
    sample = reader(card()).sample("en0", 2.0)
    check_record(sample)
    assert (sample.rssi_dbm, sample.noise_dbm, sample.freq_mhz, sample.width_mhz, sample.phy) == (
        -51, -90, 5200, 160, "HE",
    )  # fmt: skip
    assert sample.why["bssid"] is Reason.NEEDS_LOCATION_PERMISSION
    assert sample.source.kind is SourceKind.LIVE


def test_no_such_interface() -> None:
    assert reader(None).sample("en7", 2.0).why["rssi_dbm"] is Reason.NO_SUCH_INTERFACE


def test_a_method_that_raises_costs_its_field_only() -> None:
    sample = reader(card(rssiValue=RuntimeError("bridge"), wlanChannel=RuntimeError("bridge"))).sample("en0", 2.0)
    check_record(sample)
    assert sample.why["rssi_dbm"] is Reason.PARSE_ERROR
    assert sample.why["channel"] is Reason.NOT_REPORTED_BY_DRIVER
    assert sample.noise_dbm == -90


def test_a_client_that_raises_is_an_unavailable_reader() -> None:
    assert reader(RuntimeError("gone")).sample("en0", 2.0).why["tx"] is Reason.READER_UNAVAILABLE


def test_the_deadline_is_kept_between_calls() -> None:
    assert reader(card()).sample("en0", 0.5).why["tx"] is Reason.TIMEOUT


def test_a_sample_never_starts_the_profiler() -> None:
    def forbidden(limit_s: float) -> str:
        raise AssertionError("system_profiler takes seconds and may scan")

    reader(card(), forbidden).sample("en0", 2.0)


def test_facts_derive_streams_and_guard_interval() -> None:
    facts = reader(card()).facts("en0", 20.0)
    check_record(facts)
    assert facts.tx is not None
    assert (facts.tx.mbps, facts.tx.mcs, facts.tx.nss, facts.tx.gi_ns, facts.tx.width_mhz) == (1297, 6, 2, 800, 160)
    assert set(facts.derived) == {"tx.nss", "tx.gi_ns"}
    assert (facts.tx_power_dbm, facts.country) == (20.0, "XX")


def test_nothing_is_derived_from_a_rate_that_fits_no_modulation() -> None:
    facts = reader(card(), lambda limit_s: profile(spairport_network_rate=1111)).facts("en0", 20.0)
    assert facts.tx is not None
    assert facts.tx.nss is None
    assert facts.derived == ()


@pytest.mark.parametrize(
    ("rate_mbps", "streams", "derived"),
    [(8, 1, ("tx.nss",)), (51, None, ())],  # by the formula: 8.6, 8.1 or 7.3 with one; 51.6 with six, 51.2 with seven
)
def test_what_has_several_answers_is_not_derived(rate_mbps: int, streams: int | None, derived: tuple[str, ...]) -> None:
    text = profile(
        spairport_network_rate=rate_mbps, spairport_network_mcs=0, spairport_network_channel="40 (5GHz, 20MHz)"
    )
    facts = reader(card(), lambda limit_s: text).facts("en0", 20.0)
    check_record(facts)
    assert facts.tx is not None
    assert (facts.tx.nss, facts.tx.gi_ns, facts.derived) == (streams, None, derived)


@pytest.mark.parametrize(
    ("problem", "reason"),
    [
        (subprocess.TimeoutExpired("system_profiler", 3), Reason.TIMEOUT),
        (FileNotFoundError("system_profiler"), Reason.READER_UNAVAILABLE),
        (subprocess.CalledProcessError(1, "system_profiler"), Reason.READER_UNAVAILABLE),
    ],
)
def test_a_failing_profiler_is_a_reason(problem: Exception, reason: Reason) -> None:
    def fails(limit_s: float) -> str:
        raise problem

    facts = reader(card(), fails).facts("en0", 20.0)
    check_record(facts)
    assert facts.why["tx"] is reason


def test_the_profiler_may_be_garbage_or_know_no_network() -> None:
    assert read_profiler("not json", "en0") == {"error": "parse_error"}
    assert read_profiler('{"SPAirPortDataType": 5}', "en0") == {"error": "parse_error"}
    assert read_profiler(profile(), "awdl0") == {"error": "not_associated"}
    assert read_profiler(profile(), "en9") == {"error": "no_such_interface"}


NAMES = ("powerOn", "ssid", "bssid", "rssiValue", "noiseMeasurement", "transmitRate", "channelNumber", "channelWidth",
         "channelBand", "activePHYMode", "error", "profiler", "transmitPower", "countryCode")  # fmt: skip
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=20), st.just([]),
    st.just({"malformed": True}), st.dictionaries(st.sampled_from(["mbps", "mcs", "phy", "error"]), st.integers()),
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@example({"transmitPower": 0.8})
@given(st.dictionaries(st.sampled_from(NAMES), VALUES))
def test_no_answer_makes_the_decoder_raise(raw: dict[str, Any]) -> None:
    check_record(decode_sample(raw, MOMENT, FullNames()))
    check_record(decode_facts(raw, MOMENT))
