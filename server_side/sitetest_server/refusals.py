"""Every answer that says no, as a JSON Problem with a matching HTTP status, and nothing of our insides.

May import sitetest_wire, aiohttp and the standard library.
"""

import json
import logging

from aiohttp import hdrs, web
from aiohttp.typedefs import Handler

from sitetest_wire.messages import MessageError, Problem

_LOGGER = logging.getLogger(__name__)


class Refusal(Exception):
    """A request that is refused. status: of HTTP. headers: more of them, such as Allow."""

    def __init__(self, status: int, code: str, message: str, headers: dict[str, str] | None = None) -> None:
        super().__init__(message)
        self.status = status
        self.headers = headers
        self.problem = Problem(code, message)

    def response(self) -> web.Response:
        """Return the answer."""
        return web.json_response(self.problem.to_json(), status=self.status, headers=self.headers)


@web.middleware
async def refuse_in_json(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Turn whatever a handler raises into a Problem."""
    try:
        return await handler(request)
    except Refusal as refusal:
        return refusal.response()
    except MessageError as problem:
        return Refusal(400, "bad_request", str(problem)).response()
    except web.HTTPException as answer:
        return _of_aiohttp(request, answer).response()
    except Exception:
        if request.writer.output_size > 0:
            raise  # the head of an answer is out: nothing can be said but by closing the connection
        _LOGGER.exception("fault while serving %s %s", request.method, request.path)
        return Refusal(500, "internal", "a fault of the server; its own output says more").response()


async def refuse_expectation(request: web.Request) -> None:
    """Expect handler of every route: 100-continue is the only one there is (RFC 9110, 10.1.1)."""
    expected = request.headers.get(hdrs.EXPECT, "")
    if expected.lower() != "100-continue":
        problem = Problem("bad_request", "the only Expect header that is understood is 100-continue")
        raise web.HTTPExpectationFailed(text=json.dumps(problem.to_json()), content_type="application/json")
    if request.transport is not None:
        request.transport.write(b"HTTP/1.1 100 Continue\r\n\r\n")


def _of_aiohttp(request: web.Request, answer: web.HTTPException) -> Refusal:
    what = f"{request.method} {request.path}"
    match answer:
        case web.HTTPNotFound():
            return Refusal(404, "unknown_route", f"{what} is not a route of this server")
        case web.HTTPMethodNotAllowed():
            allowed = ", ".join(sorted(answer.allowed_methods))
            return Refusal(405, "unknown_route", f"{what}: allowed here is {allowed}", {hdrs.ALLOW: allowed})
        case web.HTTPRequestEntityTooLarge():
            return Refusal(413, "too_large", f"{what}: {answer.text}")
        case _ if answer.status < 500:
            return Refusal(answer.status, "bad_request", f"{what}: {answer.reason}")
        case _:
            return Refusal(answer.status, "internal", f"{what}: {answer.reason}")
