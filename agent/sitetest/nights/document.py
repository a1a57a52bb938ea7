"""A night as one JSON document, every list in full. Units stand in the names; null is "not known".

May import stats, store, nights and the standard library only.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from sitetest.nights.case_night import CaseKey, CaseNight
from sitetest.nights.outages import Outage
from sitetest.nights.percentiles import Percentiles
from sitetest.nights.presence import Presence
from sitetest.nights.summary import ConfigNight, NightSummary
from sitetest.stats.levels import Levels
from sitetest.stats.rates import Rate
from sitetest.stats.time_of_day import TimeOfDay
from sitetest.store.rows import time_text


def nights_document(summaries: Sequence[NightSummary], by_hour: Mapping[CaseKey, TimeOfDay]) -> dict[str, Any]:
    """Return the nights, and what they say about the time of day together."""
    return {
        "nights": [_night(summary) for summary in summaries],
        "time_of_day": [
            {**_case_key(key), "nights": found.nights, "p": found.p, "matters": found.matters,
             "hourly_mbps": [{"hour": hour, "median_mbps": value} for hour, value in found.hourly_mbps],
             "method": found.method}
            for key, found in by_hour.items()
        ],
    }  # fmt: skip


def _night(summary: NightSummary) -> dict[str, Any]:
    night = summary.night
    return {
        "visit_id": night.visit.visit_id,
        "site": night.visit.site,
        "profile": night.visit.profile,
        "location": night.visit.location,
        "simulated": night.visit.simulated,
        "outcome": night.outcome,
        "begins_at": time_text(night.begins_at),
        "ends_at": time_text(night.ends_at),
        "presence": _presence(summary.presence),
        "dropouts": [_outage(one) for one in summary.outages if one.is_dropout],
        "other_outages": [_outage(one) for one in summary.outages if not one.is_dropout],
        "slept": [{"length_s": one.length_s, "stall": one.stall} for one in summary.slept],
        "rounds_passed": dict(summary.passed),
        "ap_configs": [_config(config) for config in summary.configs],
    }


def _presence(presence: Presence) -> dict[str, Any]:
    return {
        "night_s": presence.night_s,
        "watched_s": presence.watched_s,
        "switching_s": presence.switching_s,
        "blind_s": presence.blind_s,
        "slept_s": presence.slept_s,
        "not_kept_s": presence.not_kept_s,
        "judged_s": presence.judged_s,
        "dropouts_s": presence.dropouts_s,
        "other_outages_s": presence.other_outages_s,
        "usable_share": presence.usable_share,
    }


def _outage(outage: Outage) -> dict[str, Any]:
    return {
        "began_at": time_text(outage.began_at),
        "length_s": outage.length_s,
        "at_least_s": outage.at_least_s,
        "unsure_s": outage.unsure_s,
        "cause": None if outage.cause is None else outage.cause.value,
        "why": outage.why,
        "beside": list(outage.beside),
    }


def _config(config: ConfigNight) -> dict[str, Any]:
    switches = config.switches
    return {
        "ap_config": config.ap_config,
        "presence": _presence(config.presence),
        "dropouts": sum(one.is_dropout for one in config.outages),
        "rtt_idle_ms": _percentiles(config.idle_ms),
        "loss_pct": config.loss_pct,
        "rssi_dbm": _percentiles(config.rssi_dbm),
        "roams": config.roams,
        "channel_moves": config.channel_moves,
        "switches": None
        if switches is None
        else {
            "tried": switches.tried,
            "failed": switches.failed,
            "back_median_s": None if switches.back_s is None else switches.back_s[0],
            "back_longest_s": None if switches.back_s is None else switches.back_s[1],
        },
        "cases": [_case(case) for case in config.cases],
    }


def _case(case: CaseNight) -> dict[str, Any]:
    return {
        **_case_key(case.key),
        "tests": case.tests,
        "failed": _rate(case.failed),
        "invalid": dict(case.invalid),
        "interrupted": case.interrupted,
        "doubtful": case.doubtful,
        "throughput_mbps": _percentiles(case.throughput_mbps),
        "rtt_loaded_p50_ms": _percentiles(case.rtt_loaded_p50_ms),
        "rtt_loaded_p95_ms": _percentiles(case.rtt_loaded_p95_ms),
        "dip_rate": _rate(case.dip_rate),
        "dips": [
            {"at": time_text(dip.at), "throughput_mbps": dip.throughput_mbps, "flags": list(dip.flags)}
            for dip in case.dips
        ],
        "course": None if case.levels is None else case.levels.course.value,
        "too_short": case.too_short,
        "steps": [
            {
                "at": time_text(step.at),
                "between": [time_text(at) for at in step.between],
                "change": step.change,
                "before_mbps": step.before_mbps,
                "after_mbps": step.after_mbps,
            }
            for step in case.steps
        ],
        "drift": _drift(case.levels),
        "hourly_mbps": [{"hour": hour, "median_mbps": value} for hour, value in case.hourly_mbps],
    }


def _case_key(key: CaseKey) -> dict[str, str]:
    return dict(zip(("ap_config", "leg", "engine", "direction"), key, strict=True))


def _drift(levels: Levels | None) -> dict[str, Any] | None:
    if levels is None or levels.drift is None:
        return None
    drift = levels.drift
    return {"change_per_hour": drift.change_per_hour, "change": drift.change, "p": drift.p, "n": drift.n}


def _percentiles(found: Percentiles | None) -> dict[str, Any] | None:
    return None if found is None else {"p5": found.p5, "p50": found.p50, "p95": found.p95, "n": found.n}


def _rate(rate: Rate | None) -> dict[str, Any] | None:
    if rate is None:
        return None
    return {"count": rate.count, "n": rate.n, "share": rate.share, "low": rate.low, "high": rate.high}
