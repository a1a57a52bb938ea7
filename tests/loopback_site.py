"""A site folder for whole runs on loopback: the http engine, short transfers, nobody but a person to switch AP configs.

May import site_folder only.
"""

from pathlib import Path

from site_folder import site_folder

SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{server}"
[[access_point]]
name = "counter"
"""

AP_CONFIG = """\
[[ap_config]]
name = "{name}"
access_point = "counter"
"""


PROFILE = """\
format = 1
location = "basement"
[matrix]
engines = ["http"]
ap_configs = [{ap_configs}]
[timing]
streams = 2
warm_up_s = {warm_up_s}
duration_s = {duration_s}
[repeats]
minimum = {turns}
"""


def loopback_site(
    directory: Path,
    server: str,
    *,
    turns: int = 2,
    warm_up_s: float = 0.2,
    duration_s: float = 1.0,
    ap_configs: tuple[str, ...] = ("auto",),
) -> Path:
    """Write a site whose profile ``basement`` takes about three seconds; return its folder."""
    names = ", ".join(f'"{name}"' for name in ap_configs)
    profile = PROFILE.format(turns=turns, warm_up_s=warm_up_s, duration_s=duration_s, ap_configs=names)
    site = SITE.format(server=server) + "".join(AP_CONFIG.format(name=name) for name in ap_configs)
    return site_folder(directory, site, basement=profile)
