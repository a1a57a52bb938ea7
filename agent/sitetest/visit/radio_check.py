"""One look at the laptop's radio at the begin of a turn, held against what the site declares for the AP config.

The look runs in a thread of its own with a limit of 0.8 s, never raises and never scans. A laptop on a cable, a system
that tells nothing, a look that came to nothing: no mismatch, because nothing is known to differ.

May import observe, plan.cases, visit and the standard library only.
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping

from sitetest.observe.link.reader import LinkReader
from sitetest.observe.link.record import LinkSample
from sitetest.observe.link.sampler import LinkSampler
from sitetest.plan.cases import Turn
from sitetest.visit.diagnosis import Route
from sitetest.visit.expected_radio import ExpectedRadio, Mismatch, mismatch


class LinkRadioCheck:
    """Looks through a link reader.

    expected: by AP config; one that is not in it is not checked. route: which way packets leave the laptop now. reader:
    makes a reader, which is used and closed in the thread of the look.
    """

    def __init__(
        self,
        expected: Mapping[str, ExpectedRadio],
        route: Callable[[], Awaitable[Route | None]],
        reader: Callable[[], LinkReader],
    ) -> None:
        self._expected = expected
        self._route = route
        self._reader = reader

    async def look(self, turn: Turn) -> Mismatch | None:
        """Take one look; None when nothing is known to differ."""
        expected = self._expected.get(turn.ap_config)
        if expected is None or not expected.states_something:
            return None
        route = await self._route()
        if route is None or route.interface is None:
            return None
        return mismatch(expected, await asyncio.to_thread(self._sample, route.interface))

    def _sample(self, interface: str) -> LinkSample:
        reader = self._reader()
        sampler = LinkSampler(reader, interface)
        try:
            return sampler.warm_up()
        finally:
            sampler.stop()
            reader.close()
