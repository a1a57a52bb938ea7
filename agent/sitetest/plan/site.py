"""The site as `profiles/site.toml` describes it. Reading the file is `loading.py`'s.

Every value is checked by its kind (`value_kinds.py`); what needs two values of one table is checked here; what needs
two tables or two files in `loading.py`. May import pydantic, sitetest.errors, plan and the standard library only.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from sitetest.errors import UsageError
from sitetest.plan.mistakes import listed, nearest, quoted
from sitetest.plan.value_kinds import (
    a_name,
    auto_or,
    base_url,
    bssid,
    canonical,
    checked,
    command,
    download_url,
    lan_server,
    number,
    one_text_of,
    refused,
    sentence,
    several,
    tables,
)

Band = Literal["2.4", "5", "6"]

CHANNELS: dict[str, range] = {"2.4": range(1, 15), "5": range(32, 197), "6": range(1, 234)}
"""Channel numbers of each band (IEEE 802.11, Annex E; from memory). Which of them may be used where is the country's
to say; this only catches a channel that cannot be in the band."""

WIDEST_MHZ: dict[str, int] = {"2.4": 40, "5": 160, "6": 320}
"""Widest channel of each band (IEEE 802.11be for 320 MHz; from memory)."""


class Table(BaseModel):
    """A table of a file that people write: unknown keys are refused, and nothing changes after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Server(Table):
    """Where the far ends are.

    lan: "auto" (found by DNS-SD) or an address. internet: base URL of a test server on the far side of the line.
    internet_download_url: something large that the person may fetch; download only, instead of ``internet``.
    """

    lan: Annotated[str, checked(lan_server)] = "auto"
    internet: Annotated[str | None, checked(base_url)] = None
    internet_download_url: Annotated[str | None, checked(download_url)] = None

    @field_validator("internet_download_url")
    @classmethod
    def _one_far_end(cls, url: str | None, info: ValidationInfo) -> str | None:
        if url is not None and info.data.get("internet") is not None:
            raise refused('"", since server.internet is named as well: one of the two')
        return url


class AccessPoint(Table):
    """A named access point. bssids: lower case; empty when not known. cost: what it costs, as the client is to read it;
    None when not stated."""

    name: Annotated[str, a_name()] = Field(description="a name for the access point")
    bssids: Annotated[tuple[Annotated[str, checked(bssid)], ...], several("BSSIDs", 64, least=0)] = ()
    cost: Annotated[str | None, sentence("what it costs, in words", 100)] = None


class ApConfig(Table):
    """A named set of radio settings. None: not stated, so not checked against what the laptop sees.

    apply: program and arguments that switch the access point; empty when a person does it. apply_timeout_s: how long
    that program may take. power: as the access point calls it.
    """

    name: Annotated[str, a_name()] = Field(description="a name for this set of radio settings")
    access_point: Annotated[str, a_name()] = Field(description="the name of one of the [[access_point]] tables")
    band: Annotated[Band | None, one_text_of("2.4", "5", "6")] = None
    channel: Annotated[int | Literal["auto"] | None, auto_or(range(1, 234), "a channel from 1 to 233")] = None
    width_mhz: Annotated[
        int | Literal["auto"] | None, auto_or((20, 40, 80, 160, 320), "one of 20, 40, 80, 160, 320")
    ] = None
    power: Annotated[str | None, a_name("text, as the access point calls it")] = None
    firmware: Annotated[str | None, a_name("text, as the access point calls it")] = None
    apply: Annotated[tuple[str, ...], checked(command)] = ()
    apply_timeout_s: Annotated[float, number(1, 3600)] = 120.0

    @field_validator("channel")
    @classmethod
    def _channel_lies_in_band(cls, channel: int | str | None, info: ValidationInfo) -> int | str | None:
        band = info.data.get("band")
        if band and isinstance(channel, int) and channel not in CHANNELS[band]:
            channels = CHANNELS[band]
            raise refused(f"in the {band} GHz band: a channel from {channels.start} to {channels.stop - 1}")
        return channel

    @field_validator("width_mhz")
    @classmethod
    def _width_fits_band(cls, width_mhz: int | str | None, info: ValidationInfo) -> int | str | None:
        band = info.data.get("band")
        if band and isinstance(width_mhz, int) and width_mhz > WIDEST_MHZ[band]:
            raise refused(f"in the {band} GHz band: at most {WIDEST_MHZ[band]}")
        return width_mhz


EVERYWHERE = "all"
"""Location of a requirement that holds at every location."""


class Requirement(Table):
    """What the site needs at a location; a report says whether it is met.

    location: a name, or EVERYWHERE. Locations are named by profiles, which come and go, so that one that no profile has
    is no mistake here; whoever shows the requirements says where none of them applied. throughput_down_mbps,
    throughput_up_mbps: least goodput. loaded_rtt_ms: most round-trip time under load, 95th percentile. None: nothing
    needed. source: where the figures come from, in words.
    """

    location: Annotated[str, a_name('the name of a location, or "all"')] = EVERYWHERE
    throughput_down_mbps: Annotated[float | None, number(0.001, 100_000)] = None
    throughput_up_mbps: Annotated[float | None, number(0.001, 100_000)] = None
    loaded_rtt_ms: Annotated[float | None, number(0.1, 60_000)] = None
    source: Annotated[str | None, sentence("where the figures come from", 300)] = None

    @model_validator(mode="before")
    @classmethod
    def _something_is_needed(cls, table: object) -> object:
        if isinstance(table, dict) and set(table) <= {"location", "source"}:
            raise refused(f"at least one of {', '.join(_NEEDS)}", found="none of them")
        return table


_NEEDS = ("throughput_down_mbps", "throughput_up_mbps", "loaded_rtt_ms")


class Site(Table):
    """The premises under test."""

    name: Annotated[str, a_name()] = Field(alias="site", description="a name for the premises")
    server: Server = Server()
    access_points: Annotated[tuple[AccessPoint, ...], tables("[[access_point]]", 256)] = Field(
        alias="access_point", description="at least one table with the heading [[access_point]]"
    )
    ap_configs: Annotated[tuple[ApConfig, ...], tables("[[ap_config]]", 64)] = Field(
        alias="ap_config", description="at least one table with the heading [[ap_config]]"
    )
    requirements: Annotated[tuple[Requirement, ...], tables("[[requirement]]", 256)] = Field(
        alias="requirement", default=()
    )

    @property
    def ap_config_names(self) -> tuple[str, ...]:
        """In the order of the file."""
        return tuple(config.name for config in self.ap_configs)

    def ap_config(self, wanted: str) -> ApConfig:
        """Return the AP config of that name. Raises UsageError with the names there are."""
        for config in self.ap_configs:
            if config.name == canonical(wanted):
                return config
        raise unknown_name("AP config", wanted, self.ap_config_names)

    def access_point(self, wanted: str) -> AccessPoint:
        """Return the access point of that name. Raises UsageError with the names there are."""
        for access_point in self.access_points:
            if access_point.name == canonical(wanted):
                return access_point
        raise unknown_name("access point", wanted, [access_point.name for access_point in self.access_points])

    def access_point_of(self, ap_config: str) -> AccessPoint:
        """Return the access point that an AP config belongs to. Raises UsageError as :meth:`ap_config` does."""
        return self.access_point(self.ap_config(ap_config).access_point)


def unknown_name(what: str, wanted: str, allowed: tuple[str, ...] | list[str]) -> UsageError:
    """Make the error for a name on the command line that site.toml does not have."""
    near = nearest(wanted, allowed)
    hint = f"; did you mean {quoted(near)}?" if near else ""
    return UsageError(f"site.toml has no {what} {quoted(wanted)}; allowed: {listed(allowed)}{hint}")
