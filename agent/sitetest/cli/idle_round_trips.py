"""Asks a test server for round trips while nothing else moves, under a lease of a moment.

May import engines, observe, visit, sitetest_wire and the standard library only.
"""

import asyncio

from sitetest.engines.failure_translation import TransferProblem
from sitetest.engines.server_api import ServerApi
from sitetest.observe.probe_record import LatencyRecord
from sitetest.observe.prober import LatencyProber
from sitetest.visit.preflight import QueueWatch
from sitetest_wire.messages import LeaseRequest
from sitetest_wire.words import Direction, EngineName

IDLE_S = 1.0


async def idle_round_trips(api: ServerApi, agent: str) -> LatencyRecord | None:
    """Return what a second of probes found; None where the server has no reflector, or is not free now."""
    request = LeaseRequest(
        agent=agent,
        engine=EngineName.HTTP,
        direction=Direction.DOWNLOAD,
        streams=1,
        warm_up_s=0.0,
        duration_s=IDLE_S,
        congestion_control=None,
    )
    queue = QueueWatch()
    try:
        async with api.lease(request, queue, queue.stop) as lease:
            reflector = lease.reflector
            if reflector is None:
                return None
            prober = LatencyProber((reflector.host, reflector.port), reflector.token)
            probing = asyncio.create_task(prober.run(), name="idle probes")
            try:
                await asyncio.wait({probing}, timeout=IDLE_S)
                return await prober.finish()
            finally:
                probing.cancel()
                await asyncio.wait({probing})
    except TransferProblem:
        return None
