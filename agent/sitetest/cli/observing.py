"""Who looks on beside the transfers of a visit: this laptop's observers, or a radio that is as simulated as its link.

May import engines, observe, plan, visit, the other modules of cli that it needs, and the standard library only.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sitetest.cli.far_ends import FarEnds
from sitetest.engines.server_api import ServerApi
from sitetest.observe.beside import SystemObservers, live_reader
from sitetest.observe.link.place_names import Labels, own_labels
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reader_choice import choose_reader
from sitetest.observe.link.scenario import steady
from sitetest.observe.link.scenario_reader import ScenarioReader
from sitetest.observe.responsiveness import TinyObject
from sitetest.plan.cases import Leg, Plan
from sitetest.plan.site import Site
from sitetest.plan.soak_plan import SoakPlan
from sitetest.visit.expected_radio import ExpectedRadio, expected_radio
from sitetest.visit.path import SystemPath
from sitetest.visit.radio_check import LinkRadioCheck

_INVENTED = b"a radio that nobody owns"
"""Salt of the labels of an invented radio: the same everywhere, and never in the map of this laptop's real names."""


def link_reader_for(ends: FarEnds) -> Callable[[], LinkReader]:
    """Return what makes a reader of this laptop's link; of an invented one where a server says that it simulates."""
    return live_reader if ends.simulated is None else _simulated_radio


def observers_for(ends: FarEnds) -> SystemObservers:
    """Return the observers of a visit. Where a server says that it simulates its link, the laptop's own radio is not
    read: it has nothing to do with those figures, and its values beside them would pass for measured ones."""
    tiny_objects = {leg.value: _identity(end.api) for leg, end in ends.servers.items()}
    if ends.simulated is None:
        return SystemObservers(tiny_objects=tiny_objects)
    return SystemObservers(reader=_simulated_radio, tiny_objects=tiny_objects)


@dataclass(frozen=True, slots=True)
class DeclaredRadio:
    """What the site declares of the radios of its AP configs, and who looks whether the laptop is on them."""

    expected: Mapping[str, ExpectedRadio]
    check: LinkRadioCheck | None


def declared_radio(site: Site, plan: Plan | SoakPlan, ends: FarEnds, path: SystemPath) -> DeclaredRadio:
    """Return what is declared for the AP configs of a plan; nothing over a simulated link, whose radio is invented."""
    if ends.simulated is not None:
        return DeclaredRadio({}, None)
    names = own_labels()
    expected = {
        name: expected_radio(site.ap_config(name), site.access_point_of(name), names) for name in plan.ap_configs
    }
    leg = Leg.LAN if any(case.leg is Leg.LAN for case in plan.cases) else Leg.INTERNET
    return DeclaredRadio(expected, LinkRadioCheck(expected, lambda: path.route(leg), lambda: choose_reader(names)))


def _simulated_radio() -> ScenarioReader:
    return ScenarioReader(steady(), Labels(_INVENTED))


def _identity(api: ServerApi) -> TinyObject:
    """A server's identity is the one answer that it gives without a token: some hundred bytes."""
    return TinyObject(api.host, api.port, f"{api.address.path}/v1/identity", api.ssl_context)
