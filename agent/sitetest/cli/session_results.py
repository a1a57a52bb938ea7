"""What a person, or a script, is told at the end of a visit, and the exit code that goes with it."""

from pathlib import Path
from typing import Any

from sitetest.cli.consoles import results_console, say
from sitetest.cli.json_document import write_document
from sitetest.cli.visit_session import Session
from sitetest.errors import Exit
from sitetest.report.advice import is_blemished, is_made_good, next_action
from sitetest.report.case_summary import case_summaries
from sitetest.report.terminal import comparison, visit_results
from sitetest.report.wording import count_text
from sitetest.store.reading import TABLE_NAME, store_path
from sitetest.store.records import AttemptRecord
from sitetest.store.tidy import is_counted
from sitetest.visit.conductor import INTERRUPTED, SERVER_GONE, STORE_FULL


def show_session(command: str, session: Session, site_dir: Path, as_json: bool) -> Exit:
    """Show a session on stdout, several AP configs side by side; what to do next on stderr. Return the exit code."""
    ap_configs = tuple(dict.fromkeys(case.ap_config for case in session.plan.cases))
    if as_json:
        write_document(command, session_document(session, site_dir))
    elif session.attempts and len(ap_configs) > 1:
        results_console().print(comparison(session.visit.site, session.attempts, ap_configs, session.visit.simulated))
    else:
        results_console().print(visit_results(session.visit.site, session.attempts, session.visit.simulated))
    for line in next_lines(session, site_dir, command):
        say(line)
    return exit_code(session)


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
    again = f"  sitetest run --profile {session.visit.profile} --resume" + (
        "" if site_dir == Path() else f" --site {site_dir}"
    )
    if command == "demo":
        again = "  sitetest demo"  # its server went with it
    lines = []
    if session.table_problem:
        lines.append(f"Note: {session.table_problem}")
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
    store = store_path(site_dir)
    return [*lines, "Every attempt is kept, also as a table:", f"  {store}", f"  {store.with_name(TABLE_NAME)}"]


def session_document(session: Session, site_dir: Path) -> dict[str, Any]:
    """Return the session as a JSON-ready mapping."""
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
        "attempts": [_attempt(record, is_made_good(record, session.attempts)) for record in session.attempts],
        "cases": [summary.to_json() for summary in case_summaries(session.attempts)],
        "store": str(store_path(site_dir)),
        "table": str(store_path(site_dir).with_name(TABLE_NAME)),
    }


def _attempt(record: AttemptRecord, made_good: bool) -> dict[str, Any]:
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
        "counted": is_counted(record),
        "throughput_mbps": record.throughput_mbps,
        "next_step": next_action(record, made_good) if is_blemished(record) else "",
    }


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
