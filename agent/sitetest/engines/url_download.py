"""Download against a URL that the person named and may use: the internet leg without a test server on the far side.

N connections, each asking for the URL again whenever its body ends. No lease, no upload, and nothing is known of the
sending end. Redirects are refused: a redirect may lead to another machine than the one that was named, or to one that
the person may not load; they can name its target themselves.

May import sitetest_wire, sitetest.errors, aiohttp and the standard library only.
"""

import asyncio
import ssl
from contextlib import AsyncExitStack
from urllib.parse import urljoin, urlsplit

import aiohttp

from sitetest.engines.base import Availability, Failure, FailureKind, TransferResult, TransferSpec, Watch
from sitetest.engines.failure_translation import Stage, TransferProblem
from sitetest.engines.http import ENGINE_VERSION, CpuClock, system_notes
from sitetest.engines.idle_phases import after_load, before_load
from sitetest.engines.payload_connections import PayloadConnection
from sitetest.engines.stream_reports import reports_as_text
from sitetest.engines.timed_download import TimedDownload
from sitetest.engines.transfer_bounds import TransferBounds
from sitetest.errors import UsageError
from sitetest_wire.words import Direction, EngineName

_HEADERS = {"Accept-Encoding": "identity", "Cache-Control": "no-store, no-transform"}


class UrlDownloadEngine:
    """See the module and :class:`sitetest.engines.base.Engine`.

    url: http or https, with a host. where: the file and key that it came from, for the message. Raises UsageError for
    any other text. ssl_context: for https; None checks the certificate against what this laptop trusts.
    """

    name = EngineName.HTTP

    def __init__(
        self,
        url: str,
        *,
        where: str = "URL",
        ssl_context: ssl.SSLContext | None = None,
        cpu: CpuClock | None = None,
    ) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise UsageError(f"{where}: {url!r} cannot be downloaded from", "Give a whole http:// or https:// address.")
        if ssl_context is None and parts.scheme == "https":
            ssl_context = ssl.create_default_context()
        self._url = url
        self._shown = url_without_query(url)
        self._ssl_context = ssl_context
        self._cpu = cpu or CpuClock()

    def availability(self) -> Availability:
        """Say what the engine can tell; it can run wherever the agent does."""
        notes = ("download only: the far side of a plain URL takes no upload", *system_notes())
        return Availability(usable=True, version=aiohttp.__version__, notes=notes)

    async def transfer(self, spec: TransferSpec, watch: Watch, stop: asyncio.Event) -> TransferResult:
        """Run one download; see the protocol. An upload is a failure of kind ``unavailable``."""
        if spec.direction is not Direction.DOWNLOAD:
            message = (
                f"upload to {self._shown}: a plain URL can only be downloaded from; uploads need a sitetest-server"
            )
            return TransferResult(spec, failure=Failure(FailureKind.UNAVAILABLE, message))
        watch.started()
        stopped = await before_load(watch, None, stop, f"{Stage.DOWNLOAD} at {self._shown}")
        if stopped is not None:
            return TransferResult(spec, failure=stopped, engine_version=ENGINE_VERSION)
        share = self._cpu.start()
        async with AsyncExitStack() as stack:
            connections = [
                await stack.enter_async_context(
                    PayloadConnection(headers=_HEADERS, ssl_context=self._ssl_context, reuse=True)
                )
                for _ in range(spec.streams)
            ]
            urls = [self._url] * spec.streams
            course = TimedDownload(spec, urls, connections, self._shown, self._accept, repeat=True)
            failure = await course.run(TransferBounds(spec, stop, Stage.DOWNLOAD, self._shown), watch)
        client_cpu_share = share()
        await after_load(watch, stop, failure)
        return TransferResult(
            spec,
            receiver=tuple(course.samples),
            failure=failure,
            engine_version=ENGINE_VERSION,
            local_address=course.addresses[0] if course.addresses else None,
            remote_address=course.addresses[1] if course.addresses else None,
            client_cpu_share=client_cpu_share,
            raw=reports_as_text(course.reports),
        )

    async def _accept(self, response: aiohttp.ClientResponse, detail: str) -> None:
        if response.status == 200:
            return
        prefix = f"{Stage.DOWNLOAD} at {self._shown}, {detail}"
        if 300 <= response.status < 400:
            target = urljoin(self._url, response.headers.get("Location", ""))
            shown = url_without_query(target)
            seen = f"it sends us on to {shown}, which is not followed; name that address if you may load it"
        else:
            seen = f"it answers with HTTP status {response.status} ({response.reason or 'no reason given'})"
        kind = FailureKind.LEASE_DENIED if response.status in (401, 403, 429) else FailureKind.BAD_OUTPUT
        if response.status >= 500:
            kind = FailureKind.PEER_DIED
        raise TransferProblem(Failure(kind, f"{prefix}: {seen}"))


def url_without_query(url: str) -> str:
    """Return scheme, host and path: what follows ? may be a secret, and results are handed on."""
    parts = urlsplit(url)
    port = f":{parts.port}" if parts.port else ""
    host = f"[{parts.hostname}]" if parts.hostname and ":" in parts.hostname else parts.hostname or ""
    return f"{parts.scheme}://{host}{port}{parts.path}"
