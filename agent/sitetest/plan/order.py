"""From site and profile to the ordered plan of a visit.

Drift (the evening filling up, a laptop warming) must favour nobody, so every order is run together with its mirror:
that of the turns in quads (`turn_order.py`), and within turns

    in odd turns       download before upload, engines and legs as listed
    in even turns      exactly the reverse

Since each AP config has one odd and one even turn in every quad, the mean place of each AP config within a quad, and of
each case within the turns of its AP config, is the same. The LAN and the internet slot of one direction stand next to
each other, so that they can be compared.

Two or more AP configs are compared: the quads up to ``repeats.maximum`` are all laid down beforehand, since a case that
is decided early is stopped by the conductor, and so is one more quad that the last look may ask for (docs/method.md).

Pure. May import sitetest.errors, sitetest_wire, plan, stats.rules and the standard library only.
"""

from collections import Counter
from collections.abc import Sequence
from itertools import islice

from sitetest.errors import UsageError
from sitetest.plan.cases import Case, Leg, Plan, PlannedComparison, Slot, Timing, Transfer, Turn
from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.plan.profile import Matrix, Profile, internet_leg_mistake
from sitetest.plan.site import Site
from sitetest.plan.turn_order import turn_order
from sitetest.stats.rules import TURNS_PER_QUAD, ComparisonRules, spread_looks
from sitetest_wire.words import EngineName

MOST_SLOTS = 20_000
"""Measurements that one visit may want: more than a week of the shortest ones."""


def make_plan(
    site: Site,
    profile: Profile,
    *,
    seed: int,
    ap_configs: Sequence[str] | None = None,
    engine: str | None = None,
    give_up_early: bool = False,
) -> Plan:
    """Return what will be measured, in order. The same arguments give the same plan.

    ap_configs, engine: from the command line, in place of the profile's; None or empty leaves the profile's.
    give_up_early: asked for on the command line, whatever the profile says. The minimum of each AP config is
    ``repeats.minimum``, rounded up to whole quads; the plan's maximum is ``repeats.maximum``, rounded down to whole
    quads, but not below the minimum. With one AP config nothing is rounded, and the turns are the minimum.

    Raises UsageError for names that the site does not have, for an engine that cannot do what the profile asks, when
    nobody has said which AP configs to measure, and for a plan that is too long.
    """
    configs = chosen_ap_configs(site, profile, ap_configs)
    transfers = chosen_transfers(site, profile, engine)
    minimum, maximum = profile.repeats.minimum, profile.repeats.maximum
    comparison = None
    turns_each = minimum
    if len(configs) > 1:
        minimum += minimum % 2
        maximum = max(minimum, maximum - maximum % 2)
        looks = spread_looks(minimum, maximum, profile.comparison.looks)
        comparison = planned_comparison(
            profile, configs, len(transfers), looks, give_up_early=profile.comparison.give_up_early or give_up_early
        )
        turns_each = maximum + (TURNS_PER_QUAD if comparison.rules.looks else 0)
    wanted = turns_each * len(configs) * len(transfers) * profile.repeats.per_turn
    if wanted > MOST_SLOTS:
        raise UsageError(
            f"profile {quoted(profile.name)} asks for {wanted:,} measurements in one visit; allowed: {MOST_SLOTS:,}",
            f"Lower repeats.{'minimum' if comparison is None else 'maximum'} or repeats.per_turn, or measure fewer AP "
            "configs.",
        )
    turns = []
    repeats: Counter[Case] = Counter()
    order = islice(turn_order(configs, seed), turns_each * len(configs))
    for number, (quad, config) in enumerate(order, start=1):
        slots = []
        for run in range(profile.repeats.per_turn):
            as_listed = (number + run) % 2 == 1
            for leg, engine_name, direction in transfers if as_listed else reversed(transfers):
                case = Case(profile.location, leg, engine_name, config, direction)
                repeats[case] += 1
                slots.append(Slot(number, repeats[case], case))
        turns.append(Turn(number, quad, config, tuple(slots)))
    timing = profile.timing
    return Plan(
        site=site.name,
        profile=profile.name,
        location=profile.location,
        timing=Timing(timing.streams, timing.warm_up_s, timing.duration_s, timing.congestion_control),
        seed=seed,
        turns=tuple(turns),
        minimum_turns=minimum,
        maximum_turns=maximum,
        internet_data_bytes=profile.limits.internet_data_bytes if Leg.INTERNET in profile.matrix.legs else None,
        comparison=comparison,
    )


def planned_comparison(
    profile: Profile, configs: Sequence[str], transfers: int, looks: tuple[int, ...], *, give_up_early: bool
) -> PlannedComparison:
    """Settle the comparison of ``configs``, the first of which is the reference. transfers: compared with each other in
    every turn. looks: turns of each AP config at which verdicts are sought; none for one at the end. Raises UsageError
    for a family that is smaller than what is compared here."""
    asked = profile.comparison
    reference, *others = configs
    here = transfers * len(others)
    family = here if asked.family is None else asked.family
    if family < here:
        raise UsageError(
            f"profile {quoted(profile.name)}: comparison.family: found {family}; allowed: {here} or more, since this "
            f"profile alone makes {here} comparisons",
            "State how many comparisons the whole campaign plans, over all its locations.",
        )
    rules = ComparisonRules(
        family_size=family,
        margin=asked.margin_pct / 100,
        alpha=asked.alpha,
        looks=looks,
        correction=asked.correction,
        give_up_early=give_up_early,
    )
    return PlannedComparison(reference, tuple(others), rules)


def chosen_ap_configs(site: Site, profile: Profile, asked: Sequence[str] | None = None) -> tuple[str, ...]:
    """Return the AP configs to measure: those asked for, or the profile's, or the only one that the site has.

    Raises UsageError for a name that the site does not have, and when there is a choice that nobody has made.
    """
    if asked:
        return tuple(dict.fromkeys(site.ap_config(name).name for name in asked))
    if profile.matrix.ap_configs:
        return tuple(site.ap_config(name).name for name in profile.matrix.ap_configs)
    choice = ap_configs_to_ask(site, profile)
    if choice:
        raise UsageError(
            f"profile {quoted(profile.name)} does not say which AP configs to measure; allowed: {listed(choice)}",
            "Name one or more with --ap-config, or list them in the profile: matrix.ap_configs.",
        )
    return site.ap_config_names


def ap_configs_to_ask(site: Site, profile: Profile) -> tuple[str, ...]:
    """Return the AP configs between which a person must choose, since neither profile nor site decides; or none."""
    return () if profile.matrix.ap_configs or len(site.ap_configs) == 1 else site.ap_config_names


def chosen_transfers(site: Site, profile: Profile, engine: str | None) -> tuple[Transfer, ...]:
    """Return what is transferred in an odd turn, in order: the internet leg by http only. engine: from the command
    line, in place of the profile's. Raises UsageError for an engine that there is not, or that cannot do what the
    profile asks."""
    matrix = profile.matrix
    engines = (_engine(engine),) if engine else matrix.engines
    _refuse_impossible_internet_leg(site, matrix, engines, f"--engine {engine}" if engine else profile.name)
    return _transfers(matrix, engines)


def _engine(asked: str) -> EngineName:
    names = [engine.value for engine in EngineName]
    if asked in names:
        return EngineName(asked)
    near = nearest(asked, names)
    hint = f"; did you mean {quoted(near)}?" if near else ""
    raise UsageError(f"there is no engine {quoted(asked)}; allowed: {listed(names)}{hint}")


def _refuse_impossible_internet_leg(site: Site, matrix: Matrix, engines: Sequence[EngineName], asked_by: str) -> None:
    problem = internet_leg_mistake(site.server, matrix.legs, engines, matrix.directions, matrix.internet_directions)
    if problem:
        key, found, allowed = problem
        raise UsageError(f"{asked_by}: matrix.{key}: found {found}; allowed: {allowed}")


def _transfers(matrix: Matrix, engines: Sequence[EngineName]) -> tuple[Transfer, ...]:
    return tuple(
        (leg, engine, direction)
        for direction in matrix.directions
        for engine in engines
        for leg in matrix.legs
        if leg is Leg.LAN
        or (engine is EngineName.HTTP and direction in (matrix.internet_directions or matrix.directions))
    )
