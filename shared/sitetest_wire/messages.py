"""The messages of the server's JSON API, and the version that both sides must share.

    GET    /v1/identity                       Identity, the only route that needs no token
    POST   /v1/leases        LeaseRequest ->  LeaseState (201 active, 202 waiting)
    GET    /v1/leases                         list of LeaseState without ids, for whoever wonders who is measuring
    GET    /v1/leases/{id}                    LeaseState; also keeps the lease (or the place in the queue) alive
    DELETE /v1/leases/{id}                    204; ends it now
    GET    /v1/leases/{id}/samples            NDJSON, one SampleLine a line: what the server's end sees, live; ends with
                                              an EndLine once the server's end of the transfer is over
    POST   /v1/watches       WatchRequest ->  WatchState (201): a pass for the reflector beside everybody's leases
    GET    /v1/watches/{id}                   WatchState; also keeps the pass
    DELETE /v1/watches/{id}                   204; ends it now
    GET    /v1/transfer/{id}/download/{n}     payload of stream n, chunked, until the client stops or the lease ends
    POST   /v1/transfer/{id}/upload/{n}       payload of stream n; 200 with the bytes counted so far

Every request but the first carries ``Authorization: Bearer TOKEN``. Every error is a JSON :class:`Problem` with a
matching HTTP status. Unknown keys in a request are refused (they are spelling mistakes); unknown keys in an answer are
passed over (the server may be newer). May import the standard library and this package only.
"""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from math import inf, isfinite, isnan
from typing import Any, Literal, Self, TypeVar, get_args, get_type_hints

from sitetest_wire.samples import Sample
from sitetest_wire.stamp_token import TOKEN_BYTES
from sitetest_wire.words import Direction, EngineName

PROTOCOL_VERSION = 1
"""Raised when an agent and a server of different numbers could not understand each other."""

DEFAULT_PORT = 17300
"""TCP port of the API and of the ``http`` engine; below the range that systems hand out for outgoing connections."""

IPERF3_PORTS = range(17301, 17309)
"""TCP ports of the ``iperf3`` engine: a fixed, short range, so that a firewall rule can be written for it."""

SERVICE_TYPE = "_sitetest._tcp.local."
"""DNS-SD service type (RFC 6763); the name obeys RFC 6335 (at most 15 characters)."""

LEASE_SILENCE_S = 15.0
"""A lease, or a place in the queue, ends when its agent has asked nothing about it and moved no payload for this long:
longer than the 10 s after which a stalled transfer is ended as stalled, so that a dead path is not taken for a dead
agent."""

LEASE_POLL_S = 1.0
"""How often an agent asks about its lease: well under a tenth of the silence that ends it."""

WATCH_SILENCE_S = 600.0
"""A pass for the watch ends when its agent has asked nothing about it for this long: longer than most outages, so that
the pass that was held at their begin still does at their end."""

Body = Mapping[str, Any]
Record = TypeVar("Record", "EngineOffer", "Limits", "ServerSecond", "EndLine", "Problem")


class MessageError(ValueError):
    """A message that is not of the form that this module lays down; says which key and what was found."""


@dataclass(frozen=True, slots=True)
class EngineOffer:
    """What the server can do with one engine.

    version: of the library, or of aiohttp. reason: why it is not usable, with what to do; None when it is.
    """

    usable: bool
    version: str | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """The server's bounds on a transfer; a request above one of them is refused with the bound in the text."""

    max_streams: int = 32
    max_transfer_s: float = 3600.0
    max_transfer_bytes: int = 2**50


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the server is and what it can do.

    server_id: stays the same over restarts. simulated: None for a real server; otherwise a sentence saying what is
    simulated, which the agent puts on screen and into every row. congestion_control: names that a request may ask for,
    the system's default first; empty where the system does not tell. reflector_port: UDP port of its reflector for
    round trips (RFC 8762); None without one.
    """

    server_id: str
    name: str
    version: str
    protocol: int
    engines: dict[EngineName, EngineOffer]
    limits: Limits
    simulated: str | None = None
    congestion_control: tuple[str, ...] = ()
    reflector_port: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the identity as a JSON-ready mapping."""
        return {
            "server_id": self.server_id,
            "name": self.name,
            "version": self.version,
            "protocol": self.protocol,
            "engines": {engine.value: asdict(offer) for engine, offer in self.engines.items()},
            "limits": asdict(self.limits),
            "simulated": self.simulated,
            "congestion_control": list(self.congestion_control),
            "reflector_port": self.reflector_port,
        }

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read an answer of ``/v1/identity``. Engines that this version does not know are passed over."""
        reader = _Reader(body, "identity")
        known = {engine.value for engine in EngineName}
        offers = reader.mapping("engines")
        return cls(
            server_id=reader.text("server_id"),
            name=reader.text("name"),
            version=reader.text("version"),
            protocol=reader.whole("protocol"),
            engines={
                EngineName(name): _Reader(offer, f"engines.{name}").record(EngineOffer)
                for name, offer in offers.items()
                if name in known
            },
            limits=_Reader(reader.mapping("limits"), "limits").record(Limits),
            simulated=reader.optional_text("simulated"),
            congestion_control=reader.texts("congestion_control"),
            reflector_port=reader.optional_port("reflector_port"),
        )


@dataclass(frozen=True, slots=True)
class LeaseRequest:
    """What an agent wants to do next.

    agent: a label of the laptop, shown to whoever has to wait. streams: >= 1. warm_up_s: >= 0. duration_s: > 0.
    congestion_control: to be used by the server where it is the sender; None leaves the system's default.
    """

    agent: str
    engine: EngineName
    direction: Direction
    streams: int
    warm_up_s: float
    duration_s: float
    congestion_control: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the request as a JSON-ready mapping."""
        return asdict(self)

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read a request. Raises MessageError naming the key, what was found and what is allowed."""
        reader = _Reader(body, "lease request")
        reader.refuse_unknown(cls)
        request = cls(
            agent=reader.text("agent"),
            engine=EngineName(reader.choice("engine", [engine.value for engine in EngineName])),
            direction=Direction(reader.choice("direction", [direction.value for direction in Direction])),
            streams=reader.whole("streams"),
            warm_up_s=reader.number("warm_up_s"),
            duration_s=reader.number("duration_s"),
            congestion_control=reader.optional_text("congestion_control"),
        )
        if request.streams < 1:
            raise MessageError(f"lease request: streams is {request.streams}, allowed is 1 or more")
        if not 0 <= request.warm_up_s < float("inf"):
            raise MessageError(f"lease request: warm_up_s is {request.warm_up_s}, allowed is 0 or more")
        if not 0 < request.duration_s < float("inf"):
            raise MessageError(f"lease request: duration_s is {request.duration_s}, allowed is above 0")
        return request


LeasePhase = Literal["waiting", "active", "ended"]


@dataclass(frozen=True, slots=True)
class LeaseState:
    """A lease, or a place in the queue for one.

    place: 0 when active, 1 for the next in the queue. wait_s: the longest the wait can take if every lease before it
    uses its whole time. ends_in_s: seconds until an active lease ends by itself. iperf3_port: where the iperf3 host of
    an active lease listens; None for other engines. reflector_port: UDP port of the server's reflector, which answers
    the holder of an active lease until its end; None without one. reflector_token: what each of the holder's packets
    must carry (`stamp_token.py`), as 32 hexadecimal digits; None with a reflector that wants none. held_by: agent label
    of the active lease, for whoever waits.
    shared: another lease was active at some time during this one (a server started with several leases at once).
    reason: why it ended.
    """

    lease_id: str
    phase: LeasePhase
    place: int = 0
    wait_s: float = 0.0
    ends_in_s: float | None = None
    iperf3_port: int | None = None
    reflector_port: int | None = None
    reflector_token: str | None = None
    held_by: str | None = None
    shared: bool = False
    reason: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the state as a JSON-ready mapping."""
        return asdict(self)

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read a state. Raises MessageError."""
        reader = _Reader(body, "lease")
        phase = reader.choice("phase", ["waiting", "active", "ended"])
        return cls(
            lease_id=reader.text("lease_id"),
            phase=phase,  # type: ignore[arg-type]  # choice() has just checked it
            place=reader.whole("place"),
            wait_s=reader.number("wait_s"),
            ends_in_s=reader.optional_number("ends_in_s"),
            iperf3_port=reader.optional_whole("iperf3_port"),
            reflector_port=reader.optional_port("reflector_port"),
            reflector_token=reader.optional_octets("reflector_token", TOKEN_BYTES),
            held_by=reader.optional_text("held_by"),
            shared=reader.flag("shared"),
            reason=reader.optional_text("reason"),
        )


@dataclass(frozen=True, slots=True)
class WatchRequest:
    """An agent wants to watch the path between its transfers. agent: a label of the laptop."""

    agent: str

    def to_json(self) -> dict[str, Any]:
        """Return the request as a JSON-ready mapping."""
        return asdict(self)

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read a request. Raises MessageError."""
        reader = _Reader(body, "watch request")
        reader.refuse_unknown(cls)
        return cls(agent=reader.text("agent"))


@dataclass(frozen=True, slots=True)
class WatchState:
    """A pass for the reflector. reflector_port: UDP. reflector_token: as of a lease. ends_in_s: seconds until it ends
    when nobody asks about it."""

    watch_id: str
    reflector_port: int
    reflector_token: str
    ends_in_s: float

    def to_json(self) -> dict[str, Any]:
        """Return the state as a JSON-ready mapping."""
        return asdict(self)

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read a state. Raises MessageError."""
        reader = _Reader(body, "watch")
        reader.check_within("reflector_port", 1, 65535)
        reader.text("reflector_token")
        token = reader.optional_octets("reflector_token", TOKEN_BYTES)
        assert token is not None
        return cls(
            watch_id=reader.text("watch_id"),
            reflector_port=reader.whole("reflector_port"),
            reflector_token=token,
            ends_in_s=reader.number("ends_in_s"),
        )


@dataclass(frozen=True, slots=True)
class ServerSecond:
    """One second of the server's machine. at_s: its end, on the clock of the samples; zero or below before the first
    byte. length_s: seconds covered, above 0; not a whole one where the transfer begins and ends.

    busiest_core_pct, mean_core_pct: 0 to 100. received_bytes, sent_bytes: of the interface, all traffic. None: not
    told.
    """

    at_s: float
    length_s: float
    busiest_core_pct: float | None
    mean_core_pct: float | None
    received_bytes: int | None
    sent_bytes: int | None

    @classmethod
    def from_json(cls, body: object) -> "ServerSecond":
        """Read a second. Raises MessageError."""
        reader = _Reader(body, "second of the server's host")
        second = reader.record(ServerSecond)
        if second.length_s <= 0:
            raise MessageError(f"second of the server's host: length_s is {second.length_s}, allowed is above 0")
        for key in ("busiest_core_pct", "mean_core_pct"):
            reader.check_within(key, 0, 100)
        for key in ("received_bytes", "sent_bytes"):
            reader.check_within(key, 0)
        return second


@dataclass(frozen=True, slots=True)
class ServerHost:
    """The server's machine from the start of a lease to the end of its transfer.

    interface: the one that carried the transfer. speed_mbps, duplex ("full" or "half"): of a wired one. None: not told.
    """

    interface: str | None
    speed_mbps: int | None
    duplex: str | None
    seconds: tuple[ServerSecond, ...]

    @classmethod
    def from_json(cls, body: object) -> Self:
        """Read what an end line holds. Raises MessageError."""
        reader = _Reader(body, "server's host")
        reader.check_within("speed_mbps", 1)
        return cls(
            interface=reader.optional_text("interface"),
            speed_mbps=reader.optional_whole("speed_mbps"),
            duplex=None if reader.body.get("duplex") is None else reader.choice("duplex", ["full", "half"]),
            seconds=tuple(ServerSecond.from_json(entry) for entry in reader.entries("seconds")),
        )


@dataclass(frozen=True, slots=True)
class EndLine:
    """The last line of a sample stream: facts of the server's end.

    congestion_control: of the server's data sockets, None where not known or not the sender. cpu_share: share of one
    core, 0 to 1 and above, that the server's process used during the transfer; None where not measured. problem: what
    went wrong at the server's end, None when nothing did. raw: the engine's own record (libiperf's JSON text), or None.
    host: the server's machine during the lease; None where it does not tell. mss_bytes: largest segment of payload that
    the server sent (with timestamps, 12 bytes less than the MSS that TCP's own options announce). receive_window_bytes:
    the largest receive window that the far end offered on one connection. Both None where not known or not the sender.
    """

    congestion_control: str | None = None
    cpu_share: float | None = None
    problem: str | None = None
    raw: str | None = None
    host: ServerHost | None = None
    mss_bytes: int | None = None
    receive_window_bytes: int | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the line as a JSON-ready mapping, told apart from a sample by its key ``end``."""
        return {"end": asdict(self)}

    @classmethod
    def from_json(cls, body: object) -> "EndLine":
        """Read what stands under ``end``. Raises MessageError."""
        reader = _Reader(body, "end of samples")
        for key in ("mss_bytes", "receive_window_bytes"):
            reader.check_within(key, 0)
        host = reader.body.get("host")
        plain = _Reader({key: value for key, value in reader.body.items() if key != "host"}, "end of samples")
        return replace(plain.record(EndLine), host=None if host is None else ServerHost.from_json(host))


def sample_line_from_json(body: object) -> Sample | EndLine:
    """Read one line of a sample stream. Raises MessageError."""
    reader = _Reader(body, "sample line")
    if "end" in reader.body:
        return EndLine.from_json(reader.mapping("end"))
    try:
        return Sample.from_json(reader.body)
    except ValueError as problem:
        raise MessageError(str(problem)) from problem


@dataclass(frozen=True, slots=True)
class Problem:
    """Why the server refuses, as JSON ``{"error": {...}}``.

    code: one short word for programs (``token``, ``unknown_route``, ``bad_request``, ``too_large``, ``limit``,
    ``engine``, ``no_lease``, ``no_watch``, ``no_reflector``, ``busy``, ``internal``). message: a sentence for people:
    what, what is allowed, what next.
    """

    code: str
    message: str

    def to_json(self) -> dict[str, Any]:
        """Return the problem as a JSON-ready mapping."""
        return {"error": asdict(self)}

    @classmethod
    def from_json(cls, body: object) -> "Problem":
        """Read a problem. Raises MessageError."""
        return _Reader(_Reader(body, "problem").mapping("error"), "error").record(Problem)


class _Reader:
    """Typed access to a decoded JSON object; every complaint names the key."""

    def __init__(self, body: object, what: str) -> None:
        if not isinstance(body, Mapping):
            raise MessageError(f"{what}: expected a JSON object, found {type(body).__name__}")
        self.body: Body = body
        self._what = what

    def _wrong(self, key: str, wanted: str) -> MessageError:
        found = repr(self.body[key])[:60] if key in self.body else "nothing"
        return MessageError(f"{self._what}: {key} must be {wanted}, found {found}")

    def refuse_unknown(self, known: type) -> None:
        allowed = {field.name for field in fields(known)}
        unknown = sorted(str(key) for key in self.body if key not in allowed)
        if unknown:
            raise MessageError(f"{self._what}: unknown key {unknown[0]!r}, allowed are {', '.join(sorted(allowed))}")

    def text(self, key: str) -> str:
        value = self.body.get(key)
        if not isinstance(value, str) or not value:
            raise self._wrong(key, "text")
        return value

    def flag(self, key: str) -> bool:
        value = self.body.get(key, False)
        if not isinstance(value, bool):
            raise self._wrong(key, "true or false")
        return value

    def optional_text(self, key: str) -> str | None:
        return None if self.body.get(key) is None else self.text(key)

    def number(self, key: str) -> float:
        value = self.body.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self._wrong(key, "a number")
        try:
            number = float(value)
        except OverflowError as problem:  # a whole number of more than 308 digits
            raise self._wrong(key, "a number") from problem
        if isnan(number):
            raise self._wrong(key, "a number")
        return number

    def optional_number(self, key: str) -> float | None:
        return None if self.body.get(key) is None else self.number(key)

    def whole(self, key: str) -> int:
        value = self.body.get(key)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self._wrong(key, "a whole number")
        return value

    def optional_whole(self, key: str) -> int | None:
        return None if self.body.get(key) is None else self.whole(key)

    def optional_port(self, key: str) -> int | None:
        self.check_within(key, 1, 65535)
        return self.optional_whole(key)

    def optional_octets(self, key: str, length: int) -> str | None:
        value = self.optional_text(key)
        if value is not None and re.fullmatch(rf"[0-9a-f]{{{2 * length}}}", value) is None:
            raise MessageError(f"{self._what}: {key} must be {2 * length} hexadecimal digits")  # a secret: not shown
        return value

    def check_within(self, key: str, least: float, most: float = inf) -> None:
        """Refuse a number outside its bounds; what is no number is left to whoever reads it."""
        value = self.body.get(key)
        if isinstance(value, int | float) and not least <= value <= most:
            raise self._wrong(key, f"{least:g} or more" if most == inf else f"from {least:g} to {most:g}")

    def choice(self, key: str, allowed: list[str]) -> str:
        value = self.body.get(key)
        if value not in allowed:
            raise self._wrong(key, f"one of {', '.join(allowed)}")
        return str(value)

    def mapping(self, key: str) -> Body:
        value = self.body.get(key)
        if not isinstance(value, Mapping):
            raise self._wrong(key, "a JSON object")
        return value

    def entries(self, key: str) -> list[object]:
        value = self.body.get(key)
        if not isinstance(value, list):
            raise self._wrong(key, "a list")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        value = self.body.get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            raise self._wrong(key, "a list of texts")
        return tuple(value)

    def record(self, kind: type[Record]) -> Record:
        """Build a flat record of plain values, checked against its annotations; keys that it lacks are passed over."""
        hints = get_type_hints(kind)
        given = {key: value for key, value in self.body.items() if key in hints}
        for key, value in given.items():
            allowed = get_args(hints[key]) or (hints[key],)
            as_float = float in allowed and isinstance(value, int) and not isinstance(value, bool)
            if (type(value) not in allowed and not as_float) or (isinstance(value, float) and not isfinite(value)):
                raise self._wrong(key, " or ".join(kind.__name__ for kind in allowed))
        try:
            return kind(**given)
        except TypeError as problem:
            raise MessageError(f"{self._what}: {problem}") from problem
