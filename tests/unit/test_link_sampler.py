"""The sampler: a grid of seconds, a limit for each call, and never a word of complaint to the test beside it."""

import threading
from collections.abc import Callable

import pytest
from link_invariants import check_record

from sitetest.observe.link.abandonable_call import AbandonableCall, TimedOut
from sitetest.observe.link.draft import Draft, empty_facts
from sitetest.observe.link.events import EventSource, LinkEvent, LinkEventKind
from sitetest.observe.link.place_names import FullNames
from sitetest.observe.link.reasons import Reason
from sitetest.observe.link.record import LinkFacts, LinkSample, Moment, Source, SourceKind
from sitetest.observe.link.sampler import LinkSampler
from sitetest.observe.link.scenario import SCENARIOS
from sitetest.observe.link.scenario_reader import ScenarioReader

SOURCE = Source(SourceKind.LIVE, "linux-nl80211", "linux")


class FakeTime:
    """A clock that moves when somebody pauses, and stops the sampler at ``until_s``."""

    def __init__(self, until_s: float) -> None:
        self.now_s = 100.0
        self.until_s = until_s
        self.pauses: list[float] = []

    def clock(self) -> float:
        return self.now_s

    def pause(self, stopping: threading.Event, duration_s: float) -> bool:
        self.pauses.append(duration_s)
        self.now_s += duration_s
        if self.now_s >= self.until_s:
            stopping.set()
        return stopping.is_set()


class Reader:
    """cost_s: what each sample takes on the fake clock. act: done instead of answering, by number of the call."""

    kind = SourceKind.LIVE
    name = "linux-nl80211"

    def __init__(self, time: FakeTime, cost_s: float = 0.001) -> None:
        self.time = time
        self.cost_s = cost_s
        self.calls = 0
        self.act: dict[int, Callable[[], None]] = {}
        self.reason: dict[int, Reason] = {}

    def sample(self, interface: str, deadline_s: float) -> LinkSample:
        number, self.calls = self.calls, self.calls + 1
        at_s = self.time.now_s
        self.act.get(number, lambda: None)()
        self.time.now_s += self.cost_s
        draft = Draft()
        reason = self.reason.get(number)
        if reason is None:
            draft.put("associated", True)
            draft.put("rssi_dbm", -50)
        return draft.sample(Moment(SOURCE, interface, at_s, self.time.now_s), reason or Reason.NOT_SAMPLED)

    def capabilities(self) -> dict[str, Reason | None]:
        return {}

    def facts(self, interface: str, deadline_s: float) -> LinkFacts:
        return empty_facts(Moment(SOURCE, interface, 0.0, 0.0), Reason.NOT_SAMPLED)

    def events(self, interface: str) -> EventSource | None:
        return None

    def close(self) -> None:
        """Nothing is held."""


class Inline:
    """Calls in the same thread; TimedOut from the reader goes through."""

    def call(self, function: Callable[[], LinkSample], limit_s: float) -> LinkSample:
        return function()

    def close(self, limit_s: float) -> None:
        """Nothing is held."""


def sampler_of(reader: Reader, time: FakeTime) -> LinkSampler:
    return LinkSampler(reader, "wlan0", clock=time.clock, pause=time.pause, caller=Inline())


def test_samples_lie_on_a_grid_that_does_not_drift() -> None:
    time = FakeTime(until_s=104.5)
    sampler = sampler_of(Reader(time, cost_s=0.017), time)
    sampler.run()
    at_s = [sample.at_s for sample in sampler.log().samples]
    assert at_s == pytest.approx([100.0, 101.0, 102.0, 103.0, 104.0, 105.0])
    for sample in sampler.log().samples:
        check_record(sample)


def test_one_sample_before_the_first_byte_and_one_after_the_last() -> None:
    time = FakeTime(until_s=100.3)
    sampler = sampler_of(Reader(time), time)
    sampler.run()
    assert len(sampler.log().samples) == 2


def test_the_grid_can_be_laid_onto_the_tests_seconds() -> None:
    time = FakeTime(until_s=103.9)
    sampler = sampler_of(Reader(time), time)
    sampler.align(99.25)
    sampler.run()
    assert [sample.at_s for sample in sampler.log().samples][1:4] == pytest.approx([100.25, 101.25, 102.25])


def hang() -> None:
    raise TimedOut


def test_a_call_that_hangs_costs_its_own_second_only() -> None:
    time = FakeTime(until_s=103.5)
    reader = Reader(time)
    reader.act = {1: hang}
    sampler = sampler_of(reader, time)
    sampler.run()
    log = sampler.log()
    assert [sample.why.get("rssi_dbm") for sample in log.samples][:4] == [None, Reason.TIMEOUT, None, None]
    check_record(log.samples[1])
    assert log.samples[1].source == SOURCE, "a record that is missing still says whose it would have been"
    assert "timeout" in {notice.code for notice in log.notices}


def test_a_fault_of_a_reader_is_told_and_ends_nothing() -> None:
    def fault() -> None:
        raise ZeroDivisionError("ours")

    time = FakeTime(until_s=102.5)
    reader = Reader(time)
    reader.act = {0: fault}
    sampler = sampler_of(reader, time)
    sampler.run()
    log = sampler.log()
    assert log.samples[0].why["rssi_dbm"] is Reason.READER_UNAVAILABLE
    assert log.samples[1].rssi_dbm == -50
    assert any(notice.code == "reader_fault" and "ours" in notice.text for notice in log.notices)


def test_cost_is_measured_the_warm_up_included() -> None:
    time = FakeTime(until_s=101.5)
    reader = Reader(time, cost_s=0.002)
    sampler = sampler_of(reader, time)
    warm = sampler.warm_up()
    assert warm.rssi_dbm == -50
    reader.cost_s = 0.004
    sampler.run()
    log = sampler.log()
    assert reader.calls == len(log.samples) + 1, "the warm-up is not kept"
    assert log.cost_median_ms == pytest.approx(4.0)
    assert log.cost_max_ms == pytest.approx(4.0)


def test_an_expensive_reader_lowers_the_pace_and_says_so() -> None:
    """Median above 20 ms: every five seconds instead of every second."""
    time = FakeTime(until_s=118.0)
    sampler = sampler_of(Reader(time, cost_s=0.021), time)
    sampler.run()
    log = sampler.log()
    assert [round(sample.at_s - 100) for sample in log.samples] == [0, 1, 2, 5, 10, 15, 20]
    assert log.period_s == 5.0
    assert any(notice.code == "pace_lowered" and "21 ms" in notice.text for notice in log.notices)


def test_a_cheap_reader_keeps_the_pace() -> None:
    time = FakeTime(until_s=110.5)
    sampler = sampler_of(Reader(time, cost_s=0.019), time)
    sampler.run()
    assert sampler.log().period_s == 1.0


def test_an_interface_that_disappears_is_an_event_once() -> None:
    time = FakeTime(until_s=105.5)
    reader = Reader(time)
    reader.reason = dict.fromkeys((2, 3, 4, 5, 6), Reason.NO_SUCH_INTERFACE)
    sampler = sampler_of(reader, time)
    sampler.run()
    events = sampler.log().events
    assert [(event.kind, round(event.at_s)) for event in events] == [(LinkEventKind.INTERFACE_GONE, 102)]


def test_each_reason_is_told_once() -> None:
    time = FakeTime(until_s=105.5)
    sampler = sampler_of(Reader(time), time)
    sampler.run()
    codes = [notice.code for notice in sampler.log().notices]
    assert codes == ["not_sampled"]


def test_a_display_that_fails_ends_nothing() -> None:
    def broken(sample: LinkSample) -> None:
        raise RuntimeError("screen")

    time = FakeTime(until_s=101.5)
    sampler = LinkSampler(Reader(time), "wlan0", clock=time.clock, pause=time.pause, caller=Inline(), on_sample=broken)
    sampler.run()
    assert len(sampler.log().samples) == 3
    assert "display_fault" in {notice.code for notice in sampler.log().notices}


def test_threads_start_and_stop_with_a_scenario() -> None:
    """The real threads and the real clock, for as long as two samples take."""
    seen = threading.Event()
    sampler = LinkSampler(
        ScenarioReader(SCENARIOS["steady"], FullNames()), "wlan0", on_sample=lambda sample: seen.set()
    )
    sampler.warm_up()
    sampler.start()
    assert seen.wait(5)
    log = sampler.stop()
    assert len(log.samples) >= 2
    assert log.samples[0].source.kind is SourceKind.SIMULATED
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("link-")]


class Told:
    """A source with one event, that then breaks."""

    def __init__(self) -> None:
        self.asked = threading.Event()
        self.closed = False
        self.left = [LinkEvent(1.0, LinkEventKind.ROAMED, SOURCE, "wlan0")]

    def wait(self, limit_s: float) -> tuple[LinkEvent, ...]:
        if self.left:
            return (self.left.pop(),)
        self.asked.set()
        raise ZeroDivisionError("ours")

    def close(self) -> None:
        self.closed = True


class Telling(Reader):
    def __init__(self, time: FakeTime, source: Told) -> None:
        super().__init__(time)
        self.source = source

    def events(self, interface: str) -> EventSource | None:
        return self.source


def test_events_are_collected_and_a_broken_source_is_lost_events() -> None:
    source = Told()
    sampler = LinkSampler(Telling(FakeTime(1e9), source), "wlan0")
    sampler.start()
    assert source.asked.wait(5)
    log = sampler.stop()
    assert [event.kind for event in log.events] == [LinkEventKind.ROAMED, LinkEventKind.EVENTS_LOST]
    assert log.events_available
    assert source.closed


def test_hung_calls_do_not_pile_up() -> None:
    """One call hangs; later ones are refused at once until it is back, and its answer is thrown away."""
    release, began = threading.Event(), []
    calls: AbandonableCall[str] = AbandonableCall("test-call")

    def hangs() -> str:
        began.append("hung")
        release.wait(10)
        return "late"

    def answers() -> str:
        began.append("answered")
        return "now"

    with pytest.raises(TimedOut):
        calls.call(hangs, 0.01)
    for _ in range(3):
        with pytest.raises(TimedOut):
            calls.call(answers, 10)
    assert began == ["hung"]
    hung = calls._hung
    assert hung is not None
    release.set()
    assert hung.done.wait(5)
    assert calls.call(answers, 5) == "now"
    calls.close(5)
    assert "test-call" not in {thread.name for thread in threading.enumerate()}


def test_what_a_call_raises_comes_out() -> None:
    calls: AbandonableCall[str] = AbandonableCall("test-call")

    def fails() -> str:
        raise KeyError("x")

    with pytest.raises(KeyError):
        calls.call(fails, 5)
    calls.close(5)
