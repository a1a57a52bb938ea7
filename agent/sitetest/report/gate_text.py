"""The gate's answer as one line, and as JUnit XML for the machines that run builds.

May import comparing, stats, report and, inside the function, junitparser.
"""

from sitetest.comparing.gating import GateReport
from sitetest.report.printable import printable
from sitetest.stats.gate_answers import GateAnswer, GateCaseResult
from sitetest.stats.student_t import RatioInterval

SUITE = "sitetest gate"
NO_TIME_S = 0.0
"""Of a test case: some readers insist on a time, and a judgement takes none."""


def gate_line(report: GateReport) -> str:
    """Return the answer, why, the mean and the worst case in one line."""
    result = report.result
    old, new = report.question.names
    mark = " (simulated)" if report.simulated is not None else ""
    parts = [f"{result.answer.value}{mark}: {new} against {old}: {report.explanation}"]
    if result.cases_named:
        parts[0] += f" ({', '.join(result.cases_named)})"
    if result.mean is not None:
        parts.append(f"mean {_per_cent(result.mean.ratio)} (90 % interval {_range(result.mean)})")
    if result.worst is not None and result.worst_ratio is not None:
        parts.append(f"worst {result.worst} {_per_cent(result.worst_ratio)}")
    parts.append(f"limit -{100 * report.rules.limit:g} %")
    return printable("; ".join(parts))


def junit_document(report: GateReport) -> bytes:
    """Return the answer as JUnit XML: one test for the gate as a whole, one for each case.

    fail is a failure of the whole and of the cases that it is about. inconclusive is an error of the whole, so that no
    machine takes it for a pass; a case of which nothing can be said is skipped.
    """
    from junitparser import Error, Failure, JUnitXml, Skipped, TestCase, TestSuite  # noqa: PLC0415

    result = report.result
    suite = TestSuite(SUITE)
    whole = TestCase("all cases", SUITE, NO_TIME_S)
    line = gate_line(report)
    if result.answer is GateAnswer.FAIL:
        whole.result = [Failure(line, result.reason.value)]
    elif result.answer is GateAnswer.INCONCLUSIVE:
        whole.result = [Error(line, result.reason.value)]
    whole.system_out = line
    suite.add_testcase(whole)
    for case in result.cases:
        test = TestCase(printable(case.label), SUITE, NO_TIME_S)
        told = printable(_case_text(case))
        if report.faults(case):
            test.result = [Failure(told, result.reason.value)]
        elif case.ratio is None:
            test.result = [Skipped(told, "fewer_than_three_turns")]
        test.system_out = told
        suite.add_testcase(test)
    document = JUnitXml(SUITE)
    document.add_testsuite(suite)
    document.update_statistics()  # type: ignore[no-untyped-call]
    text: bytes = document.tostring()  # type: ignore[no-untyped-call]
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + text + b"\n"


def _case_text(case: GateCaseResult) -> str:
    failed = f"failed turns: {case.failed_old} before, {case.failed_new} now"
    ceiling = "; at the wired ceiling, which may hide a change for the worse" if case.ceiling_bound else ""
    if case.ratio is None:
        return f"fewer than 3 valid turns, before or now; {failed}"
    return f"{_per_cent(case.ratio.ratio)} (95 % interval {_range(case.ratio)}); {failed}{ceiling}"


def _per_cent(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.1f} %"


def _range(interval: RatioInterval) -> str:
    return f"{100 * (interval.low - 1):+.1f} to {100 * (interval.high - 1):+.1f} %"
