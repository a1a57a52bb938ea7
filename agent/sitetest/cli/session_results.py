"""What a person, or a script, is told at the end of a visit, and the exit code that goes with it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Group

from sitetest.cli.consoles import results_console, say
from sitetest.cli.earlier_results import compare_command, has_soaks, resume_command
from sitetest.cli.json_document import write_document
from sitetest.cli.visit_session import Session
from sitetest.errors import Exit
from sitetest.report.advice import is_blemished, is_made_good, next_action
from sitetest.report.attempt_words import not_the_air_of
from sitetest.report.case_binding import case_bindings
from sitetest.report.limits_text import limits_text
from sitetest.report.terminal import comparison, visit_results
from sitetest.report.wording import count_text
from sitetest.store.reading import TABLE_NAME, store_path
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import is_counted, link_source
from sitetest.visit.conductor import INTERRUPTED, SERVER_GONE, STORE_FULL

if TYPE_CHECKING:
    from sitetest.comparing.campaign import CampaignResult
    from sitetest.report.requirement_check import RequirementCheck


def show_session(command: str, session: Session, site_dir: Path, as_json: bool) -> Exit:
    """Show a session on stdout, several AP configs side by side; what to do next on stderr. Return the exit code."""
    ap_configs = tuple(dict.fromkeys(case.ap_config for case in session.plan.cases))
    verdicts = _verdicts(session, site_dir)
    if as_json:
        write_document(command, session_document(session, site_dir, verdicts))
    elif session.attempts and len(ap_configs) > 1:
        results_console().print(comparison(session.visit.site, session.attempts, ap_configs, session.visit.simulated))
    else:
        results_console().print(visit_results(session.visit.site, session.attempts, session.visit.simulated))
    if not as_json:
        results_console().print(_why_and_enough(session))
    if verdicts is not None and not as_json:
        from sitetest.report.comparison_text import comparison_screen

        results_console().print("", comparison_screen(verdicts), sep="\n")
    for line in next_lines(session, site_dir, command):
        say(line)
    return exit_code(session)


def _verdicts(session: Session, site_dir: Path) -> "CampaignResult | None":
    if session.plan.comparison is None:
        return None
    from sitetest.cli.visit_verdicts import visit_verdicts  # with the statistics, which load slowly

    return visit_verdicts(session, site_dir)


def _why_and_enough(session: Session) -> Group:
    """Say what binds each case, and whether what the site needs is there."""
    bindings = case_bindings(session.attempts, session.baseline)
    parts = [limits_text(bindings, simulated=session.visit.simulated is not None)]
    if session.requirements:
        from sitetest.report.requirements_text import requirements_text  # with the statistics, which load slowly

        locations = tuple(dict.fromkeys(record.location for record in session.attempts))
        parts.append(requirements_text(session.requirements, _checks(session), locations))
    return Group(*parts)


def _checks(session: Session) -> "tuple[RequirementCheck, ...]":
    if not session.requirements:
        return ()
    from sitetest.report.requirement_check import requirement_checks

    return requirement_checks(session.requirements, session.attempts, session.turns)


def exit_code(session: Session) -> Exit:
    """Return the exit code of a visit."""
    match session.outcome:
        case outcome if outcome == INTERRUPTED:
            return Exit.INTERRUPTED
        case outcome if outcome == SERVER_GONE:
            return Exit.SERVER
        case outcome if outcome == STORE_FULL:
            return Exit.INCOMPLETE
        case _:
            return Exit.INCOMPLETE if session.without_result or _cases_without_value(session) else Exit.DONE


def next_lines(session: Session, site_dir: Path, command: str) -> list[str]:
    """Say where the results are, what is missing and how to go on."""
    again = f"  {resume_command(session.visit.profile, site_dir)}"
    if command == "demo":
        again = "  sitetest demo"  # its server went with it
    lines = []
    if session.table_problem:
        lines.append(f"Note: {session.table_problem}")
    not_the_air = "" if session.visit.simulated else not_the_air_of(session.attempts)
    if not_the_air:
        lines.append(f"Note: {not_the_air}")
    left = f"{count_text(session.open_slots, 'measurement')} left"
    if session.nothing_left:
        lines.append(f"The last visit of {session.visit.profile} is complete: there is nothing to go on with.")
    elif session.outcome == INTERRUPTED:
        lines += [f"Stopped: {left}. {'Begin again' if command == 'demo' else 'Go on'} with:", again]
    elif session.outcome == SERVER_GONE:
        lines += [f"The test server went away and did not come back: {left}. Once `sitetest check` is content:", again]
    elif session.outcome == STORE_FULL:
        lines += [f"The disk is full; everything that was measured is kept, {left}. Make room, then:", again]
    elif exit_code(session) is Exit.INCOMPLETE:
        lines.append("Finished, but some cases have no valid result: see the attempts listed above.")
    if session.saved:
        lines.append(f"Decided early: {count_text(session.saved, 'measurement')} fewer than the plan's maximum.")
    lines += _compare_lines(session, site_dir)
    store = store_path(site_dir)
    return [*lines, "Every attempt is kept, also as a table:", f"  {store}", f"  {store.with_name(TABLE_NAME)}"]


def _compare_lines(session: Session, site_dir: Path) -> list[str]:
    """Name the command that compares what was measured, over all visits; nothing for a single AP config."""
    tried = {record.ap_config for record in session.attempts}
    names = [name for name in dict.fromkeys(case.ap_config for case in session.plan.cases) if name in tried]
    if len(names) < 2:
        return []
    if not has_soaks(site_dir):
        return ["What all visits of the site support together:", f"  {compare_command(names, site_dir)}"]
    return ["What all runs of the site support together:", f"  {compare_command(names, site_dir, 'visit_kind=run')}"]


def session_document(session: Session, site_dir: Path, verdicts: "CampaignResult | None" = None) -> dict[str, Any]:
    """Return the session as a JSON-ready mapping. verdicts: on the AP configs, None when nothing was compared."""
    return {
        "visit_id": session.visit.visit_id,
        "site": session.visit.site,
        "profile": session.visit.profile,
        "location": session.visit.location,
        "seed": session.visit.seed,
        "simulated": session.visit.simulated,
        "outcome": session.outcome,
        "open": session.open_slots,
        "without_result": session.without_result,
        "saved_by_decisions": session.saved,
        "comparison": _verdict_document(verdicts),
        "attempts": [_attempt(session, record) for record in session.attempts],
        "cases": [
            {**one.case.to_json(), **one.binding.to_json()} for one in case_bindings(session.attempts, session.baseline)
        ],
        "requirements": [check.to_json() for check in _checks(session)],
        "store": str(store_path(site_dir)),
        "table": str(store_path(site_dir).with_name(TABLE_NAME)),
    }


_FIGURES = (
    "throughput_mbps",
    "rtt_idle_ms", "rtt_loaded_p50_ms", "rtt_loaded_p95_ms", "rtt_after_ms", "probe_loss_pct", "responsiveness_rpm",
    "band", "channel", "width_mhz", "rssi_dbm", "tx_rate_mbps", "rx_rate_mbps", "phy", "bssid_label",
    "interface", "interface_kind",
    "ceiling_mbps", "ceiling_by", "binding", "binding_figures",
)  # fmt: skip
"""What a script wants of an attempt, under the names of the table's columns; null is "not measured"."""


def _attempt(session: Session, record: AttemptRecord) -> dict[str, Any]:
    made_good = is_made_good(record, session.attempts)
    return {
        "test_id": record.test_id,
        "turn": record.turn,
        "repeat": record.repeat,
        "attempt": record.attempt,
        "ap_config": record.ap_config,
        "direction": record.direction,
        "leg": record.leg,
        "engine": record.engine,
        "status": record.status.value,
        "reason": record.reason,
        "flags": [flag.name for flag in record.flags],
        "unknown": list(record.unknown),
        "counted": is_counted(record),
        "link_source": link_source(session.visit, record),
        **{name: getattr(record, name) for name in _FIGURES},
        "next_step": next_action(record, made_good) if is_blemished(record) else "",
    }


def _verdict_document(verdicts: "CampaignResult | None") -> dict[str, Any] | None:
    if verdicts is None:
        return None
    from sitetest.comparing.document import comparison_document

    return comparison_document(verdicts)


def _cases_without_value(session: Session) -> bool:
    valued = {
        (record.location, record.leg, record.engine, record.ap_config, record.direction)
        for record in session.attempts
        if is_counted(record)
    }
    return any(
        (case.location, case.leg, case.engine, case.ap_config, case.direction) not in valued
        for case in session.plan.cases
    )
