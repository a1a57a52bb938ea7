"""The round trip to the server while nothing else moves.

Pure. May import observe, report, stats, visit and the standard library only.
"""

from math import isfinite

from sitetest.observe.probe_record import LatencyRecord, NoLatency, Phase
from sitetest.report.link_words import milliseconds_text
from sitetest.stats.latency import summarise
from sitetest.visit.preflight import Check

NO_LATENCY_WORDS = {
    NoLatency.NO_SUCH_HOST: "the server's name cannot be resolved",
    NoLatency.NO_ROUTE: "there is no way to the server",
    NoLatency.NO_REFLECTOR: "the server's machine refuses: nothing reflects there",
    NoLatency.NO_ANSWER: "no probe was answered",
    NoLatency.NOT_SAMPLED: "no probe was sent",
}


def latency_finding(record: LatencyRecord | None) -> Check:
    """Say the idle round trip. record: None where the server has no reflector."""
    name = "round trip, idle"
    if record is None:
        return Check(name, True, "not measured: this server does not reflect; TCP's own round trips are kept instead")
    seen = summarise(record.rtts_ms(Phase.IDLE_BEFORE))
    if seen.p50_ms is None or not isfinite(seen.p50_ms):
        why = NO_LATENCY_WORDS[record.why] if record.why is not None else "most probes were never answered"
        step = "Let UDP through to the test server's machine; a run measures throughput all the same."
        return Check(name, False, f"not measured: {why}", step)
    p95 = "lost" if seen.p95_ms is None or not isfinite(seen.p95_ms) else milliseconds_text(seen.p95_ms)
    told = f"{milliseconds_text(seen.p50_ms)} (95 %: {p95}), {seen.lost} of {seen.sent} probes lost"
    step = "Lost packets on an idle path: come nearer, or look for what is wrong with the link first."
    return Check(name, not seen.lost, told, step if seen.lost else "")
