"""Who may use the server: whoever has its token. Only the identity is told to everybody.

May import aiohttp and the standard library.
"""

import hmac

from aiohttp import hdrs, web
from aiohttp.typedefs import Handler, Middleware

from sitetest_server.refusals import Refusal

OPEN_PATHS = frozenset({"/v1/identity"})
SCHEME = "Bearer "


def require_token(token: str) -> Middleware:
    """Return a middleware that refuses every request without ``Authorization: Bearer TOKEN`` (RFC 6750, 2.1)."""
    wanted = token.encode()

    @web.middleware
    async def check(request: web.Request, handler: Handler) -> web.StreamResponse:
        if request.path not in OPEN_PATHS:
            header = request.headers.get(hdrs.AUTHORIZATION, "")
            given = header.removeprefix(SCHEME).encode("utf-8", "surrogateescape")
            if not header.startswith(SCHEME) or not hmac.compare_digest(given, wanted):
                found = "a wrong token" if header.startswith(SCHEME) else "no token"
                raise Refusal(
                    401,
                    "token",
                    f"this server needs the token that it printed when it started, and found {found}",
                    {hdrs.WWW_AUTHENTICATE: "Bearer"},
                )
        return await handler(request)

    return check
