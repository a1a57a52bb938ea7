"""Whatever stands in the files, there is a plan or an error for people, never a traceback."""

import copy
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from site_folder import site_folder
from toml_text import toml_text

from sitetest.errors import ProfileError, SitetestError, UsageError
from sitetest.plan.cases import Plan
from sitetest.plan.estimate import estimate
from sitetest.plan.loading import load_profile, load_site
from sitetest.plan.order import MOST_SLOTS, make_plan
from sitetest.plan.plan_json import plan_from_json, plan_to_json
from sitetest.plan.profile import Profile
from sitetest.plan.site import Site
from sitetest.plan.soak_estimate import soak_estimate
from sitetest.plan.soak_making import make_soak_plan
from sitetest.plan.soak_plan_json import soak_plan_from_json, soak_plan_to_json

NOW = datetime(2026, 1, 1, tzinfo=UTC)

SITE: dict[str, Any] = {
    "format": 1,
    "site": "quay-street-bookshop",
    "server": {"lan": "auto", "internet": "https://far.example", "internet_download_url": ""},
    "access_point": [{"name": "counter", "bssids": ["02:00:00:aa:bb:01"]}, {"name": "attic"}],
    "ap_config": [
        {"name": "auto", "access_point": "counter", "width_mhz": "auto", "channel": "auto"},
        {
            "name": "wide80",
            "access_point": "attic",
            "band": "5",
            "channel": 36,
            "width_mhz": 80,
            "power": "medium",
            "firmware": "7.1",
            "apply": "switch 'wide 80'",
            "apply_timeout_s": 60,
        },
    ],
}
BASE: dict[str, Any] = {"format": 1, "timing": {"streams": 4, "warm_up_s": 2}, "repeats": {"minimum": 2, "per_turn": 2}}
PROFILE: dict[str, Any] = {
    "format": 1,
    "extends": "base",
    "location": "basement",
    "matrix": {
        "legs": ["lan", "internet"],
        "engines": ["iperf3", "http"],
        "directions": ["download", "upload"],
        "internet_directions": ["download"],
        "ap_configs": ["auto", "wide80"],
    },
    "timing": {"duration_s": 10.5, "congestion_control": "cubic"},
    "repeats": {"maximum": 6},
    "limits": {"internet_data_gb": 0.5, "expected_lan_mbps": 600, "expected_internet_mbps": 40},
    "soak": {"every_s": 300, "duration_s": 5, "turn_min": 10, "most_busy_pct": 50, "data_gb": 100.5},
}
WORDS = sorted(
    {"auto", "wide80", "counter", "attic", "lan", "internet", "iperf3", "http", "download", "upload", "base"}
    | {"basement", "site"}
    | {"[::1", "http://", "https://[", "host:99999", "//", "'", "\u202e", "=1", "02:00:00:aa:bb:01", "5", "2.4"}
    | {key for document in (SITE, BASE, PROFILE) for key in document}
    | {key for document in (BASE, PROFILE) for table in document.values() if isinstance(table, dict) for key in table}
    | {key for table in SITE["ap_config"] for key in table}
)  # fmt: skip
texts = st.sampled_from(WORDS) | st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
numbers = st.sampled_from([0, 1, 2, 5, 36, 80, 100, 3600, -1, 2**63, 16**300]) | st.integers(-(2**63), 2**63)
scalars = (
    texts
    | numbers
    | st.booleans()
    | st.floats(allow_nan=False)
    | st.dates()
    | st.times(timezones=st.none())
    | st.datetimes()
)
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3), max_leaves=8
)
documents = st.dictionaries(texts, values, max_size=6)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("site")


def outcome(folder: Path, site: str | bytes, base: str | bytes, profile: str | bytes) -> Plan | SitetestError:
    """Go all the way from three files to an estimate, as `sitetest plan` does. Any other exception escapes."""
    site_folder(folder, site, base=base, basement=profile)
    try:
        known = load_site(folder)
        wanted = load_profile(folder, "basement")
        plan = make_plan(known, wanted, seed=1)
    except SitetestError as error:
        check_message(error)
        return error
    assert 0 < len(plan.slots) <= MOST_SLOTS
    assert estimate(plan, expected_mbps=wanted.limits.expected_mbps).duration_s > 0
    assert plan_from_json(plan_to_json(plan)) == plan
    check_soak(known, wanted)
    return plan


def check_soak(site: Site, profile: Profile) -> None:
    """The same way for a soak."""
    try:
        plan = make_soak_plan(site, profile, seed=1, rounds=100)
    except SitetestError as error:
        check_message(error)
        return
    assert soak_estimate(plan, now=NOW, expected_mbps=profile.limits.expected_mbps).busy_share <= plan.most_busy_share
    assert soak_plan_from_json(soak_plan_to_json(plan)) == plan


def check_message(error: SitetestError) -> None:
    """Printable, of bounded length, and each line names its file."""
    assert isinstance(error, UsageError)
    lines = error.message.splitlines()
    assert lines
    assert all(len(line) < 1500 and line.isprintable() for line in lines)
    if isinstance(error, ProfileError):
        assert all("profiles" in line or line.startswith("and ") for line in lines)


def plausible(value: object) -> st.SearchStrategy[Any]:
    """Another value that could well stand in the place of ``value``, so that many changes stay valid."""
    match value:
        case bool() | float():
            return st.floats(1, 60)
        case int():
            return st.integers(1, 60)
        case list():
            return st.permutations(value).flatmap(
                lambda order: st.integers(1, len(order) or 1).map(lambda n: order[:n])
            )
        case _:
            return st.just(value)


def mutated(draw: st.DrawFn, document: dict[str, Any]) -> dict[str, Any]:
    """A copy of a valid document in which a few things were changed, added, taken away or written twice."""
    changed = copy.deepcopy(document)
    for _ in range(draw(st.integers(0, 3))):
        place: Any = changed
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = draw(st.sampled_from(keys))
            if isinstance(place[key], dict | list) and place[key] and draw(st.integers(0, 3)) > 0:
                place = place[key]
                continue
            match draw(st.sampled_from(["replace", "replace", "remove", "add", "double"])):
                case "replace":
                    place[key] = draw(values | plausible(place[key]))
                case "remove":
                    del place[key]
                case "add" if isinstance(place, dict):
                    place[draw(texts)] = draw(values)
                case "add":
                    place.append(draw(values))
                case "double" if isinstance(place, list):
                    place.append(copy.deepcopy(place[key]))
                case _:
                    pass  # a key cannot stand twice in a table
            break
    return changed


@st.composite
def mutations(draw: st.DrawFn) -> tuple[str, str, str]:
    site, base, profile = (toml_text(mutated(draw, document)) for document in (SITE, BASE, PROFILE))
    return site, base, profile


@st.composite
def damaged(draw: st.DrawFn, document: dict[str, Any]) -> bytes:
    """A valid file in which some bytes were overwritten."""
    raw = bytearray(toml_text(document).encode())
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(raw)))
        raw[start : start + draw(st.integers(0, 6))] = draw(
            st.binary(max_size=6) | st.sampled_from([b"[", b"]]", b'"'])
        )
    return bytes(raw)


def test_the_documents_that_are_changed_are_valid_themselves(folder: Path) -> None:
    assert isinstance(outcome(folder, *map(toml_text, (SITE, BASE, PROFILE))), Plan)


@given(documents)
@settings(deadline=None, max_examples=60)
def test_the_made_up_files_are_the_toml_that_they_should_be(document: dict[str, Any]) -> None:
    assert tomllib.loads(toml_text(document)) == document


@given(documents, documents)
@settings(deadline=None, max_examples=120)
def test_any_toml_gives_a_plan_or_an_error_for_people(
    folder: Path, site: dict[str, Any], profile: dict[str, Any]
) -> None:
    outcome(folder, toml_text(SITE | site), toml_text(BASE), toml_text(PROFILE | profile))
    outcome(folder, toml_text(SITE), toml_text(profile), toml_text({"format": 1, **profile}))


@given(mutations())
@settings(deadline=None, max_examples=400)
def test_a_valid_site_with_a_few_changes_gives_a_plan_or_an_error_for_people(
    folder: Path, files: tuple[str, str, str]
) -> None:
    outcome(folder, *files)


@given(damaged(SITE), damaged(PROFILE))
@settings(deadline=None, max_examples=120)
def test_damaged_files_give_a_plan_or_an_error_for_people(folder: Path, site: bytes, profile: bytes) -> None:
    outcome(folder, toml_text(SITE), toml_text(BASE), profile)
    outcome(folder, site, toml_text(BASE), toml_text(PROFILE))


@given(st.text(max_size=20) | texts)
@settings(deadline=None, max_examples=120)
def test_any_profile_name_is_loaded_or_told(folder: Path, name: str) -> None:
    outcome(folder, *map(toml_text, (SITE, BASE, PROFILE)))
    if name == "basement":
        assert load_profile(folder, name).name == "basement"
        return
    with pytest.raises(ProfileError) as caught:
        load_profile(folder, name)
    check_message(caught.value)
