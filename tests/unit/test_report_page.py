"""The document: it says what `compare --json` says, needs nothing but a browser, and takes names as they are."""

import json
import re
import sys
from collections import Counter
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_site import made_site
from scipy import stats

from sitetest.cli.main import main
from sitetest.errors import Exit
from sitetest.report.charts.inline import GREY

HOSTILE = "<script>alert(1)</script>"
VOID = {"meta", "link", "br", "img", "input", "hr", "path", "use"}


class Seen(HTMLParser):
    """Tags with attributes, ids, texts by tag."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        """All text, white space folded."""
        return " ".join(" ".join(self.texts).split())


def seen(text: str) -> Seen:
    parser = Seen()
    parser.feed(text)
    return parser


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_site(tmp_path_factory.mktemp("made") / "shop")


@pytest.fixture(scope="module")
def document(site: Path) -> str:
    assert main(["report", "--site", str(site)]) == Exit.DONE
    return (site / "results" / "report.html").read_text(encoding="utf-8")


def test_nothing_of_it_is_fetched_and_nothing_of_it_runs(document: str) -> None:
    parser = seen(document)
    tags = Counter(tag for tag, _ in parser.tags)
    assert not tags.keys() & {"script", "iframe", "object", "embed", "link", "base", "form", "img"}
    for tag, attributes in parser.tags:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in {"href", "xlink:href", "src", "srcset", "action"}:
                assert str(value).startswith("#"), (tag, name, value)
    assert not re.search(r"url\((?!#)", document)
    assert "@import" not in document


def test_every_picture_has_its_words_and_every_table_its_caption_and_heads(document: str) -> None:
    parser = seen(document)
    ids = Counter(attributes["id"] for _, attributes in parser.tags if attributes.get("id"))
    assert max(ids.values()) == 1
    pictures = [attributes for tag, attributes in parser.tags if tag == "svg"]
    assert len(pictures) == 1 + 2 * 2 * (1 + 2) + 1  # overview; four cases, each with two attempts; the night
    for attributes in pictures:
        assert attributes["role"] == "img"
        assert set(str(attributes["aria-labelledby"]).split()) <= ids.keys()
    tags = Counter(tag for tag, _ in parser.tags)
    assert tags["caption"] == tags["table"]
    assert all("scope" in attributes for tag, attributes in parser.tags if tag == "th")
    levels = [int(tag[1]) for tag, _ in parser.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert ("html", {"lang": "en"}) in parser.tags


def test_its_numbers_are_those_of_compare_and_of_scipy_on_the_table(
    document: str, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The interval of a ratio: Welch's on logarithms of the turns, as scipy computes it from results.csv."""
    arguments = ["compare", "--factor", "ap_config", "auto", "wide80", "--site", str(site), "--where", "visit_kind=run"]
    assert main([*arguments, "--json"]) == Exit.DONE
    compared = json.loads(capsys.readouterr().out)["comparisons"]
    text = seen(document).text
    table = pd.read_csv(site / "results" / "results.csv")
    checked = 0
    for pair in compared:
        if pair["ratio_low"] is None:
            continue
        shown = f"{100 * (pair['ratio'] - 1):+.1f} % ({100 * (pair['ratio_low'] - 1):+.1f} % to"
        assert shown in text
        if any(pair[side]["flagged"] for side in ("side_a", "side_b")) or pair["look_turns"] is None:
            continue
        own = table[
            (table.location == pair["location"]) & (table.direction == pair["direction"])
            & (table.visit_kind == "run") & table.counted & (table.turn <= 2 * pair["look_turns"])
        ]  # fmt: skip
        a, b = (np.log(own[own.ap_config == name].throughput_mbps) for name in (pair["a"], pair["b"]))
        if len(a) != pair["n_a"] or len(b) != pair["n_b"]:
            continue
        assert np.exp(b.mean() - a.mean()) == pytest.approx(pair["ratio"], rel=1e-9)
        interval = stats.ttest_ind(b, a, equal_var=False).confidence_interval(pair["confidence"])
        assert np.exp([interval.low, interval.high]) == pytest.approx([pair["ratio_low"], pair["ratio_high"]], rel=0.02)
        checked += 1
    assert checked


def test_the_first_page_says_who_is_faster_how_sure_that_is_and_what_is_needed(document: str) -> None:
    text = seen(document).text
    assert "Which is better here: auto or wide80?" in text
    assert re.search(r"download http: wide80 is faster than auto, by \d", text)
    assert "What would settle it:" in text
    assert "at least 100 Mbit/s is met" in text
    assert "counter: two hundred a piece" in text
    assert text.index("Recommendation") < text.index("Every comparison")


def test_what_was_repeated_or_left_out_is_listed_with_its_reason(document: str) -> None:
    text = seen(document).text
    assert "server_gone: the test server ended it" in text
    assert "the laptop changed access point in second 12" in text
    assert "The path was usable" in text
    assert "wide80 against auto" in text


def test_names_that_others_wrote_are_text_and_nothing_else(tmp_path: Path) -> None:
    long = "a" * 300
    site = made_site(
        tmp_path / "shop",
        locations=(HOSTILE, "\u202egnihsilbup {{ 7*7 }} [x](javascript:1)"),
        ap_configs=("=1+1|`$x$`", long),
        night_h=0.5,
        turns=4,
    )
    assert main(["report", "--site", str(site), "--question", f"{HOSTILE}?"]) == Exit.DONE
    text = (site / "results" / "report.html").read_text(encoding="utf-8")
    parser = seen(text)
    assert not [tag for tag, _ in parser.tags if tag == "script"]
    assert "\u202e" not in text
    assert HOSTILE in parser.text
    assert "{{ 7*7 }}" in parser.text
    assert long in parser.text


def test_a_site_of_one_setting_and_one_without_anything_are_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = made_site(tmp_path / "shop", ap_configs=("auto", "auto"), night_h=0.2, turns=2)
    assert main(["report", "--site", str(site), "-o", str(tmp_path / "x.html"), "--json"]) == Exit.DONE
    told = json.loads(capsys.readouterr().out)
    assert told["file"] == str(tmp_path / "x.html")
    assert "there is nothing to choose between" in (tmp_path / "x.html").read_text(encoding="utf-8")
    assert main(["report", "--site", str(tmp_path)]) == Exit.WRONG_USE
    assert "Measure first" in capsys.readouterr().err
    assert main(["report", "--site", str(site), "-o", str(tmp_path / "no" / "x.html")]) == Exit.WRONG_USE


def test_before_and_now_stand_beside_each_other_and_no_verdict_is_drawn_from_them(site: Path, tmp_path: Path) -> None:
    was = pd.read_csv(site / "results" / "results.csv")
    was["throughput_mbps"] /= 2
    was.to_csv(tmp_path / "before.csv", index=False)
    for before in (tmp_path / "before.csv", site):
        out = tmp_path / "now.html"
        assert main(["report", "--site", str(site), "--baseline", str(before), "-o", str(out)]) == Exit.DONE
        text = seen(out.read_text(encoding="utf-8")).text
        assert "The two did not alternate" in text
        assert ("+100.0 %" if before.suffix else "+0.0 %") in text
    assert main(["report", "--site", str(site), "--baseline", str(tmp_path)]) == Exit.WRONG_USE
    assert main(["report", "--site", str(site), "--baseline", str(tmp_path / "none.csv")]) == Exit.WRONG_USE


def test_a_pdf_is_the_same_page_and_a_missing_library_is_said_with_how_to_get_it(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    out = tmp_path / "page.pdf"
    assert main(["report", "--site", str(site), "--pdf", str(out)]) == Exit.WRONG_USE
    told = capsys.readouterr().err
    assert "WeasyPrint is missing" in told
    assert "any browser" in told
    assert (site / "results" / "report.html").is_file()


@pytest.mark.slow
def test_the_pdf_has_the_answer_in_it(site: Path, tmp_path: Path) -> None:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as problem:
        pytest.skip(f"the extra `pdf` is not usable here: {problem}")
    out = tmp_path / "page.pdf"
    assert main(["report", "--site", str(site), "--pdf", str(out)]) == Exit.DONE
    assert out.read_bytes().startswith(b"%PDF-")
    assert len(out.read_bytes()) > 20_000  # text and pictures


def test_every_chart_is_a_picture_on_demand(site: Path, tmp_path: Path) -> None:
    folder = tmp_path / "pictures"
    assert main(["report", "--site", str(site), "-o", str(tmp_path / "x.html"), "--png", str(folder)]) == Exit.DONE
    pictures = sorted(folder.iterdir())
    assert len(pictures) == 1 + 2 * 2 * (1 + 2) + 1
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in pictures)
    assert pictures[0].name.startswith("01-every-comparison")


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb (WCAG 2.2, definitions)."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


def _contrast(one: str, other: str) -> float:
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_and_lines_stand_out_on_light_and_dark_pages_and_on_paper(document: str) -> None:
    """WCAG 2.2: 1.4.3 text 4.5 to 1, 1.4.11 graphics 3 to 1; the formula gives 21 for black on white."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)
    palettes = [
        dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in re.findall(r":root \{[^}]*\}", document)
    ]
    assert len(palettes) == 2
    for palette in palettes:
        assert _contrast(palette["ink"], palette["paper"]) >= 4.5
        assert _contrast(palette["soft"], palette["paper"]) >= 4.5
        assert _contrast(palette["rule"], palette["paper"]) >= 3
        assert _contrast(GREY, palette["paper"]) >= 3
