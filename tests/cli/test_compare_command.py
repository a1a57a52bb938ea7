"""``sitetest compare`` as a person and a script see it."""

import json
from pathlib import Path
from typing import Any

import pytest
from store_records import a_turn, a_visit, an_attempt, fixed_now, keep

from sitetest.cli.main import main
from sitetest.errors import Exit
from sitetest.stats.answers import STANDING_SENTENCE
from sitetest.store.database import Store
from sitetest.store.reading import store_path

Captured = pytest.CaptureFixture[str]
CONTRACT = [
    "location", "leg", "engine", "direction", "a", "b", "n_a", "n_b", "ratio", "ratio_low", "ratio_high", "confidence",
    "p_difference", "p_equivalence", "verdict", "reason", "more_turns",
]  # fmt: skip
A = (402, 417, 389, 410, 398, 405)
B = (498, 476, 510, 489, 503, 481)


def typed(folder: Path, a: tuple[float, ...] = A, b: tuple[float, ...] = B) -> Path:
    file = folder / "typed.csv"
    rows = [f"basement,download,{name},{value}" for name, values in (("auto", a), ("wide80", b)) for value in values]
    file.write_text("\n".join(["location,direction,ap_config,throughput_mbps", *rows]), encoding="utf-8")
    return file


def site_in_order(folder: Path, order: str) -> Path:
    """Keep one download a turn, B a fifth faster."""
    with Store.open(store_path(folder), create=True, now=fixed_now()) as store:
        store.begin_visit(a_visit())
        for turn, letter in enumerate(order, start=1):
            name = "auto" if letter == "A" else "wide80"
            store.begin_turn(a_turn(turn=turn, quad=(turn + 3) // 4, ap_config=name))
            rate = (400 if letter == "A" else 480) * (1 + 0.01 * (turn % 3 - 1))
            keep(store, an_attempt(turn, turn=turn, ap_config=name, throughput_mbps=rate, seconds=()))
    return folder


def document(capsys: Captured) -> dict[str, Any]:
    captured = capsys.readouterr()
    assert captured.err == ""
    found = json.loads(captured.out)
    assert isinstance(found, dict)
    return found


def test_the_document_is_as_promised(tmp_path: Path, capsys: Captured) -> None:
    """Case 1 of the method: ratio 1.2213 (1.1820 to 1.2619), p 9.74e-08; figures from scipy 1.17."""
    assert main(["compare", "--factor", "ap_config", "auto", "wide80", "--data", str(typed(tmp_path)), "--json"]) == 0
    answer = document(capsys)
    assert (answer["format"], answer["factor"], answer["reference"]) == (1, "ap_config", "auto")
    assert (answer["margin"], answer["alpha"]) == (0.1, 0.05)
    (pair,) = answer["comparisons"]
    assert list(pair)[: len(CONTRACT)] == CONTRACT
    assert pair["verdict"] == "b_faster"
    assert (pair["n_a"], pair["n_b"], pair["confidence"]) == (6, 6, 0.95)
    assert [round(pair[key], 4) for key in ("ratio", "ratio_low", "ratio_high")] == [1.2213, 1.1820, 1.2619]
    assert pair["p_difference"] == pytest.approx(9.74e-08, rel=1e-3)
    assert any("one turn of its own" in note for note in answer["notes"])


def test_the_screen_has_everything_that_stands_beside_a_verdict(tmp_path: Path, capsys: Captured) -> None:
    assert main(["compare", "auto", "wide80", "--site", str(site_in_order(tmp_path, "ABBABAABABBA"))]) == Exit.DONE
    captured = capsys.readouterr()
    text = " ".join(captured.out.split())
    assert captured.err == ""
    for fact in (
        "wide80 faster", "95 % interval", "campaign interval (", "Margin 10 %, alpha 5 % over 1 comparison",
        "correction holm", "looks at 4, 6, 8, 10 turns", "look 1 of 4, 4 turns each", "CV 1.0 %",
        "4 of 4 turns valid", "0 invalid", "0 failed", "0 dips", "interleaved: yes (ABBA BAAB ABBA)", "seed 7",
        "from 2026-03-02T", STANDING_SENTENCE,
    ):  # fmt: skip
        assert fact in text
    assert "decides nothing" not in text


def test_all_a_then_all_b_stands_under_a_heading_that_it_decides_nothing(tmp_path: Path, capsys: Captured) -> None:
    assert main(["compare", "auto", "wide80", "--site", str(site_in_order(tmp_path, "AAAAAABBBBBB"))]) == Exit.DONE
    text = " ".join(capsys.readouterr().out.split())
    for fact in (
        "This decides nothing", "did not alternate", "apparent difference of wide80 over auto: +20.0 %",
        "no interval, no verdict", "the shortest plan is 2 quads, 4 turns of each in the order A B B A",
    ):  # fmt: skip
        assert fact in text
    for word in ("faster", "no practical difference", "95 % interval"):
        assert word not in text


@pytest.mark.parametrize(("count", "judged"), [(1, False), (2, False), (3, True)])
def test_fewer_than_three_values_are_shown_and_not_judged(
    tmp_path: Path, capsys: Captured, count: int, judged: bool
) -> None:
    assert main(["compare", "auto", "wide80", "--data", str(typed(tmp_path, A[:count], B[:count]))]) == Exit.DONE
    text = capsys.readouterr().out
    assert ("This decides nothing" in text) is not judged
    assert ("95 % interval" in text) is judged


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["auto"], "two or more different names"),
        (["auto", "auto"], "two or more different names"),
        (["auto", "wide80", "--margin", "0.1"], "--margin: found 0.1; allowed: per cent"),
        (["auto", "wide80", "--margin", "nan"], "--margin: found nan"),
        (["auto", "wide80", "--alpha", "5"], "--alpha: found 5"),
        (["auto", "wide80", "--correction", "none"], '--correction: found "none"; allowed: holm, bonferroni'),
        (["auto", "wide80", "--where", "location"], "--where"),
        (["auto", "wide80", "--factor", "firmware"], 'no column "firmware"'),
        (["auto", "wide81"], 'Did you mean "wide80"'),
    ],
)
def test_wrong_use_is_exit_2(tmp_path: Path, capsys: Captured, arguments: list[str], told: str) -> None:
    assert main(["compare", *arguments, "--data", str(typed(tmp_path))]) == Exit.WRONG_USE
    captured = capsys.readouterr()
    assert told in captured.err
    assert captured.out == ""


def test_a_bad_data_file_is_exit_2_with_file_row_and_column(tmp_path: Path, capsys: Captured) -> None:
    file = typed(tmp_path)
    file.write_text(file.read_text(encoding="utf-8").replace("389", "-389"), encoding="utf-8")
    assert main(["compare", "auto", "wide80", "--data", str(file)]) == Exit.WRONG_USE
    assert 'typed.csv: row 4, column throughput_mbps: found "-389"' in capsys.readouterr().err


def test_a_site_without_results_is_exit_2(tmp_path: Path, capsys: Captured) -> None:
    assert main(["compare", "auto", "wide80", "--site", str(tmp_path)]) == Exit.WRONG_USE
    assert "no results yet" in capsys.readouterr().err


def test_a_name_from_a_file_moves_no_cursor(tmp_path: Path, capsys: Captured) -> None:
    file = typed(tmp_path)
    file.write_text(file.read_text(encoding="utf-8").replace("basement", "base\x1b[2Jment"), encoding="utf-8")
    assert main(["compare", "auto", "wide80", "--data", str(file)]) == Exit.DONE
    assert "\x1b" not in capsys.readouterr().out
