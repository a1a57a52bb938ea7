"""What the preflight asks, put together from the files and the far ends: the same for ``check`` and ``run``.

May import plan, engines, visit, store, errors and the standard library only.
"""

from dataclasses import dataclass
from pathlib import Path

from sitetest.cli.far_ends import Engines, FarEnds
from sitetest.engines.failure_translation import TransferProblem, server_error
from sitetest.plan.cases import Plan
from sitetest.plan.site import ApConfig, Site
from sitetest.plan.soak_plan import SoakPlan
from sitetest.store.reading import store_path
from sitetest.visit.preflight import Preflight, planned_bytes
from sitetest.visit.switch import CommandSwitch
from sitetest.visit.turn_begin import ApConfigFacts


@dataclass(frozen=True, slots=True)
class PlannedApConfigs:
    """The AP configs that a plan names, as the site describes them. Raises UsageError for one that is gone from it."""

    configs: tuple[ApConfig, ...]

    @classmethod
    def of(cls, site: Site, plan: Plan | SoakPlan) -> "PlannedApConfigs":
        """Look them up."""
        return cls(tuple(site.ap_config(name) for name in plan.ap_configs))

    @property
    def facts(self) -> dict[str, ApConfigFacts]:
        """What a row says about each."""
        return {
            config.name: ApConfigFacts(config.access_point, config.firmware, by_command=bool(config.apply))
            for config in self.configs
        }

    @property
    def commands(self) -> dict[str, tuple[str, ...]]:
        """The apply command of each that has one."""
        return {config.name: config.apply for config in self.configs if config.apply}

    def switch(self) -> CommandSwitch | None:
        """Return what runs the apply commands; None when there is none."""
        if not self.commands:
            return None
        return CommandSwitch(self.commands, {config.name: config.apply_timeout_s for config in self.configs})


def preflight_of(
    site_dir: Path,
    plan: Plan | SoakPlan,
    ap_configs: PlannedApConfigs,
    *,
    measurements: int,
    ends: FarEnds,
    engines: Engines,
    agent: str,
    yes: bool,
) -> Preflight:
    """Return the questions. measurements: of the plan, at most. agent: label of this laptop. yes: nobody is to be
    asked."""
    return Preflight(
        plan=plan,
        doors={leg: end.api for leg, end in ends.servers.items()},
        engines=engines,
        problems=(TransferProblem,),
        translate=server_error,
        agent=agent,
        results_dir=store_path(site_dir).parent,
        ap_configs=ap_configs.facts,
        wanted_bytes=planned_bytes(plan.timing, measurements),
        commands=ap_configs.commands,
        somebody_to_ask=not yes,
    )
