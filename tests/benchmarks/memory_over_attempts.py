"""Prints the resident memory of one `sitetest run` over 500 short attempts, and its growth in the second half.

    python tests/benchmarks/memory_over_attempts.py

Attempts of a second with the http engine against a server on loopback that paces them; about twelve minutes. Aim: flat.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from loopback_site import loopback_site
from paced_server import paced_server
from server_process import ServerProcess
from sitetest_process import start_agent

MIB = 2**20


def watch(folder: Path, server: ServerProcess) -> None:
    """Run the agent and look at it every fifty attempts."""
    site = loopback_site(folder / "site", server.url, turns=50, warm_up_s=0.0, duration_s=1.0)
    profile = site / "profiles" / "basement.toml"
    profile.write_text(profile.read_text().replace("[repeats]", "[repeats]\nper_turn = 5"))
    agent = start_agent(folder, "run", "--site", str(site), "--profile", "basement", "--yes", token=server.token)
    watched = psutil.Process(agent.pid)
    seen: list[tuple[int, float]] = []
    assert agent.stderr is not None
    attempts = 0
    for line in agent.stderr:
        if not line.split("/", 1)[0].isdigit():
            continue
        attempts += 1
        if attempts % 50 == 0 and agent.poll() is None:
            resident_mib = watched.memory_info().rss / MIB
            seen.append((attempts, resident_mib))
            held = f"{watched.num_fds()} descriptors, {watched.num_threads()} threads"
            print(f"after {attempts:4} attempts {resident_mib:7.1f} MiB, {held}", file=sys.stderr)
    try:
        agent.wait(30)
    except subprocess.TimeoutExpired:
        agent.kill()
    (_, half), (last, end) = seen[len(seen) // 2 - 1], seen[-1]
    print(f"after {last} attempts {end:.1f} MiB; second half over first {end / half:.3f}   (aim: flat)")


def main() -> None:
    """Run, sample, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with paced_server(folder / "server") as server:
            watch(folder, server)


if __name__ == "__main__":
    main()
