"""A profile: a location and the matrix to run there. Reading the files is `loading.py`'s.

Times may be fractions of a second. The measuring window is cut out of the samples by us, so it has exactly the length
written here; the `iperf3` engine, whose library takes whole seconds only, runs up to a second longer than the window
needs. May import pydantic, sitetest_wire, plan, stats.rules (plain values) and the standard
library only.
"""

from collections.abc import Mapping, Sequence
from typing import Annotated

from pydantic import ConfigDict, Field, ValidationInfo, field_validator, model_validator

from sitetest.plan.cases import Leg
from sitetest.plan.mistakes import listed
from sitetest.plan.site import Server, Table
from sitetest.plan.value_kinds import (
    a_name,
    checked,
    congestion_control_name,
    number,
    one_of,
    refused,
    several,
    whole,
    yes_or_no,
)
from sitetest.stats.rules import DEFAULT_LOOKS, Correction
from sitetest_wire.units import BYTES_PER_GIGABYTE
from sitetest_wire.words import Direction, EngineName

SECONDS_PER_MINUTE, MINUTES_PER_DAY, SECONDS_PER_DAY = 60, 24 * 60, 24 * 60 * 60

LONGEST_TRANSFER_S = 3600
"""Warm-up and window together: what a test server permits unless it is told otherwise."""

DEFAULT_MAXIMUM_TURNS = 10

SOAK_DATA_GB = 1000.0
"""What the tests of a soak may move unless the profile says otherwise. Nine hours of default rounds (every 120 s, one
download and one upload of 12 s) at 1 Gbit/s move 810 GB: a cap below that would end the tests of an ordinary night
before the morning. It is there for what nobody foresaw: a soak of many days, rounds without a pause, a server that is
not on this network after all."""

Directions = tuple[Annotated[Direction, one_of(Direction)], ...]


class Matrix(Table):
    """What is measured. ap_configs: None when the command line or the person decides. internet_directions: of the
    internet leg where they differ from ``directions``; None when they do not."""

    legs: Annotated[tuple[Annotated[Leg, one_of(Leg)], ...], several("legs", len(Leg))] = (Leg.LAN,)
    engines: Annotated[tuple[Annotated[EngineName, one_of(EngineName)], ...], several("engines", len(EngineName))] = (
        EngineName.IPERF3,
    )
    directions: Annotated[Directions, several("directions", len(Direction))] = (
        Direction.DOWNLOAD,
        Direction.UPLOAD,
    )
    internet_directions: Annotated[Directions | None, several("directions", len(Direction))] = None
    ap_configs: Annotated[
        tuple[Annotated[str, a_name("the name of an AP config")], ...] | None, several("names of AP configs", 64)
    ] = None

    @field_validator("internet_directions")
    @classmethod
    def _internet_directions_are_measured(
        cls, directions: tuple[Direction, ...] | None, info: ValidationInfo
    ) -> tuple[Direction, ...] | None:
        allowed: tuple[Direction, ...] = info.data.get("directions", tuple(Direction))
        for direction in directions or ():
            if direction not in allowed:
                raise refused(f"some of matrix.directions: {listed(allowed)}", found=f'"{direction}"')
        return directions


class TimingTable(Table):
    """How each transfer runs; meanings as in :class:`sitetest.plan.cases.Timing`."""

    streams: Annotated[int, whole(1, 32)] = 5
    warm_up_s: Annotated[float, number(0, 60)] = 3.0
    duration_s: Annotated[float, number(1, LONGEST_TRANSFER_S)] = 30.0
    congestion_control: Annotated[str | None, checked(congestion_control_name)] = None

    @field_validator("duration_s")
    @classmethod
    def _transfer_is_not_too_long(cls, duration_s: float, info: ValidationInfo) -> float:
        warm_up_s = info.data.get("warm_up_s", 0.0)
        if warm_up_s + duration_s > LONGEST_TRANSFER_S:
            raise refused(
                f"with timing.warm_up_s = {warm_up_s:g}: at most {LONGEST_TRANSFER_S - warm_up_s:g}",
                beside=(
                    "warm_up_s",
                    warm_up_s,
                    f"with timing.duration_s = {duration_s:g}: at most {LONGEST_TRANSFER_S - duration_s:g}",
                ),
            )
        return duration_s


class Repeats(Table):
    """Turns wanted of each AP config, and repeats of each case within a turn. maximum: where it is left out, 10, or
    ``minimum`` if that is more."""

    minimum: Annotated[int, whole(1, 100)] = 4
    maximum: Annotated[int, whole(1, 100)] = DEFAULT_MAXIMUM_TURNS
    per_turn: Annotated[int, whole(1, 20)] = 1

    @model_validator(mode="before")
    @classmethod
    def _maximum_follows_minimum(cls, table: object) -> object:
        if not isinstance(table, dict) or "maximum" in table:
            return table
        minimum = table.get("minimum")
        if isinstance(minimum, int) and DEFAULT_MAXIMUM_TURNS < minimum <= 100:
            return {**table, "maximum": minimum}
        return table

    @field_validator("maximum")
    @classmethod
    def _maximum_is_not_below_minimum(cls, maximum: int, info: ValidationInfo) -> int:
        minimum = info.data.get("minimum", 1)
        if maximum < minimum:
            raise refused(
                f"a whole number from repeats.minimum ({minimum}) to 100",
                beside=("minimum", minimum, f"a whole number from 1 to repeats.maximum ({maximum})"),
            )
        return maximum


class ComparisonTable(Table):
    """What is settled about the comparison of AP configs before the first attempt; without effect for a single one.

    margin_pct: differences below it are of no practical interest. alpha: chance of a false verdict of one kind in the
    whole campaign. family: comparisons planned in the whole campaign, other locations included; None for those of this
    profile. looks: how often a verdict is sought at most, from ``repeats.minimum`` to ``repeats.maximum``.
    give_up_early: stop a comparison as well when no verdict is within reach. assumed_cv_pct: spread between turns that
    `sitetest plan` reckons with until one was seen at the location.
    """

    margin_pct: Annotated[float, number(1, 99)] = 10.0
    alpha: Annotated[float, number(0.001, 0.5)] = 0.05
    correction: Annotated[Correction, one_of(Correction)] = Correction.HOLM
    family: Annotated[int | None, whole(1, 10_000)] = None
    looks: Annotated[int, whole(1, 20)] = len(DEFAULT_LOOKS)
    give_up_early: Annotated[bool, checked(yes_or_no)] = False
    assumed_cv_pct: Annotated[float, number(0.5, 100)] = 8.0


class SoakTable(Table):
    """How a soak spends its time; without effect on `sitetest run`. Its tests are short and have times of their own;
    streams and congestion control are those of ``[timing]``.

    every_s: from the begin of one round (each transfer of the matrix once) to the next one's. warm_up_s, duration_s: as
    in :class:`TimingTable`. turn_min: minutes that an AP config stays applied where there are several. most_busy_pct:
    of the time, how much tests may take. data_gb: cap on what all tests of one soak may move, in 10^9 bytes.
    """

    model_config = ConfigDict(validate_default=True)  # a default must fit what was written beside it

    every_s: Annotated[float, number(1, SECONDS_PER_DAY)] = 120.0
    warm_up_s: Annotated[float, number(0, 60)] = 2.0
    duration_s: Annotated[float, number(1, LONGEST_TRANSFER_S)] = 10.0
    turn_min: Annotated[float, number(0.1, MINUTES_PER_DAY)] = 30.0
    most_busy_pct: Annotated[float, number(1, 100)] = 25.0
    data_gb: Annotated[float, number(0.001, 1_000_000)] = SOAK_DATA_GB

    @field_validator("duration_s")
    @classmethod
    def _test_leaves_room_for_the_next_round(cls, duration_s: float, info: ValidationInfo) -> float:
        """Whether a whole round fits is asked where the matrix is known (`soak_making.py`)."""
        every_s, warm_up_s = info.data.get("every_s"), info.data.get("warm_up_s", 0.0)
        if every_s is not None and warm_up_s + duration_s >= every_s:
            raise refused(
                f"with soak.every_s = {every_s:g} and soak.warm_up_s = {warm_up_s:g}: below {every_s - warm_up_s:g}, "
                "since a test must be over before the next round",
                beside=("every_s", every_s, f"with soak.duration_s = {duration_s:g}: above {warm_up_s + duration_s:g}"),
            )
        if warm_up_s + duration_s > LONGEST_TRANSFER_S:
            raise refused(f"with soak.warm_up_s = {warm_up_s:g}: at most {LONGEST_TRANSFER_S - warm_up_s:g}")
        return duration_s

    @field_validator("turn_min")
    @classmethod
    def _turn_holds_a_round(cls, turn_min: float, info: ValidationInfo) -> float:
        every_s = info.data.get("every_s")
        if every_s is not None and turn_min * SECONDS_PER_MINUTE < every_s:
            raise refused(
                f"with soak.every_s = {every_s:g}: at least {every_s / SECONDS_PER_MINUTE:g}, to hold a round",
                beside=(
                    "every_s",
                    every_s,
                    f"with soak.turn_min = {turn_min:g}: at most {turn_min * SECONDS_PER_MINUTE:g}",
                ),
            )
        return turn_min

    @property
    def turn_s(self) -> float:
        """``turn_min`` in seconds."""
        return self.turn_min * SECONDS_PER_MINUTE

    @property
    def most_busy_share(self) -> float:
        """``most_busy_pct`` as a share, 0 to 1."""
        return self.most_busy_pct / 100

    @property
    def data_bytes(self) -> int:
        """The cap in bytes."""
        return round(self.data_gb * BYTES_PER_GIGABYTE)


class Limits(Table):
    """internet_data_gb: cap on what the internet legs of one visit may move, in 10^9 bytes. expected_lan_mbps,
    expected_internet_mbps: assumed for the volume shown beforehand, until something was measured."""

    internet_data_gb: Annotated[float, number(0.001, 100_000)] = 5.0
    expected_lan_mbps: Annotated[float, number(0.1, 100_000)] = 1000.0
    expected_internet_mbps: Annotated[float, number(0.1, 100_000)] = 100.0

    @property
    def internet_data_bytes(self) -> int:
        """The cap in bytes."""
        return round(self.internet_data_gb * BYTES_PER_GIGABYTE)

    @property
    def expected_mbps(self) -> Mapping[Leg, float]:
        """The assumed rates, for :func:`sitetest.plan.estimate.estimate`."""
        return {Leg.LAN: self.expected_lan_mbps, Leg.INTERNET: self.expected_internet_mbps}


class ProfileTables(Table):
    """What stands in a profile file, the files it extends included."""

    extends: Annotated[str | None, a_name("the name of another profile")] = None
    location: Annotated[str, a_name("the name of the spot where the laptop stands")] = Field(
        description="the name of the spot where the laptop stands "
        "(a profile without one can only be extended by others)"
    )
    matrix: Matrix = Matrix()
    timing: TimingTable = TimingTable()
    repeats: Repeats = Repeats()
    comparison: ComparisonTable = ComparisonTable()
    limits: Limits = Limits()
    soak: SoakTable = SoakTable()


class Profile(ProfileTables):
    """A profile that can be run. name: of its file, without ``.toml``."""

    name: str


def internet_leg_mistake(
    server: Server,
    legs: Sequence[str],
    engines: Sequence[str],
    directions: Sequence[str],
    internet_directions: Sequence[str] | None,
) -> tuple[str, str, str] | None:
    """Find what stands in the way of the internet leg: key in the matrix, what was found, what is allowed; or None."""
    if Leg.INTERNET not in legs:
        return None
    if server.internet is None and server.internet_download_url is None:
        return ("legs", '"internet"', '"lan" alone, unless site.toml names [server] internet or internet_download_url')
    if EngineName.HTTP not in engines:
        return ("engines", listed(engines), '"http" among them, the only engine that the leg "internet" can use')
    if Leg.LAN not in legs and EngineName.IPERF3 in engines:
        return ("engines", listed(engines), '"http" alone, the only engine that the leg "internet" can use')
    if server.internet is None and Direction.UPLOAD in (internet_directions or directions):
        key = "directions" if internet_directions is None else "internet_directions"
        allowed = '"download" alone, since site.toml names an internet_download_url and no internet server'
        hint = " (internet_directions limits the internet leg only)" if internet_directions is None else ""
        return (key, '"upload"', allowed + hint)
    return None
