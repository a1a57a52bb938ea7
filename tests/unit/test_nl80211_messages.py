"""From bytes as the kernel builds them to plain attributes, and no byte string that could make the decoder raise."""

import re
import struct
from pathlib import Path

import nl80211_bytes as nl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from link_invariants import check_record

from sitetest.observe.link import nl80211_numbers
from sitetest.observe.link.nl80211_decode import decode_sample
from sitetest.observe.link.nl80211_messages import load_messages
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reader import MALFORMED
from sitetest.observe.link.record import LinkSample, Moment, Source, SourceKind

MOMENT = Moment(Source(SourceKind.LIVE, "linux-nl80211", "linux"), "wlan0", 1.0, 1.001)
KERNEL_HEADER = Path("/usr/include/linux/nl80211.h")


def sample_of(interface: bytes, *stations: bytes, surveys: tuple[bytes, ...] = ()) -> LinkSample:
    plain = load_messages().plain
    raw = {
        "interface": plain(nl.generic(nl.NEW_INTERFACE, interface))[1],
        "stations": [plain(nl.generic(nl.NEW_STATION, station))[1] for station in stations],
        "survey": [plain(nl.generic(nl.NEW_SURVEY, survey))[1] for survey in surveys],
    }
    return decode_sample(raw, MOMENT, FullNames())


def test_a_station_as_the_kernel_sends_it() -> None:
    sample = sample_of(nl.interface(), nl.station(), surveys=(nl.survey(5200, in_use=False), nl.survey()))
    check_record(sample)
    assert sample.tx is not None
    assert sample.rx is not None
    assert (sample.tx.mbps, sample.tx.mcs, sample.tx.nss, sample.tx.width_mhz, sample.tx.gi_ns, sample.tx.phy) == (
        960.7, 9, 2, 80, 800, "HE",
    )  # fmt: skip
    assert (sample.rx.mbps, sample.rx.mcs) == (1200.9, 11)
    assert (sample.rssi_dbm, sample.rssi_avg_dbm, sample.beacon_rssi_dbm) == (-52, -53, -51)
    assert (sample.bssid, sample.ssid, sample.freq_mhz, sample.centre_mhz) == (
        "02:00:00:aa:bb:01", "quay-street", 5180, 5210,
    )  # fmt: skip
    assert (sample.retries, sample.tx_packets, sample.tx_failed, sample.beacon_loss) == (17, 7000, 0, 1)
    assert (sample.connected_s, sample.associated_at_s) == (139, 86_400.0)
    assert sample.noise_dbm == -92, "pyroute2 itself reads this signed byte as 164"


def test_what_pyroute2_lacks_is_read() -> None:
    """MLO_LINKS 312, MLO_LINK_ID 313, MLD_ADDR 314, PUNCT_BITMAP 322, width 13 = 320 MHz, UHR rates passed over."""
    link = (nl.u8(313, 1), nl.address(6, "02:00:00:00:00:12"), nl.u32(38, 6135), nl.u32(159, 13), nl.u32(160, 6265))
    links = nl.nest(312, nl.nest(1, *link, nl.u32(322, 12)))
    uhr = nl.nest(8, nl.u32(5, 50000), nl.u8(30, 4), nl.flag(31), nl.flag(32), nl.flag(18))
    per_link = nl.nest(312, nl.nest(1, nl.u8(313, 1), nl.address(6, "02:00:00:aa:bb:a1"), nl.nest(21, nl.s8(7, -60))))
    station = nl.station(per_link, nl.address(314, "02:00:00:aa:bb:0f"), info=nl.station_info(tx=uhr))
    sample = sample_of(nl.interface(links, freq_mhz=None), station)
    check_record(sample)
    assert sample.links is not None
    only = sample.links[0]
    assert (only.link_id, only.freq_mhz, only.width_mhz, only.punctured, only.bssid, only.rssi_dbm) == (
        1, 6135, 320, 12, "02:00:00:aa:bb:a1", -60,
    )  # fmt: skip
    assert (sample.mlo, sample.freq_mhz, sample.width_mhz) == (True, 6135, 320)
    assert sample.tx is not None
    assert (sample.tx.phy, sample.tx.mbps, sample.tx.width_mhz, sample.tx.mcs) == ("UHR", 5000.0, 320, None)


def test_a_name_that_is_not_text_is_kept() -> None:
    interface = nl.u32(5, 2) + nl.attribute(52, b"\xff\xfe\x00x")
    assert sample_of(interface, nl.station()).ssid == "\\xff\\xfe\x00x"


def test_our_table_is_used_though_pyroute2s_own_was_used_first() -> None:
    """pyroute2 remembers on the parent class that its table is compiled; a subclass would inherit the parent's."""
    from pyroute2.netlink.nl80211 import nl80211cmd

    parent = nl80211cmd(nl.generic(nl.NEW_INTERFACE, nl.interface()))
    parent.decode()
    load_messages.cache_clear()
    data = nl.generic(nl.NEW_INTERFACE, nl.u32(322, 3))
    assert load_messages().plain(data)[1] == {"PUNCT_BITMAP": 3}


def test_pyroute2s_own_decoder_agrees_where_it_has_the_attributes() -> None:
    """Second opinion: the library's unchanged message class on the same bytes."""
    from pyroute2.netlink.nl80211 import nl80211cmd

    data = nl.generic(nl.NEW_STATION, nl.station())
    theirs = nl80211cmd(data)
    theirs.decode()
    ours = load_messages().plain(data)[1]
    assert theirs.get_attr("NL80211_ATTR_MAC") == ours["MAC"]
    info = theirs.get_attr("NL80211_ATTR_STA_INFO")
    prefix = "NL80211_STA_INFO_"
    for name in ("SIGNAL", "SIGNAL_AVG", "BEACON_SIGNAL_AVG", "TX_RETRIES", "CONNECTED_TIME", "ASSOC_AT_BOOTTIME"):
        assert info.get_attr(prefix + name) == ours["STA_INFO"][name]
    assert info.get_attr(f"{prefix}STA_FLAGS") == ours["STA_INFO"]["STA_FLAGS"]
    for way in ("TX_BITRATE", "RX_BITRATE"):
        rate = info.get_attr(prefix + way)
        names = [name.removeprefix("NL80211_RATE_INFO_") for name in (slot[0] for slot in rate["attrs"])]
        found = {name: rate.get_attr(f"NL80211_RATE_INFO_{name}") for name in names if name != "HE_DCM"}
        assert found == ours["STA_INFO"][way]


@pytest.mark.skipif(not KERNEL_HEADER.exists(), reason="the kernel's header is not installed (Debian: linux-libc-dev)")
def test_numbers_are_those_of_the_kernels_header() -> None:
    """Source: enum nl80211_commands and nl80211_attrs of the installed uapi header."""
    text = re.sub(r"/\*.*?\*/", "", KERNEL_HEADER.read_text(encoding="utf-8"), flags=re.DOTALL)

    def numbers(enum: str) -> dict[str, int]:
        body = re.search(rf"enum {enum} \{{(.*?)\}};", text, re.DOTALL)
        assert body is not None
        found: dict[str, int] = {}
        following = 0
        for entry in filter(None, (part.strip() for part in body.group(1).split(","))):
            name, _, value = (part.strip() for part in entry.partition("="))
            following = (
                (found[value] if value in found else int(value, 0)) if re.fullmatch(r"\w+", value) else following
            )
            found[name] = following
            following += 1
        return found

    commands = numbers("nl80211_commands")
    for command in nl80211_numbers.Command:
        assert commands[f"NL80211_CMD_{command.name}"] == command
    attributes = numbers("nl80211_attrs")
    for name, number in (("MLO_LINKS", 312), ("MLO_LINK_ID", 313), ("MLD_ADDR", 314), ("PUNCT_BITMAP", 322)):
        assert attributes[f"NL80211_ATTR_{name}"] == number
    assert numbers("nl80211_rate_info")["NL80211_RATE_INFO_EHT_RU_ALLOC"] == 22


@pytest.mark.parametrize(
    ("bad", "path", "others"),
    [
        (nl.attribute(7, b""), "SIGNAL", "SIGNAL_AVG"),
        (nl.attribute(7, b"\xcc\xcc"), "SIGNAL", "SIGNAL_AVG"),
        (nl.attribute(7, b"\xcc", stated_length=0), "SIGNAL", None),
        (nl.attribute(17, b"\0\0\0\0"), "STA_FLAGS", "SIGNAL_AVG"),
    ],
    ids=["empty", "too long", "stated length zero", "half of the flags"],
)
def test_a_damaged_attribute_is_marked_and_the_rest_kept(bad: bytes, path: str, others: str | None) -> None:
    """pyroute2 alone would read on into the next attribute and give its header as the value."""
    parts = (bad, nl.s8(13, -53)) if others else (nl.s8(13, -53), bad)
    plain = load_messages().plain(nl.generic(nl.NEW_STATION, nl.nest(21, *parts)))[1]["STA_INFO"]
    assert plain[path] == MALFORMED
    assert plain["SIGNAL_AVG"] == -53


def test_a_nest_that_states_more_than_it_has_does_not_swallow_what_follows() -> None:
    """Without the check the attribute after the station would be read as an MCS of 7."""
    rate = nl.attribute(8 | 0x8000, nl.u32(5, 9607), stated_length=4 + 8 + 8)
    data = nl.generic(nl.NEW_STATION, nl.nest(21, rate), nl.u8(2, 7))
    assert load_messages().plain(data)[1]["STA_INFO"] == {"TX_BITRATE": MALFORMED}


def test_of_a_repeated_attribute_the_last_counts() -> None:
    """As the kernel's own nla_parse() does."""
    plain = load_messages().plain(nl.generic(nl.NEW_STATION, nl.nest(21, nl.s8(7, -40), nl.s8(7, -50))))[1]
    assert plain["STA_INFO"]["SIGNAL"] == -50


def test_links_of_length_zero_do_not_hang() -> None:
    links = nl.attribute(312 | 0x8000, struct.pack("=HH", 0, 1) * 3)
    assert load_messages().plain(nl.generic(nl.NEW_INTERFACE, links))[1]["MLO_LINKS"] == MALFORMED


MESSAGES = (
    nl.generic(nl.NEW_STATION, nl.station()),
    nl.generic(nl.NEW_INTERFACE, nl.interface(nl.nest(312, nl.nest(1, nl.u8(313, 1), nl.u32(38, 6135))))),
    nl.generic(nl.NEW_SURVEY, nl.survey()),
)


def never_raises(data: bytes) -> None:
    try:
        _, plain = load_messages().plain(data)
    except ValueError:
        return
    for raw in (
        {"interface": plain, "stations": [plain], "survey": [plain]},
        {"interface": {"IFTYPE": 2}, "stations": [plain], "survey": []},
    ):
        check_record(decode_sample(raw, MOMENT, FullNames(), raw))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(MESSAGES), st.integers(0, 400), st.binary(min_size=1, max_size=8))
def test_no_overwritten_bytes_make_it_raise(message: bytes, at: int, noise: bytes) -> None:
    at %= len(message)
    never_raises(message[:at] + noise + message[at + len(noise) :])


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(MESSAGES), st.integers(0, 400))
def test_no_truncation_makes_it_raise(message: bytes, keep: int) -> None:
    never_raises(message[: keep % len(message)])


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.builds(nl.attribute, st.integers(0, 400), st.binary(max_size=12)),
            st.builds(
                lambda number, inside: nl.nest(number, *inside),
                st.sampled_from([8, 14, 21, 84, 312]),
                st.lists(st.builds(nl.attribute, st.integers(0, 50), st.binary(max_size=9)), max_size=6),
            ),
        ),
        max_size=10,
    )
)
def test_no_set_of_attributes_in_any_order_makes_it_raise(attributes: list[bytes]) -> None:
    never_raises(nl.generic(nl.NEW_STATION, *attributes))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(
        st.sampled_from(["STA_INFO", "TX_BITRATE", "SIGNAL", "BITRATE", "HE_MCS", "MLO_LINKS", "WIPHY_FREQ", "error",
                         "SSID", "MAC", "SURVEY_INFO", "IN_USE", "TIME", "TIME_BUSY", "malformed", "IFTYPE"]),
        inside, max_size=5,
    ),
    max_leaves=12,
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from(["interface", "stations", "survey"]), JSON))
def test_no_capture_of_the_wrong_shape_makes_the_decoder_raise(raw: dict[str, object]) -> None:
    check_record(decode_sample(raw, MOMENT, FullNames(), raw))
