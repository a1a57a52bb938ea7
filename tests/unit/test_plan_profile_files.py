"""Profiles: what is read, how one extends another, and that every mistake is told with file, key, found and allowed."""

from pathlib import Path

import pytest
from site_folder import PROFILE_TOML, SITE_TOML, site_folder

from sitetest.errors import ProfileError
from sitetest.plan.cases import Leg
from sitetest.plan.loading import load_profile, profile_names
from sitetest.plan.profile import ComparisonTable, Profile
from sitetest.stats.rules import Correction
from sitetest_wire.words import Direction, EngineName

MATRIX_KEYS = "legs, engines, directions, internet_directions, ap_configs"
TIMING_KEYS = "streams, warm_up_s, duration_s, congestion_control"
TOP_KEYS = "format, extends, location, matrix, timing, repeats, comparison, limits, soak"
NAME = "1 to 64 printable characters, no space at either end, not starting with one of = + - @"
FAR_SERVER = SITE_TOML.replace("[server]", '[server]\ninternet = "https://far.example"')
DOWNLOAD_URL = SITE_TOML.replace("[server]", '[server]\ninternet_download_url = "https://far.example/large.bin"')


def complaint(directory: Path, name: str = "basement") -> str:
    """What load_profile says, with the folder's path cut off each line."""
    with pytest.raises(ProfileError) as caught:
        load_profile(directory, name)
    return caught.value.message.replace(f"{directory / 'profiles'}/", "").replace(f"{directory}/", "")


def profile_of(directory: Path, text: str, site: str = SITE_TOML) -> Profile:
    return load_profile(site_folder(directory, site, basement=f'format = 1\nlocation = "basement"\n{text}'), "basement")


def test_everything_that_a_profile_can_say_is_read(tmp_path: Path) -> None:
    profile = profile_of(
        tmp_path,
        """\
[matrix]
legs = ["internet", "lan"]
engines = ["http", "iperf3"]
directions = ["upload", "download"]
internet_directions = ["download"]
ap_configs = ["wide80"]
[timing]
streams = 8
warm_up_s = 0.5
duration_s = 12.5
congestion_control = "cubic"
[repeats]
minimum = 2
maximum = 6
per_turn = 3
[comparison]
margin_pct = 7.5
alpha = 0.01
correction = "bonferroni"
family = 12
looks = 3
give_up_early = true
assumed_cv_pct = 12
[limits]
internet_data_gb = 0.5
expected_lan_mbps = 600
expected_internet_mbps = 40.5
[soak]
every_s = 300
warm_up_s = 1
duration_s = 5
turn_min = 20
most_busy_pct = 40
data_gb = 2.5
""",
        FAR_SERVER,
    )
    assert (profile.name, profile.location, profile.extends) == ("basement", "basement", None)
    matrix, timing, repeats, limits = profile.matrix, profile.timing, profile.repeats, profile.limits
    comparison = profile.comparison
    assert comparison == ComparisonTable(
        margin_pct=7.5, alpha=0.01, correction=Correction.BONFERRONI, family=12, looks=3, give_up_early=True,
        assumed_cv_pct=12.0,
    )  # fmt: skip
    assert matrix.legs == (Leg.INTERNET, Leg.LAN)
    assert matrix.engines == (EngineName.HTTP, EngineName.IPERF3)
    assert matrix.directions == (Direction.UPLOAD, Direction.DOWNLOAD)
    assert matrix.internet_directions == (Direction.DOWNLOAD,)
    assert matrix.ap_configs == ("wide80",)
    assert (timing.streams, timing.warm_up_s, timing.duration_s, timing.congestion_control) == (8, 0.5, 12.5, "cubic")
    assert (repeats.minimum, repeats.maximum, repeats.per_turn) == (2, 6, 3)
    assert limits.internet_data_bytes == 500_000_000
    assert limits.expected_mbps == {Leg.LAN: 600.0, Leg.INTERNET: 40.5}
    soak = profile.soak
    assert (soak.every_s, soak.warm_up_s, soak.duration_s, soak.turn_s) == (300.0, 1.0, 5.0, 1200.0)
    assert (soak.most_busy_share, soak.data_bytes) == (0.4, 2_500_000_000)


def test_what_is_left_out_is_common_practice(tmp_path: Path) -> None:
    """Five streams, thirty seconds, each direction: DESIGN section 5 (common practice, no source)."""
    profile = profile_of(tmp_path, "")
    assert profile.matrix.legs == (Leg.LAN,)
    assert profile.matrix.engines == (EngineName.IPERF3,)
    assert profile.matrix.directions == (Direction.DOWNLOAD, Direction.UPLOAD)
    assert profile.matrix.ap_configs is None
    assert (profile.timing.streams, profile.timing.warm_up_s, profile.timing.duration_s) == (5, 3.0, 30.0)
    assert profile.timing.congestion_control is None
    assert (profile.repeats.minimum, profile.repeats.maximum, profile.repeats.per_turn) == (4, 10, 1)
    soak = profile.soak
    assert (soak.every_s, soak.warm_up_s, soak.duration_s, soak.turn_s) == (120.0, 2.0, 10.0, 1800.0)
    assert (soak.most_busy_share, soak.data_bytes) == (0.25, 1_000_000_000_000)


def test_a_maximum_that_is_left_out_follows_a_high_minimum(tmp_path: Path) -> None:
    assert profile_of(tmp_path, "[repeats]\nminimum = 12\n").repeats.maximum == 12
    assert profile_of(tmp_path, "[repeats]\nminimum = 6\n").repeats.maximum == 10


def test_extending_merges_tables_key_by_key_and_replaces_lists(tmp_path: Path) -> None:
    site_folder(
        tmp_path,
        root="format = 1\n[timing]\nstreams = 2\nwarm_up_s = 1\nduration_s = 5\n[repeats]\nminimum = 2\n",
        base='format = 1\nextends = "root"\n[matrix]\ndirections = ["download", "upload"]\n[timing]\nstreams = 3\n',
        basement='format = 1\nextends = "base"\nlocation = "basement"\n'
        '[matrix]\ndirections = ["upload"]\n[timing]\nduration_s = 7\n',
    )
    profile = load_profile(tmp_path, "basement")
    assert profile.extends == "base"
    assert (profile.timing.streams, profile.timing.warm_up_s, profile.timing.duration_s) == (3, 1.0, 7.0)
    assert profile.matrix.directions == (Direction.UPLOAD,)
    assert profile.repeats.minimum == 2


def test_profiles_are_listed_without_the_site(tmp_path: Path) -> None:
    site_folder(tmp_path, counter=PROFILE_TOML, base="format = 1")
    (tmp_path / "profiles" / "notes.txt").write_text("not a profile")
    (tmp_path / "profiles" / ".hidden.toml").write_text("left over by an editor")
    assert profile_names(tmp_path) == ("base", "counter")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # unknown keys
        ("[matrix]\nleg = ['lan']", f"matrix.leg: found an unknown key; allowed: {MATRIX_KEYS}; did you mean legs?"),
        ("[timing]\nduration = 30", f"timing.duration: found an unknown key; allowed: {TIMING_KEYS}; "
         "did you mean duration_s?"),
        ("[timng]\nstreams = 5", f"timng: found an unknown key; allowed: {TOP_KEYS}; did you mean timing?"),
        ("streams = 5", f"streams: found an unknown key; allowed: {TOP_KEYS}; did you mean streams under [timing]?"),
        ("name = 'x'", f"name: found an unknown key; allowed: {TOP_KEYS}"),
        # wrong types and bounds
        ("[timing]\nstreams = '5'", 'timing.streams: found "5"; allowed: a whole number from 1 to 32'),
        ("[timing]\nstreams = 5.0", "timing.streams: found 5.0; allowed: a whole number from 1 to 32"),
        ("[timing]\nstreams = true", "timing.streams: found true; allowed: a whole number from 1 to 32"),
        ("[timing]\nstreams = 0", "timing.streams: found 0; allowed: a whole number from 1 to 32"),
        ("[timing]\nstreams = 33", "timing.streams: found 33; allowed: a whole number from 1 to 32"),
        ("[timing]\nwarm_up_s = -1", "timing.warm_up_s: found -1; allowed: a number from 0 to 60"),
        ("[timing]\nwarm_up_s = inf", "timing.warm_up_s: found inf; allowed: a number from 0 to 60"),
        ("[timing]\nduration_s = nan", "timing.duration_s: found nan; allowed: a number from 1 to 3600"),
        ("[timing]\nduration_s = 3601", "timing.duration_s: found 3601; allowed: a number from 1 to 3600"),
        ("[timing]\nduration_s = [30]", "timing.duration_s: found a list of 1; allowed: a number from 1 to 3600"),
        ("[timing]\nduration_s = 2030-01-02",
         "timing.duration_s: found 2030-01-02 (a date or time); allowed: a number from 1 to 3600"),
        ("[timing]\ncongestion_control = 'cu bic'",
         'timing.congestion_control: found "cu bic"; allowed: the name of a congestion control, as in "cubic": '
         "1 to 15 letters, digits, _ or -"),
        ("[repeats]\nminimum = 101", "repeats.minimum: found 101; allowed: a whole number from 1 to 100"),
        ("[repeats]\nper_turn = 21", "repeats.per_turn: found 21; allowed: a whole number from 1 to 20"),
        ("[comparison]\nmargin_pct = 0", "comparison.margin_pct: found 0; allowed: a number from 1 to 99"),
        ("[comparison]\nmargin = 10",
         "comparison.margin: found an unknown key; allowed: margin_pct, alpha, correction, family, looks, "
         "give_up_early, assumed_cv_pct; did you mean margin_pct?"),
        ("[comparison]\nalpha = 5", "comparison.alpha: found 5; allowed: a number from 0.001 to 0.5"),
        ("[comparison]\ncorrection = 'holms'",
         'comparison.correction: found "holms"; allowed: "holm", "bonferroni"; did you mean "holm"?'),
        ("[comparison]\nfamily = 0", "comparison.family: found 0; allowed: a whole number from 1 to 10000"),
        ("[comparison]\nlooks = [4, 6]", "comparison.looks: found a list of 2; allowed: a whole number from 1 to 20"),
        ("[comparison]\ngive_up_early = 'true'",
         'comparison.give_up_early: found "true"; allowed: true or false, without quotes'),
        ("[comparison]\nassumed_cv_pct = nan",
         "comparison.assumed_cv_pct: found nan; allowed: a number from 0.5 to 100"),
        ("[limits]\ninternet_data_gb = 0", "limits.internet_data_gb: found 0; allowed: a number from 0.001 to 100000"),
        ("[limits]\nexpected_lan_mbps = 'fast'",
         'limits.expected_lan_mbps: found "fast"; allowed: a number from 0.1 to 100000'),
        ("matrix = 'lan'", 'matrix: found "lan"; allowed: a table'),
        # lists of words
        ("[matrix]\nlegs = []", "matrix.legs: found an empty list; allowed: a list of 1 to 2 legs"),
        ("[matrix]\nlegs = 'lan'", 'matrix.legs: found "lan"; allowed: a list of 1 to 2 legs'),
        ("[matrix]\nlegs = ['wan']", 'matrix.legs[1]: found "wan"; allowed: "lan", "internet"; did you mean "lan"?'),
        ("[matrix]\nengines = ['iperf']",
         'matrix.engines[1]: found "iperf"; allowed: "iperf3", "http"; did you mean "iperf3"?'),
        ("[matrix]\nengines = [['http']]", 'matrix.engines[1]: found a list of 1; allowed: "iperf3", "http"'),
        ("[matrix]\ndirections = ['Upload']",
         'matrix.directions[1]: found "Upload"; allowed: "download", "upload"; did you mean "upload"?'),
        ("[matrix]\ndirections = ['upload', 'upload']",
         'matrix.directions: found "upload" twice; allowed: a list of 1 to 2 directions, each once'),
        ("[matrix]\nap_configs = []",
         "matrix.ap_configs: found an empty list; allowed: a list of 1 to 64 names of AP configs"),
        ("[matrix]\nap_configs = [{}]",
         f"matrix.ap_configs[1]: found a table; allowed: the name of an AP config: {NAME}"),
        # names of the site
        ("[matrix]\nap_configs = ['auto', 'wide8']",
         'matrix.ap_configs[2]: found "wide8"; allowed: "auto", "wide80"; did you mean "wide80"?'),
        ("[matrix]\nap_configs = ['zzz']", 'matrix.ap_configs[1]: found "zzz"; allowed: "auto", "wide80"'),
        # impossible combinations
        ("[repeats]\nminimum = 4\nmaximum = 3",
         "repeats.maximum: found 3; allowed: a whole number from repeats.minimum (4) to 100"),
        ("[repeats]\nmaximum = 3", "repeats.maximum: found 3; allowed: a whole number from repeats.minimum (4) to 100"),
        ("[timing]\nduration_s = 3599",
         "timing.duration_s: found 3599; allowed: with timing.warm_up_s = 3: at most 3597"),
        ("[soak]\nevery_s = 0.5", "soak.every_s: found 0.5; allowed: a number from 1 to 86400"),
        ("[soak]\nmost_busy_pct = 0", "soak.most_busy_pct: found 0; allowed: a number from 1 to 100"),
        ("[soak]\nmost_busy_pct = 101", "soak.most_busy_pct: found 101; allowed: a number from 1 to 100"),
        ("[soak]\nturn_mins = 5",
         "soak.turn_mins: found an unknown key; allowed: every_s, warm_up_s, duration_s, turn_min, most_busy_pct, "
         "data_gb; did you mean turn_min?"),
        ("[soak]\nevery_s = 60\nduration_s = 58",
         "soak.duration_s: found 58; allowed: with soak.every_s = 60 and soak.warm_up_s = 2: below 58, since a test "
         "must be over before the next round"),
        ("[soak]\nevery_s = 10\nturn_min = 30",
         "soak.duration_s: found 10.0; allowed: with soak.every_s = 10 and soak.warm_up_s = 2: below 8, since a test "
         "must be over before the next round"),
        ("[soak]\nevery_s = 86400\nduration_s = 3599\nturn_min = 1440",
         "soak.duration_s: found 3599; allowed: with soak.warm_up_s = 2: at most 3598"),
        ("[soak]\nevery_s = 120\nturn_min = 1",
         "soak.turn_min: found 1; allowed: with soak.every_s = 120: at least 2, to hold a round"),
        ("[matrix]\ndirections = ['upload']\ninternet_directions = ['download']",
         'matrix.internet_directions: found "download"; allowed: some of matrix.directions: "upload"'),
        ("[matrix]\nlegs = ['lan', 'internet']\nengines = ['http']",
         'matrix.legs: found "internet"; allowed: "lan" alone, unless site.toml names [server] internet or '
         "internet_download_url"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_file_key_found_allowed_and_nearest(tmp_path: Path, text: str, said: str) -> None:
    site_folder(tmp_path, basement=f'format = 1\nlocation = "basement"\n{text}\n')
    assert complaint(tmp_path) == f"basement.toml: {said}"


@pytest.mark.parametrize(
    ("site", "matrix", "said"),
    [
        (
            FAR_SERVER,
            "legs = ['lan', 'internet']",
            'matrix.engines: found "iperf3"; allowed: "http" among them, '
            'the only engine that the leg "internet" can use',
        ),
        (
            FAR_SERVER,
            "legs = ['internet']\nengines = ['iperf3', 'http']",
            'matrix.engines: found "iperf3", "http"; allowed: "http" alone, '
            'the only engine that the leg "internet" can use',
        ),
        (
            DOWNLOAD_URL,
            "legs = ['lan', 'internet']\nengines = ['http']",
            'matrix.directions: found "upload"; allowed: "download" alone, since site.toml names an '
            "internet_download_url and no internet server (internet_directions limits the internet leg only)",
        ),
        (
            DOWNLOAD_URL,
            "legs = ['lan', 'internet']\nengines = ['http']\ninternet_directions = ['upload']",
            'matrix.internet_directions: found "upload"; allowed: "download" alone, since site.toml names an '
            "internet_download_url and no internet server",
        ),
    ],
)
def test_an_internet_leg_that_cannot_be_is_refused(tmp_path: Path, site: str, matrix: str, said: str) -> None:
    site_folder(tmp_path, site, basement=f'format = 1\nlocation = "basement"\n[matrix]\n{matrix}\n')
    assert complaint(tmp_path) == f"basement.toml: {said}"


def test_a_download_url_serves_the_internet_leg_while_the_lan_goes_both_ways(tmp_path: Path) -> None:
    text = "[matrix]\nlegs = ['lan', 'internet']\nengines = ['http']\ninternet_directions = ['download']\n"
    assert profile_of(tmp_path, text, DOWNLOAD_URL).matrix.internet_directions == (Direction.DOWNLOAD,)


def test_all_mistakes_are_told_at_once_each_with_its_own_file(tmp_path: Path) -> None:
    """Single values, two values of a table, two tables and two files: nothing hides anything else."""
    site_folder(
        tmp_path,
        base="[matrix]\nap_configs = ['wide8']\nlegs = ['internet']\n[timing]\nstream = 4\n[repeats]\nminimum = 9\n",
        basement='extends = "base"\nformat = 1\nlocation = " basement"\n[timing]\nduration_s = "30"\n'
        "[repeats]\nmaximum = 4\n",
    )
    told = sorted(line.split(": found ")[0] for line in complaint(tmp_path).splitlines())
    assert told == [
        "base.toml: format",
        "base.toml: matrix.ap_configs[1]",
        "base.toml: matrix.legs",
        "base.toml: timing.stream",
        "basement.toml: location",
        "basement.toml: repeats.maximum",
        "basement.toml: timing.duration_s",
    ]


@pytest.mark.parametrize(
    ("base", "own", "said"),
    [
        (
            "[repeats]\nmaximum = 4\n",
            "[repeats]\nminimum = 8\n",
            "basement.toml: repeats.minimum: found 8; allowed: a whole number from 1 to repeats.maximum (4)",
        ),
        (
            "[repeats]\nminimum = 8\n",
            "[repeats]\nmaximum = 4\n",
            "basement.toml: repeats.maximum: found 4; allowed: a whole number from repeats.minimum (8) to 100",
        ),
        (
            "[repeats]\nmaximum = 4\nminimum = 8\n",
            "",
            "base.toml: repeats.maximum: found 4; allowed: a whole number from repeats.minimum (8) to 100",
        ),
        (
            "[timing]\nduration_s = 3590\n",
            "[timing]\nwarm_up_s = 20\n",
            "basement.toml: timing.warm_up_s: found 20.0; allowed: with timing.duration_s = 3590: at most 10",
        ),
    ],
)
def test_of_two_values_that_contradict_each_other_the_extending_files_own_is_blamed(
    tmp_path: Path, base: str, own: str, said: str
) -> None:
    """There it went wrong, and there it can be put right without touching the other profiles."""
    site_folder(
        tmp_path, base=f"format = 1\n{base}", basement=f'extends = "base"\nformat = 1\nlocation = "basement"\n{own}'
    )
    assert complaint(tmp_path) == said


def test_a_profile_without_location_can_only_be_extended(tmp_path: Path) -> None:
    site_folder(tmp_path, base="format = 1")
    assert complaint(tmp_path, "base") == (
        "base.toml: location: found nothing; allowed: the name of the spot where the laptop stands "
        "(a profile without one can only be extended by others)"
    )


@pytest.mark.parametrize(
    ("extends", "said"),
    [
        ('"bsae"', 'found "bsae"; allowed: "base", "other"; did you mean "base"?'),
        ('"basement"', 'found a circle, "basement" -> "basement"; allowed: a profile that does not lead back here'),
        ('"site"', 'found "site"; allowed: "base", "other"'),
        ('"../base"', 'found "../base"; allowed: "base", "other"; did you mean "base"?'),
        ('""', 'found ""; allowed: "base", "other"'),
        ("5", 'found 5; allowed: "base", "other"'),
    ],
)
def test_what_cannot_be_extended_is_told(tmp_path: Path, extends: str, said: str) -> None:
    """Nothing is said about the location, which may well stand in the file that was meant."""
    site_folder(tmp_path, base="format = 1", other="format = 1", basement=f"format = 1\nextends = {extends}\n")
    assert complaint(tmp_path) == f"basement.toml: extends: {said}"


def test_a_circle_is_told_link_by_link_in_the_file_that_closes_it(tmp_path: Path) -> None:
    site_folder(
        tmp_path,
        basement='format = 1\nextends = "one"\nlocation = "basement"',
        one='format = 1\nextends = "two"',
        two='format = 1\nextends = "one"',
    )
    assert complaint(tmp_path) == (
        'two.toml: extends: found a circle, "one" -> "two" -> "one"; allowed: a profile that does not lead back here'
    )


def test_a_base_with_a_value_where_a_table_belongs_is_told_in_its_own_file(tmp_path: Path) -> None:
    site_folder(
        tmp_path,
        base="format = 1\ntiming = 5",
        basement='format = 1\nextends = "base"\nlocation = "basement"\n[timing]\nstreams = 4',
    )
    assert complaint(tmp_path) == "base.toml: timing: found 5; allowed: a table"


def test_a_broken_base_is_told_with_its_line(tmp_path: Path) -> None:
    site_folder(tmp_path, base="format = 1\n[timing\n", basement='format = 1\nextends = "base"\nlocation = "x"')
    assert complaint(tmp_path).startswith("base.toml, line 2, column 8: this is not valid TOML: ")


def test_mistakes_of_the_site_come_first(tmp_path: Path) -> None:
    site_folder(tmp_path, SITE_TOML.replace("format = 1", "format = 0"), basement="format = 0")
    assert complaint(tmp_path) == "site.toml: format: found 0; allowed: 1"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("basment", '"basment": there is no such profile; allowed: "basement"; did you mean "basement"?'),
        ("site", '"site": site.toml describes the site and is no profile; allowed: "basement"'),
        (
            "basement.toml",
            '"basement.toml": a profile is named without its folder and without .toml; allowed: "basement"; '
            'did you mean "basement"?',
        ),
        (
            "profiles/basement",
            '"profiles/basement": a profile is named without its folder and without .toml; allowed: "basement"; '
            'did you mean "basement"?',
        ),
        ("..", '"..": a profile is named without its folder and without .toml; allowed: "basement"'),
        ("../x", '"../x": a profile is named without its folder and without .toml; allowed: "basement"'),
        ("a\\b", '"a\\b": a profile is named without its folder and without .toml; allowed: "basement"'),
        ("", f'"": the name of a profile has {NAME}; allowed: "basement"'),
        ("a\0b", f'"a\\x00b": the name of a profile has {NAME}; allowed: "basement"'),
        ("\udc80", f'"\\udc80": the name of a profile has {NAME}; allowed: "basement"'),
        ("=1+1", f'"=1+1": the name of a profile has {NAME}; allowed: "basement"'),
    ],
)
def test_a_profile_that_is_not_there_is_told_with_the_nearest(tmp_path: Path, name: str, said: str) -> None:
    site_folder(tmp_path, basement=PROFILE_TOML, **{"=1+1": PROFILE_TOML})
    assert complaint(tmp_path, name) == f"profiles: found {said}"


def test_a_folder_in_place_of_a_profile_is_told(tmp_path: Path) -> None:
    site_folder(tmp_path)
    (tmp_path / "profiles" / "basement.toml").mkdir()
    assert complaint(tmp_path) == "basement.toml: this is not a file; allowed: a TOML file"


def test_a_folder_without_profiles_is_told(tmp_path: Path) -> None:
    assert complaint(site_folder(tmp_path)).endswith("allowed: none, since there is no profile in that folder")
