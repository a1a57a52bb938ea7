"""The pass of the watch, kept by a task of its own: a server of the test's own, on a clock that jumps."""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from itertools import pairwise

import pytest

from sitetest.engines.base import Reflector
from sitetest.observe.watch.pass_keeper import NONE_GIVEN_RETRY_S, RETRY_S, PassKeeper
from sitetest.observe.watch.passes import RENEW_EVERY_S, NoPass
from sitetest.observe.watch.path_ledger import PathLedger
from sitetest.observe.watch.seen import Away, Back, Blind, Seen
from sitetest_wire.stamped_datagrams import Address

OLD, NEW = bytes(16), bytes(range(16))
FIRST = Reflector("127.0.0.1", 4000, OLD)
SECOND = Reflector("127.0.0.1", 4001, NEW)
UNIX_S = 1_700_000_000.0

NO_ANSWER = NoPass("The test server did not answer.", answered=False)
NONE_OFFERED = NoPass("The test server has no reflector.", answered=True)


class Enough(Exception):
    """The play is over."""


class Kept:
    """Runs a keeper for so many seconds. answers: what each try gets; the last again and again. answers_probes: whether
    the reflector answers a probe at that time; one is sent every 0.1 s."""

    def __init__(
        self, *answers: Reflector | NoPass | Exception, answers_probes: Callable[[float], bool] = lambda _: True
    ) -> None:
        self.answers = answers
        self.answers_probes = answers_probes
        self.now_s = 0.0
        self.asked_s: list[float] = []
        self.aimed: list[tuple[Address, bytes | None]] = []
        self.told: list[Seen] = []
        self.hurry = asyncio.Event()
        self.until_s = 0.0
        self.ledger = PathLedger(0.0, UNIX_S)

    async def renew(self) -> Reflector:
        self.asked_s.append(round(self.now_s, 6))
        answer = self.answers[min(len(self.asked_s), len(self.answers)) - 1]
        if isinstance(answer, Reflector):
            return answer
        raise answer

    async def give_back(self) -> None:
        """Not for the keeper to call."""

    async def sleep(self, seconds: float) -> None:
        """Let the time pass in steps of a probe, until somebody is in a hurry."""
        until_s = self.now_s + seconds
        while self.now_s < until_s - 1e-9:
            self.now_s = round(self.now_s + 0.1, 6)
            if self.now_s > self.until_s:
                raise Enough
            if self.ledger.asking:
                number = self.ledger.sent(self.now_s, UNIX_S)
                if self.answers_probes(self.now_s):
                    self.ledger.answered(number, self.now_s, 1.0)
            self.told += self.ledger.advance(self.now_s, UNIX_S)
            if self.ledger.asking and self.ledger.silent_s >= 1.5:
                self.hurry.set()
            await asyncio.sleep(0)

    async def run(self, seconds: float) -> "Kept":
        self.until_s = seconds

        def tell(facts: Sequence[Seen]) -> None:
            self.told += facts

        keeper = PassKeeper(
            self,
            self.ledger,
            self.hurry,
            aim=lambda *where: self.aimed.append(where),
            tell=tell,
            clock=lambda: self.now_s,
            sleep=self.sleep,
        )
        task = asyncio.ensure_future(keeper.run())
        with suppress(Enough):
            await task
        return self

    @property
    def blind(self) -> list[tuple[bool, str]]:
        return [(one.blind, one.why) for one in self.told if isinstance(one, Blind)]


async def test_a_pass_is_renewed_now_and_then_and_the_prober_is_told_once() -> None:
    kept = await Kept(FIRST).run(65)
    assert kept.asked_s == [0.0, RENEW_EVERY_S, 2 * RENEW_EVERY_S, 3 * RENEW_EVERY_S]
    assert kept.aimed == [(("127.0.0.1", 4000), OLD)]
    assert kept.blind == []


async def test_silence_renews_the_pass_within_two_seconds_and_a_new_one_ends_it() -> None:
    """A server that was restarted after 30 s does not know the old pass; the first two tries find no server."""
    kept = Kept(FIRST, FIRST, NO_ANSWER, NO_ANSWER, SECOND)
    kept.answers_probes = lambda now_s: now_s < 30 or len(kept.aimed) == 2
    await kept.run(45)
    silent = [at_s for at_s in kept.asked_s if at_s > 30]
    assert silent[0] == pytest.approx(31.5, abs=0.2)
    assert [b - a for a, b in pairwise(silent)][:2] == pytest.approx([RETRY_S] * 2, abs=0.2)
    assert kept.aimed[1] == (("127.0.0.1", 4001), NEW)
    [back] = [one for one in kept.told if isinstance(one, Back)]
    assert back.length_s == pytest.approx(silent[2] - 30, abs=0.2)
    assert back.unsure_s == pytest.approx(RETRY_S, abs=0.2), "the server was back at some time since the last try"
    assert kept.blind == [], "an outage is no blindness"
    assert kept.asked_s[-1] <= silent[2] + RENEW_EVERY_S, "quiet again"


async def test_while_the_path_is_away_the_old_pass_goes_on_being_used() -> None:
    kept = await Kept(FIRST, NO_ANSWER, answers_probes=lambda now_s: not 5 < now_s < 305).run(320)
    assert kept.aimed == [(("127.0.0.1", 4000), OLD)]
    assert len(kept.asked_s) == pytest.approx(300 / RETRY_S, rel=0.1), "and it is asked for all the time"
    [back] = [one for one in kept.told if isinstance(one, Back)]
    assert back.length_s == pytest.approx(300, abs=0.2)
    assert back.unsure_s == pytest.approx(0.1)
    assert kept.blind == []


async def test_before_the_first_pass_nobody_watches() -> None:
    kept = await Kept(NO_ANSWER, NO_ANSWER, FIRST).run(10)
    assert kept.asked_s == [0.0, RETRY_S, 2 * RETRY_S]
    assert kept.blind == [
        (True, "The test server did not answer."),
        (False, "The test server has given a pass for its reflector."),
    ]
    assert not any(isinstance(one, Away) for one in kept.told)


async def test_a_server_that_has_no_pass_to_give_ends_the_watch_and_is_asked_now_and_then() -> None:
    kept = Kept(FIRST, NONE_OFFERED, NONE_OFFERED, SECOND)
    kept.answers_probes = lambda now_s: now_s < 5 or len(kept.aimed) == 2
    await kept.run(40)
    assert [b - a for a, b in pairwise(kept.asked_s[1:4])] == pytest.approx([NONE_GIVEN_RETRY_S] * 2)
    assert [blind for blind, _ in kept.blind] == [True, False]
    backs = [one for one in kept.told if isinstance(one, Back)]
    assert len(backs) == sum(isinstance(one, Away) for one in kept.told), "an outage that was told is closed"


async def test_a_pass_that_still_does_is_used_although_no_other_is_to_be_had() -> None:
    kept = await Kept(FIRST, NONE_OFFERED).run(65)
    assert kept.blind == []
    assert kept.ledger.up is True


async def test_an_answer_that_does_not_come_is_waited_for_no_longer_than_it_may_take(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sitetest.observe.watch.pass_keeper.RENEW_LIMIT_S", 0.02)
    kept = Kept(FIRST)
    asked = 0

    async def hangs() -> Reflector:
        nonlocal asked
        asked += 1
        if asked < 3:
            await asyncio.Event().wait()
        return FIRST

    monkeypatch.setattr(kept, "renew", hangs)
    await kept.run(10)
    assert [blind for blind, _ in kept.blind] == [True, False]


async def test_a_name_is_looked_up_and_its_last_address_stands_when_that_fails(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    found = iter(["192.0.2.7", OSError("no such name"), OSError("no such name"), "192.0.2.8"])

    async def look_up(host: str, *_: object, **__: object) -> list[object]:
        assert host == "bookshop.example"
        answer = next(found, "192.0.2.8")
        if isinstance(answer, OSError):
            raise answer
        return [(0, 0, 0, "", (answer, 0))]

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", look_up)
    kept = await Kept(Reflector("bookshop.example", 4000, OLD), Reflector("bookshop.example", 4000, NEW)).run(65)
    assert kept.asked_s == [0.0, RENEW_EVERY_S, 2 * RENEW_EVERY_S, 3 * RENEW_EVERY_S]
    assert kept.aimed == [(("192.0.2.7", 4000), OLD), (("192.0.2.7", 4000), NEW), (("192.0.2.8", 4000), NEW)]
    assert kept.blind == []
