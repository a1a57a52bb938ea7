"""The facts that are kept, as frozen records. The field registry (`fields.py`) says what each one means.

An attempt is written once, whole, and never changed; a flag may be added to it later and is never taken away.
May import sitetest_wire and the standard library only.
"""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class Status(StrEnum):
    """What an attempt turned out to be."""

    OK = "ok"
    FAILED = "failed"  # the AP config did not deliver: a result
    INVALID = "invalid"  # it did not measure this case: tried again
    INTERRUPTED = "interrupted"  # the person, or the end of the agent, stopped it


class Purpose(StrEnum):
    """Why an attempt was made at all."""

    PLANNED = "planned"
    AGAIN = "again"  # the one before it was invalid or interrupted
    EXTRA = "extra"  # earned by an outlier


class VisitKind(StrEnum):
    """How a visit chooses what it measures. RUN: a plan of wanted measurements. SOAK: rounds until a time is over."""

    RUN = "run"
    SOAK = "soak"


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One stay at a location. plan: the whole plan as JSON text, stored before the first attempt (of a soak: see
    `plan/soak_plan.py`). client: label of the laptop. simulated: what the server said it simulates, None for a real
    one."""

    visit_id: str
    site: str
    location: str
    profile: str
    started_at: datetime
    plan: str
    seed: int
    client: str
    sitetest_version: str
    simulated: str | None = None
    kind: VisitKind = VisitKind.RUN


@dataclass(frozen=True, slots=True)
class TurnRecord:
    """One turn as it really began. association: how the fresh association came about (see `visit/association.py`).
    switched: how the AP config was applied: ``command``, ``operator``, ``kept``. back_s: seconds until the server
    answered again, None when there was nothing to wait for."""

    visit_id: str
    turn: int
    quad: int
    ap_config: str
    started_at: datetime
    association: str
    switched: str
    back_s: float | None = None


@dataclass(frozen=True, slots=True)
class SecondRecord:
    """One second inside the measuring window of an attempt.

    second: 0 for the first. stream_bytes: received in it, one entry a stream. rtt_ms: mean over streams of the
    sender's smoothed TCP round-trip time; retransmits: in this second; both None where the sender does not tell.

    From the observers, lined up to within about a tenth of a second; None where not known: probe_rtt_ms: median of the
    latency probes sent in it; probes_lost: those of them never answered. rssi_dbm, tx_rate_mbps, rx_rate_mbps, channel,
    width_mhz, bssid_label: of the link. busiest_core_pct, server_busiest_core_pct: 0 to 100. other_mbps: what else went
    over the laptop's interface.
    """

    second: int
    start_s: float
    length_s: float
    throughput_mbps: float
    stream_bytes: tuple[float, ...]
    rtt_ms: float | None = None
    retransmits: int | None = None
    probe_rtt_ms: float | None = None
    probes_lost: int | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    channel: int | None = None
    width_mhz: int | None = None
    bssid_label: str | None = None
    busiest_core_pct: float | None = None
    server_busiest_core_pct: float | None = None
    other_mbps: float | None = None


@dataclass(frozen=True, slots=True)
class Observation:
    """One record of an observer, whole. kind: ``link``, ``link_event``, ``link_facts``, ``host``, ``server_host``,
    ``interface``, ``latency`` or ``foreign_probe``. at_s: seconds since the load began, negative before it. body: JSON.
    """

    kind: str
    at_s: float
    body: str


@dataclass(frozen=True, slots=True)
class BaselineRecord:
    """The wired baseline: what the wire gave when the laptop stood on it (`sitetest check`), without any radio.

    client, server: labels. interface: of the laptop. link_mbps, server_link_mbps: speeds of the two wired ends, None
    where not known. download_mbps, upload_mbps: goodput, medians of what was measured; None when not measured.
    """

    baseline_id: str
    measured_at: datetime
    client: str
    server: str
    interface: str | None
    link_mbps: int | None
    server_link_mbps: int | None
    engine: str
    streams: int
    duration_s: float
    download_mbps: float | None
    upload_mbps: float | None

    def goodput_mbps(self, direction: str) -> float | None:
        """Goodput in a direction, ``download`` or ``upload``; None when it was not measured."""
        return {"download": self.download_mbps, "upload": self.upload_mbps}[direction]


@dataclass(frozen=True, slots=True)
class Flag:
    """A named reason to doubt an attempt. reason: what was seen, in words. severity: `invalid`, `doubt`, `note`."""

    name: str
    reason: str
    severity: str


@dataclass(frozen=True, slots=True)
class AttemptRecord:
    """One try at a repeat. Names are the columns of the tidy table; None is "not measured".

    reason: why the status is what it is, one sentence; empty when ok. purpose: why the attempt was made at all.
    offset_s: seconds of the monotonic clock since the visit began (or was resumed). wall_s: seconds that the attempt
    took in all, association and lease included. window_s: real length of the measuring window. moved_bytes: everything
    that reached the receiver, warm-up included. raw: the engine's own record as text. unknown: names of flags that
    could not be evaluated on this system. binding: what binds the attempt, in one word (`ceilings/binding.py`), and
    binding_figures the figures that say so. observations: the observers' own records.
    """

    test_id: str
    visit_id: str
    turn: int
    repeat: int
    attempt: int
    order_index: int
    location: str
    access_point: str
    ap_config: str
    firmware: str | None
    leg: str
    engine: str
    direction: str
    streams: int
    server: str
    started_at: datetime
    offset_s: float
    warm_up_s: float
    duration_s: float
    status: Status
    reason: str
    purpose: Purpose
    wall_s: float
    window_s: float | None = None
    throughput_mbps: float | None = None
    received_bytes: int | None = None
    moved_bytes: int = 0
    retransmits: int | None = None
    congestion_control: str | None = None
    engine_version: str | None = None
    local_address: str | None = None
    client_cpu_share: float | None = None
    server_cpu_share: float | None = None
    raw: str | None = None
    flags: tuple[Flag, ...] = ()
    seconds: tuple[SecondRecord, ...] = ()
    rtt_idle_ms: float | None = None
    rtt_loaded_p50_ms: float | None = None
    rtt_loaded_p95_ms: float | None = None
    rtt_after_ms: float | None = None
    probe_loss_pct: float | None = None
    tcp_efficiency_pct: float | None = None
    buffer_delay_pct: float | None = None
    responsiveness_rpm: float | None = None
    responsiveness_draft: str | None = None
    latency_why: str | None = None
    link_source: str = "none"
    band: str | None = None
    channel: int | None = None
    width_mhz: int | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    phy: str | None = None
    bssid_label: str | None = None
    power_save: bool | None = None
    interface: str | None = None
    interface_kind: str | None = None
    link_mbps: int | None = None
    server_link_mbps: int | None = None
    mss_bytes: int | None = None
    busiest_core_pct: float | None = None
    server_busiest_core_pct: float | None = None
    other_traffic_pct: float | None = None
    plugged: bool | None = None
    ceiling_mbps: float | None = None
    ceiling_by: str | None = None
    binding: str | None = None
    binding_figures: str | None = None
    unknown: tuple[str, ...] = ()
    observations: tuple[Observation, ...] = ()


@dataclass(frozen=True, slots=True)
class EventRecord:
    """Something that happened during a visit. kind: a word of `visit/events.py`; detail: JSON text."""

    visit_id: str
    at: datetime
    offset_s: float
    kind: str
    detail: str


class Doing(StrEnum):
    """What the agent itself did to the path in a second of a soak."""

    NOTHING = "nothing"
    TRANSFER = "transfer"  # a test was running
    SWITCH = "switch"  # an AP config was being applied, until the path was back


@dataclass(frozen=True, slots=True)
class WatchSecondRecord:
    """One second of the watch that a soak keeps on the path, tests or no tests.

    at: its begin. offset_s: the same on the monotonic clock, since this part of the soak began. length_s: about 1.
    probes: sent in it, or due and not taken by this system. answered: of those, in time. 0 probes: nobody watched (no
    reflector). rtt_p50_ms, rtt_max_ms: of the answered ones; None without any. The link's figures are those of the last
    sample in it; None where not known.
    """

    at: datetime
    offset_s: float
    length_s: float
    doing: Doing
    probes: int
    answered: int
    rtt_p50_ms: float | None = None
    rtt_max_ms: float | None = None
    associated: bool | None = None
    rssi_dbm: float | None = None
    tx_rate_mbps: float | None = None
    rx_rate_mbps: float | None = None
    channel: int | None = None
    width_mhz: int | None = None
    bssid_label: str | None = None
