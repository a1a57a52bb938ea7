"""The site of the demonstration: an invented bookshop with a vaulted basement, and a link of invented rates.

Everything that it yields is marked as simulated. May import the standard library and errors only.
"""

import json
import sys
from pathlib import Path

from sitetest.errors import UsageError

DEFAULT_NAME = "sitetest-demo"
PROFILE = "basement"
AP_CONFIGS = ("auto", "wide80")
SEED = 20_260_302

_LINK = {
    "current": AP_CONFIGS[0],
    "seed": 11,
    "configs": {
        "auto": {"download_mbps": 140, "upload_mbps": 85, "spread_pct": 6},
        "wide80": {"download_mbps": 230, "upload_mbps": 120, "spread_pct": 9},
    },
}
"""Invented. Rates low enough for a small laptop that plays both ends."""

_SITE = """\
# The site of `sitetest demo`. Invented: the AP configs are switched in a simulated link, nothing here is radio.
format = 1
site = "quay-street-bookshop"

[server]
lan = "127.0.0.1"

[[access_point]]
name = "counter"

{ap_configs}"""

_AP_CONFIG = """\
[[ap_config]]
name = "{name}"
access_point = "counter"
apply = [{command}]
"""

_PROFILE = """\
# A short matrix: real ones measure 30 s at a time, with 3 s of warm-up and five streams.
format = 1
location = "basement"

[matrix]
legs = ["lan"]
engines = ["http"]
directions = ["download", "upload"]
ap_configs = ["auto", "wide80"]

[timing]
streams = 3
warm_up_s = 0.5
duration_s = 1.5

[repeats]
minimum = 4
maximum = 6
"""


def link_file(site_dir: Path) -> Path:
    """Where the simulated link is described."""
    return site_dir / "simulated-link.json"


def free_default() -> Path:
    """Return the first name in the current folder that nothing has yet: sitetest-demo, sitetest-demo-2, ..."""
    number = 1
    folder = Path(DEFAULT_NAME)
    while folder.exists():
        number += 1
        folder = Path(f"{DEFAULT_NAME}-{number}")
    return folder


def write_demo_site(site_dir: Path) -> None:
    """Write profiles and the simulated link. Raises UsageError for a folder that is not empty or not writable."""
    try:
        if site_dir.exists() and any(site_dir.iterdir()):
            raise UsageError(
                f"{site_dir} is not empty; the demonstration writes into a folder of its own.",
                "Name a folder that does not exist yet, or leave --site out.",
            )
        profiles = site_dir / "profiles"
        profiles.mkdir(parents=True, exist_ok=True)
        ap_configs = "\n".join(_AP_CONFIG.format(name=name, command=_command(site_dir, name)) for name in AP_CONFIGS)
        (profiles / "site.toml").write_text(_SITE.format(ap_configs=ap_configs), encoding="utf-8")
        (profiles / f"{PROFILE}.toml").write_text(_PROFILE, encoding="utf-8")
        link_file(site_dir).write_text(json.dumps(_LINK, indent=2) + "\n", encoding="utf-8")
    except OSError as problem:
        raise UsageError(
            f"{site_dir}: the demonstration's site cannot be written there: {problem.strerror or problem}.",
            "Name another folder with --site.",
        ) from problem


def _command(site_dir: Path, name: str) -> str:
    words = (sys.executable, "-m", "sitetest_server.simulated_link", str(link_file(site_dir).resolve()), name)
    return ", ".join(json.dumps(word, ensure_ascii=False) for word in words)  # a JSON text is a TOML basic string
