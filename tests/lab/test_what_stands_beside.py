"""What the observers of a real run say, where the cause was put there by the test: an idle and a full queue, a hop that
neither end tells of, a flow beside the test, cores that are busy with something else.

Truth of queue and rate: linux net/sched/sch_tbf.c, as in test_whole_run.py and test_latency_truth.py. A hop of 100
Mbit/s Ethernet carries 1448 bytes of payload in 1538 on the wire (RFC 6349, section 4.1.1); the bucket counts 1514.
"""

import csv
import json
import sys
from contextlib import ExitStack
from pathlib import Path
from statistics import median
from typing import Any

import pytest
from lab_network import FRAME_BYTES, LAPTOP, LabNetwork, truth_mbps
from lab_server import lab_server
from server_process import TOKEN
from site_folder import site_folder
from sitetest_process import COMMAND, agent_environment

from sitetest.store.reading import StoreReader, store_path

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.timeout(120)]

SITE = """\
format = 1
site = "quay-street-bookshop"
[server]
lan = "{lan}"
[[access_point]]
name = "counter"
[[ap_config]]
name = "auto"
access_point = "counter"
"""

PROFILE = """\
format = 1
location = "basement"
[matrix]
engines = ["http"]
directions = [{directions}]
ap_configs = ["auto"]
[timing]
streams = 3
warm_up_s = 1
duration_s = 5
congestion_control = "cubic"
[repeats]
minimum = 1
"""

WIRE_BYTES = FRAME_BYTES + 24
"""What a frame takes on the wire: check sequence, gap, preamble and start delimiter beside what the bucket counts."""

PARCEL_MS = 65536 * 8 / 100e3
"""TCP hands over parcels of up to 64 kB, and its round trip is that of a parcel's last frame: see
test_latency_truth.py, which does without them and holds 3 ms."""


def measured(lab: LabNetwork, folder: Path, *directions: str) -> tuple[dict[str, Any], list[dict[str, str]]]:
    """Run the agent; return its document and the rows of results.csv."""
    listed = ", ".join(f'"{direction}"' for direction in directions)
    with lab_server(lab, folder) as server:
        site = site_folder(folder / "shop", SITE.format(lan=server.url), basement=PROFILE.format(directions=listed))
        agent = lab.popen_in(
            LAPTOP,
            [*COMMAND, "run", "-p", "basement", "--site", str(site), "--yes", "--json"],
            env=agent_environment(folder, TOKEN),
        )
        out, err = agent.communicate(timeout=90)
    assert out, err.decode()
    with (site / "results" / "results.csv").open(encoding="utf-8", newline="") as table:
        return json.loads(out), list(csv.DictReader(table))


def tcp_rtt_ms(site: Path, test_id: str) -> float:
    """What the sender's kernel says of the same seconds."""
    with StoreReader.read_only(store_path(site)) as store:
        return median(second.rtt_ms for second in store.seconds(test_id) if second.rtt_ms is not None)


def test_a_full_queue_and_a_hidden_hop_are_told_from_the_figures(lab: LabNetwork, tmp_path: Path) -> None:
    """The veth at both ends says 10 Gbit/s; what is between them carries what 100 Mbit/s Ethernet does."""
    rate_mbps, queue_s = 100 * FRAME_BYTES / WIRE_BYTES, 0.1
    lab.set_rate(rate_mbps, queue_s=queue_s)
    told, rows = measured(lab, tmp_path, "download", "upload")
    for row in rows:
        assert row["status"] == "ok", row["reason"]
        assert float(row["throughput_mbps"]) == pytest.approx(truth_mbps(rate_mbps), rel=0.01)
        idle_ms, loaded_ms, after_ms = (
            float(row[name]) for name in ("rtt_idle_ms", "rtt_loaded_p50_ms", "rtt_after_ms")
        )
        assert idle_ms < 2
        assert after_ms == pytest.approx(idle_ms, abs=2)
        assert loaded_ms == pytest.approx(tcp_rtt_ms(tmp_path / "shop", row["test_id"]), abs=3 + PARCEL_MS)
        assert idle_ms + 10 < loaded_ms <= float(row["rtt_loaded_p95_ms"]) < 1.2 * queue_s * 1e3
        assert float(row["buffer_delay_pct"]) > 1000
        assert row["link_mbps"] == row["server_link_mbps"] == "10000"
        assert row["interface"] == "to-server"
        assert "roamed" in row["unknown"].split(";") or row["interface_kind"] != "wifi"
        assert row["binding"] == "wire", row["binding_figures"]
        assert "100 Mbit/s" in row["binding_figures"]
    assert {case["binding"] for case in told["cases"]} == {"wire"}


FLOW = """\
import socket, sys
role, address = sys.argv[1:]
with socket.socket() as sock:
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if role == "send":
        sock.bind((address, 17397))
        sock.listen()
        print("ready", flush=True)
        other, _ = sock.accept()
        with other:
            while True:
                other.sendall(bytes(65536))
    sock.connect((address, 17397))
    while sock.recv(65536):
        pass
"""

BUSY = "while True: pass"


def test_a_flow_beside_the_test_and_busy_cores_are_seen(lab: LabNetwork, tmp_path: Path) -> None:
    lab.set_rate(50.0)
    address = lab.address("server")
    with ExitStack() as ended:
        beside = [lab.popen_in("server", [sys.executable, "-c", FLOW, "send", address])]
        assert beside[0].stdout is not None
        assert beside[0].stdout.readline() == b"ready\n"
        beside.append(lab.popen_in(LAPTOP, [sys.executable, "-c", FLOW, "receive", address]))
        beside += [lab.popen_in(LAPTOP, ["nice", "-n", "19", sys.executable, "-c", BUSY]) for _ in range(2)]
        for process in beside:
            ended.callback(process.communicate)
            ended.callback(process.kill)
        _, (row,) = measured(lab, tmp_path, "download")
    flags = row["flags"].split(";")
    assert row["status"] == "ok", row["reason"]
    assert "other_traffic" in flags
    assert float(row["other_traffic_pct"]) > 5
    assert row["counted"] == "false"
    assert "laptop_cpu" in flags
    assert float(row["busiest_core_pct"]) > 95
