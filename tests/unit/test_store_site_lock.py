"""One writer a site: the second is told who the first is, and the lock goes with its process."""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from store_records import BEGAN, VISIT_ID, an_attempt, begin, fixed_now, keep

from sitetest.errors import Exit, SiteBusy
from sitetest.store.database import Store
from sitetest.store.reading import StoreReader
from sitetest.store.site_lock import SiteLock

HOLD = """
import sys, pathlib
from sitetest.store.database import Store
with Store.open(pathlib.Path(sys.argv[1]), create=True):
    print("holding", flush=True)
    sys.stdin.read()
"""


def test_the_second_run_is_told_who_holds_the_site(tmp_path: Path) -> None:
    path = tmp_path / "results" / "site.sqlite"
    with Store.open(path, create=True, now=fixed_now()), pytest.raises(SiteBusy) as raised:
        Store.open(path, create=True)
    assert f"process {os.getpid()} on {socket.gethostname()}, since {BEGAN.isoformat()}" in raised.value.message
    assert raised.value.exit_code == Exit.WRONG_USE


def test_a_released_site_is_free(tmp_path: Path) -> None:
    path = tmp_path / "results" / "site.sqlite"
    first = Store.open(path, create=True)
    first.close()
    with Store.open(path, create=True) as second:
        first.close()  # once more: it must not take from the second what is no longer its own
        assert (path.parent / ".reserve").exists()
        with pytest.raises(SiteBusy):
            Store.open(path, create=True)
        begin(second)


def test_a_failed_opening_lets_the_site_go(tmp_path: Path) -> None:
    path = tmp_path / "site.sqlite"
    path.write_bytes(b"not a store")
    with pytest.raises(Exception, match="not a usable"):
        Store.open(path, create=True)
    SiteLock.take(tmp_path, BEGAN).release()


def test_a_text_left_in_the_lock_file_holds_nothing(tmp_path: Path) -> None:
    """What a killed process wrote there stays; the lock does not."""
    (tmp_path / ".lock").write_text("process 1 on a machine that is gone\n" * 5)
    lock = SiteLock.take(tmp_path, BEGAN)
    assert "gone" not in (tmp_path / ".lock").read_text()
    lock.release()


def test_two_processes_on_one_site_and_a_killed_holder(tmp_path: Path) -> None:
    path = tmp_path / "results" / "site.sqlite"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "holding\n"
        with pytest.raises(SiteBusy, match=f"process {holder.pid} on"):
            Store.open(path, create=True)
        with StoreReader.read_only(path) as reader:
            assert reader.visits() == []  # analysing goes on beside a run
        holder.send_signal(signal.SIGKILL)
        holder.wait()
        with Store.open(path, create=False) as store:
            begin(store)
            keep(store, an_attempt())
            assert len(store.attempts(VISIT_ID)) == 1
    finally:
        holder.kill()
        holder.communicate()
