"""Download against a URL that the person named: nothing is assumed of the far side but HTTP."""

import asyncio

import pytest
from aiohttp import web
from fake_test_server import BLOCK, FakeTestServer, fake_test_server, text_handler
from http_transfers import KeepingWatch

from sitetest.engines import transfer_bounds
from sitetest.engines.base import FailureKind, Reflector, TransferResult, TransferSpec
from sitetest.engines.url_download import UrlDownloadEngine
from sitetest.errors import UsageError
from sitetest_wire.words import CountedAs, Direction, EngineName

SHORT = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=0.1, duration_s=0.3)


async def download(
    url: str, spec: TransferSpec = SHORT, stop: asyncio.Event | None = None, watch: KeepingWatch | None = None
) -> TransferResult:
    return await UrlDownloadEngine(url).transfer(spec, watch or KeepingWatch(), stop or asyncio.Event())


def file_of(length: int) -> FakeTestServer:
    async def send(request: web.Request) -> web.StreamResponse:
        assert request.transport is not None
        fake.peers.add(request.transport.get_extra_info("peername")[1])
        return web.Response(body=bytes(length))

    fake = FakeTestServer(hooks={"/file": send})
    return fake


async def test_a_file_that_is_too_short_is_asked_for_again_on_the_same_connection() -> None:
    watch = KeepingWatch()
    async with fake_test_server(file_of(300_000)) as fake:
        result = await download(f"{fake.url}/file", watch=watch)
    assert result.failure is None
    assert result.window is not None
    assert result.window.length_s == pytest.approx(0.3, abs=1e-6)
    assert len(fake.requests) > 4
    assert len(fake.peers) == 2
    assert {sample.counted_as for sample in result.receiver} == {CountedAs.RECEIVED}
    assert result.sender == ()
    assert watch.starts == 1
    assert tuple(watch.samples) == result.receiver


async def test_the_path_is_idle_before_and_after_and_no_reflector_is_known() -> None:
    watch = KeepingWatch()
    async with fake_test_server() as fake:

        async def before(reflector: Reflector | None) -> None:
            assert reflector is None
            assert fake.requests == []

        watch.before = before
        assert (await download(f"{fake.url}/v1/transfer/x/download/0", watch=watch)).failure is None
    assert watch.idle == ["before", "after"]


async def test_a_stop_before_the_load_asks_for_nothing() -> None:
    stop = asyncio.Event()
    stop.set()
    async with fake_test_server() as fake:
        result = await download(f"{fake.url}/v1/transfer/x/download/0", stop=stop)
        assert fake.requests == []
    assert result.failure is not None
    assert result.failure.kind is FailureKind.STOPPED


async def test_bytes_are_counted_as_they_come_over_the_line() -> None:
    """No decompression, and none is asked for."""

    async def send(request: web.Request) -> web.StreamResponse:
        return web.Response(body=b"x" * 1000, headers={"Content-Encoding": "gzip"})

    spec = TransferSpec(Direction.DOWNLOAD, streams=1, warm_up_s=0.0, duration_s=5.0, max_bytes=3000)
    async with fake_test_server(FakeTestServer(hooks={"/file": send})) as fake:
        result = await download(f"{fake.url}/file", spec)
    assert result.moved_bytes == 3000
    assert all(headers["Accept-Encoding"] == "identity" for headers in fake.headers)
    assert all("Authorization" not in headers for headers in fake.headers)


async def test_the_permitted_volume_stops_it_while_it_runs() -> None:
    spec = TransferSpec(Direction.DOWNLOAD, streams=2, warm_up_s=0.0, duration_s=60.0, max_bytes=2_000_000)
    async with fake_test_server() as fake:
        result = await download(f"{fake.url}/v1/transfer/x/download/0", spec)
    assert result.failure is not None
    assert result.failure.kind is FailureKind.DATA_CAP
    assert 2_000_000 <= result.moved_bytes <= 2_000_000 + 2 * 2**20


async def test_a_redirect_is_refused_with_its_target() -> None:
    """It may lead to a machine that nobody named; the person may name it themselves."""
    fake = FakeTestServer(hooks={"/file": text_handler(302, "", Location="/elsewhere/file2")})
    async with fake_test_server(fake):
        result = await download(f"{fake.url}/file")
    assert result.failure is not None
    assert f"{fake.url}/elsewhere/file2" in result.failure.message
    assert not any("elsewhere" in line for line in fake.requests)


@pytest.mark.parametrize(
    ("status", "kind"),
    [
        (404, FailureKind.BAD_OUTPUT),
        (403, FailureKind.LEASE_DENIED),
        (429, FailureKind.LEASE_DENIED),
        (503, FailureKind.PEER_DIED),
        (206, FailureKind.BAD_OUTPUT),
    ],
)
async def test_any_status_but_200_is_a_failure_that_names_it(status: int, kind: FailureKind) -> None:
    """The text of an error page is not payload."""
    async with fake_test_server(FakeTestServer(hooks={"/file": text_handler(status, "sorry")})) as fake:
        result = await download(f"{fake.url}/file")
    assert result.failure is not None
    assert result.failure.kind is kind
    assert str(status) in result.failure.message
    assert result.moved_bytes == 0


async def test_an_empty_file_is_a_failure_and_not_an_endless_loop() -> None:
    async with fake_test_server(file_of(0)) as fake:
        result = await download(f"{fake.url}/file")
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED
    assert len(fake.requests) <= 2


async def test_a_stall_and_a_stop_end_it(monkeypatch: pytest.MonkeyPatch) -> None:
    async def silent(request: web.Request) -> web.StreamResponse:
        response = web.StreamResponse()
        await response.prepare(request)
        await response.write(BLOCK)
        await asyncio.Event().wait()
        return response

    monkeypatch.setattr(transfer_bounds, "STALL_LIMIT_S", 0.3)
    stopped = asyncio.Event()
    stopped.set()
    async with fake_test_server(FakeTestServer(hooks={"/file": silent})) as fake:
        stalled = await download(f"{fake.url}/file", TransferSpec(Direction.DOWNLOAD, 1, 0.0, 60.0))
        by_hand = await download(f"{fake.url}/file", stop=stopped)
    assert stalled.failure is not None
    assert stalled.failure.kind is FailureKind.STALLED
    assert stalled.moved_bytes == len(BLOCK)
    assert by_hand.failure is not None
    assert by_hand.failure.kind is FailureKind.STOPPED


async def test_an_upload_is_not_possible_and_moves_nothing() -> None:
    async with fake_test_server() as fake:
        result = await download(fake.url, TransferSpec(Direction.UPLOAD, 1, 0.0, 1.0))
        assert fake.requests == []
    assert result.failure is not None
    assert result.failure.kind is FailureKind.UNAVAILABLE
    assert "sitetest-server" in result.failure.message


def test_it_is_the_http_engine_and_says_what_it_cannot_do() -> None:
    engine = UrlDownloadEngine("https://far.example/file")
    assert engine.name is EngineName.HTTP
    assert any("download only" in note for note in engine.availability().notes)


@pytest.mark.parametrize("url", ["", "far.example/file", "ftp://far.example/file", "http://", "http:///file"])
def test_only_whole_urls_are_taken(url: str) -> None:
    with pytest.raises(UsageError, match=r"profiles/site\.toml"):
        UrlDownloadEngine(url, where="profiles/site.toml: server.internet")
