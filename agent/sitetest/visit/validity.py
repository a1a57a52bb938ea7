"""What an attempt turned out to be: a table of rules over what the engine saw and what the network answered.

    invalid      it did not measure this case (tried again)
    failed       the AP config did not deliver although the server is well, or nobody can tell (a result, kept)
    interrupted  the person stopped it

No rule looks at how fast the transfer was: throughput appears nowhere in this module. Rules look at seconds, at whether
anything arrived at all, at who else was there, and at what the network answered right afterwards. The first rule of
:data:`RULES` that applies decides; none applies: ok.

Every reason is a sentence that begins with a stable code word, as in ``server_gone: the server's host answers, ...``.

Pure. May import ceilings, engines.base, plan, store.records, sitetest_wire and the standard library only.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sitetest.ceilings.moving_thread import moved_in_one_thread
from sitetest.engines.base import FailureKind, TransferResult
from sitetest.engines.window import longest_stall_s
from sitetest.plan.cases import Leg
from sitetest.store.records import Flag, Status
from sitetest.visit.diagnosis import Answer, Diagnosis, Route

ENOUGH_OF_WINDOW = 0.80
"""Share of the planned seconds below which an attempt did not measure its case (docs/method.md)."""

LAPTOP_CPU_LIMIT = 0.95
"""Share of one core above which the process that moved the bytes was itself the limit, when it did so in one thread
(`ceilings/moving_thread.py`): a thread that is never idle cannot have been waiting for the network. Of a process with a
thread a stream the shares are added up, and above one core they say nothing of the kind: a rule on the sum would leave
out the fast attempts alone. The figure is common practice, no source."""

CPU_NOTE = 0.85
"""Share of one core above which it is noted that a processor may have been the limit (docs/measuring.md). A note, and
counted: processor load grows with throughput, so that leaving such attempts out would pick the slower ones."""

STALL_NOTE_S = 1.5
"""Seconds without any byte that are flagged: above the gaps of a healthy transfer, seen after outages of 1 s
(docs/measuring.md)."""

NO_WORD = Diagnosis(Answer.UNKNOWN, Answer.UNKNOWN, Answer.UNKNOWN, Answer.UNKNOWN)


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a judgement may rest on.

    diagnosis: asked right after the transfer when something went wrong, otherwise None. before, after: the route to the
    server around the transfer, None where not known. visit_interface: the interface over which the visit began.
    """

    result: TransferResult
    leg: Leg
    diagnosis: Diagnosis | None = None
    before: Route | None = None
    after: Route | None = None
    visit_interface: str | None = None

    @property
    def kind(self) -> FailureKind | None:
        """Kind of the failure that the engine reported."""
        return self.result.failure.kind if self.result.failure else None

    @property
    def said(self) -> str:
        """The engine's own sentence, or what stands for it when the engine saw nothing wrong."""
        return self.result.failure.message if self.result.failure else "the transfer ended without a single byte"

    @property
    def answers(self) -> Diagnosis:
        """The diagnosis; nothing but unknowns where none was asked."""
        return self.diagnosis or NO_WORD

    @property
    def window_s(self) -> float:
        """Seconds really measured."""
        window = self.result.window
        return window.length_s if window else 0.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """What an attempt turned out to be. reason: empty when ok. flags: ``invalid``, ``doubt`` and ``note`` alike."""

    status: Status
    reason: str
    flags: tuple[Flag, ...]

    @property
    def code(self) -> str:
        """The stable word that the reason begins with; empty when ok."""
        return self.reason.partition(":")[0]


@dataclass(frozen=True, slots=True)
class Rule:
    """One line of the table. applies: returns what was seen, in words, or None when the rule has nothing to say."""

    code: str
    status: Status
    applies: Callable[[Evidence], str | None]


def went_wrong(result: TransferResult) -> bool:
    """Tell whether the network must be asked: the transfer failed, or ended without a byte or before its time."""
    window = result.window
    return (
        result.failure is not None
        or window is None
        or result.received_bytes == 0
        or _too_short(window.length_s, result)
    )


def judge(evidence: Evidence) -> Judgement:
    """Judge one attempt by the first rule that applies."""
    remarks = tuple(_remarks(evidence.result))
    for rule in RULES:
        seen = rule.applies(evidence)
        if seen is not None:
            mark = (Flag(rule.code, seen, "invalid"),) if rule.status is Status.INVALID else ()
            beside = tuple(flag for flag in remarks if (rule.code, flag.name) != ("laptop_saturated", "laptop_cpu"))
            return Judgement(rule.status, f"{rule.code}: {seen}", mark + beside)
    return Judgement(Status.OK, "", remarks)


# --- what each rule sees --------------------------------------------------------------------------------------------

_STALLS = {FailureKind.STALLED, FailureKind.LINK_LOST, FailureKind.DEADLINE}
_NO_CONNECTION = {FailureKind.UNREACHABLE, FailureKind.CONNECT_TIMEOUT}
_OWN_FAULT = {FailureKind.WORKER_CRASHED, FailureKind.BAD_OUTPUT}
_NO_LEASE = {FailureKind.LEASE_DENIED, FailureKind.BUSY}
_NETWORK = _STALLS | _NO_CONNECTION | {FailureKind.PEER_DIED, FailureKind.STREAMS_MISSING, FailureKind.REFUSED}


def _nothing_came(evidence: Evidence) -> bool:
    """Not a byte inside the window; what came in the warm-up is no result. Without a window: not a byte at all."""
    result = evidence.result
    came = result.moved_bytes if result.window is None else result.received_bytes
    return evidence.kind is None and not came


def _undelivered(evidence: Evidence) -> bool:
    """Something between laptop and server did not work, whatever it was."""
    return _nothing_came(evidence) or evidence.kind in _NETWORK


def _network_to_ask(evidence: Evidence) -> bool:
    """A lost lease counts: a laptop that cannot be heard loses it."""
    return _undelivered(evidence) or evidence.kind in _NO_LEASE


def _failed_with(*kinds: FailureKind) -> Callable[[Evidence], str | None]:
    return lambda evidence: evidence.said if evidence.kind in kinds else None


def _link_lost(evidence: Evidence) -> str | None:
    if not _network_to_ask(evidence) or evidence.answers.link is not Answer.NO:
        return None
    interface = evidence.answers.interface or "the interface"
    return f"{interface} is down or no longer associated; the engine saw: {evidence.said}"


def _path_changed(evidence: Evidence) -> str | None:
    before, after = evidence.before, evidence.after
    if before and after and before != after:
        return f"the way to the server went over {_way(before)} before the transfer and over {_way(after)} after it"
    started, now = evidence.visit_interface, before.interface if before else None
    if started and now and started != now:
        return f"the way to the server goes over {now}, the visit began over {started}"
    return None


def _shared(evidence: Evidence) -> str | None:
    return "another client used the test server during the transfer" if evidence.result.shared else None


def _server_gone(evidence: Evidence) -> str | None:
    answers = evidence.answers
    if not _network_to_ask(evidence) or answers.server is not Answer.NO:
        return None
    if answers.host is Answer.YES:
        return f"the server's host answers, the test server does not; the engine saw: {evidence.said}"
    if answers.gateway is Answer.YES and answers.host is Answer.NO and evidence.leg is Leg.LAN:
        return f"the gateway answers, the server's host does not; the engine saw: {evidence.said}"
    return None


def _refused(evidence: Evidence) -> str | None:
    if evidence.kind is not FailureKind.REFUSED:
        return None
    return f"the server's host answers and refuses the connection: {evidence.said}"


def _unreachable(evidence: Evidence) -> str | None:
    if not _undelivered(evidence) or evidence.answers.server is Answer.YES:
        return None
    return f"nothing tells whether the network or the server was at fault; the engine saw: {evidence.said}"


def _although_well(*kinds: FailureKind) -> Callable[[Evidence], str | None]:
    """Only rules behind ``unreachable`` use this: there the server is known to answer."""

    def applies(evidence: Evidence) -> str | None:
        return f"{evidence.said}; right afterwards the server answers" if evidence.kind in kinds else None

    return applies


def _nothing_delivered(evidence: Evidence) -> str | None:
    if _nothing_came(evidence):
        return "not a single byte arrived; right afterwards the server answers"
    return None


def _too_short_a_window(evidence: Evidence) -> str | None:
    if not _too_short(evidence.window_s, evidence.result):
        return None
    planned_s = evidence.result.spec.duration_s
    return (
        f"{evidence.window_s:.1f} of {planned_s:g} planned seconds were measured, "
        f"at least {ENOUGH_OF_WINDOW:.0%} are needed"
    )


def _laptop_saturated(evidence: Evidence) -> str | None:
    share = evidence.result.client_cpu_share
    if share is None or share <= LAPTOP_CPU_LIMIT or not moved_in_one_thread(evidence.result.engine_version):
        return None
    return (
        f"the one thread of the measuring process on the laptop used {share:.0%} of a processor core; "
        f"the limit is {LAPTOP_CPU_LIMIT:.0%}"
    )


def _data_cap_reached(evidence: Evidence) -> str | None:
    if evidence.kind is FailureKind.DATA_CAP and _too_short(evidence.window_s, evidence.result):
        return evidence.said
    return None


RULES: tuple[Rule, ...] = (
    # code word            what it makes of the attempt   when
    Rule("stopped", Status.INTERRUPTED, _failed_with(FailureKind.STOPPED)),
    Rule("link_lost", Status.FAILED, _link_lost),
    Rule("path_changed", Status.INVALID, _path_changed),
    Rule("shared", Status.INVALID, _shared),
    Rule("engine_fault", Status.INVALID, _failed_with(*_OWN_FAULT)),
    Rule("engine_unusable", Status.INVALID, _failed_with(FailureKind.UNAVAILABLE)),
    Rule("certificate", Status.INVALID, _failed_with(FailureKind.CERTIFICATE)),
    Rule("server_gone", Status.INVALID, _server_gone),
    Rule("lease", Status.INVALID, _failed_with(*_NO_LEASE)),
    Rule("refused", Status.INVALID, _refused),
    Rule("unreachable", Status.FAILED, _unreachable),
    # from here on the server is known to answer
    Rule("peer_died", Status.INVALID, _although_well(FailureKind.PEER_DIED)),
    Rule("streams_missing", Status.INVALID, _although_well(FailureKind.STREAMS_MISSING)),
    Rule("no_connection", Status.FAILED, _although_well(*_NO_CONNECTION)),
    Rule("stalled", Status.FAILED, _although_well(*_STALLS)),
    Rule("nothing_delivered", Status.FAILED, _nothing_delivered),
    # something was delivered; was it a measurement of this case?
    Rule("data_cap", Status.INVALID, _data_cap_reached),
    Rule("too_short", Status.INVALID, _too_short_a_window),
    Rule("laptop_saturated", Status.INVALID, _laptop_saturated),
)


def _remarks(result: TransferResult) -> Iterator[Flag]:
    for name, where, share in (
        ("laptop_cpu", "on the laptop", result.client_cpu_share),
        ("server_cpu", "on the server", result.server_cpu_share),
    ):
        if share is not None and share > CPU_NOTE:
            yield Flag(name, f"the measuring process {where} used {share:.0%} of a processor core", "note")
    stall_s = longest_stall_s(result.receiver)
    if stall_s >= STALL_NOTE_S:
        yield Flag("stall", f"no byte arrived for {stall_s:.1f} s", "note")


def _too_short(window_s: float, result: TransferResult) -> bool:
    return window_s < ENOUGH_OF_WINDOW * result.spec.duration_s


def _way(route: Route) -> str:
    return f"{route.interface or 'an unknown interface'} ({route.local_address})"
