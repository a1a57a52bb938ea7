"""The field registry: every column that leaves this house, once.

Writer, reader, validator, data dictionary and `docs/columns.md` are made from this table and from nothing else.
The names up to ``schema_version`` and their order are a promise to other people's scripts; new columns follow them.

History of SCHEMA_VERSION (`user_version` of the store, column `schema_version`):

    1  first version
    2  what observers see beside an attempt: more columns of attempts and seconds; the tables observations and baselines
    3  soaks: the column visit_kind of attempts; the tables watch_seconds and events

May import the standard library only.
"""

from dataclasses import dataclass
from typing import Literal

SCHEMA_VERSION = 3

FieldType = Literal["string", "integer", "number", "boolean", "datetime"]


@dataclass(frozen=True, slots=True)
class Field:
    """One column.

    unit: None for names and counts. since: SCHEMA_VERSION that brought it. must_match: attempts in which it differs may
    not be pooled or compared without saying so, unless it is the compared column itself. not_known: of such a column,
    the cell that says that nobody could tell, which agrees with any value; None where an empty cell is a value like any
    other. allowed: the only values, or empty. required: never an empty cell. unique: no two rows have the same.
    minimum: the smallest value, or None.
    """

    name: str
    type: FieldType
    unit: str | None
    meaning: str
    since: int = 1
    must_match: bool = False
    not_known: str | None = None
    allowed: tuple[str, ...] = ()
    required: bool = False
    unique: bool = False
    minimum: float | None = None


LIMITS = ("wire", "link_rate", "air", "line", "laptop", "server", "window", "not_known")
"""What may bind a result: the words of `ceilings`."""

ATTEMPT_FIELDS: tuple[Field, ...] = (
    Field("test_id", "string", None, "Identifies the attempt, here and everywhere.", required=True, unique=True),
    Field("visit_id", "string", None, "The visit that the attempt belongs to.", required=True),
    Field("site", "string", None, "The premises under test.", must_match=True, required=True),
    Field("location", "string", None, "The named spot where the laptop stood.", must_match=True, required=True),
    Field("access_point", "string", None, "The access point that the AP config belongs to.", required=True),
    Field("ap_config", "string", None, "The named set of radio settings that was applied.", required=True),
    Field("firmware", "string", None, "Firmware of the access point, as the site file states it.", must_match=True),
    Field(
        "leg", "string", None,
        "The path that was measured: lan, to the test server on the wire; internet, to a server beyond the line.",
        must_match=True, allowed=("lan", "internet"), required=True,
    ),
    Field(
        "engine", "string", None, "What moved the bytes.",
        must_match=True, allowed=("iperf3", "http"), required=True,
    ),
    Field(
        "direction", "string", None, "Which way the payload flowed, seen from the laptop.",
        must_match=True, allowed=("download", "upload"), required=True,
    ),
    Field("streams", "integer", None, "TCP connections at once.", must_match=True, required=True, minimum=1),
    Field("client", "string", None, "Label of the laptop.", must_match=True, required=True),
    Field("server", "string", None, "The test server, or the URL that was fetched.", must_match=True, required=True),
    Field("profile", "string", None, "Name of the profile that planned the attempt.", required=True),
    Field(
        "turn", "integer", None,
        "Number of the turn in the visit, from 1. A turn is one stretch with one AP config applied, begun by a fresh "
        "association; it is what counts as one independent measurement.",
        required=True, minimum=1,
    ),
    Field("repeat", "integer", None, "Which measurement of its case in the visit, from 1.", required=True, minimum=1),
    Field("attempt", "integer", None, "Which try at that repeat, from 1.", required=True, minimum=1),
    Field("order_index", "integer", None, "Place of the attempt in the order in which the visit ran.", required=True),
    Field("started_at", "datetime", None, "When the attempt began, UTC, by the laptop's clock.", required=True),
    Field(
        "warm_up_s", "number", "s", "Time after the last stream's first byte that does not count.",
        must_match=True, required=True, minimum=0,
    ),
    Field(
        "duration_s", "number", "s", "Planned length of the measuring window.",
        must_match=True, required=True, minimum=0,
    ),
    Field(
        "status", "string", None,
        "What the attempt turned out to be: ok; failed, the AP config did not deliver, which is a result; invalid, it "
        "did not measure this case; interrupted, it was stopped.",
        allowed=("ok", "failed", "invalid", "interrupted"), required=True,
    ),
    Field("reason", "string", None, "Why the status is what it is; empty when ok."),
    Field("flags", "string", None, "Named remarks on the attempt, separated by semicolons; empty when none."),
    Field(
        "counted", "boolean", None,
        "Whether the throughput enters the estimates: status ok, and no flag but notes (an outlier is a note: it is "
        "never dropped).",
        required=True,
    ),
    Field(
        "throughput_mbps", "number", "Mbit/s",
        "The figure of record: bytes that reached the receiver inside the measuring window, over its length. "
        "1 Mbit/s is 10^6 bit/s.",
        minimum=0,
    ),
    Field("received_bytes", "integer", "byte", "Bytes that reached the receiver inside the window.", minimum=0),
    Field("retransmits", "integer", None, "TCP segments that the sender sent again, whole transfer.", minimum=0),
    Field("rtt_idle_ms", "number", "ms", "Median round-trip time before the transfer, path idle.", minimum=0),
    Field("rtt_loaded_p50_ms", "number", "ms", "Median round-trip time during the transfer.", minimum=0),
    Field("rtt_loaded_p95_ms", "number", "ms", "95th percentile of round-trip time during the transfer.", minimum=0),
    Field("tcp_efficiency_pct", "number", "%", "TCP efficiency as RFC 6349 defines it.", minimum=0),
    Field("buffer_delay_pct", "number", "%", "Buffer delay as RFC 6349 defines it."),
    Field("band", "string", "GHz", "Radio band.", must_match=True, not_known="", allowed=("2.4", "5", "6")),
    Field("channel", "integer", None, "Number of the primary channel.", minimum=1),
    Field("width_mhz", "integer", "MHz", "Channel width.", must_match=True, not_known="", minimum=1),
    Field("rssi_dbm", "number", "dBm", "Signal strength at the laptop, median over the attempt."),
    Field("tx_rate_mbps", "number", "Mbit/s", "Radio rate from the laptop, median over the attempt.", minimum=0),
    Field("rx_rate_mbps", "number", "Mbit/s", "Radio rate to the laptop, median over the attempt.", minimum=0),
    Field(
        "phy", "string", None, "Generation of the radio link: from ht, which is 802.11n, to uhr, 802.11bn.",
        must_match=True, not_known="", allowed=("legacy", "ht", "vht", "he", "eht", "uhr"),
    ),
    Field(
        "bssid_label", "string", None, "Label of the radio that the laptop was joined to; not its address.",
        must_match=True, not_known="",
    ),
    Field(
        "link_source", "string", None,
        "Where the radio columns come from: none, nothing was read; simulated, there is no radio behind this row.",
        must_match=True, not_known="none", allowed=("live", "recorded", "simulated", "none"), required=True,
    ),
    Field("ceiling_mbps", "number", "Mbit/s", "The most that the narrowest known part of the path allows.", minimum=0),
    Field("ceiling_by", "string", None, "Which part of the path that is.", allowed=LIMITS),
    Field(
        "congestion_control", "string", None, "TCP congestion control of the sender.", must_match=True, not_known="",
    ),
    Field(
        "engine_version", "string", None, "Version of the library that moved the bytes.", must_match=True, not_known="",
    ),
    Field("sitetest_version", "string", None, "Version of sitetest that began the visit.", required=True),
    Field("schema_version", "integer", None, "Version of this table.", required=True, minimum=1),
    # Up to here: the promise. New columns follow.
    Field(
        "purpose", "string", None,
        "Why the attempt was made: planned; again, the one before it was invalid or interrupted; extra, earned by an "
        "outlier.",
        allowed=("planned", "again", "extra"), required=True,
    ),
    Field("quad", "integer", None, "Group of turns that balances drift, from 1.", minimum=1),
    Field("seed", "integer", None, "Seed that chose the order of each quad.", required=True),
    Field("association", "string", None, "How the fresh association at the start of the turn came about."),
    Field("switched", "string", None, "How the AP config of the turn was applied: command, operator, kept."),
    Field("switch_back_s", "number", "s", "Time until the server answered again after that.", minimum=0),
    Field("offset_s", "number", "s", "Monotonic time since the visit began or was resumed.", required=True),
    Field("window_s", "number", "s", "Real length of the measuring window.", minimum=0),
    Field("wall_s", "number", "s", "All that the attempt took, association and lease included.", required=True),
    Field("moved_bytes", "integer", "byte", "All bytes that reached the receiver, warm-up included.", minimum=0),
    Field("local_address", "string", None, "Address of the laptop on the measured connections."),
    Field("client_cpu_share", "number", "core", "Share of one core that moving the bytes took, laptop.", minimum=0),
    Field("server_cpu_share", "number", "core", "Share of one core that moving the bytes took, server.", minimum=0),
    Field(
        "simulated", "string", None, "What the server said it simulates; empty for a real measurement.",
        must_match=True,
    ),
    Field(
        "rtt_after_ms", "number", "ms", "Median round-trip time after the transfer, path idle again.",
        since=2, minimum=0,
    ),
    Field(
        "probe_loss_pct", "number", "%", "Share of the latency probes during the transfer that were never answered.",
        since=2, minimum=0,
    ),
    Field(
        "responsiveness_rpm", "number", "1/min", "Responsiveness under load in round trips a minute.",
        since=2, minimum=0,
    ),
    Field(
        "responsiveness_draft", "string", None, "The IETF draft, with revision, by which it is counted.",
        since=2,
    ),
    Field("latency_why", "string", None, "Why there is no latency, in one word; empty when there is.", since=2),
    Field(
        "power_save", "boolean", None, "Whether Wi-Fi power save was on at the laptop.",
        since=2, must_match=True, not_known="",
    ),
    Field("interface", "string", None, "Network interface of the laptop that carried the transfer.", since=2),
    Field(
        "interface_kind", "string", None, "What that interface is.",
        since=2, must_match=True, not_known="", allowed=("wifi", "ethernet", "tunnel", "other"),
    ),
    Field("link_mbps", "integer", "Mbit/s", "Speed of that interface, when it is wired.", since=2, minimum=1),
    Field(
        "server_link_mbps", "integer", "Mbit/s", "Speed of the server's end of the wire.",
        since=2, must_match=True, not_known="", minimum=1,
    ),
    Field("mss_bytes", "integer", "byte", "Largest TCP segment in which the sender sent payload.", since=2, minimum=1),
    Field("busiest_core_pct", "number", "%", "Load of the laptop's busiest core, median.", since=2, minimum=0),
    Field("server_busiest_core_pct", "number", "%", "Load of the server's busiest core, median.", since=2, minimum=0),
    Field(
        "other_traffic_pct", "number", "%", "What else went over the laptop's interface, in per cent of the payload.",
        since=2, minimum=0,
    ),
    Field(
        "plugged", "boolean", None, "Whether the laptop ran on the mains, not on its battery.",
        since=2, must_match=True, not_known="",
    ),
    Field(
        "binding", "string", None, "What limits the result, in one word, as far as can be told.",
        since=2, allowed=LIMITS,
    ),
    Field("binding_figures", "string", None, "The figures that say so.", since=2),
    Field(
        "unknown", "string", None,
        "Names of flags that could not be evaluated on this system, separated by semicolons; empty when all could.",
        since=2,
    ),
    Field(
        "visit_kind", "string", None,
        "What planned the visit: run, a plan of wanted measurements; soak, rounds until a time was over.",
        since=3, must_match=True, not_known="", allowed=("run", "soak"), required=True,
    ),
)  # fmt: skip
"""Columns of the tidy table, one row an attempt."""

SECOND_FIELDS: tuple[Field, ...] = (
    Field("test_id", "string", None, "The attempt that the second belongs to.", required=True),
    Field("visit_id", "string", None, "The visit that the attempt belongs to.", required=True),
    Field("location", "string", None, "As in the attempts table.", required=True),
    Field("ap_config", "string", None, "As in the attempts table.", required=True),
    Field("leg", "string", None, "As in the attempts table.", allowed=("lan", "internet"), required=True),
    Field("engine", "string", None, "As in the attempts table.", allowed=("iperf3", "http"), required=True),
    Field("direction", "string", None, "As in the attempts table.", allowed=("download", "upload"), required=True),
    Field("second", "integer", None, "Place in the measuring window, from 0.", required=True, minimum=0),
    Field("start_s", "number", "s", "Start, on the receiver's clock of the transfer.", required=True),
    Field("length_s", "number", "s", "Length; the last one may be shorter.", required=True, minimum=0),
    Field("throughput_mbps", "number", "Mbit/s", "Received bytes over the length.", required=True, minimum=0),
    Field(
        "stream_bytes", "string", "byte",
        "Bytes received in it, one number a stream, separated by semicolons. Not always whole numbers: samples are cut "
        "at the second.",
        required=True,
    ),
    Field("rtt_ms", "number", "ms", "Smoothed TCP round-trip time of the sender, mean over streams.", minimum=0),
    Field("retransmits", "integer", None, "TCP segments that the sender sent again in it.", minimum=0),
    Field(
        "probe_rtt_ms", "number", "ms", "Median round-trip time of the latency probes sent in it.", since=2, minimum=0,
    ),
    Field("probes_lost", "integer", None, "Latency probes sent in it and never answered.", since=2, minimum=0),
    Field("rssi_dbm", "number", "dBm", "Signal strength at the laptop.", since=2),
    Field("tx_rate_mbps", "number", "Mbit/s", "Radio rate from the laptop.", since=2, minimum=0),
    Field("rx_rate_mbps", "number", "Mbit/s", "Radio rate to the laptop.", since=2, minimum=0),
    Field("channel", "integer", None, "Number of the primary channel.", since=2, minimum=1),
    Field("width_mhz", "integer", "MHz", "Channel width.", since=2, minimum=1),
    Field("bssid_label", "string", None, "As in the attempts table.", since=2),
    Field("busiest_core_pct", "number", "%", "Load of the laptop's busiest core in it.", since=2, minimum=0),
    Field("server_busiest_core_pct", "number", "%", "Load of the server's busiest core in it.", since=2, minimum=0),
    Field("other_mbps", "number", "Mbit/s", "What else went over the laptop's interface in it.", since=2, minimum=0),
)  # fmt: skip
"""Columns of the seconds table, one row a second of an attempt."""

OBSERVATION_FIELDS: tuple[Field, ...] = (
    Field("test_id", "string", None, "The attempt beside which it was seen.", since=2, required=True),
    Field(
        "kind", "string", None,
        "What is told: link, the radio link at one instant; link_event, something that happened to it; link_facts, its "
        "slow facts; host and server_host, a second of either machine; interface, the network interface; latency, the "
        "latency probes; foreign_probe, one probe on a connection of its own, for responsiveness.",
        since=2, required=True,
        allowed=(
            "link", "link_event", "link_facts", "host", "server_host", "interface", "latency", "foreign_probe",
        ),
    ),
    Field("at_s", "number", "s", "When, since the load began; negative before it.", since=2, required=True),
    Field("body", "string", None, "The observer's record as a JSON document.", since=2, required=True),
)  # fmt: skip
"""Columns of the observations table, one row a record of an observer, in the order in which they were written."""

BASELINE_FIELDS: tuple[Field, ...] = (
    Field("baseline_id", "string", None, "Identifies the baseline.", since=2, required=True, unique=True),
    Field("measured_at", "datetime", None, "When, UTC, by the laptop's clock.", since=2, required=True),
    Field("client", "string", None, "Label of the laptop.", since=2, required=True),
    Field("server", "string", None, "The test server.", since=2, required=True),
    Field("interface", "string", None, "Wired interface of the laptop.", since=2),
    Field("link_mbps", "integer", "Mbit/s", "Speed of the laptop's end of the wire.", since=2, minimum=1),
    Field("server_link_mbps", "integer", "Mbit/s", "Speed of the server's end of the wire.", since=2, minimum=1),
    Field("engine", "string", None, "What moved the bytes.", since=2, allowed=("iperf3", "http"), required=True),
    Field("streams", "integer", None, "TCP connections at once.", since=2, required=True, minimum=1),
    Field("duration_s", "number", "s", "Planned length of a measuring window.", since=2, required=True, minimum=0),
    Field(
        "download_mbps", "number", "Mbit/s",
        "Median of the figures of record towards the laptop, as throughput_mbps in the attempts table.",
        since=2, minimum=0,
    ),
    Field("upload_mbps", "number", "Mbit/s", "The same from the laptop.", since=2, minimum=0),
)  # fmt: skip
"""Columns of the baselines table, one row a measurement of the wire alone."""

WATCH_SECOND_FIELDS: tuple[Field, ...] = (
    Field("visit_id", "string", None, "The soak that the second belongs to.", since=3, required=True),
    Field("at", "datetime", None, "Its begin, UTC, by the laptop's clock.", since=3, required=True),
    Field(
        "offset_s", "number", "s", "The same on the monotonic clock, since this part of the soak began.",
        since=3, required=True,
    ),
    Field("length_s", "number", "s", "Length; about 1.", since=3, required=True, minimum=0),
    Field(
        "doing", "string", None,
        "What the agent itself did to the path in it: nothing; transfer, a test was running; switch, an AP config was "
        "being applied, until the path was back.",
        since=3, required=True, allowed=("nothing", "transfer", "switch"),
    ),
    Field("probes", "integer", None, "Probes due in it; 0 when nobody watched.", since=3, required=True, minimum=0),
    Field("answered", "integer", None, "Those of them that were answered in time.", since=3, required=True, minimum=0),
    Field("rtt_p50_ms", "number", "ms", "Median round-trip time of the answered ones.", since=3, minimum=0),
    Field("rtt_max_ms", "number", "ms", "Largest round-trip time of the answered ones.", since=3, minimum=0),
    Field("associated", "boolean", None, "Whether the laptop was associated with an access point.", since=3),
    Field("rssi_dbm", "number", "dBm", "Signal strength at the laptop.", since=3),
    Field("tx_rate_mbps", "number", "Mbit/s", "Radio rate from the laptop.", since=3, minimum=0),
    Field("rx_rate_mbps", "number", "Mbit/s", "Radio rate to the laptop.", since=3, minimum=0),
    Field("channel", "integer", None, "Number of the primary channel.", since=3, minimum=1),
    Field("width_mhz", "integer", "MHz", "Channel width.", since=3, minimum=1),
    Field("bssid_label", "string", None, "As in the attempts table.", since=3),
)  # fmt: skip
"""Columns of the watch seconds table, one row a second of the watch that a soak keeps on the path."""

EVENT_FIELDS: tuple[Field, ...] = (
    Field("visit_id", "string", None, "The visit in which it happened.", since=3, required=True),
    Field("at", "datetime", None, "When it was kept, UTC, by the laptop's clock.", since=3, required=True),
    Field(
        "offset_s", "number", "s", "The same on the monotonic clock, since the visit began or was resumed.",
        since=3, required=True,
    ),
    Field("kind", "string", None, "What happened, in one word.", since=3, required=True),
    Field("detail", "string", None, "What is known of it, as a JSON document.", since=3, required=True),
)  # fmt: skip
"""Columns of the events table, one row an event of a visit."""
