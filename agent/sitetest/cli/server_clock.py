"""What the server's wall clock says: the Date header of any of its answers (RFC 9110, section 6.6.1).

May import engines, aiohttp and the standard library only.
"""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import aiohttp

from sitetest.engines.server_api import ServerApi


async def server_time(api: ServerApi) -> datetime | None:
    """Ask a server for its time, in whole seconds; None where it does not answer or does not tell."""
    try:
        async with api.session().get(f"{api.base_url}/v1/identity", allow_redirects=False) as response:
            header = response.headers.get("Date", "")
    except (aiohttp.ClientError, OSError):
        return None
    try:
        told = parsedate_to_datetime(header)
    except ValueError:
        return None
    return told if told.tzinfo is not None else told.replace(tzinfo=UTC)
