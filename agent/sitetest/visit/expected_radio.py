"""The radio that site.toml declares for an AP config, against what the laptop sees.

Only what the site states and the system tells is compared: a field that either does not know is *untold*, never a
mismatch. BSSIDs are compared as the labels that the link reader writes, so expected ones pass through the same
`PlaceNames`. A multi-link connection agrees when any one of its links does.

Pure. May import plan.site, observe and the standard library only.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.record import LinkSample, RadioLink
from sitetest.plan.site import AccessPoint, ApConfig

BSSID, BAND, CHANNEL, WIDTH = "bssid", "band", "channel", "width_mhz"
STATED = (BSSID, BAND, CHANNEL, WIDTH)
"""What an AP config can state, in the order in which it is told."""


@dataclass(frozen=True, slots=True)
class ExpectedRadio:
    """What the site declares. None, or no BSSID: not stated. bssids: labels of the declared access point."""

    ap_config: str
    access_point: str
    band: str | None = None
    channel: int | None = None
    width_mhz: int | None = None
    bssids: frozenset[str] = frozenset()

    @property
    def states_something(self) -> bool:
        """Whether there is anything to compare."""
        return any(self.wanted(name) for name in STATED)

    def wanted(self, name: str) -> frozenset[object]:
        """Return the values of one of STATED that agree; none when it is not stated."""
        if name == BSSID:
            return frozenset(self.bssids)
        value = getattr(self, name)
        return frozenset() if value is None else frozenset({value})


@dataclass(frozen=True, slots=True)
class Mismatch:
    """fields: which of STATED differ. seen: the radio that the laptop is on, in words. sentence: both sides, for
    people."""

    fields: tuple[str, ...]
    seen: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """differ, untold: names out of STATED. untold: stated by the site, not told by the system."""

    differ: tuple[str, ...]
    untold: tuple[str, ...]


def expected_radio(config: ApConfig, access_point: AccessPoint, names: PlaceNames) -> ExpectedRadio:
    """Return what the site declares for an AP config. "auto" is not a statement. names: as the link reader's."""
    return ExpectedRadio(
        ap_config=config.name,
        access_point=access_point.name,
        band=config.band,
        channel=config.channel if isinstance(config.channel, int) else None,
        width_mhz=config.width_mhz if isinstance(config.width_mhz, int) else None,
        bssids=frozenset(names.bssid(address) for address in access_point.bssids),
    )


def compare(expected: ExpectedRadio, sample: LinkSample) -> Comparison:
    """Compare field by field. A laptop that is on no access point tells nothing."""
    differ, untold = [], []
    for name in STATED:
        wanted = expected.wanted(name)
        if not wanted:
            continue
        seen = {value for radio in _radios(sample) if (value := getattr(radio, name)) is not None}
        if not sample.associated or not seen:
            untold.append(name)
        elif not seen & wanted:
            differ.append(name)
    return Comparison(tuple(differ), tuple(untold))


def mismatch(expected: ExpectedRadio, sample: LinkSample) -> Mismatch | None:
    """Return what differs; None when nothing that both know does."""
    differ = compare(expected, sample).differ
    if not differ:
        return None
    seen = seen_in_words(sample)
    return Mismatch(differ, seen, f"The laptop is on {seen}; the profile says {_declared(expected, differ)}.")


def seen_in_words(sample: LinkSample) -> str:
    """Say which radio a sample is of, such as ``ap-3f9a61c2 (5 GHz, channel 36, 80 MHz)``."""
    name = sample.bssid or "an access point whose name this system hides"
    links = [words for radio in (sample.links or (sample,)) if (words := ", ".join(_settings(radio)))]
    return f"{name} ({'; '.join(links)})" if links else name


def _radios(sample: LinkSample) -> Sequence[LinkSample | RadioLink]:
    return (sample, *(sample.links or ()))


def _settings(radio: LinkSample | RadioLink) -> list[str]:
    return [
        *([] if radio.band is None else [f"{radio.band} GHz"]),
        *([] if radio.channel is None else [f"channel {radio.channel}"]),
        *([] if radio.width_mhz is None else [f"{radio.width_mhz} MHz"]),
    ]


def _declared(expected: ExpectedRadio, differ: Sequence[str]) -> str:
    words = {
        BSSID: f"access point {expected.access_point!r} ({' or '.join(sorted(expected.bssids))})",
        BAND: f"{expected.band} GHz",
        CHANNEL: f"channel {expected.channel}",
        WIDTH: f"{expected.width_mhz} MHz",
    }
    return f"{', '.join(words[name] for name in differ)} for AP config {expected.ap_config!r}"
