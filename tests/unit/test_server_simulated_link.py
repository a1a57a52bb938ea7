"""The simulated link: its arithmetic on a fake clock, its file, and the one-step switch."""

import json
import math
import statistics
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest_server.simulated_link import BLOCK_S, CATCH_UP_S, Pacer, SimulatedLink, SimulationError, main, switch
from sitetest_wire.words import Direction

SOUND: dict[str, Any] = {
    "current": "auto",
    "seed": 7,
    "configs": {
        "auto": {"download_mbps": 140, "upload_mbps": 90, "spread_pct": 6},
        "wide80": {"download_mbps": 210, "upload_mbps": 110},
    },
}


class FakeTime:
    """A clock that sleeping moves on; ``late_s`` is how much too long each sleep takes."""

    def __init__(self, late_s: float = 0.0) -> None:
        self.now_s = 50.0
        self.late_s = late_s

    def clock(self) -> float:
        return self.now_s

    async def sleep(self, duration_s: float) -> None:
        self.now_s += duration_s + (self.late_s if duration_s > 0 else 0.0)


def written(folder: Path, body: object) -> Path:
    path = folder / "link.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    return path


@pytest.mark.parametrize("late_s", [0.0, 0.0012, 0.010])
async def test_blocks_leave_at_the_rate_even_where_every_timer_is_late(late_s: float) -> None:
    """The truth is arithmetic: bytes x 8 / rate. Lateness below CATCH_UP_S must not lower the rate."""
    time = FakeTime(late_s)
    pacer = Pacer(80.0, time.clock, time.sleep)
    start_s = time.now_s
    for _ in range(1000):
        await pacer.take(pacer.block_bytes)
    nominal_s = 1000 * pacer.block_bytes * 8 / 80e6
    # The link starts with CATCH_UP_S of credit and may end with one late timer.
    assert nominal_s - CATCH_UP_S - 1e-9 <= time.now_s - start_s <= nominal_s + late_s + 1e-9


async def test_a_pause_of_the_sender_is_lost_and_not_made_up_for_in_a_burst() -> None:
    time = FakeTime()
    pacer = Pacer(80.0, time.clock, time.sleep)
    await pacer.take(1_000_000)
    time.now_s += 5.0
    start_s = time.now_s
    await pacer.take(1_000_000)
    assert time.now_s - start_s == pytest.approx(0.1 - CATCH_UP_S)


def test_a_sample_period_holds_many_blocks() -> None:
    """Ten samples a second would look like a comb if a block took a good part of one."""
    pacer = Pacer(140.0, lambda: 0.0)
    assert pacer.block_bytes * 8 / 140e6 == pytest.approx(BLOCK_S, rel=1e-3)


def test_rates_follow_the_file_as_it_is_when_a_transfer_starts(tmp_path: Path) -> None:
    path = written(tmp_path, {**SOUND, "current": "wide80"})
    link = SimulatedLink(path, lambda: 0.0)
    assert link.pacer(Direction.DOWNLOAD).rate_mbps == 210
    assert link.pacer(Direction.UPLOAD).rate_mbps == 110
    path.write_text(json.dumps({**SOUND, "configs": {"auto": {"download_mbps": 50, "upload_mbps": 20}}}))
    assert link.pacer(Direction.DOWNLOAD).rate_mbps == 50


def test_the_spread_is_that_of_the_file_and_repeats_with_the_seed(tmp_path: Path) -> None:
    """log(rate / nominal) of n = 2000 draws: mean 0 and standard deviation 0.06, each within 5 standard errors
    (0.06/sqrt(n) and 0.06/sqrt(2n), the usual large-sample ones)."""
    path = written(tmp_path, SOUND)
    link = SimulatedLink(path, lambda: 0.0)
    logs = [math.log(link.pacer(Direction.DOWNLOAD).rate_mbps / 140) for _ in range(2000)]
    assert abs(statistics.fmean(logs)) < 5 * 0.06 / math.sqrt(2000)
    assert abs(statistics.stdev(logs) - 0.06) < 5 * 0.06 / math.sqrt(4000)
    again = SimulatedLink(path, lambda: 0.0)
    assert [math.log(again.pacer(Direction.DOWNLOAD).rate_mbps / 140) for _ in range(5)] == logs[:5]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"current": "wide160"}, "current is 'wide160', allowed is one of auto, wide80"),
        ({"current": None}, "current is None"),
        ({"configs": {}}, "configs must be an object"),
        ({"configs": {"auto": 3}}, "configs.auto: expected a JSON object, found int"),
        ({"configs": {"auto": {"download_mbps": 1}}}, "configs.auto: upload_mbps must be a number, found None"),
        ({"configs": {"auto": {"download_mbps": 0, "upload_mbps": 1}}}, "download_mbps is 0, allowed is 0.1 to 10000"),
        ({"configs": {"auto": {"download_mbps": True, "upload_mbps": 1}}}, "download_mbps must be a number"),
        ({"configs": {"auto": {"download_mbps": 1, "upload_mbps": 1, "jitter": 1}}}, "unknown key 'jitter'"),
        ({"seed": "x"}, "seed must be a whole number"),
    ],
)
def test_a_mistake_in_the_file_is_named_with_file_key_and_what_is_allowed(
    tmp_path: Path, change: dict[str, Any], told: str
) -> None:
    path = written(tmp_path, SOUND | change)
    with pytest.raises(SimulationError) as caught:
        SimulatedLink(path, lambda: 0.0)
    assert told in str(caught.value)
    assert str(path) in str(caught.value)


ANY_JSON = st.recursive(st.none() | st.floats() | st.text(), lambda inner: st.lists(inner, max_size=3), max_leaves=5)


@given(st.binary(max_size=40) | ANY_JSON.map(json.dumps).map(str.encode))
def test_any_bytes_in_the_file_give_a_link_or_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any-link.json"
    path.write_bytes(content)
    with pytest.raises(SimulationError):
        SimulatedLink(path, lambda: 0.0)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(SimulationError, match="cannot be read: No such file"):
        SimulatedLink(tmp_path / "nowhere.json", lambda: 0.0)


def test_switching_changes_current_and_nothing_else(tmp_path: Path) -> None:
    path = written(tmp_path, SOUND)
    switch(path, "wide80")
    assert json.loads(path.read_text()) == {**SOUND, "current": "wide80"}
    assert [file.name for file in tmp_path.iterdir()] == ["link.json"]


def test_switching_to_an_unknown_config_is_refused_and_leaves_the_file(tmp_path: Path) -> None:
    path = written(tmp_path, SOUND)
    assert main([str(path), "wide160"]) == 2
    assert json.loads(path.read_text()) == SOUND


@pytest.mark.slow
def test_the_switch_is_a_command(tmp_path: Path) -> None:
    path = written(tmp_path, SOUND)
    command = [sys.executable, "-m", "sitetest_server.simulated_link"]
    done = subprocess.run([*command, str(path), "wide80"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert json.loads(path.read_text())["current"] == "wide80"
    assert subprocess.run(command, capture_output=True, check=False).returncode == 2
