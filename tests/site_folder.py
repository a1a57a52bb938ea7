"""A site folder for tests: site.toml and profiles as text, written below a temporary directory."""

from pathlib import Path

SITE_TOML = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "192.0.2.7"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
[[ap_config]]
name = "wide80"
access_point = "counter"
"""

PROFILE_TOML = """\
format = 1
location = "basement"
[matrix]
ap_configs = ["auto", "wide80"]
"""


def site_folder(directory: Path, site: str | bytes = SITE_TOML, **profiles: str | bytes) -> Path:
    """Write ``profiles/site.toml`` and one file for each further argument; return ``directory``."""
    folder = directory / "profiles"
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in {"site": site, **profiles}.items():
        raw = content if isinstance(content, bytes) else content.encode()
        (folder / f"{name}.toml").write_bytes(raw)
    return directory
