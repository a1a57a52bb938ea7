"""The document for tickets: the page's own sentences, and nothing that others wrote is markup in it."""

import re
from pathlib import Path

import pytest
from made_site import made_site

from sitetest.cli.main import main
from sitetest.errors import Exit
from sitetest.report.markdown import plain


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_site(tmp_path_factory.mktemp("made") / "shop", night_h=1.0)


def test_it_says_what_the_page_says(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "ticket.md"
    assert main(["report", "--site", str(site), "--markdown", str(out)]) == Exit.DONE
    text = out.read_text(encoding="utf-8")
    page = (site / "results" / "report.html").read_text(encoding="utf-8")
    unescaped = re.sub(r"\\([^\w\s])", r"\1", text)
    for sentence in ("Which is better here: auto or wide80?", "is faster than", "What would settle it:"):
        assert sentence in unescaped
        assert sentence in page
    rows = [line for line in text.splitlines() if line.startswith("|")]
    widths = {len(re.findall(r"(?<!\\)\|", line)) for line in rows}
    assert widths <= {3, 5, 6, 7, 8}
    assert re.findall(r"SHA-256 [0-9a-f]{64}", text)[0] in page.replace("</code>", "").replace(
        '<code class="long">', ""
    )


def test_standard_output_takes_it_too(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--site", str(site), "--markdown", "-"]) == Exit.DONE
    assert capsys.readouterr().out.startswith("# Wi\\-Fi at quay\\-street\\-bookshop\n")


@pytest.mark.parametrize(
    "name",
    ["a|b", "`x`", "<img src=x onerror=1>", "[x](javascript:1)", "# h", "- l", "*b*", "a\nb\n\n> q", "@all", "www.x"],
)
def test_names_that_others_wrote_are_text(name: str) -> None:
    """CommonMark 0.31, section 2.4: a backslash before ASCII punctuation takes its meaning from it."""
    shown = plain(name)
    assert "\n" not in shown
    assert not re.search(r"(?<!\\)[|`<>\[\]*#@]", shown)
    assert re.sub(r"\\([^\w\s])", r"\1", shown) == name.replace("\n", " ")
