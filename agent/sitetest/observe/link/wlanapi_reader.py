"""The link reader of Windows: wlanapi.dll, with what it tells without the location permission first.

Never scans (a scan costs packets) and never parses `netsh`. May import the standard library and its neighbours only.
"""

import platform
import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from sitetest.observe.link.no_reader import SAMPLE_FIELDS
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import Clock, Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind
from sitetest.observe.link.wlanapi_decode import NOT_TOLD, OLDER_WINDOWS, decode_facts, decode_sample, reason_of
from sitetest.observe.link.wlanapi_functions import WlanFunctions, WlanRefused
from sitetest.observe.link.wlanapi_structures import (
    OPCODE_CHANNEL,
    OPCODE_CONNECTION,
    OPCODE_REALTIME,
    OPCODE_RSSI,
    OPCODE_STATE,
    read_connection,
    read_number,
    read_realtime,
)


class Functions(Protocol):
    """What the reader needs of Windows; the real one is :class:`WlanFunctions`."""

    def guid_of(self, interface: str) -> bytes | None: ...
    def query(self, guid: bytes, opcode: int) -> bytes: ...
    def close(self) -> None: ...


class WlanReader:
    """Reads the link on Windows. open_functions: raises OSError or WlanRefused where the WLAN service is not there."""

    kind = SourceKind.LIVE
    name = "windows-wlanapi"

    def __init__(
        self,
        names: PlaceNames,
        *,
        open_functions: Callable[[], Functions] = WlanFunctions,
        clock: Clock = time.monotonic,
        system: str | None = None,
    ) -> None:
        self._names = names
        self._open_functions = open_functions
        self._clock = clock
        self._system = system or f"Windows {platform.version()}".strip()
        self._source = Source(self.kind, self.name, "win32")
        self._functions: Functions | None = None
        self._guids: dict[str, bytes] = {}

    def capabilities(self) -> Mapping[str, Reason | None]:
        """What the API has words for; names only with the location permission."""
        told: dict[str, Reason | None] = dict.fromkeys(SAMPLE_FIELDS)
        told |= dict.fromkeys(NOT_TOLD, Reason.NOT_SUPPORTED_BY_OS)
        return told | dict.fromkeys(("ssid", "bssid"), Reason.NEEDS_LOCATION_PERMISSION)

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        """Read the link now."""
        at_s = self._clock()
        raw = self.observe(interface, deadline_s)
        return decode_sample(raw, Moment(self._source, interface, at_s, self._clock()), self._names)

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        """Return the version of Windows; it tells nothing else."""
        at_s = self._clock()
        raw = self.observe_facts(interface, deadline_s)
        return decode_facts(raw, Moment(self._source, interface, at_s, self._clock()))

    def observe(self, interface: str, deadline_s: float) -> Observation:
        """Ask Windows and return its answer undecoded (see `wlanapi_decode.py`). Checks the deadline between calls; a
        call that hangs is the sampler's to give up."""
        try:
            functions, guid = self._opened(interface)
        except WlanRefused as problem:
            return {"error": reason_of(problem.code).value}
        except OSError:
            return {"error": Reason.READER_UNAVAILABLE.value}
        except ValueError:
            return {"error": Reason.PARSE_ERROR.value}
        if guid is None:
            return {"error": Reason.NO_SUCH_INTERFACE.value}
        raw: Observation = {}
        asked: list[tuple[str, int, Callable[[bytes], Any]]] = [
            ("state", OPCODE_STATE, read_number),
            ("realtime", OPCODE_REALTIME, read_realtime),
            ("connection", OPCODE_CONNECTION, read_connection),
        ]
        older: list[tuple[str, int, Callable[[bytes], Any]]] = [
            ("rssi", OPCODE_RSSI, lambda data: read_number(data, signed=True)),
            ("channel", OPCODE_CHANNEL, read_number),
        ]
        while asked:
            if self._clock() > deadline_s:
                return {"error": Reason.TIMEOUT.value}
            name, opcode, read = asked.pop(0)
            raw[name] = _query(functions, guid, opcode, read)
            if name == "realtime" and isinstance(raw[name], dict) and raw[name].get("error") in OLDER_WINDOWS:
                asked += older
        if isinstance(raw["state"], dict) and reason_of(raw["state"].get("error")) is Reason.READER_UNAVAILABLE:
            self.close()  # the service went away: connect afresh next time
        return raw

    def observe_facts(self, interface: str, deadline_s: float) -> Observation:  # noqa: ARG002  the protocol's signature
        """Return the version of Windows."""
        return {"system": self._system}

    def events(self, interface: str) -> None:
        """None: notifications about roaming need the location permission."""

    def close(self) -> None:
        """Close the handle."""
        if self._functions is not None:
            self._functions.close()
        self._functions, self._guids = None, {}

    def _opened(self, interface: str) -> tuple[Functions, bytes | None]:
        if self._functions is None:
            self._functions = self._open_functions()
        if interface not in self._guids:
            guid = self._functions.guid_of(interface)
            if guid is None:
                return self._functions, None
            self._guids[interface] = guid
        return self._functions, self._guids[interface]


def _query(functions: Functions, guid: bytes, opcode: int, read: Callable[[bytes], Any]) -> Any:
    try:
        return read(functions.query(guid, opcode))
    except WlanRefused as problem:
        return {"error": problem.code}
