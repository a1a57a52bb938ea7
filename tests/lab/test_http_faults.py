"""The http engine when the network or the server goes away in the middle: it ends in time, says what was seen, keeps
what was measured, and the next transfer works as if nothing had been."""

import asyncio
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from http_transfers import KeepingWatch, http_transfer
from lab_network import LAPTOP, LabNetwork
from lab_server import lab_server
from server_process import ServerProcess
from side_by_side import both_directions_at_once

from sitetest.engines.base import FailureKind, TransferResult, TransferSpec
from sitetest.engines.window import longest_stall_s
from sitetest_wire.samples import Sample
from sitetest_wire.words import Direction

pytestmark = [pytest.mark.lab, pytest.mark.slow]

MakeLab = Callable[..., LabNetwork]

RATE_MBPS = 50
DEAD_PATH_LIMIT_S = 15.0
"""Issue 2: an attempt whose peer's link goes down ends within this time."""


def _after(at_s: float, act: Callable[[], None]) -> Callable[[Sample], None]:
    """Call ``act`` once, at the first sample of ``at_s`` seconds or later."""
    pending = [act]

    def on_sample(sample: Sample) -> None:
        if sample.at_s >= at_s and pending:
            pending.pop()()

    return on_sample


def _transfer(
    lab: LabNetwork, server: ServerProcess, spec: TransferSpec, watch: KeepingWatch | None = None
) -> TransferResult:
    return lab.run_in(LAPTOP, lambda: http_transfer(server.url, server.token, spec, watch=watch))


def test_a_dead_link_ends_the_transfer_in_time_and_its_return_heals_it(make_lab: MakeLab, tmp_path: Path) -> None:
    labs = {direction: make_lab() for direction in Direction}
    both_directions_at_once(lambda direction: dead_link(labs[direction], tmp_path / direction, direction))


def dead_link(lab: LabNetwork, folder: Path, direction: Direction) -> None:
    lab.set_rate(RATE_MBPS)
    spec = TransferSpec(direction, streams=3, warm_up_s=0.5, duration_s=30.0)
    cut_at_s: list[float] = []

    def cut() -> None:
        lab.link_down()
        cut_at_s.append(time.monotonic())

    with lab_server(lab, folder) as server:
        result = _transfer(lab, server, spec, KeepingWatch(on_sample=_after(2.0, cut)))
        took_s = time.monotonic() - cut_at_s[0]
        lab.link_up()
        healed = _transfer(lab, server, TransferSpec(direction, streams=3, warm_up_s=0.5, duration_s=1.0))

    assert took_s < DEAD_PATH_LIMIT_S
    assert result.failure is not None
    assert result.failure.kind in (FailureKind.STALLED, FailureKind.LINK_LOST)
    assert server.url in result.failure.message
    assert result.receiver[-1].at_s >= 1.5, "the seconds before the cut are kept"
    assert result.moved_bytes > 0.5 * RATE_MBPS / 8 * 1e6
    assert healed.failure is None
    assert healed.throughput_mbps is not None


def test_a_short_outage_does_not_end_the_transfer_and_is_seen_in_its_samples(make_lab: MakeLab, tmp_path: Path) -> None:
    """A roam or a fade of two seconds is part of what the link delivers: the figure of record has it in."""
    labs = {direction: make_lab() for direction in Direction}
    both_directions_at_once(lambda direction: short_outage(labs[direction], tmp_path / direction, direction))


def short_outage(lab: LabNetwork, folder: Path, direction: Direction) -> None:
    lab.set_rate(RATE_MBPS)
    spec = TransferSpec(direction, streams=3, warm_up_s=0.5, duration_s=8.0)
    back: list[asyncio.TimerHandle] = []

    def cut() -> None:
        lab.link_down()
        back.append(asyncio.get_running_loop().call_later(2.0, lab.link_up))

    with lab_server(lab, folder) as server:
        result = _transfer(lab, server, spec, KeepingWatch(on_sample=_after(2.0, cut)))

    assert result.failure is None
    assert result.window is not None
    assert result.window.length_s == pytest.approx(spec.duration_s, abs=1e-6)
    assert longest_stall_s(result.receiver) > 1.5
    assert result.throughput_mbps is not None
    assert result.throughput_mbps < 0.9 * RATE_MBPS


@pytest.mark.parametrize("direction", list(Direction))
def test_a_server_killed_in_the_middle_is_noticed_at_once(
    lab: LabNetwork, tmp_path: Path, direction: Direction
) -> None:
    lab.set_rate(RATE_MBPS)
    spec = TransferSpec(direction, streams=3, warm_up_s=0.5, duration_s=30.0)
    killed_at_s: list[float] = []

    with lab_server(lab, tmp_path) as server:

        def kill() -> None:
            os.kill(server.pid, signal.SIGKILL)
            killed_at_s.append(time.monotonic())

        result = _transfer(lab, server, spec, KeepingWatch(on_sample=_after(2.0, kill)))
        took_s = time.monotonic() - killed_at_s[0]

    assert took_s < 5.0
    assert result.failure is not None
    assert result.failure.kind is FailureKind.PEER_DIED
    assert result.receiver[-1].at_s >= 1.5
    assert result.throughput_mbps is not None, "the part of the window before the end is kept"
