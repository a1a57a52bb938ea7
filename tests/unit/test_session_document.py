"""What `sitetest run --json` says about an attempt, for scripts."""

import json
from pathlib import Path

from store_records import a_visit, an_attempt, an_observed_attempt
from visit_fakes import basement_plan

from sitetest.cli.session_results import next_lines, session_document
from sitetest.cli.visit_session import Session
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.records import AttemptRecord
from sitetest.visit.conductor import COMPLETE

SEEN = (
    "rtt_idle_ms", "rtt_loaded_p50_ms", "rtt_loaded_p95_ms", "rtt_after_ms", "probe_loss_pct", "responsiveness_rpm",
    "band", "channel", "width_mhz", "rssi_dbm", "tx_rate_mbps", "rx_rate_mbps", "phy", "bssid_label", "interface",
    "interface_kind", "ceiling_mbps", "ceiling_by", "binding", "binding_figures",
)  # fmt: skip


def told(record: AttemptRecord, simulated: str | None = None) -> dict[str, object]:
    session = Session(a_visit(simulated=simulated), basement_plan(), COMPLETE, 0, 0, (record,))
    (attempt,) = json.loads(json.dumps(session_document(session, Path())))["attempts"]
    assert isinstance(attempt, dict)
    return attempt


def test_what_observers_saw_stands_under_the_names_of_the_columns() -> None:
    record = an_observed_attempt(link_source="live")
    attempt = told(record)
    assert {name: attempt[name] for name in SEEN} == {name: getattr(record, name) for name in SEEN}
    assert attempt["unknown"] == ["background_scan", "roamed"]
    assert attempt["link_source"] == "live"
    assert set(attempt) - {"next_step"} <= {field.name for field in ATTEMPT_FIELDS}


def test_where_nobody_looked_everything_is_there_as_null() -> None:
    attempt = told(an_attempt(), simulated="pacing")
    assert {attempt[name] for name in SEEN} == {None}
    assert attempt["unknown"] == []
    assert attempt["link_source"] == "simulated"


def ended(ap_configs: tuple[str, ...], site_dir: Path) -> str:
    plan = basement_plan(ap_configs)
    records = tuple(an_attempt(number, ap_config=name) for number, name in enumerate(ap_configs, start=1))
    return "\n".join(next_lines(Session(a_visit(), plan, COMPLETE, 0, 0, records), site_dir, "run"))


def test_a_run_of_several_ap_configs_ends_with_the_command_that_compares_them() -> None:
    assert "  sitetest compare --factor ap_config auto 'wide 80'" in ended(("auto", "wide 80"), Path())
    assert ended(("auto", "wide80"), Path("shop")).count("auto wide80 --site shop") == 1
    assert "compare" not in ended(("auto",), Path())
