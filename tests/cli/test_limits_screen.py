"""What binds each case, and whether it is enough: the end of a run, on a screen and as JSON."""

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from bookshop_visit import STARTED_AT, attempt, bookshop_plan
from rich.cells import cell_len
from rich.console import Console, RenderableType

from sitetest.ceilings.path_ceilings import Limit
from sitetest.cli.session_results import session_document, show_session
from sitetest.cli.visit_session import Session
from sitetest.plan.site import Requirement
from sitetest.report.case_binding import case_bindings
from sitetest.report.limits_text import ADVICE, limits_text
from sitetest.report.requirement_check import requirement_checks
from sitetest.report.requirements_text import requirements_text
from sitetest.store.records import AttemptRecord, BaselineRecord, TurnRecord, VisitRecord
from sitetest.visit.conductor import COMPLETE

SLOT = bookshop_plan().slots[0]  # auto download, basement
VALUES = (92.6, 92.9, 93.1, 93.4)


def records(values: tuple[float, ...] = VALUES, **changes: Any) -> list[AttemptRecord]:
    facts: dict[str, Any] = {"server_link_mbps": 100, "rtt_loaded_p95_ms": 40.0, **changes}
    return [
        attempt(SLOT, value, turn=turn, test_id=f"test-{turn}", **facts) for turn, value in enumerate(values, start=1)
    ]


def text_of(renderable: RenderableType, width: int = 100) -> str:
    output = io.StringIO()
    Console(file=output, width=width, _environ={}).print(renderable)
    return "\n".join(line.rstrip() for line in output.getvalue().splitlines())


def requirements_screen(needs: list[Requirement], attempts: list[AttemptRecord], width: int = 100) -> str:
    return text_of(requirements_text(needs, requirement_checks(needs, attempts), ["basement"]), width)


def test_each_case_says_what_binds_it_and_what_gets_past_it() -> None:
    text = text_of(limits_text(case_bindings(records()), simulated=False))
    assert text.splitlines()[1:] == [
        "What binds each case",
        "  auto download",
        "    The wire: 93.0 of at most 94.1 Mbit/s of a 100 Mbit/s hop (server's end).",
        "    To get past it: a faster hop. Until then access points that are faster than the wire cannot be",
        "    told apart.",
    ]


def test_every_limit_has_advice_and_none_proposes_a_radio_setting() -> None:
    assert set(ADVICE) == set(Limit)
    for advice in ADVICE.values():
        assert not any(word in advice for word in ("set the", "use channel", "MHz channel", "raise the power"))


def test_a_simulated_link_is_said_once() -> None:
    attempts = [*records(), attempt(bookshop_plan().slots[1])]
    text = text_of(limits_text(case_bindings(attempts), simulated=True))
    assert text.count("simulated") == 1
    assert "The wire" not in text


def test_no_attempts_say_nothing() -> None:
    assert text_of(limits_text((), simulated=False)) == ""
    assert requirements_screen([], records()) == ""


def test_requirements_are_shown_with_interval_turns_and_source() -> None:
    """The interval: geometric mean 93.0, floor 0.01 on the spread, t(0.975, 3) = 3.182 of any table: +-1.6 %."""
    need = Requirement(location="basement", throughput_down_mbps=35, loaded_rtt_ms=30, source="the owner, in March")
    assert requirements_screen([need], records()).splitlines()[1:] == [
        "What the site needs",
        "  Source: the owner, in March",
        "  met        auto download: at least 35 Mbit/s; 95 % interval 91.5 to 94.5 (4 turns)",
        "  not met    auto download: loaded round-trip time (95th percentile) at most 30 ms; 95 % interval",
        "  39.4 to 40.6 (4 turns)",
    ]


def test_what_is_not_shown_says_what_would_show_it() -> None:
    need = Requirement(throughput_down_mbps=93)
    few = requirements_screen([need], records(VALUES[:2]))
    assert "not shown  auto download: at least 93 Mbit/s; 2 turns" in few
    assert "an interval needs 3 turns with a value" in few
    assert "a new visit with about 3 turns of this AP config would show it" in few
    near = requirements_screen([Requirement(throughput_down_mbps=92)], records())
    assert "what is needed lies within the interval" in near
    # ln(93.0 / 92) = 0.0108; t(0.975) / sqrt(n) x 0.01 is 0.0124 for 5 turns, 0.0105 for 6 (any table of t)
    assert "a new visit with about 6 turns of this AP config would show it" in near


def test_a_location_without_requirements_is_said_with_the_nearest_name() -> None:
    text = requirements_screen([Requirement(location="basment", throughput_down_mbps=35)], records(), 200)
    assert (
        'none of the requirements in site.toml is about "basement"; they are about "basment"; '
        'is "basment" the same place?'
    ) in text
    assert "none of the" not in requirements_screen([Requirement(throughput_down_mbps=35)], records())


@pytest.mark.parametrize("width", [40, 80])
def test_screens_keep_to_their_width_and_names_are_only_text(width: int) -> None:
    name = "\x1b[31m[bold]مكتبة"
    attempts = [replace(record, ap_config=name) for record in records()]
    need = Requirement(throughput_down_mbps=93, source="s" * 300)
    screens = [text_of(limits_text(case_bindings(attempts), simulated=False), width)]
    screens.append(requirements_screen([need], attempts, width))
    for text in screens:
        assert "\x1b" not in text
        assert "[bold]" in text
        assert max(cell_len(line) for line in text.splitlines()) <= width


def session(attempts: list[AttemptRecord], **changes: Any) -> Session:
    visit = VisitRecord(
        "visit-1", "quay-street-bookshop", "basement", "basement", STARTED_AT, "{}", 7, "bench-laptop", "0.1.0"
    )
    return replace(
        Session(visit, bookshop_plan(ap_configs=("auto", "auto")), COMPLETE, 0, 0, tuple(attempts)), **changes
    )


NEED = Requirement(location="basement", throughput_down_mbps=35)


def test_the_document_has_both(tmp_path: Path) -> None:
    told = json.loads(json.dumps(session_document(session(records(), requirements=(NEED,)), tmp_path)))
    (case,) = told["cases"]
    assert (case["binding"], case["ceiling_by"], case["n"]) == ("wire", "wire", 4)
    assert case["binding_figures"].startswith("The wire: 93.0 of at most 94.1 Mbit/s")
    (check,) = told["requirements"]
    assert (check["fulfilment"], check["figure"], check["at_least"]) == ("met", "throughput_mbps", 35)
    assert json.loads(json.dumps(session_document(session(records()), tmp_path)))["requirements"] == []


def test_the_end_of_a_run_shows_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show_session("run", session(records(), requirements=(NEED,)), tmp_path, as_json=False)
    out = capsys.readouterr().out
    assert out.index("typical: median") < out.index("What binds each case")
    assert out.index("What binds each case") < out.index("What the site needs")
    assert "met        auto download" in out


def test_the_baseline_and_the_turns_of_the_session_are_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    baseline = BaselineRecord(
        "base-1", STARTED_AT, "bench-laptop", "bench", "eth0", None, None, "http", 5, 30.0, 93.5, 93.5
    )
    turns = tuple(TurnRecord("visit-1", turn, 1, "auto", STARTED_AT, "not_possible", "kept") for turn in (1, 2, 3, 4))
    plain = session(records(server_link_mbps=None), requirements=(NEED,))
    told = session_document(replace(plain, baseline=baseline, turns=turns), tmp_path)
    assert "of the wired baseline" in told["cases"][0]["binding_figures"]
    assert told["requirements"][0]["fulfilment"] == "not shown"
    show_session("run", replace(plain, baseline=baseline, turns=turns), tmp_path, as_json=False)
    out = capsys.readouterr().out
    assert "of the wired baseline" in out
    assert "not shown  auto download" in out
    told = session_document(plain, tmp_path)
    assert told["requirements"][0]["fulfilment"] == "met"
    assert "baseline" not in told["cases"][0]["binding_figures"]
