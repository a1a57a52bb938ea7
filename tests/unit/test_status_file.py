"""``--status FILE``: what stands in it, when it is written, and that it stops nothing."""

import asyncio
import errno
import json
import os
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from soak_happenings import (
    EVENING,
    MORNING,
    a_round,
    a_second,
    at,
    away,
    back,
    happened,
    kept,
    part,
    started,
    switching,
    turned,
)
from store_records import BEGAN, an_attempt

from sitetest.cli.status_file import EVERY_S, STALE_AFTER_S, StatusFile, status_document
from sitetest.errors import UsageError
from sitetest.store.atomic_file import write_atomically
from sitetest.store.soak_events import Cause, MeasuringPaused, WatchBlind
from sitetest.visit.soak.events import Resting, SoakEnded
from sitetest.visit.soak.state import SoakState, StateFollower


class Gate:
    """A sleep that lasts until it is let go, and a writer that tells when it has written."""

    def __init__(self) -> None:
        self.slept_s: list[float] = []
        self.due = asyncio.Event()
        self.written = asyncio.Semaphore(0)
        self.documents: list[dict[str, Any]] = []
        self.problem: OSError | None = None
        self._loop = asyncio.get_running_loop()

    async def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        await self.due.wait()
        self.due.clear()

    def write(self, path: Path, data: bytes) -> None:
        try:
            if self.problem is not None:
                raise self.problem
            write_atomically(path, data)
            self.documents.append(json.loads(data))
        finally:
            self._loop.call_soon_threadsafe(self.written.release)

    async def next_written(self) -> None:
        await asyncio.wait_for(self.written.acquire(), 30)


def names_in(folder: Path) -> list[str]:
    return [file.name for file in folder.iterdir()]


class Now:
    """A wall clock that somebody sets."""

    def __init__(self) -> None:
        self.at = EVENING

    def __call__(self) -> datetime:
        return self.at


def a_status(path: Path, follower: StateFollower, gate: Gate, said: list[str] | None = None) -> StatusFile:
    told = said.append if said is not None else pytest.fail
    return StatusFile(path, follower, say=told, sleep=gate.sleep, write=gate.write)


def test_the_document_says_how_a_soak_stands() -> None:
    follower = StateFollower(lambda: EVENING)
    for happening in (
        started(),
        part(awake=False),
        switching(),
        turned(),
        a_round(7),
        kept(an_attempt(1, throughput_mbps=287.5, rtt_loaded_p95_ms=31.0)),
        kept(an_attempt(2, status="failed", throughput_mbps=None, direction="upload")),
        back(3, 12.5, Cause.LINK),
        back(4, 40.0, Cause.SERVER),
        a_second(),
        Resting(240),
    ):
        follower(happening)
    document = json.loads(json.dumps(status_document(follower.state, pid=4711, written_at=at(6))))
    assert document["format"] == 1
    assert datetime.fromisoformat(document["written_at"]) == at(6)
    assert document["stale_after_s"] == STALE_AFTER_S
    assert document["pid"] == 4711
    assert (document["site"], document["profile"], document["visit_id"]) == (
        "quay-street-bookshop",
        "overnight",
        "visit-1",
    )
    assert (document["state"], document["round"], document["turn"], document["ap_config"]) == ("resting", 7, 1, "auto")
    assert datetime.fromisoformat(document["next_round_at"]) == EVENING + timedelta(seconds=240)
    assert datetime.fromisoformat(document["until"]) == MORNING
    assert document["tests"] == {"ok": 1, "failed": 1, "invalid": 0, "interrupted": 0}
    download, upload = document["last_tests"]
    assert download == {
        "ap_config": "auto",
        "leg": "lan",
        "engine": "http",
        "direction": "download",
        "started_at": (BEGAN + timedelta(seconds=10, microseconds=120_034)).isoformat(),
        "status": "ok",
        "throughput_mbps": 287.5,
        "rtt_loaded_p95_ms": 31.0,
    }
    assert (upload["direction"], upload["status"], upload["throughput_mbps"]) == ("upload", "failed", None)
    assert (document["dropouts"]["count"], document["dropouts"]["seconds"]) == (1, 12.5)
    assert document["dropouts"]["last"]["cause"] == "link"
    assert document["other_outages"]["server"]["seconds"] == 40.0
    assert set(document["other_outages"]) == {str(cause) for cause in Cause} - {"link", "path"}
    assert document["path"]["up"] is True
    assert document["sleep_held_off"] == {"held": False, "why": "as it was found"}


def test_what_stops_the_tests_and_the_watch_is_said_with_its_reason() -> None:
    follower = StateFollower(lambda: EVENING)
    follower(happened(MeasuringPaused("disk_full", "there is no room left")))
    follower(happened(WatchBlind(True, "the server gives no pass")))
    document = status_document(follower.state, pid=1, written_at=EVENING)
    assert document["state"] == "paused"
    assert document["paused"] == {"reason": "disk_full", "why": "there is no room left"}
    assert (document["path"]["blind"], document["path"]["blind_why"]) == (True, "the server gives no pass")
    follower(away(1))
    document = status_document(follower.state, pid=1, written_at=EVENING)
    assert (document["state"], document["path"]["away_since"]) == ("path_away", at(1).isoformat())


async def test_it_is_written_at_once_at_every_change_of_state_when_due_and_at_the_end(tmp_path: Path) -> None:
    path, now, gate = tmp_path / "status.json", Now(), Gate()
    follower = StateFollower(now)
    async with a_status(path, follower, gate):
        assert json.loads(path.read_text())["state"] == "starting"
        await gate.next_written()
        follower(started())
        await gate.next_written()
        follower(a_round(3))
        await gate.next_written()
        document = json.loads(path.read_text())
        assert (document["state"], document["round"], document["pid"]) == ("testing", 3, os.getpid())
        for _ in range(50):  # what is no change of state waits until it is due
            follower(a_second())
            follower(kept())
            await asyncio.sleep(0)
        assert len(gate.documents) == 3
        now.at = at(1)
        gate.due.set()
        await gate.next_written()
        assert gate.documents[-1]["tests"]["ok"] == 50
        assert gate.documents[-1]["written_at"] == at(1).isoformat()
        assert set(gate.slept_s) == {EVERY_S}
        follower(SoakEnded("visit-1", "complete", 1, 50))
    document = json.loads(path.read_text())
    assert (document["state"], document["outcome"]) == ("ended", "complete")
    assert names_in(tmp_path) == ["status.json"]


async def test_a_soak_that_an_error_ends_is_ended_without_an_outcome(tmp_path: Path) -> None:
    path, follower = tmp_path / "status.json", StateFollower(Now())
    follower(started())
    follower(a_round())
    status = a_status(path, follower, Gate())
    with pytest.raises(ZeroDivisionError):
        async with status:
            raise ZeroDivisionError
    document = json.loads(path.read_text())
    assert (document["state"], document["outcome"]) == ("ended", None)


async def test_many_changes_while_one_writing_lasts_are_one_more_writing(tmp_path: Path) -> None:
    path, follower, gate = tmp_path / "status.json", StateFollower(Now()), Gate()
    async with a_status(path, follower, gate):
        await gate.next_written()
        for number in range(1, 101):
            follower(a_round(number))
        await gate.next_written()
        assert gate.documents[-1]["round"] == 100
        assert len(gate.documents) == 2


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.ENOENT, errno.EROFS, errno.EIO])
async def test_a_file_that_cannot_be_written_any_more_is_said_once_and_tried_again(tmp_path: Path, code: int) -> None:
    path, follower, gate, said = tmp_path / "status.json", StateFollower(Now()), Gate(), list[str]()
    async with a_status(path, follower, gate, said):
        await gate.next_written()
        gate.problem = OSError(code, os.strerror(code))
        for number in range(1, 4):
            follower(a_round(number))
            await gate.next_written()
        gate.problem = None
        gate.due.set()
        await gate.next_written()
        assert gate.documents[-1]["round"] == 3
    assert len(said) == 1
    assert str(path) in said[0]
    assert os.strerror(code) in said[0]


async def test_a_folder_that_goes_away_stops_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "watched"
    folder.mkdir()
    follower, gate, said = StateFollower(Now()), Gate(), list[str]()
    async with a_status(folder / "status.json", follower, gate, said):
        await gate.next_written()
        (folder / "status.json").unlink()
        folder.rmdir()
        follower(a_round())
        await gate.next_written()
    assert len(said) == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
async def test_a_full_disk_at_the_begin_is_a_note(tmp_path: Path) -> None:
    """The kernel's own ENOSPC: the file beside it is a link to the device that is always full (full(4))."""
    (tmp_path / ".status.json.new").symlink_to("/dev/full")
    said: list[str] = []
    async with StatusFile(tmp_path / "status.json", StateFollower(Now()), say=said.append, every_s=3600):
        assert os.strerror(errno.ENOSPC) in said[0]
    assert len(said) == 1
    assert (
        json.loads((tmp_path / "status.json").read_text())["state"] == "ended"
    )  # the link was taken away, and it works


async def test_a_name_that_can_never_be_written_to_is_refused_before_anything_starts(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for path in (tmp_path / "missing" / "status.json", tmp_path / "file" / "status.json", tmp_path):
        with pytest.raises(UsageError) as refused:
            async with StatusFile(path, StateFollower(Now()), say=pytest.fail):
                pytest.fail("it was entered")
        assert str(path) in refused.value.message
        assert "--status" in refused.value.next_step


async def test_a_reader_never_sees_a_part(tmp_path: Path) -> None:
    """Read as fast as possible while it is replaced as fast as possible."""
    path, follower = tmp_path / "status.json", StateFollower(Now())
    seen: set[int | None] = set()

    def read_on() -> None:
        while 40 not in seen:
            seen.add(json.loads(path.read_bytes())["round"])

    async with StatusFile(path, follower, say=pytest.fail):
        reading = asyncio.create_task(asyncio.to_thread(read_on))
        for number in range(1, 41):
            follower(a_round(number))
            await asyncio.sleep(0.001)
        await asyncio.wait_for(reading, 60)
    assert 40 in seen


async def test_a_hostile_name_is_text(tmp_path: Path) -> None:
    name = 'quay "street"\n\\ \u202e \udc80 bookshop'
    follower = StateFollower(Now(), SoakState(since=EVENING, site=name))
    async with StatusFile(tmp_path / "status.json", follower, say=pytest.fail):
        assert json.loads((tmp_path / "status.json").read_bytes())["site"] == name
