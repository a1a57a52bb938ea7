"""Which radio it was, and what the radio did during the load: one function for each row of the flag table.

Every function returns what it saw, ``UNKNOWN`` where nobody can tell, or None. None is said only on evidence: "no roam"
needs names in every sample, and events of which none was lost or an association that is known to have gone on.

Pure. May import observe, ceilings, visit.scene, visit.flag_table, visit.expected_radio, sitetest_wire and the standard
library only.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from statistics import median

from sitetest.observe.link.events import LinkEventKind
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.sampler import EXPENSIVE_MS
from sitetest.visit import flag_table as table
from sitetest.visit.expected_radio import WIDTH, ExpectedRadio, compare, seen_in_words
from sitetest.visit.flag_table import Severity
from sitetest.visit.scene import UNKNOWN, Finding, Scene, Seen
from sitetest_wire.words import Direction

SAME_ASSOCIATION_S = 2.0
"""How far the age of an association may be off without being another one: it is told in whole seconds."""

K = LinkEventKind


def most_common(values: Iterable[Hashable | None]) -> Hashable | None:
    """Return the value that comes most often, the first of equals; None when all are None."""
    counts = Counter(value for value in values if value is not None)
    return counts.most_common(1)[0][0] if counts else None


def share_elsewhere(values: Sequence[Hashable | None]) -> float:
    """Return the share of the known values that are not the most common one; 0 without any."""
    known = [value for value in values if value is not None]
    return (len(known) - known.count(most_common(known))) / len(known) if known else 0.0


def _changes(scene: Scene, read: Callable[[LinkSample], Hashable | None]) -> list[tuple[LinkSample, LinkSample]]:
    """Neighbouring samples in which a value is known and differs."""
    return [(a, b) for a, b in scene.steps if None not in (read(a), read(b)) and read(a) != read(b)]


# --- which radio ----------------------------------------------------------------------------------------------------


def wrong_radio(scene: Scene) -> Finding:
    """A channel narrower than declared is `width_fallback`'s."""
    expected = scene.expected
    if expected is None or not expected.states_something:
        return None
    seconds = scene.seconds
    off = [second for second in seconds if _is_elsewhere(expected, second)]
    if off and len(off) > table.ELSEWHERE_SHARE * len(seconds):
        where = seen_in_words(off[-1])
        what = f"{_seconds(off, seconds)} on {where}, not on what site.toml declares for {expected.ap_config}"
        if scene.accepted is not None:
            return Seen(f"{what}; the person went on all the same", Severity.DOUBT)
        return Seen(what)
    blind = [second for second in seconds if compare(expected, second).untold]
    return UNKNOWN if not seconds or len(blind) > table.ELSEWHERE_SHARE * len(seconds) else None


def _is_elsewhere(expected: ExpectedRadio, second: LinkSample) -> bool:
    differ = set(compare(expected, second).differ)
    narrower = (second.width_mhz or 0) < (expected.width_mhz or 0)
    return bool(differ - {WIDTH} if narrower else differ)


def _roams(scene: Scene) -> list[str]:
    """What shows that the access point changed, in words."""
    shown = [f"from {a.bssid} to {b.bssid}" for a, b in _changes(scene, lambda sample: sample.bssid)]
    if shown:
        return shown
    if scene.told(K.ROAMED):
        return [f"to {event.bssid or 'an access point that is not named'}" for event in scene.told(K.ROAMED)]
    named = [sample for sample in scene.samples if sample.bssid is not None]
    for event in scene.told(K.CONNECTED):
        before = [sample.bssid for sample in named if sample.at_s < event.at_s]
        if event.bssid is not None and before and before[-1] != event.bssid:
            shown.append(f"from {before[-1]} to {event.bssid}")
    return shown


def roamed(scene: Scene) -> Finding:
    shown = _roams(scene)
    if shown:
        share = share_elsewhere([second.bssid for second in scene.seconds])
        what = f"the laptop went {', then '.join(shown)}"
        if share > table.ELSEWHERE_SHARE:
            return Seen(f"{what}; {share:.0%} of the window's seconds were on another one", Severity.INVALID)
        return Seen(what)
    hints = [(a, b) for a, b in _channel_changes(scene) if None in (a.bssid, b.bssid)]
    if hints and not scene.told(K.CHANNEL_SWITCHED, K.CHANNEL_SWITCH_STARTED):
        a, b = hints[0]
        return Seen(
            f"the channel changed from {a.channel} to {b.channel}, and this system does not show to which access point "
            "it belongs: a roam, or the access point moved"
        )
    nameless = not scene.samples or any(sample.bssid is None for sample in scene.samples)
    return UNKNOWN if nameless or not _association_watched(scene) else None


def reassociated(scene: Scene) -> Finding:
    restarts = [(a, b) for a, b in scene.steps if _began_anew(a, b)]
    if any(a.bssid is not None and a.bssid == b.bssid for a, b in restarts):
        return Seen("the association began anew on the same access point")
    if _roams(scene):
        return None if _association_watched(scene) else UNKNOWN
    if restarts or scene.told(K.CONNECTED):
        return Seen("the association began anew")
    if scene.told(K.DISCONNECTED) or any(sample.associated is False for sample in scene.all_in_span):
        return Seen("the link was dropped")
    return None if _association_watched(scene) else UNKNOWN


def _began_anew(a: LinkSample, b: LinkSample) -> bool:
    if a.associated_at_s is not None and b.associated_at_s is not None:
        return abs(a.associated_at_s - b.associated_at_s) > SAME_ASSOCIATION_S
    if a.connected_s is not None and b.connected_s is not None:
        return b.connected_s < a.connected_s
    return False


def _association_watched(scene: Scene) -> bool:
    """Whether a new association cannot have gone unseen."""
    if scene.events_complete:
        return True
    samples = scene.samples
    if len(samples) < 2:
        return False
    first, last = samples[0], samples[-1]
    if first.associated_at_s is not None and last.associated_at_s is not None:
        return abs(first.associated_at_s - last.associated_at_s) <= SAME_ASSOCIATION_S
    if first.connected_s is not None and last.connected_s is not None:
        aged_s, passed_s = last.connected_s - first.connected_s, last.at_s - first.at_s
        return abs(aged_s - passed_s) <= SAME_ASSOCIATION_S
    return False


def band_changed(scene: Scene) -> Finding:
    changes = _changes(scene, lambda sample: sample.band)
    if changes:
        what = f"the band changed from {changes[0][0].band} to {changes[0][1].band} GHz"
        share = share_elsewhere([second.band for second in scene.seconds])
        if share > table.ELSEWHERE_SHARE:
            return Seen(f"{what}; {share:.0%} of the window's seconds were on the other one", Severity.INVALID)
        return Seen(what)
    band, first = most_common(sample.band for sample in scene.samples), scene.earlier.ap_config
    if band is None:
        return UNKNOWN
    if first is not None and first.band is not None and first.band != band:
        return Seen(f"{band} GHz; the first counted attempt of this AP config was on {first.band} GHz")
    return None


def radio_changed(scene: Scene) -> Finding:
    first = scene.earlier.ap_config
    bssid = most_common(sample.bssid for sample in scene.samples)
    if first is None:
        return UNKNOWN if bssid is None else None
    channel = most_common(sample.channel for sample in scene.samples)
    known = None not in (bssid, first.bssid_label)
    if known and bssid != first.bssid_label:
        declared = frozenset() if scene.expected is None else scene.expected.bssids
        own = {bssid, first.bssid_label} <= declared
        what = f"{bssid}; the first counted attempt of this AP config was on {first.bssid_label}"
        return Seen(what, Severity.NOTE if own else None)
    if None not in (channel, first.channel) and channel != first.channel:
        what = f"channel {channel}; the first counted attempt of this AP config was on channel {first.channel}"
        return Seen(what, Severity.NOTE)
    return None if known else UNKNOWN


def width_fallback(scene: Scene) -> Finding:
    for a, b in _changes(scene, lambda sample: sample.width_mhz):
        if (b.width_mhz or 0) < (a.width_mhz or 0):
            return Seen(f"the channel narrowed from {a.width_mhz} to {b.width_mhz} MHz")
    widths = [sample.width_mhz for sample in scene.samples if sample.width_mhz is not None]
    if not widths:
        return UNKNOWN
    width, expected, first = median(widths), scene.expected, scene.earlier.ap_config
    if expected is not None and expected.width_mhz is not None and width < expected.width_mhz:
        return Seen(f"{width:g} MHz; site.toml declares {expected.width_mhz} MHz for {expected.ap_config}")
    if first is not None and first.width_mhz is not None and width < first.width_mhz:
        return Seen(f"{width:g} MHz; the first counted attempt of this AP config had {first.width_mhz} MHz")
    return None


def narrow_frames(scene: Scene) -> Finding:
    pairs = []
    for second in scene.seconds:
        rate = second.rx if scene.result.spec.direction is Direction.DOWNLOAD else second.tx
        if rate is not None and rate.width_mhz is not None and second.width_mhz is not None:
            pairs.append((rate.width_mhz, second.width_mhz))
    if not pairs:
        return UNKNOWN
    narrow = [pair for pair in pairs if pair[0] < pair[1]]
    if len(narrow) <= table.NARROW_SHARE * len(pairs):
        return None
    frame, channel = narrow[0]
    return Seen(f"{_seconds(narrow, pairs)} had frames narrower than the channel ({frame} in {channel} MHz, for one)")


def punctured(scene: Scene) -> Finding:
    masks = [mask for sample in scene.samples for mask in _masks(sample) if mask is not None]
    if any(masks):
        parts = max(mask.bit_count() for mask in masks)
        return Seen(f"{parts} of the channel's parts of 20 MHz {'is' if parts == 1 else 'are'} left out")
    return None if masks else UNKNOWN


def _masks(sample: LinkSample) -> tuple[int | None, ...]:
    return (sample.punctured, *(link.punctured for link in sample.links or ()))


def _channel_changes(scene: Scene) -> list[tuple[LinkSample, LinkSample]]:
    return _changes(scene, lambda sample: sample.freq_mhz or sample.channel)


def channel_moved(scene: Scene) -> Finding:
    switched = scene.told(K.CHANNEL_SWITCHED)
    announced = [
        event
        for event in scene.told(K.CHANNEL_SWITCH_STARTED)
        if not any(other.at_s >= event.at_s for other in switched)
    ]
    for a, b in _channel_changes(scene):
        if (switched or announced) or (a.bssid is not None and a.bssid == b.bssid):
            return Seen(f"the access point moved from channel {a.channel} to {b.channel}{_radar(a, b)}")
    for event in switched:
        before = [sample.freq_mhz for sample in scene.samples if sample.at_s < event.at_s and sample.freq_mhz]
        if event.freq_mhz is not None and before and before[-1] != event.freq_mhz:
            return Seen(f"the access point moved from {before[-1]} to {event.freq_mhz} MHz")
    if announced:
        return Seen("the access point announced that it would change its channel")
    if _channel_changes(scene):
        return None if _roams(scene) else UNKNOWN
    return None if any(sample.channel is not None for sample in scene.samples) else UNKNOWN


def _radar(*samples: LinkSample) -> str:
    if not any(sample.dfs for sample in samples):
        return ""
    return " (frequencies with radar (DFS) rules in many countries: look up the local ones)"


def link_set_changed(scene: Scene) -> Finding:
    known = [sample for sample in scene.samples if sample.links is not None]
    sets = [frozenset(link.link_id for link in sample.links or ()) for sample in known]
    if len(set(sets)) > 1:
        return Seen(
            f"the connection had {', then '.join(str(count) for count in _runs(len(one) for one in sets))} links"
        )
    return None if sets else UNKNOWN


def _runs(values: Iterable[int]) -> list[int]:
    """Drop repetitions next to each other."""
    kept: list[int] = []
    for value in values:
        if kept[-1:] != [value]:
            kept.append(value)
    return kept


# --- what the radio did ---------------------------------------------------------------------------------------------


def scanned(scene: Scene) -> Finding:
    log = scene.observed.link
    start_s, end_s = scene.window_or_span
    began_s: float | None = None
    for event in () if log is None else log.events:
        if event.kind is K.SCAN_STARTED:
            began_s = event.at_s
        elif event.kind in (K.SCAN_FINISHED, K.SCAN_ABORTED):
            if event.at_s >= start_s and (event.at_s if began_s is None else began_s) <= end_s:
                took = "" if began_s is None else f" for {event.at_s - began_s:.1f} s"
                return Seen(f"the laptop looked for other networks{took}")
            began_s = None
    if began_s is not None and began_s <= end_s:
        return Seen("the laptop looked for other networks, and was still at it at the end")
    return None if scene.events_complete else UNKNOWN


def power_save(scene: Scene) -> Finding:
    seen = scene.observed
    told = [facts.power_save for facts in (seen.facts_before, seen.facts_after) if facts is not None]
    known = [one for one in (*told, *(sample.power_save for sample in scene.samples)) if one is not None]
    if not known:
        return UNKNOWN
    on, first = any(known), scene.earlier.ap_config
    before = None if first is None else first.power_save
    words = "on" if on else "off"
    if before is not None and before is not on:
        was = "on" if before else "off"
        return Seen(f"Wi-Fi power save is {words}; it was {was} in the first counted attempt", Severity.DOUBT)
    return Seen(f"Wi-Fi power save is {words}") if on else None


def moved_client(scene: Scene) -> Finding:
    first = scene.earlier.ap_config
    signals = [second.rssi_dbm for second in scene.seconds if second.rssi_dbm is not None]
    if not signals:
        return UNKNOWN
    if first is None:
        return None
    if first.rssi_dbm is None:
        return UNKNOWN
    now = median(signals)
    if abs(now - first.rssi_dbm) <= table.MOVED_DB:
        return None
    return Seen(f"the signal is {now:g} dBm; it was {first.rssi_dbm:g} dBm in the first counted attempt")


def frozen_rssi(scene: Scene) -> Finding:
    signals = [sample.rssi_dbm for sample in scene.samples if sample.rssi_dbm is not None]
    refused = [sample for sample in scene.samples if sample.why.get("rssi_dbm") is Reason.INVALID_VALUE]
    if refused and len(refused) >= len(signals):
        return Seen(f"what the driver gave as a signal cannot be one, in {_seconds(refused, scene.samples)}")
    if len(set(signals)) == 1 and len(signals) >= table.FROZEN_SECONDS:
        return Seen(f"the signal was {signals[0]:g} dBm in each of {len(signals)} seconds")
    return None if len(set(signals)) > 1 else UNKNOWN


def asymmetric_rates(scene: Scene) -> Finding:
    up = [second.tx.mbps for second in scene.seconds if second.tx is not None and second.tx.mbps is not None]
    down = [second.rx.mbps for second in scene.seconds if second.rx is not None and second.rx.mbps is not None]
    if not up or not down:
        return UNKNOWN
    up_mbps, down_mbps = median(up), median(down)
    if max(up_mbps, down_mbps) < table.RATE_RATIO * min(up_mbps, down_mbps):
        return None
    return Seen(f"the radio sent at {up_mbps:.0f} and received at {down_mbps:.0f} Mbit/s (medians)")


def radio_retries(scene: Scene) -> Finding:
    sent = again = 0
    for a, b in scene.steps:
        counts = (a.tx_packets, b.tx_packets, a.retries, b.retries)
        if None in counts or a.bssid != b.bssid or _began_anew(a, b):
            continue
        packets, retries = (b.tx_packets or 0) - (a.tx_packets or 0), (b.retries or 0) - (a.retries or 0)
        if packets >= 0 and retries >= 0:
            sent, again = sent + packets, again + retries
    if not sent:
        return UNKNOWN
    share = again / sent
    return Seen(f"{share:.0%} of the frames were sent again") if share > table.RETRY_SHARE else None


def busy_channel(scene: Scene) -> Finding:
    """Under our own load the channel is busy by our own doing, so only idle seconds tell."""
    log, (start_s, end_s) = scene.observed.link, scene.span
    idle = [
        sample.busy_pct
        for sample in (() if log is None else log.samples)
        if sample.busy_pct is not None and (sample.at_s <= start_s or sample.at_s >= end_s + table.BUSY_COVERS_S)
    ]
    if not idle:
        return UNKNOWN
    busy_pct = median(idle)
    if busy_pct <= table.BUSY_PCT:
        return None
    return Seen(f"the channel was busy for {busy_pct:.0f} % of the time without our load")


# --- the readings ---------------------------------------------------------------------------------------------------


def reader_expensive(scene: Scene) -> Finding:
    log = scene.observed.link
    if log is None or log.cost_median_ms is None:
        return UNKNOWN
    if log.cost_median_ms <= EXPENSIVE_MS:
        return None
    return Seen(f"reading the link took {log.cost_median_ms:.0f} ms (median)")


def permission_lost(scene: Scene) -> Finding:
    log = scene.observed.link
    samples = () if log is None else log.samples
    if not samples:
        return UNKNOWN
    shown = False
    for sample in samples:
        shown = shown or sample.bssid is not None or sample.ssid is not None
        if shown and Reason.NEEDS_LOCATION_PERMISSION in (sample.why.get("bssid"), sample.why.get("ssid")):
            return Seen("the system stopped showing network names")
    return None


def _seconds(some: Sequence[object], all_of_them: Sequence[object]) -> str:
    return f"{len(some)} of {len(all_of_them)} seconds"
