"""Which reader this system has.

May import the standard library and its neighbours only; each system's reader is imported when it is chosen.
"""

import sys

from sitetest.observe.link.no_reader import NoReader
from sitetest.observe.link.place_names import PlaceNames
from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.reasons import Reason


def choose_reader(names: PlaceNames, platform: str = sys.platform) -> LinkReader:
    """Return the reader of this system; where it cannot be had, one that says so in every record.

    names: how network names and BSSIDs are written down (`own_labels()` unless the person asked for full names).
    """
    try:
        if platform == "linux":
            from sitetest.observe.link.nl80211_reader import Nl80211Reader  # noqa: PLC0415

            return Nl80211Reader(names)
        if platform == "darwin":
            from sitetest.observe.link.corewlan_reader import CoreWlanReader  # noqa: PLC0415

            return CoreWlanReader(names)
        if platform == "win32":
            from sitetest.observe.link.wlanapi_reader import WlanReader  # noqa: PLC0415

            return WlanReader(names)
    except ImportError as problem:
        library = {"linux": "pyroute2", "darwin": "pyobjc-framework-CoreWLAN"}.get(
            platform, problem.name or "a library"
        )
        return NoReader(
            Reason.READER_UNAVAILABLE,
            f"The Wi-Fi link cannot be read because {library} is not installed. Install it and start again.",
            os=platform,
        )
    return NoReader(Reason.NOT_SUPPORTED_BY_OS, f"There is no Wi-Fi link reader for {platform}.", os=platform)
