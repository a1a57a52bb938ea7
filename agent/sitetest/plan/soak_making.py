"""From site and profile to the plan of a soak.

Pure. May import sitetest.errors, sitetest_wire, plan, stats.rules and the standard library only.
"""

from collections.abc import Sequence
from datetime import UTC, datetime
from math import ceil

from sitetest.errors import UsageError
from sitetest.plan.cases import Leg, Timing, Transfer
from sitetest.plan.estimate import attempt_s
from sitetest.plan.mistakes import quoted
from sitetest.plan.order import chosen_ap_configs, chosen_transfers, planned_comparison
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.plan.soak_plan import SoakPlan


def make_soak_plan(
    site: Site,
    profile: Profile,
    *,
    seed: int,
    ap_configs: Sequence[str] | None = None,
    engine: str | None = None,
    until: datetime | None = None,
    rounds: int | None = None,
) -> SoakPlan:
    """Return what will be measured, and until when. The same arguments give the same plan.

    ap_configs, engine: from the command line, in place of the profile's; None or empty leaves the profile's. until
    (with an offset), rounds: exactly one of them. Two or more AP configs are compared, the first with each other, once
    and over the whole soak: when it ends is not chosen by what it measured.

    Raises UsageError for names that the site does not have, for an engine that cannot do what the profile asks, when
    nobody has said which AP configs to measure, and for rounds that cannot be kept up.
    """
    if (until is None) == (rounds is None):
        raise ValueError("a soak ends at a time or after a number of rounds: give exactly one of them")
    configs = chosen_ap_configs(site, profile, ap_configs)
    transfers = chosen_transfers(site, profile, engine)
    soak = profile.soak
    streams, congestion_control = profile.timing.streams, profile.timing.congestion_control
    timing = Timing(streams, soak.warm_up_s, soak.duration_s, congestion_control)
    _refuse_more_than_fits(profile, timing, transfers)
    comparison = None
    if len(configs) > 1:
        comparison = planned_comparison(profile, configs, len(transfers), looks=(), give_up_early=False)
    return SoakPlan(
        site=site.name,
        profile=profile.name,
        location=profile.location,
        timing=timing,
        seed=seed,
        ap_configs=configs,
        transfers=transfers,
        every_s=soak.every_s,
        turn_s=soak.turn_s,
        most_busy_share=soak.most_busy_share,
        until=None if until is None else until.astimezone(UTC),
        rounds=rounds,
        data_bytes=soak.data_bytes,
        internet_data_bytes=profile.limits.internet_data_bytes if Leg.INTERNET in profile.matrix.legs else None,
        comparison=comparison,
    )


def round_s(timing: Timing, transfers: Sequence[Transfer]) -> float:
    """Return the seconds that the tests of one round are expected to take."""
    return sum(attempt_s(timing, engine) for _leg, engine, _direction in transfers)


def _refuse_more_than_fits(profile: Profile, timing: Timing, transfers: Sequence[Transfer]) -> None:
    """Refuse rounds that would be put off all night, one after the other."""
    soak = profile.soak
    needed_s = round_s(timing, transfers)
    if needed_s <= soak.every_s * soak.most_busy_share:
        return
    tests = f"{len(transfers)} tests" if len(transfers) > 1 else "one test"
    takes = f"a round of {tests} takes about {needed_s:.0f} s"
    every_s = ceil(needed_s / soak.most_busy_share)
    lower = "shorten soak.duration_s, or measure less in a round ([matrix], --engine)"
    if needed_s > soak.every_s:
        raise UsageError(
            f"profile {quoted(profile.name)}: {takes}, and with soak.every_s = {soak.every_s:g} the next one is due "
            "before it is over",
            f"Raise soak.every_s to {every_s} or more, {lower}.",
        )
    busy_pct = 100 * needed_s / soak.every_s
    raise UsageError(
        f"profile {quoted(profile.name)}: {takes}: with soak.every_s = {soak.every_s:g} tests would take "
        f"{busy_pct:.1f} % of the time; allowed by soak.most_busy_pct: {100 * soak.most_busy_share:g} %",
        f"Raise soak.every_s to {every_s} or more or soak.most_busy_pct to {ceil(busy_pct)}, {lower}.",
    )
