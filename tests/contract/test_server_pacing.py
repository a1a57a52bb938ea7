"""The simulated link on real sockets: what the server counts runs at the rate in the file.

Truth: the file's rate. Tolerance 3 %: over one second the pacer may be ahead by its 20 ms of catch-up (2 %), and the
two ends of the second are cut on samples 100 ms apart by a straight line (below 1 %).
"""

import asyncio
import itertools
import json
import time
from pathlib import Path
from typing import Any

import pytest
from server_app import ServerApp, lease_request, server_app

from sitetest.engines.window import Window, counts_at, goodput_mbps
from sitetest_server.simulated_link import SimulatedLink
from sitetest_wire.messages import EndLine, sample_line_from_json
from sitetest_wire.samples import Sample
from sitetest_wire.words import EngineName

STREAMS = 3
RATES = {"download": 140.0, "upload": 90.0}
WINDOW = Window(0.4, 1.4)


def simulated(folder: Path) -> SimulatedLink:
    path = folder / "link.json"
    config = {f"{direction}_mbps": rate for direction, rate in RATES.items()}
    path.write_text(json.dumps({"current": "auto", "configs": {"auto": config}}), encoding="utf-8")
    return SimulatedLink(path, time.monotonic)


async def run(app: ServerApp, direction: str, duration_s: float) -> list[Sample]:
    lease_id = await app.lease(direction=direction, streams=STREAMS, duration_s=duration_s)
    path = f"/v1/transfer/{lease_id}/{direction}"

    async def endless() -> Any:
        while True:
            yield bytes(65_536)

    async def stream(n: int) -> None:
        if direction == "upload":
            async with app.client.post(f"{path}/{n}", data=endless()):
                pass
        async with app.client.get(f"{path}/{n}") as answer:
            async for _ in answer.content.iter_any():
                pass

    tasks = [asyncio.create_task(stream(n)) for n in range(STREAMS)]
    await asyncio.sleep(duration_s)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    samples: list[Sample] = []
    async with app.client.get(f"/v1/leases/{lease_id}/samples") as answer:
        async for line in answer.content:
            entry = sample_line_from_json(json.loads(line))
            if isinstance(entry, EndLine):
                break
            samples.append(entry)
    await app.client.delete(f"/v1/leases/{lease_id}")
    return samples


@pytest.mark.slow
@pytest.mark.parametrize("direction", ["download", "upload"])
async def test_payload_runs_at_the_simulated_rate_evenly_over_time_and_streams(direction: str, tmp_path: Path) -> None:
    async with server_app(link=simulated(tmp_path)) as app:
        samples = await run(app, direction, 1.5)
    rate = RATES[direction]
    assert goodput_mbps(samples, WINDOW) == pytest.approx(rate, rel=0.03)
    shares = [
        (end - start) * 8 / 1e6
        for start, end in zip(counts_at(samples, WINDOW.start_s), counts_at(samples, WINDOW.end_s), strict=True)
    ]
    assert shares == pytest.approx([rate / STREAMS] * STREAMS, rel=0.1)
    # Smooth to the eye: no gap in the counts longer than a few samples on a busy machine.
    inside = [sample for sample in samples if WINDOW.start_s <= sample.at_s <= WINDOW.end_s]
    still = [now.at_s for before, now in itertools.pairwise(inside) if now.total_bytes == before.total_bytes]
    assert len(still) <= 1, still


async def test_a_simulated_server_says_so_and_does_not_offer_what_it_cannot_pace(tmp_path: Path) -> None:
    async with server_app(link=simulated(tmp_path)) as app:
        async with app.client.get("/v1/identity") as answer:
            identity = await answer.json()
        assert "simulated" in identity["simulated"]
        assert identity["engines"][EngineName.IPERF3]["usable"] is False
        async with app.client.post("/v1/leases", json={"engine": "iperf3"}) as answer:
            assert answer.status == 400


async def test_a_file_that_broke_while_the_server_ran_refuses_the_lease_with_the_reason(tmp_path: Path) -> None:
    async with server_app(link=simulated(tmp_path)) as app:
        (tmp_path / "link.json").write_text("{", encoding="utf-8")
        async with app.client.post("/v1/leases", json=lease_request()) as answer:
            problem = (await answer.json())["error"]
        assert (answer.status, problem["code"]) == (503, "engine")
        assert "not a JSON file" in problem["message"]
        assert app.desk.states() == ()
