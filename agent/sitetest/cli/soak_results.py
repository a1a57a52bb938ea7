"""What a person, or a script, is told at the end of a soak, and the exit code that goes with it.

May import cli.soak_session, report, store, errors and the standard library only.
"""

from pathlib import Path
from typing import Any

from sitetest.cli.consoles import say
from sitetest.cli.earlier_results import compare_command, soak_command
from sitetest.cli.json_document import write_document
from sitetest.cli.soak_session import SoakSession
from sitetest.errors import Exit
from sitetest.report.local_time import day_and_time
from sitetest.report.wording import count_text
from sitetest.store.reading import TABLE_NAME, store_path
from sitetest.visit.conductor import INTERRUPTED, STORE_FULL


def show_soak(session: SoakSession, site_dir: Path, as_json: bool) -> Exit:
    """Show what to do next on stderr, with ``as_json`` the facts on stdout; return the exit code."""
    if as_json:
        write_document("soak", soak_document(session, site_dir))
    for line in next_lines(session, site_dir):
        say(line)
    return exit_code(session)


def exit_code(session: SoakSession) -> Exit:
    """Return the exit code of a soak: 0 when the wanted time is over and every case has a valid result."""
    if session.outcome == INTERRUPTED:
        return Exit.INTERRUPTED
    if session.outcome == STORE_FULL or session.without_result:
        return Exit.INCOMPLETE
    return Exit.DONE


def next_lines(session: SoakSession, site_dir: Path) -> list[str]:
    """Say what came of it, where it is, and how to go on."""
    again = f"  {soak_command(session.visit.profile, site_dir, '--resume')}"
    made = f"{count_text(session.rounds, 'round')}, {count_text(session.tests, 'test')}"
    lines = []
    if session.table_problem:
        lines.append(f"Note: {session.table_problem}")
    if session.lost_facts:
        lines.append(f"Note: {session.lost_facts} seconds and events found no room on the disk and are lost.")
    if session.nothing_left:
        lines += [f"{_when_over(session)} There is nothing to go on with. To soak on, say for how long:"]
        lines += [f"{again} --for 2h"]
    elif session.outcome == INTERRUPTED:
        lines += [f"Stopped after {made}; all of it is kept. Go on{_until(session)} with:", again]
    elif session.outcome == STORE_FULL:
        lines += [f"The disk is full: the end of the soak is not kept, what came before is ({made}). Make room, then:"]
        lines += [again]
    else:
        lines.append(f"The wanted time is over: {made}.")
    if session.without_result and session.outcome != INTERRUPTED:
        names = ", ".join(case.label for case in session.without_result)
        lines.append(f"Some cases have no valid result: {names}.")
    if session.tests:
        lines += ["What it has shown:", f"  {soak_command(session.visit.profile, site_dir, '--summary')}"]
        lines += _compare_lines(session, site_dir)
    store = store_path(site_dir)
    return [
        *lines,
        "Every test and every second is kept:",
        f"  {store}",
        f"  {store.with_name(TABLE_NAME)} (the tests)",
    ]


def soak_document(session: SoakSession, site_dir: Path) -> dict[str, Any]:
    """Return the session as a JSON-ready mapping. rounds, tests: of the whole soak, earlier parts included."""
    visit, plan = session.visit, session.plan
    return {
        "visit_id": visit.visit_id,
        "site": visit.site,
        "profile": visit.profile,
        "location": visit.location,
        "seed": visit.seed,
        "simulated": visit.simulated,
        "outcome": session.outcome,
        "until": None if plan.until is None else plan.until.isoformat(),
        "rounds_wanted": plan.rounds,
        "rounds": session.rounds,
        "tests": session.tests,
        "lost_facts": session.lost_facts,
        "without_result": [
            {"ap_config": case.ap_config, "leg": case.leg, "engine": case.engine, "direction": case.direction}
            for case in session.without_result
        ],
        "store": str(store_path(site_dir)),
        "table": str(store_path(site_dir).with_name(TABLE_NAME)),
    }


def _compare_lines(session: SoakSession, site_dir: Path) -> list[str]:
    """Name the command for the one look at its comparison, which is taken when it is over; nothing before."""
    comparison = session.plan.comparison
    if comparison is None or session.without_result or session.outcome in (INTERRUPTED, STORE_FULL):
        return []
    names = (comparison.reference, *comparison.others)
    command = compare_command(names, site_dir, f"visit_id={session.visit.visit_id}")
    return ["What it supports about its AP configs:", f"  {command}"]


def _when_over(session: SoakSession) -> str:
    if session.plan.until is None:
        return f"The last soak of {session.visit.profile} has had its {count_text(session.plan.rounds or 0, 'round')}."
    return f"The time of the last soak of {session.visit.profile} was over at {day_and_time(session.plan.until)}."


def _until(session: SoakSession) -> str:
    return "" if session.plan.until is None else f" until {day_and_time(session.plan.until)}"
