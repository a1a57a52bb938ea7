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


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """One stay at a location. plan: the whole plan as JSON text, stored before the first attempt. client: label of the
    laptop. simulated: what the server said it simulates, None for a real one."""

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
    """

    second: int
    start_s: float
    length_s: float
    throughput_mbps: float
    stream_bytes: tuple[float, ...]
    rtt_ms: float | None = None
    retransmits: int | None = None


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
    that reached the receiver, warm-up included. raw: the engine's own record as text.
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


@dataclass(frozen=True, slots=True)
class EventRecord:
    """Something that happened during a visit. kind: a word of `visit/events.py`; detail: JSON text."""

    visit_id: str
    at: datetime
    offset_s: float
    kind: str
    detail: str
