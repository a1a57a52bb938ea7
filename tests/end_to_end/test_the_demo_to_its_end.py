"""``sitetest demo``: the whole job on one machine, honest about being simulated, over in a minute and a half.

It has run beside the other tests of this folder (conftest.py), which is why this file is the last one by its name.
"""

import csv

import pytest
from demo_processes import Demo, servers_of
from sitetest_process import document

pytestmark = [pytest.mark.slow, pytest.mark.timeout(150)]

LIMIT_S = 90.0
"""The issue's own limit."""


def test_the_demo_does_the_whole_job_and_marks_every_row(demo_to_its_end: Demo) -> None:
    out, err, returncode, took_s = demo_to_its_end.ended.result(LIMIT_S)
    assert took_s < LIMIT_S
    assert returncode == 0, err
    told = document(out)
    assert told["simulated"]
    assert told["outcome"] == "complete"
    by_case = {(case["ap_config"], case["direction"]): case for case in told["cases"]}
    assert set(by_case) == {(name, way) for name in ("auto", "wide80") for way in ("download", "upload")}
    assert all(case["n"] >= 4 for case in told["cases"])
    assert by_case["auto", "download"]["typical_mbps"] < by_case["wide80", "download"]["typical_mbps"]
    answer = told["comparison"]
    assert (answer["reference"], answer["planned"]["looks"]) == ("auto", [4, 6])
    assert [(one["a"], one["b"]) for one in answer["comparisons"]] == [("auto", "wide80")] * 2
    for one in answer["comparisons"]:  # 64 and 41 % apart in the simulated link, at 6 and 9 % of spread
        assert one["verdict"] in ("b_faster", "not_enough_evidence")
        assert one["ratio"] > 1.1
    assert 0 <= told["saved_by_decisions"] <= 8
    with (demo_to_its_end.site / "results" / "results.csv").open(encoding="utf-8", newline="") as file:
        table = list(csv.DictReader(file))
    assert len(table) >= 16
    assert all(row["simulated"] for row in table)
    assert all("simulated" in row["flags"].split(";") for row in table)
    assert {row["engine"] for row in table} == {"http"}
    assert servers_of(demo_to_its_end.site) == []
