"""The link reader of macOS: CoreWLAN each second, the system profiler once before and once after a run.

Network name and BSSID stay hidden unless the person has granted the location permission to a signed Python; sitetest
never asks for it. May import the standard library and its neighbours only; pyobjc is imported when the reader is made.
"""

import platform
import subprocess
import time
from collections.abc import Callable, Mapping
from typing import Any

from sitetest.observe.link.corewlan_decode import NOT_TOLD, decode_facts, decode_sample, read_profiler
from sitetest.observe.link.no_reader import SAMPLE_FIELDS
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import MALFORMED, Clock, Observation
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind

SAMPLE_METHODS = (
    "interfaceName", "powerOn", "ssid", "bssid", "rssiValue", "noiseMeasurement", "transmitRate", "activePHYMode"
)  # fmt: skip
CHANNEL_METHODS = ("channelNumber", "channelWidth", "channelBand")
FACTS_METHODS = ("transmitPower", "countryCode")

PROFILER = ("system_profiler", "-json", "SPAirPortDataType")


def shared_client() -> Any:
    """Return CoreWLAN's client. Raises ImportError where pyobjc's CoreWLAN is not installed."""
    import CoreWLAN  # noqa: PLC0415  exists on macOS only

    return CoreWLAN.CWWiFiClient.sharedWiFiClient()


def run_profiler(limit_s: float) -> str:
    """Return what the system profiler prints; it takes seconds. Raises OSError and subprocess.SubprocessError."""
    return subprocess.run(PROFILER, capture_output=True, text=True, timeout=limit_s, check=True).stdout


class CoreWlanReader:
    """Reads the link on macOS. Raises ImportError, when it is made, where pyobjc's CoreWLAN is not installed.

    client: an object with the methods of CWWiFiClient; None for the system's own. profiler: takes seconds to wait,
    returns the profiler's JSON.
    """

    kind = SourceKind.LIVE
    name = "macos-corewlan"

    def __init__(
        self,
        names: PlaceNames,
        *,
        client: Any = None,
        profiler: Callable[[float], str] = run_profiler,
        clock: Clock = time.monotonic,
        system: str | None = None,
    ) -> None:
        self._client = shared_client() if client is None else client
        self._names = names
        self._profiler = profiler
        self._clock = clock
        self._system = system or f"macOS {platform.mac_ver()[0]}".strip()
        self._source = Source(self.kind, self.name, "darwin")

    def capabilities(self) -> Mapping[str, Reason | None]:
        """What CoreWLAN has words for; names only with the location permission."""
        told: dict[str, Reason | None] = dict.fromkeys(SAMPLE_FIELDS)
        told |= dict.fromkeys(NOT_TOLD, Reason.NOT_SUPPORTED_BY_OS)
        return told | dict.fromkeys(("ssid", "bssid"), Reason.NEEDS_LOCATION_PERMISSION)

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        """Read the link now."""
        at_s = self._clock()
        raw = self.observe(interface, deadline_s)
        return decode_sample(raw, Moment(self._source, interface, at_s, self._clock()), self._names)

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        """Read the slow facts: the profiler takes some seconds and may scan, so never during a transfer."""
        at_s = self._clock()
        raw = self.observe_facts(interface, deadline_s)
        return decode_facts(raw, Moment(self._source, interface, at_s, self._clock()))

    def observe(self, interface: str, deadline_s: float) -> Observation:
        """Ask CoreWLAN and return its answer undecoded. Checks the deadline between calls; a call that hangs is the
        sampler's to give up."""
        card = _ask(self._client, "interfaceWithName_", interface)
        if card is None or card is MALFORMED:
            return {"error": (Reason.NO_SUCH_INTERFACE if card is None else Reason.READER_UNAVAILABLE).value}
        raw: Observation = {method: _plain(_ask(card, method)) for method in SAMPLE_METHODS}
        if self._clock() > deadline_s:
            return {"error": Reason.TIMEOUT.value}
        channel = _ask(card, "wlanChannel")
        for method in CHANNEL_METHODS:
            raw[method] = None if channel is None or channel is MALFORMED else _plain(_ask(channel, method))
        return raw

    def observe_facts(self, interface: str, deadline_s: float) -> Observation:
        """Ask for the slow facts and return the answer undecoded."""
        card = _ask(self._client, "interfaceWithName_", interface)
        known = card is not None and card is not MALFORMED
        raw: Observation = {method: _plain(_ask(card, method)) if known else None for method in FACTS_METHODS}
        raw["system"] = self._system
        raw["profiler"] = self._profile(interface, deadline_s)
        return raw

    def events(self, interface: str) -> None:
        """None: CoreWLAN's events need a run loop on the main thread and have not been tried without permission."""

    def close(self) -> None:
        """Nothing is held."""

    def _profile(self, interface: str, deadline_s: float) -> dict[str, Any]:
        left_s = deadline_s - self._clock()
        if left_s <= 0:
            return {"error": Reason.TIMEOUT.value}
        try:
            return read_profiler(self._profiler(left_s), interface)
        except subprocess.TimeoutExpired:
            return {"error": Reason.TIMEOUT.value}
        except (OSError, subprocess.SubprocessError):
            return {"error": Reason.READER_UNAVAILABLE.value}
        except UnicodeDecodeError:
            return {"error": Reason.PARSE_ERROR.value}


def _ask(target: Any, method: str, *arguments: Any) -> Any:
    """Return a method's answer. The bridge raises classes of its own for whatever the system throws: this is the one
    place that they become `{"malformed": true}`."""
    try:
        return getattr(target, method)(*arguments)
    except Exception:  # noqa: BLE001  see above; the reason stays visible in the record as parse_error
        return MALFORMED


def _plain(value: Any) -> Any:
    """Return an answer as a JSON type: the bridge's own kinds of text and number are subclasses of Python's."""
    if value is None or value is MALFORMED or isinstance(value, bool):
        return value
    for kind in (int, float, str):
        if isinstance(value, kind):
            return kind(value)
    return MALFORMED
