"""The plan of a self-test: one AP config against itself, under two names that mean nothing.

    A B B A   B A A B   ...      every turn has the same AP config; only the letters differ

A visit of a self-test is kept under the name ``selftest/PROFILE``, which no profile file can have, so that its attempts
never enter a comparison of AP configs.

Pure. May import plan and the standard library only.
"""

from random import Random

from sitetest.plan.profile import Profile, Repeats
from sitetest.plan.site import Site

PREFIX = "selftest/"
LOCATION, AP_CONFIG, NOT_STATED = "here", "as-it-is", "not-stated"
SHORT_TIMING = {"streams": 5, "warm_up_s": 1, "duration_s": 5}
"""Where no profile says more. Engineering choice: a self-test of four turns a side takes about three minutes."""


def is_self_test(profile: str) -> bool:
    """Return whether the profile name of a visit is that of a self-test."""
    return profile.startswith(PREFIX)


def self_test_profile(profile: Profile, ap_config: str, turns: int) -> Profile:
    """Return the profile of a self-test: as ``profile``, with ``turns`` a side of one AP config. turns: even."""
    return profile.model_copy(
        update={
            "name": f"{PREFIX}{profile.name}",
            "matrix": profile.matrix.model_copy(update={"ap_configs": (ap_config,)}),
            "repeats": Repeats(minimum=2 * turns, maximum=2 * turns),
        }
    )


def site_without_files() -> Site:
    """Return a site of which nothing is known; where its server is, the command line says."""
    tables = {
        "site": NOT_STATED,
        "access_point": [{"name": NOT_STATED}],
        "ap_config": [{"name": AP_CONFIG, "access_point": NOT_STATED}],
    }
    return Site.model_validate(tables)


def profile_without_files() -> Profile:
    """Return a short profile: the http engine, both directions."""
    tables = {"name": LOCATION, "location": LOCATION, "matrix": {"engines": ["http"]}, "timing": SHORT_TIMING}
    return Profile.model_validate(tables)


def nominal_sides(turns: int, seed: int) -> str:
    """Return the letter of each of ``turns`` turns in the order in which they ran: quads, each A B B A or B A A B."""
    random = Random(seed)  # noqa: S311  an order that anybody may repeat, not a secret
    letters = ""
    while len(letters) < turns:
        letters += random.choice(("ABBA", "BAAB"))
    return letters[:turns]
