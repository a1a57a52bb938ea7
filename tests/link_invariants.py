"""What must hold for every record of every reader. May import sitetest.observe and the standard library only."""

import json
from dataclasses import fields
from typing import Any

from sitetest.ceilings.wifi_rates import Generation, PhyRate
from sitetest.observe.link.record import FACTS_FACTS, SAMPLE_FACTS, FrameRate, LinkFacts, LinkSample

STAND_INS = ("", "N/A", "unknown", -1)


def null_paths(body: Any, prefix: str = "") -> set[str]:
    """Return the paths of all nulls in JSON types."""
    if body is None:
        return {prefix.removesuffix(".")}
    if isinstance(body, dict):
        return set().union(*(null_paths(value, f"{prefix}{name}.") for name, value in body.items()), set())
    if isinstance(body, list):
        return set().union(*(null_paths(value, f"{prefix}{index}.") for index, value in enumerate(body)), set())
    return set()


def values_in(body: Any) -> list[Any]:
    if isinstance(body, dict):
        return [inside for value in body.values() for inside in values_in(value)]
    if isinstance(body, list):
        return [inside for value in body for inside in values_in(value)]
    return [body]


def check_record(record: LinkSample | LinkFacts) -> None:
    """Each schema field exists; null if and only if its path is in why; no stand-ins; JSON there and back."""
    kind, always = (LinkSample, SAMPLE_FACTS) if isinstance(record, LinkSample) else (LinkFacts, FACTS_FACTS)
    body = json.loads(json.dumps(record.to_json()))
    assert set(body) == {field.name for field in fields(kind)}
    nullable = {name: value for name, value in body.items() if name not in always}
    assert null_paths(nullable) == set(body["why"])
    power_dbm = nullable.pop("tx_power_dbm", None)  # the one field in which -1 is a value like any other
    assert power_dbm not in ("", "N/A", "unknown")
    assert not [value for value in values_in(nullable) if value in STAND_INS and not isinstance(value, bool)]
    assert kind.from_json(body) == record


def check_rate(rate: FrameRate | None) -> None:
    """A rate whose parts are all known satisfies the PHY-rate formula of IEEE 802.11: within 0.2 Mbit/s where the
    system tells a fraction, within 1 where it tells whole Mbit/s."""
    if rate is None or rate.mbps is None or rate.phy not in list(Generation):
        return
    if None in (rate.mcs, rate.nss, rate.width_mhz, rate.gi_ns):
        return
    assert rate.mcs is not None
    assert rate.nss is not None
    assert rate.width_mhz is not None
    assert rate.gi_ns is not None
    generation = Generation(rate.phy)
    mcs = rate.mcs % 8 if generation is Generation.HT else rate.mcs
    formula_mbps = PhyRate(generation, rate.width_mhz, mcs, rate.nss, rate.gi_ns).mbps
    assert abs(formula_mbps - rate.mbps) <= (1 if float(rate.mbps).is_integer() else 0.2), (rate, formula_mbps)
