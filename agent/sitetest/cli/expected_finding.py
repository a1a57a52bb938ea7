"""Which of the AP configs of the site the laptop's link can be, by what site.toml states and the radio tells.

May import plan.site, observe.link, visit and the standard library only.
"""

from collections.abc import Sequence

from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.record import LinkSample
from sitetest.plan.site import AccessPoint, ApConfig
from sitetest.visit.expected_radio import compare, expected_radio, mismatch
from sitetest.visit.preflight import Check


def expected_finding(
    configs: Sequence[tuple[ApConfig, AccessPoint]], sample: LinkSample, names: PlaceNames
) -> list[Check]:
    """Hold the link against the AP configs that are to be measured; nothing where none states anything.

    names: as the link reader's. With several AP configs it is enough that the link can be one of them: which one is
    applied at this moment is not known.
    """
    expected = [expected_radio(config, access_point, names) for config, access_point in configs]
    stated = [one for one in expected if one.states_something]
    if not stated or not sample.associated:
        return []
    name = "AP config expected"
    differing = {one.ap_config: told.sentence for one in stated if (told := mismatch(one, sample)) is not None}
    fitting = [one.ap_config for one in expected if one.ap_config not in differing]
    untold = sorted({field for one in stated for field in compare(one, sample).untold})
    hidden = f"; not told here, so not checked: {', '.join(untold)}" if untold else ""
    if not fitting:
        step = "Apply the AP config that is to be measured, or correct profiles/site.toml."
        return [Check(name, False, " ".join(differing.values()) + hidden, step)]
    others = f"; it cannot be {', '.join(differing)}" if differing else ""
    return [Check(name, True, f"the link can be {' or '.join(fitting)}{others}{hidden}")]
