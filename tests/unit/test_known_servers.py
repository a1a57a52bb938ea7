"""Remembered tokens: kept for this user alone, and never in the way of a run."""

import json
import os
import stat
from pathlib import Path

import pytest

from sitetest.engines.known_servers import KnownServer, KnownServers, known_servers_path

COUNTER = KnownServer("token-1", "http://counter-server:17300", "counter-server")
BASEMENT = KnownServer("token-2", "http://basement-server:17300", "basement-server")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "settings" / "servers.json"


def test_what_is_remembered_is_there_for_the_next_run(path: Path) -> None:
    KnownServers(path).remember("s1", COUNTER)
    KnownServers(path).remember("s2", BASEMENT)
    known = KnownServers(path)
    assert known.get("s1") == COUNTER
    assert known.all() == {"s1": COUNTER, "s2": BASEMENT}
    assert known.get("s3") is None
    assert known.notes == []


def test_a_new_token_replaces_the_old_one(path: Path) -> None:
    KnownServers(path).remember("s1", COUNTER)
    KnownServers(path).remember("s1", BASEMENT)
    assert KnownServers(path).all() == {"s1": BASEMENT}


def test_no_file_is_no_servers_and_no_note(path: Path) -> None:
    known = KnownServers(path)
    assert known.all() == {}
    assert known.notes == []


def test_the_file_is_for_this_user_alone(path: Path) -> None:
    """It holds tokens."""
    KnownServers(path).remember("s1", COUNTER)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [file.name for file in path.parent.iterdir()] == [path.name], "a temporary file was left behind"


def test_it_lives_in_the_users_own_settings_folder() -> None:
    """XDG Base Directory Specification; the test's own settings come from conftest.py."""
    assert known_servers_path() == Path(os.environ["XDG_CONFIG_HOME"]) / "sitetest" / "servers.json"


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"{",
        b"\xff\xfe",
        b"[]",
        b"{}",
        b'{"format": 0, "servers": {}}',
        b'{"format": 1, "servers": []}',
        b'{"format": 1, "servers": {"s1": {"token": 3, "address": "a", "name": "n"}}}',
        b'{"format": 1, "servers": {"s1": "x"}}',
        b"[" * 100_000,
    ],
)
def test_a_damaged_file_is_set_aside_with_a_note(path: Path, text: bytes) -> None:
    path.parent.mkdir()
    path.write_bytes(text)
    known = KnownServers(path)
    assert known.all() == {}
    (note,) = known.notes
    assert str(path) in note
    assert path.with_name("servers.json.damaged").read_bytes() == text
    known.remember("s1", COUNTER)
    assert KnownServers(path).get("s1") == COUNTER


def test_a_file_of_a_newer_version_is_left_alone(path: Path) -> None:
    text = json.dumps({"format": 2, "servers": {"s1": ["of another form"]}})
    path.parent.mkdir()
    path.write_text(text)
    known = KnownServers(path)
    assert known.all() == {}
    known.remember("s1", COUNTER)
    assert path.read_text() == text
    assert "format 2" in known.notes[0]


def test_a_folder_that_cannot_be_written_costs_a_note_only(path: Path) -> None:
    path.parent.write_text("a file where the folder should be")
    known = KnownServers(path)
    known.remember("s1", COUNTER)
    assert known.notes
    assert all(str(path) in note for note in known.notes)


def test_a_write_that_fails_half_way_leaves_the_old_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def disk_full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    KnownServers(path).remember("s1", COUNTER)
    monkeypatch.setattr(os, "fsync", disk_full)
    known = KnownServers(path)
    known.remember("s2", BASEMENT)
    assert "No space left" in known.notes[0]
    assert KnownServers(path).all() == {"s1": COUNTER}
    assert [file.name for file in path.parent.iterdir()] == [path.name]
