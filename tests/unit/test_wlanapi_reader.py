"""The Windows reader against functions that fill the documented structures. Not run on Windows."""

import ctypes
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from link_invariants import check_record

from sitetest.observe.link import wlanapi_structures as layout
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample, Moment, Source, SourceKind
from sitetest.observe.link.wlanapi_decode import decode_sample
from sitetest.observe.link.wlanapi_functions import WlanFunctions, WlanRefused
from sitetest.observe.link.wlanapi_reader import WlanReader

GUID = bytes(range(16))
MOMENT = Moment(Source(SourceKind.LIVE, "windows-wlanapi", "win32"), "Wi-Fi", 1.0, 1.01)


def realtime(*links: tuple[int, int, int, int], mlo: bool = False, count: int | None = None) -> bytes:
    """links: (id, MHz, width in MHz, dBm)."""
    head = layout.RealtimeHead(8, 80, 780_000, 866_700, int(mlo), len(links) if count is None else count)
    return bytes(head) + b"".join(bytes(layout.LinkInfo(*link, layout.RateSet())) for link in links)


def connection() -> bytes:
    found = layout.Connection(state=1)
    found.association.ssid.length = 6
    found.association.ssid.name[:6] = b"ssid-1"
    found.association.bssid[:] = bytes.fromhex("020000aabb01")
    found.association.rx_rate, found.association.tx_rate, found.association.phy = 780_000, 866_700, 8
    return bytes(found)


def number(value: int) -> bytes:
    return (value & 0xFFFFFFFF).to_bytes(4, "little")


def test_layouts_have_the_documented_sizes() -> None:
    """Sizes from Microsoft's structure documentation; 296 bytes for one link is what a real machine was reported to
    answer (second-hand)."""
    assert (layout.HEAD_BYTES, layout.LINK_BYTES, len(realtime((0, 5745, 80, -47)))) == (24, 272, 296)
    assert (ctypes.sizeof(layout.Association), ctypes.sizeof(layout.Connection)) == (68, 604)
    assert (layout.Association.bssid.offset, layout.Association.rx_rate.offset) == (40, 60)


class Libraries:
    """wlanapi and iphlpapi in one: fills structures through the pointers it is given, as Windows does."""

    def __init__(self, answers: dict[int, bytes | int]) -> None:
        self.answers = answers
        self.kept: dict[int, Any] = {}
        self.freed: list[int] = []
        self.closed = 0
        self.opcodes: list[int] = []

    def give(self, pointer: Any, data: bytes) -> None:
        buffer = ctypes.create_string_buffer(data, len(data))
        self.kept[ctypes.addressof(buffer)] = buffer
        pointer._obj.value = ctypes.addressof(buffer)

    def WlanOpenHandle(self, version: Any, reserved: None, negotiated: Any, handle: Any) -> int:  # noqa: N802
        handle._obj.value = 77
        return self.answers.get(-1, 0) if isinstance(self.answers.get(-1, 0), int) else 0  # type: ignore[return-value]

    def WlanCloseHandle(self, handle: Any, reserved: None) -> int:  # noqa: N802
        self.closed += 1
        return 0

    def WlanEnumInterfaces(self, handle: Any, reserved: None, found: Any) -> int:  # noqa: N802
        entry = layout.InterfaceInfo(layout.Guid.from_buffer_copy(GUID), state=1)
        self.give(found, number(1) + number(0) + bytes(entry))
        return 0

    def WlanQueryInterface(  # noqa: N802
        self, handle: Any, guid: Any, opcode: Any, reserved: None, size: Any, data: Any, kind: None
    ) -> int:
        assert bytes(guid._obj) == GUID
        self.opcodes.append(opcode.value)
        answer = self.answers.get(opcode.value, 50)
        if isinstance(answer, int):
            return answer
        size._obj.value = len(answer)
        self.give(data, answer)
        return 0

    def WlanFreeMemory(self, data: Any) -> None:  # noqa: N802
        self.freed.append(data.value)

    def ConvertInterfaceAliasToLuid(self, alias: Any, luid: Any) -> int:  # noqa: N802
        luid._obj.value = 5
        return 0 if alias.value == "Wi-Fi" else 123

    def ConvertInterfaceLuidToGuid(self, luid: Any, guid: Any) -> int:  # noqa: N802
        ctypes.memmove(ctypes.byref(guid._obj), GUID, 16)
        return 0


def usual(**changes: bytes | int) -> dict[int, bytes | int]:
    answers: dict[int, bytes | int] = {
        layout.OPCODE_STATE: number(1),
        layout.OPCODE_REALTIME: realtime((0, 5745, 80, -47)),
        layout.OPCODE_CONNECTION: connection(),
        layout.OPCODE_RSSI: number(-47),
        layout.OPCODE_CHANNEL: number(149),
    }
    names = {"state": layout.OPCODE_STATE, "realtime": layout.OPCODE_REALTIME, "connection": layout.OPCODE_CONNECTION}
    return answers | {names[name]: answer for name, answer in changes.items()}


def reading(answers: dict[int, bytes | int], interface: str = "Wi-Fi") -> tuple[LinkSample, Libraries]:
    libraries = Libraries(answers)
    reader = WlanReader(
        FullNames(), open_functions=lambda: WlanFunctions(libraries, libraries), clock=lambda: 1.0, system="Windows 11"
    )
    sample = reader.sample(interface, 2.0)
    check_record(sample)
    reader.close()
    return sample, libraries


def test_a_sample_with_everything_allowed() -> None:
    sample, libraries = reading(usual())
    assert (sample.bssid, sample.ssid, sample.rssi_dbm, sample.freq_mhz, sample.width_mhz) == (
        "02:00:00:aa:bb:01", "ssid-1", -47, 5745, 80,
    )  # fmt: skip
    assert sample.tx is not None
    assert sample.tx.mbps == 866.7
    assert libraries.opcodes == [layout.OPCODE_STATE, layout.OPCODE_REALTIME, layout.OPCODE_CONNECTION]
    assert set(libraries.freed) == set(libraries.kept), "everything that Windows allocated is freed"
    assert libraries.closed == 1


def test_without_location_permission_only_names_are_missing() -> None:
    sample, _ = reading(usual(connection=5))
    assert sample.why["ssid"] is sample.why["bssid"] is Reason.NEEDS_LOCATION_PERMISSION
    assert sample.rssi_dbm == -47


@pytest.mark.parametrize("code", [87, 50, 1168])
def test_an_older_windows_is_asked_by_older_opcodes(code: int) -> None:
    sample, libraries = reading(usual(realtime=code))
    assert (sample.rssi_dbm, sample.channel) == (-47, 149)
    assert sample.why["width_mhz"] is Reason.NOT_SUPPORTED_BY_OS
    assert sample.tx is not None, "rates come from the connection then"
    assert libraries.opcodes[-2:] == [layout.OPCODE_RSSI, layout.OPCODE_CHANNEL]


@pytest.mark.parametrize("answers", [usual(state=number(4)), usual(realtime=5023, connection=5023)])
def test_disconnected(answers: dict[int, bytes | int]) -> None:
    sample, _ = reading(answers)
    assert (sample.associated, sample.why["rssi_dbm"]) == (False, Reason.NOT_ASSOCIATED)


def test_a_stopped_service_is_an_unavailable_reader() -> None:
    sample, _ = reading({-1: 1062})
    assert sample.why["tx"] is Reason.READER_UNAVAILABLE


def test_an_interface_of_another_kind_is_not_found() -> None:
    sample, _ = reading(usual(), "Ethernet")
    assert sample.why["tx"] is Reason.NO_SUCH_INTERFACE


@pytest.mark.parametrize(
    "data", [b"", realtime()[:20], realtime((0, 5745, 80, -47), count=2), realtime((0, 5745, 80, -47), count=2**31)]
)
def test_a_reply_whose_size_does_not_fit_is_refused_whole(data: bytes) -> None:
    assert layout.read_realtime(data) == {"malformed": True}


def test_a_signal_below_zero_is_signed() -> None:
    assert layout.read_number(number(-47), signed=True) == -47
    assert layout.read_number(b"\0" * 8) == {"malformed": True}


def test_no_opcode_is_one_that_scans_or_changes_something() -> None:
    """Only queries: the reader knows no other function."""
    wanted: set[Callable[..., Any] | str] = {name for name in vars(WlanFunctions) if not name.startswith("_")}
    assert wanted == {"guid_of", "interfaces", "query", "close"}


def test_windows_libraries_are_missing_elsewhere() -> None:
    sample = WlanReader(FullNames(), clock=lambda: 1.0).sample("Wi-Fi", 2.0)
    check_record(sample)
    assert sample.why["tx"] is Reason.READER_UNAVAILABLE


def test_an_error_number_is_kept() -> None:
    with pytest.raises(WlanRefused) as caught:
        WlanFunctions(Libraries({-1: 1062}), Libraries({}))
    assert caught.value.code == 1062


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=900))
def test_no_bytes_make_the_layouts_raise(data: bytes) -> None:
    raw = {"state": 1, "realtime": layout.read_realtime(data), "connection": layout.read_connection(data)}
    check_record(decode_sample(raw, MOMENT, FullNames()))


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.text(max_size=20),
    st.fixed_dictionaries({"error": st.integers(0, 6000) | st.text(max_size=3)}),
    st.dictionaries(
        st.sampled_from(["phy", "rx_kbps", "tx_kbps", "is_mlo", "links", "ssid_hex", "bssid", "malformed"]),
        st.one_of(st.integers(), st.booleans(), st.text(max_size=9), st.lists(
            st.dictionaries(st.sampled_from(["link_id", "frequency", "bandwidth_mhz", "rssi_dbm"]), st.integers()),
            max_size=3,
        )),
    ),
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from(["state", "realtime", "connection", "rssi", "channel", "error"]), VALUES))
def test_no_answer_makes_the_decoder_raise(raw: dict[str, Any]) -> None:
    check_record(decode_sample(raw, MOMENT, FullNames()))
