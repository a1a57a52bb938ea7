"""``sitetest gate`` as a script sees it: exit code, one line, one JSON document, one JUnit file."""

import json
from pathlib import Path
from xml.etree import ElementTree

import junitparser
import pytest

from sitetest.cli.main import main
from sitetest.errors import Exit

Captured = pytest.CaptureFixture[str]
HEADER = "location,direction,firmware,throughput_mbps"

# Cases 13a to 13c of the method: (old, new) of each case; mean and interval from scipy 1.17 as printed there.
NEAR = ("500 512 495 507 503 498", "497 509 501 494 505 500")
FAR_SAME = ("300 309 294 305 298 303", "296 304 301 292 299 306")
FAR_WORSE = ("300 309 294 305 298 303", "226 233 221 230 224 229")
UNSTEADY = [
    ("500 560 455 530 478 515", "470 525 430 505 452 490"),
    ("300 335 268 318 286 309", "285 322 256 301 270 296"),
]


def typed(folder: Path, cases: list[tuple[str, str]]) -> Path:
    file = folder / "typed.csv"
    lines = [
        f"{place},download,{firmware},{value}"
        for place, sides in zip(("near", "far"), cases, strict=True)
        for firmware, values in zip(("7.0", "7.1"), sides, strict=True)
        for value in values.split()
    ]
    file.write_text("\n".join([HEADER, *lines]), encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("cases", "exit_code", "answer", "mean", "worst"),
    [
        ([NEAR, FAR_SAME], Exit.DONE, "pass", (0.9955, 0.9851, 1.0060), 0.9939),
        (UNSTEADY, Exit.GATE_INCONCLUSIVE, "inconclusive", (0.9489, 0.8988, 1.0019), 0.9454),
        ([NEAR, FAR_WORSE], Exit.GATE_FAIL, "fail", (0.8667, 0.8573, 0.8763), 0.7534),
    ],
)
def test_the_worked_gates_come_out_as_printed(
    tmp_path: Path,
    capsys: Captured,
    cases: list[tuple[str, str]],
    exit_code: Exit,
    answer: str,
    mean: tuple[float, ...],
    worst: float,
) -> None:
    arguments = ["gate", "7.0", "7.1", "--data", str(typed(tmp_path, cases))]
    assert main([*arguments, "--json"]) == exit_code
    document = json.loads(capsys.readouterr().out)
    assert (document["format"], document["answer"], document["limit"]) == (1, answer, 0.1)
    assert [round(document[key], 4) for key in ("mean_ratio", "mean_low", "mean_high")] == list(mean)
    assert round(document["worst_ratio"], 4) == worst
    assert main(arguments) == exit_code
    captured = capsys.readouterr()
    (line,) = captured.out.splitlines()
    assert line.startswith(f"{answer}: 7.1 against 7.0: ")
    assert "each row is taken to be one turn" in captured.err


@pytest.mark.parametrize(
    ("cases", "exit_code", "failures", "errors"),
    [([NEAR, FAR_SAME], 0, 0, 0), (UNSTEADY, 5, 0, 1), ([NEAR, FAR_WORSE], 4, 2, 0)],
)
def test_the_junit_file_says_what_the_exit_code_says(
    tmp_path: Path, capsys: Captured, cases: list[tuple[str, str]], exit_code: int, failures: int, errors: int
) -> None:
    """Attributes and elements as build machines read them: tests, failures, errors; failure, error, system-out. Read
    with the standard library's parser."""
    junit = tmp_path / "gate.xml"
    assert main(["gate", "7.0", "7.1", "--data", str(typed(tmp_path, cases)), "--junit", str(junit)]) == exit_code
    root = ElementTree.fromstring(junit.read_bytes())
    assert [root.get(name) for name in ("tests", "failures", "errors")] == ["3", str(failures), str(errors)]
    tests = list(root.iter("testcase"))
    assert [test.get("name") for test in tests] == ["all cases", "far download", "near download"]
    assert len(list(root.iter("failure"))) == failures
    assert len(list(root.iter("error"))) == errors
    assert all(test.findtext("system-out") for test in tests)
    assert capsys.readouterr().out.count("\n") == 1


JUNIT_FORM: dict[str, tuple[set[str], set[str]]] = {
    "testsuites": ({"testsuite"}, {"name", "tests", "failures", "errors", "skipped", "time"}),
    "testsuite": ({"testcase"}, {"name", "tests", "failures", "errors", "skipped", "time"}),
    "testcase": ({"failure", "error", "skipped", "system-out"}, {"name", "classname", "time"}),
    "failure": (set(), {"message", "type"}),
    "error": (set(), {"message", "type"}),
    "skipped": (set(), {"message", "type"}),
    "system-out": (set(), set()),
}
"""Elements and attributes that the readers of build machines have in common: those of Ant's JUnitReport, which others
follow (from memory). A test case has its name, its class and its time there."""


@pytest.mark.parametrize(
    ("cases", "results"),
    [
        ([NEAR, FAR_SAME], [None, None, None]),
        (UNSTEADY, ["error", None, None]),
        ([NEAR, FAR_WORSE], ["failure", "failure", None]),
        ([NEAR, ("300 309", "226 233")], ["error", "skipped", None]),
    ],
    ids=["pass", "inconclusive", "fail", "too-few"],
)
def test_the_junit_file_is_what_a_build_machine_reads(
    tmp_path: Path, cases: list[tuple[str, str]], results: list[str | None]
) -> None:
    """Against the form above, and read by junitparser into tests with results, counts and texts."""
    junit = tmp_path / "gate.xml"
    main(["gate", "7.0", "7.1", "--data", str(typed(tmp_path, cases)), "--junit", str(junit)])
    for element in ElementTree.fromstring(junit.read_bytes()).iter():
        children, attributes = JUNIT_FORM[element.tag]
        assert {child.tag for child in element} <= children
        assert set(element.attrib) <= attributes
        if element.tag == "testcase":
            assert set(element.attrib) == attributes
            assert float(element.attrib["time"]) == 0
    suites = junitparser.JUnitXml.fromfile(str(junit))
    (suite,) = suites
    tests = list(suite)
    assert [test.result[0]._tag if test.result else None for test in tests] == results
    for read in (suites, suite):
        counted = (read.tests, read.failures, read.errors, read.skipped)
        assert counted == (3, *(results.count(word) for word in ("failure", "error", "skipped")))
    assert all(result.message and result.type for test in tests for result in test.result)


def test_a_name_that_no_xml_may_hold_does_not_spoil_the_file(tmp_path: Path) -> None:
    file, junit = typed(tmp_path, [NEAR, FAR_SAME]), tmp_path / "gate.xml"
    file.write_text(file.read_text(encoding="utf-8").replace("far", "f\x0b<&\x1br"), encoding="utf-8")
    assert main(["gate", "7.0", "7.1", "--data", str(file), "--junit", str(junit)]) == Exit.DONE
    names = [test.get("name") or "" for test in ElementTree.fromstring(junit.read_bytes()).iter("testcase")]
    assert any("<&" in name for name in names)


def test_two_files_are_baseline_and_candidate(tmp_path: Path, capsys: Captured) -> None:
    files = []
    for name, place in (("old", 0), ("new", 1)):
        file = tmp_path / f"{name}.csv"
        rows = [f"near,download,{value}" for value in NEAR[place].split()]
        rows += [f"far,download,{value}" for value in FAR_WORSE[place].split()]
        file.write_text("\n".join(["location,direction,throughput_mbps", *rows]), encoding="utf-8")
        files += ["--data", str(file)]
    assert main(["gate", *files]) == Exit.GATE_FAIL
    assert "far download" in capsys.readouterr().out


def measured(folder: Path, order: str, worse: float) -> Path:
    """Write an exported table with one download a turn in the order of the letters."""
    header = "test_id,visit_id,turn,order_index,location,leg,engine,direction,firmware,status,counted,throughput_mbps"
    rows = [
        f"t{turn},v1,{turn},{turn},near,lan,http,download,{'7.0' if letter == 'A' else '7.1'},ok,true,"
        f"{400 * (1 if letter == 'A' else worse) * (1 + 0.01 * (turn % 3 - 1))}"
        for turn, letter in enumerate(order, start=1)
    ]
    file = folder / "attempts.csv"
    file.write_text("\r\n".join([header, *rows]), encoding="utf-8")
    return file


def test_all_of_the_old_then_all_of_the_new_is_inconclusive_however_bad(tmp_path: Path, capsys: Captured) -> None:
    assert (
        main(["gate", "7.0", "7.1", "--data", str(measured(tmp_path, "AAAAAABBBBBB", 0.3))]) == Exit.GATE_INCONCLUSIVE
    )
    assert "did not alternate" in capsys.readouterr().out
    assert main(["gate", "7.0", "7.1", "--data", str(measured(tmp_path, "ABBABAABABBA", 0.3))]) == Exit.GATE_FAIL
    assert main(["gate", "7.0", "7.1", "--data", str(measured(tmp_path, "ABBABAABABBA", 1.0)), "--looks"]) == Exit.DONE


def test_the_same_attempts_on_both_sides_are_refused(tmp_path: Path, capsys: Captured) -> None:
    file = str(measured(tmp_path, "ABBA", 1.0))
    assert main(["gate", "--data", file, "--data", file]) == Exit.WRONG_USE
    assert 'The attempt "t1" is in both' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "two different names"),
        (["7.0"], "two different names"),
        (["7.0", "7.0"], "two different names"),
        (["7.0", "7.1", "--margin", "0.05"], "--margin"),
        (["7.0", "7.1", "--alpha", "0"], "--alpha"),
        (["7.0", "7.2"], "no attempt with firmware"),
        (["7.0", "7.1", "--family", "1"], "--family 1 is smaller than the 2"),
        (["7.0", "7.1", "--junit", "missing-folder/gate.xml"], "--junit"),
    ],
)
def test_wrong_use_is_exit_2(
    tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch, arguments: list[str], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["gate", *arguments, "--data", str(typed(tmp_path, [NEAR, FAR_SAME]))]) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert told in captured.err
    assert captured.out == ""
