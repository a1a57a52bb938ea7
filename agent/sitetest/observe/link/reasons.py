"""Why a field has no value. Every null in a link record stands beside one of these codes.

May import the standard library only.
"""

from enum import StrEnum


class Reason(StrEnum):
    """A reason code. The codes are stored, so they are never renamed."""

    NOT_SUPPORTED_BY_OS = "not_supported_by_os"
    NOT_REPORTED_BY_DRIVER = "not_reported_by_driver"
    NEEDS_LOCATION_PERMISSION = "needs_location_permission"
    NEEDS_ROOT = "needs_root"
    READER_UNAVAILABLE = "reader_unavailable"
    NETLINK_BLOCKED = "netlink_blocked"
    NO_SUCH_INTERFACE = "no_such_interface"
    NOT_WIFI = "not_wifi"
    NOT_ASSOCIATED = "not_associated"
    MLO_MULTIPLE_LINKS = "mlo_multiple_links"
    INVALID_VALUE = "invalid_value"
    STALE = "stale"
    TIMEOUT = "timeout"
    PARSE_ERROR = "parse_error"
    NOT_SAMPLED = "not_sampled"


IN_WORDS = {
    Reason.NOT_SUPPORTED_BY_OS: "this operating system does not tell",
    Reason.NOT_REPORTED_BY_DRIVER: "this Wi-Fi driver does not tell",
    Reason.NEEDS_LOCATION_PERMISSION: "the system hides it until this program may use the location",
    Reason.NEEDS_ROOT: "the system tells it to administrators only",
    Reason.READER_UNAVAILABLE: "there is nothing here that could be asked",
    Reason.NETLINK_BLOCKED: "this program may not talk to the kernel (a sandbox or container forbids netlink)",
    Reason.NO_SUCH_INTERFACE: "there is no such network interface (any more)",
    Reason.NOT_WIFI: "the interface is not a Wi-Fi interface",
    Reason.NOT_ASSOCIATED: "the laptop is not connected to an access point",
    Reason.MLO_MULTIPLE_LINKS: "the connection has several radio links; see each link",
    Reason.INVALID_VALUE: "the value that came cannot be true",
    Reason.STALE: "the value was too old",
    Reason.TIMEOUT: "the system did not answer in time",
    Reason.PARSE_ERROR: "the answer was damaged",
    Reason.NOT_SAMPLED: "it was not asked for at this moment",
}
"""Each reason as the end of a sentence for people."""
