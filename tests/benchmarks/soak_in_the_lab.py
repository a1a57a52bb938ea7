"""Prints what a real soak finds of faults that are planted: in a network namespace, over fifteen minutes.

    python tests/benchmarks/soak_in_the_lab.py [MINUTES]

The link goes down five times, for 1 s to 60 s; the server is killed twice and started again; the agent is killed once
and resumed; in the middle the rate of the link is changed. Fewer minutes shorten all of it alike, but nothing below a
second. Planted times are when `ip`, `kill` and `tc` were called, found ones are what the store says; off by: how far
outside of what can have been. Needs root, iproute2 and ethtool; ends what it started.
"""

import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from lab_network import LAPTOP, LabNetwork, truth_mbps
from planted_faults import Fault, Kept, KillableServer, cut_link, kept_soak, killable_server
from server_process import TOKEN
from site_folder import site_folder
from sitetest_process import COMMAND, agent_environment

from sitetest.store.records import Status
from sitetest.store.soak_events import OutageBegan, OutageEnded, PartBegan, RoundPassed

WHOLE_MIN = 15.0
RATES_MBPS = (40.0, 25.0)

PROFILE = """\
format = 1
location = "basement"
[matrix]
engines = ["http"]
directions = ["download"]
ap_configs = ["auto"]
[timing]
streams = 2
[soak]
every_s = {every_s}
warm_up_s = 0.5
duration_s = 2
most_busy_pct = 100
"""

SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{server}"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
"""


@dataclass(slots=True)
class Bench:
    """What is planted into. agents: the one that runs last."""

    lab: LabNetwork
    server: KillableServer
    site: Path
    folder: Path
    share: float
    agents: list[subprocess.Popen[bytes]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    killed_s: list[tuple[float, float]] = field(default_factory=list)
    rate_changed_s: float = 0.0

    def start_agent(self, *options: str) -> None:
        """Start the soak, or a further part of it."""
        said = (self.folder / f"agent-{len(self.agents) + 1}.txt").open("wb")
        command = [*COMMAND, "soak", "-p", "basement", "--site", str(self.site), "--yes", *options]
        env = agent_environment(self.folder, TOKEN)
        self.agents.append(self.lab.popen_in(LAPTOP, command, stdout=said, stderr=said, env=env))
        said.close()

    def length_s(self, of_whole_s: float) -> float:
        """Return a length of the whole fifteen minutes as one of this run."""
        return max(1.0, of_whole_s * self.share)

    def link(self, length_s: float) -> None:
        self.faults.append(cut_link(self.lab, self.length_s(length_s)))

    def kill_server(self, length_s: float) -> None:
        self.faults.append(self.server.away_for(self.length_s(length_s)))

    def kill_agent(self, length_s: float) -> None:
        self.agents[-1].send_signal(signal.SIGKILL)
        self.agents[-1].wait()
        killed_s = time.time()
        time.sleep(self.length_s(length_s))
        self.start_agent("--resume")
        self.killed_s.append((killed_s, time.time()))

    def change_rate(self, _: float) -> None:
        self.rate_changed_s = time.time()
        self.lab.set_rate(RATES_MBPS[1])


TIMETABLE: tuple[tuple[float, Callable[[Bench, float], None], float], ...] = (
    (40, Bench.link, 1),
    (90, Bench.link, 5),
    (150, Bench.kill_server, 5),
    (220, Bench.link, 15),
    (290, Bench.kill_agent, 15),
    (370, Bench.link, 30),
    (450, Bench.change_rate, 0),
    (540, Bench.kill_server, 20),
    (640, Bench.link, 60),
)
"""Second of fifteen minutes, what is done then, for how long."""


def main(minutes: float) -> None:
    share = minutes / WHOLE_MIN
    with tempfile.TemporaryDirectory() as name, LabNetwork() as lab:
        folder = Path(name)
        lab.set_rate(RATES_MBPS[0])
        with killable_server(lab, folder / "server") as server:
            profile = PROFILE.format(every_s=max(5.0, 20.0 * share))
            site = site_folder(folder / "shop", SITE.format(server=server.endpoint), basement=profile)
            bench = Bench(lab, server, site, folder, share)
            began_s = time.time()
            bench.start_agent("--for", f"{round(minutes * 60)}s")
            for at_s, plant, length_s in TIMETABLE:
                time.sleep(max(0.0, began_s + at_s * share - time.time()))
                plant(bench, length_s)
            exit_code = bench.agents[-1].wait(timeout=minutes * 60 + 60)
        if not exit_code:
            show(bench, kept_soak(site), began_s)
        else:
            print((folder / f"agent-{len(bench.agents)}.txt").read_text())
        print(f"\nexit code of the last part: {exit_code}; it took {time.time() - began_s:.0f} s in all")


def show(bench: Bench, kept: Kept, began_s: float) -> None:
    left = list(kept.outages)
    print(f"{'planted':<8} {'at':>7} {'length':>7}   {'found':<10} {'at':>7} {'length':>7} {'unsure':>7}   off by")
    for fault in bench.faults:
        planted = f"{fault.what:<8} {fault.began.after_s - began_s:7.1f} {fault.about_s:7.2f}"
        matching = [one for one in left if fault.overlaps(one)]
        if not matching:
            print(f"{planted}   NOTHING")
        for told in matching:
            left.remove(told)
            found = f"{told.cause:<10} {told.began_at.timestamp() - began_s:7.1f} {told.length_s:7.2f}"
            off = f"{fault.begin_off_s(told):+.2f} {fault.length_off_s(told):+.2f}"
            print(f"{planted}   {found} {told.unsure_s:7.2f}   {off}")
    show_parts(bench, kept, began_s)
    show_rate(bench, kept, began_s)
    print("\nclaimed and not planted:", [str(one) for one in left] or "no outage")
    planted_kinds = (OutageBegan, OutageEnded, PartBegan, RoundPassed)
    others = [(round(at_s - began_s, 1), one) for at_s, one in kept.events if not isinstance(one, planted_kinds)]
    taken_back = sum(isinstance(one, OutageEnded) and not one.length_s for _, one in kept.events)
    print("other events:", others or "none", f"; outages taken back: {taken_back}")
    show_tests(bench, kept, began_s)


def show_parts(bench: Bench, kept: Kept, began_s: float) -> None:
    parts = [at_s for at_s, one in kept.events if isinstance(one, PartBegan) and one.resumed]
    for (killed_s, again_s), part_s in zip(bench.killed_s, parts, strict=False):
        planted = f"{'agent':<8} {killed_s - began_s:7.1f} {again_s - killed_s:7.2f}"
        before_s = max((at_s for at_s in kept.watched_s if at_s < part_s), default=began_s)
        print(f"{planted}   last second kept {before_s - began_s:.1f}, next part {part_s - began_s:.1f}")
    print(f"parts begun again: {len(parts)} (planted: {len(bench.killed_s)})")


def show_rate(bench: Bench, kept: Kept, began_s: float) -> None:
    good = [
        (record.started_at.timestamp(), record.throughput_mbps)
        for record in kept.attempts
        if record.status is Status.OK and record.throughput_mbps is not None
    ]
    truths = [truth_mbps(rate) for rate in RATES_MBPS]
    fast_until_s = max((at_s for at_s, mbps in good if mbps > sum(truths) / 2), default=began_s)
    slow_from_s = min((at_s for at_s, _ in good if at_s > fast_until_s), default=float("inf"))
    between = f"between the tests at {fast_until_s - began_s:.1f} and {slow_from_s - began_s:.1f}"
    print(f"{'rate':<8} {bench.rate_changed_s - began_s:7.1f}           {between}")
    before = [mbps for at_s, mbps in good if at_s < slow_from_s]
    after = [mbps for at_s, mbps in good if at_s >= slow_from_s]
    for truth, seen in zip(truths, (before, after), strict=True):
        spread = f"{min(seen):.2f} to {max(seen):.2f}" if seen else ""
        print(f"         true {truth:.2f} Mbit/s: {len(seen)} tests {spread}")


def show_tests(bench: Bench, kept: Kept, began_s: float) -> None:
    bad = [record for record in kept.attempts if record.status is not Status.OK]
    print(f"{len(kept.attempts)} tests, of which without result:")
    for record in bad:
        print(f"  {record.started_at.timestamp() - began_s:7.1f}  {record.status}: {record.reason[:90]}")
    passed = Counter(one.reason for _, one in kept.events if isinstance(one, RoundPassed))
    print("rounds that passed:", dict(passed))


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else WHOLE_MIN)
