"""The example site: what `sitetest new` writes, and what stands in the repository, are one."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sitetest.errors import Exit, UsageError
from sitetest.plan.estimate import estimate
from sitetest.plan.example import example_texts, write_example
from sitetest.plan.loading import load_profile, load_site, profile_names
from sitetest.plan.order import make_plan
from sitetest.plan.soak_estimate import soak_estimate
from sitetest.plan.soak_making import make_soak_plan

RUNNABLE = ("basement", "counter", "overnight", "reading-room")


def test_the_repository_holds_the_very_files_that_are_written(repository: Path) -> None:
    kept = {file.name: file.read_text(encoding="utf-8") for file in (repository / "profiles").iterdir()}
    assert kept == example_texts()


def test_the_example_can_be_run_as_it_stands(tmp_path: Path) -> None:
    written = write_example(tmp_path / "new" / "site")
    assert written[0] == tmp_path / "new" / "site" / "profiles" / "site.toml"
    assert sorted(written) == sorted((tmp_path / "new" / "site" / "profiles").iterdir())
    site = load_site(tmp_path / "new" / "site")
    assert site.ap_config_names == ("auto", "wide80")
    assert profile_names(tmp_path / "new" / "site") == tuple(sorted([*RUNNABLE, "base"]))
    for name in RUNNABLE:
        profile = load_profile(tmp_path / "new" / "site", name)
        assert profile.extends == "base"
        plan = make_plan(site, profile, seed=1)
        assert {turn.ap_config for turn in plan.turns} == {"auto", "wide80"}
        assert plan.internet_data_bytes is None


def test_the_times_that_the_example_promises_are_true(tmp_path: Path) -> None:
    """reading-room.toml: about 9 to 21 minutes. overnight.toml: 9 hours at 1 Gbit/s move 810 GB, below its cap."""
    write_example(tmp_path)
    site = load_site(tmp_path)

    def minutes(name: str, turns_each: int) -> float:
        return estimate(make_plan(site, load_profile(tmp_path, name), seed=1).first(turns_each)).duration_s / 60

    assert 8.5 <= minutes("reading-room", 4) < 9.5
    assert 20 <= minutes("reading-room", 10) < 22
    night = make_soak_plan(site, load_profile(tmp_path, "overnight"), seed=1, ap_configs=["auto"], rounds=9 * 30)
    expected = soak_estimate(night, now=datetime(2026, 1, 1, tzinfo=UTC))
    assert (expected.duration_s, expected.lan_bytes, expected.cap_bytes) == (9 * 3600, 810e9, 1000e9)
    assert expected.cap_lasts_s is None


def test_the_keys_shown_as_comments_are_keys_that_work(tmp_path: Path) -> None:
    """A line that people take the # away from must be right."""
    write_example(tmp_path)
    shown = 0
    for file in (tmp_path / "profiles").iterdir():
        text = file.read_text(encoding="utf-8").replace('apply = ""', "# the line that people replace")
        text, count = re.subn(r"(?m)^# (\w+ = |\[\[requirement\]\])", r"\1", text)
        shown += count
        file.write_text(text, encoding="utf-8")
    assert shown == 7 + 23
    site = load_site(tmp_path)
    wide = site.ap_config("wide80")
    assert (wide.channel, wide.power, wide.apply_timeout_s) == (36, "medium", 120.0)
    assert wide.apply == ("python3", "switch_ap.py", "--width", "80")
    assert load_profile(tmp_path, "basement").timing.congestion_control == "cubic"
    assert load_profile(tmp_path, "basement").comparison.family == 6
    assert [one.location for one in site.requirements] == ["reading-room", "counter", "counter", "all", "reading-room"]
    assert all(one.source for one in site.requirements)


@pytest.mark.parametrize(
    ("file", "caution"),
    [
        ("base.toml", "A throughput test fills the network"),
        ("base.toml", "owner's consent"),
        ("base.toml", "an internet leg uses real data volume"),
        ("site.toml", "uses real data volume"),
        ("site.toml", "is set by each country: sitetest never proposes a setting as allowed"),
        ("site.toml", "ladders and cabling: local codes and licensed practice come first"),
    ],
)
def test_the_cautions_stand_where_they_belong(file: str, caution: str) -> None:
    """DESIGN section 10."""
    assert caution in " ".join(line.lstrip("# ") for line in example_texts()[file].splitlines())


def test_nothing_is_overwritten_and_nothing_is_written_beside_it(tmp_path: Path) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    (profiles / "counter.toml").write_text("mine")
    with pytest.raises(UsageError) as caught:
        write_example(tmp_path)
    assert caught.value.exit_code == Exit.WRONG_USE
    assert caught.value.message == f"{profiles} holds counter.toml already; nothing was written"
    assert [file.name for file in profiles.iterdir()] == ["counter.toml"]
    assert (profiles / "counter.toml").read_text() == "mine"


def test_a_dangling_link_is_not_written_through(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "site.toml").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError, match=r"holds site\.toml already"):
        write_example(tmp_path)
    assert not (tmp_path / "elsewhere").exists()


def test_a_place_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(UsageError, match="the example cannot be written there: Not a directory"):
        write_example(tmp_path / "file")
