"""What a test of a soak is held against, without a history: the same as a run finds in its own."""

from collections.abc import Sequence
from dataclasses import replace

from bookshop_visit import attempt, bookshop_plan
from fast_time import in_fast_time
from flag_scenes import log, observed
from hypothesis import given
from hypothesis import strategies as st
from soak_fakes import Soak, soak_plan

from sitetest.engines.base import Reflector, TransferSpec
from sitetest.observe.link.record import LinkSample
from sitetest.observe.observed import Observed
from sitetest.plan.cases import Leg
from sitetest.store.records import AttemptRecord, Flag, Status
from sitetest.visit.diagnosis import Route
from sitetest.visit.retry import case_of
from sitetest.visit.scene import Earlier
from sitetest.visit.soak.first_counted import FirstCounted
from sitetest.visit.soak.so_far import SoFar
from sitetest_wire.samples import Sample

DOUBT = Flag("roamed", "as scripted", "doubt")

RECORDS = st.builds(
    lambda ap_config, direction, status, doubted: replace(
        attempt(bookshop_plan().slots[0]),
        ap_config=ap_config,
        direction=direction,
        status=status,
        flags=(DOUBT,) if doubted else (),
        seconds=(),
        raw=None,
        observations=(),
    ),
    st.sampled_from(["auto", "wide80"]),
    st.sampled_from(["download", "upload"]),
    st.sampled_from([Status.OK, Status.FAILED]),
    st.booleans(),
)


@given(st.lists(RECORDS, max_size=12), st.integers(min_value=0, max_value=12))
def test_it_finds_what_a_run_finds_in_its_history(records: list[AttemptRecord], parts_at: int) -> None:
    """In one part, and in two of which the second was told the first ones of the first."""
    numbered = [replace(record, test_id=f"test-{number}") for number, record in enumerate(records)]
    firsts = FirstCounted(numbered[:parts_at])
    for record in numbered[parts_at:]:
        firsts.add(record)
    for case in {case_of(record) for record in numbered}:
        assert firsts.before(case) == Earlier.of(numbered, case)


class Looking:
    """Observers that see the laptop on one channel after the other. freq_mhz: of each test, in turn."""

    def __init__(self, freq_mhz: Sequence[int]) -> None:
        self._freq_mhz = list(freq_mhz)

    async def beside(self, spec: TransferSpec, route: Route | None, leg: Leg) -> "Looking":
        return self

    async def idle_before(self, reflector: Reflector | None) -> None:
        """Look at nothing."""

    async def idle_after(self) -> None:
        """Look at nothing."""

    def link_now(self) -> LinkSample | None:
        return None

    def loaded(self, sample: Sample) -> None:
        """Take no note."""

    async def finish(self) -> Observed:
        freq_mhz = self._freq_mhz.pop(0)
        return observed(link=log(lambda second: {"freq_mhz": freq_mhz, "centre_mhz": None, "width_mhz": 20}))

    def abandon(self) -> None:
        """Nothing runs."""


def channel_flags(record: AttemptRecord) -> list[str]:
    return [flag.reason for flag in record.flags if "first counted attempt of this AP config" in flag.reason]


def test_a_soak_holds_its_tests_against_the_first_counted_one_also_of_an_earlier_part() -> None:
    """Channels 36, 36, 44 (IEEE 802.11: 5000 MHz + 5 MHz x channel), and after a restart 44 again."""
    soak = Soak(soak_plan(rounds=3), observers=Looking([5180, 5180, 5220]))
    in_fast_time(soak.run())
    told = [channel_flags(record) for record in soak.kept.tests]
    assert told[:2] == [[], []]
    assert len(told[2]) == 1
    assert "channel 44; the first counted attempt of this AP config was on channel 36" in told[2][0]
    further = Soak(
        soak_plan(rounds=4),
        keeper=soak.keeper,
        observers=Looking([5220]),
        tests_before=3,
        so_far=SoFar(rounds=3, turns=1, order_index=3, first_counted=soak.kept.tests[:1]),
    )
    in_fast_time(further.run())
    assert channel_flags(soak.kept.tests[3]) == told[2]
