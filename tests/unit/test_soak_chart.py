"""The chart of a night: it is a picture with a text beside it, shows what is there, and takes names as they are."""

from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from made_night import SOAK_ID, a_series, at_h, made_night, outage, watched
from store_records import a_turn

from sitetest.errors import UsageError
from sitetest.nights.summary import NightSummary, summarise
from sitetest.report.soak_chart import chart_text, night_figure, write_chart
from sitetest.store.soak_events import Cause

SVG = "{http://www.w3.org/2000/svg}"


def a_night(**changes: Any) -> NightSummary:
    happenings = [*outage(1.0, 30.0), *outage(2.0, 200.0, Cause.SERVER)]

    def config(hour: float) -> str:
        return "auto" if hour < 1.5 else "wide80"

    turns = [
        replace(a_turn(), visit_id=SOAK_ID, turn=n, ap_config=config(h), started_at=at_h(h))
        for n, h in ((1, 0.0), (2, 1.5))
    ]
    series = a_series(3, 120, seed=1, ap_config=config, failed=(5,))
    night = made_night(series, watched(3.0, happenings, every_s=5), happenings, turns)
    return summarise(replace(night, visit=replace(night.visit, **changes)), UTC)


def _points(line: Any) -> int:
    return len(line.get_xdata())


def test_every_test_dropout_and_figure_has_its_mark() -> None:
    summary = a_night()
    tests, round_trips, signal = night_figure(summary).axes
    points = {line.get_label(): _points(line) for line in tests.lines if str(line.get_label())[0] != "_"}
    assert points == {"auto": 44, "wide80": 45}
    crosses = [_points(line) for line in tests.lines if line.get_marker() == "+"]
    assert sum(crosses) == 1
    shapes = {line.get_marker() for line in tests.lines if line.get_label() in points}
    assert shapes == {"o", "s"}
    hatched = [patch for patch in tests.patches if patch.get_hatch()]
    assert (len(hatched), len(tests.patches)) == (1, 2)
    assert round_trips.get_ylabel().startswith("round trip")
    assert signal.get_ylabel().startswith("signal")


def test_a_night_without_tests_or_radio_is_drawn_as_well() -> None:
    seconds = [replace(one, rssi_dbm=None) for one in watched(1.0)]
    assert len(night_figure(summarise(made_night(seconds=seconds), UTC)).axes) == 1
    assert len(night_figure(summarise(made_night(), UTC)).axes) == 1


@pytest.mark.parametrize("suffix", [".svg", ".png", ".SVG"])
def test_the_file_is_of_the_kind_that_its_name_says_and_carries_the_text(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"night{suffix}"
    text = write_chart(path, a_night())
    begin = path.read_bytes()[:400]
    assert begin.startswith(b"\x89PNG") if suffix == ".png" else b"<svg" in path.read_bytes()
    assert "1 dropout" in text
    assert text.split(":")[0].encode() in path.read_bytes()


def test_names_that_others_wrote_are_text_and_nothing_else(tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>$\\frac{1$\u202eabc"
    path = tmp_path / "night.svg"
    write_chart(path, a_night(location=hostile, site="a & b"))
    tree = ElementTree.parse(path)
    assert not list(tree.iter(f"{SVG}script"))
    assert not list(tree.iter("script"))
    assert "\u202e" not in path.read_text(encoding="utf-8")
    assert "<script>" in "".join(tree.getroot().itertext())


def test_wrong_names_of_files_are_refused_with_what_is_allowed(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"found \.pdf; allowed: \.svg, \.png"):
        write_chart(tmp_path / "night.pdf", a_night())
    with pytest.raises(UsageError, match="cannot be written"):
        write_chart(tmp_path / "nowhere" / "night.svg", a_night())


def test_the_text_says_what_the_picture_shows() -> None:
    text = chart_text(a_night())
    assert "auto download lan http: median" in text
    assert "too short for a course" in text
    assert "usable 99.72 %, 1 dropout" in text  # 30 s of three hours less 200 s
