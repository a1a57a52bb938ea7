"""Words and figures for screens: safe names, one rounding, big digits, streams that respect the reader's terminal."""

import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitetest.cli.big_figures import ROWS, big_figures
from sitetest.cli.consoles import WIDTH_WITHOUT_TERMINAL, console_on
from sitetest.report.printable import printable
from sitetest.report.wording import count_text, duration_text, rate_text, volume_text


@given(st.text())
def test_no_text_keeps_a_control_character_or_a_direction_mark(text: str) -> None:
    """Unicode says what a control is (category Cc, bidirectional classes of UAX 9), not our own list."""
    marks = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    shown = printable(text)
    assert len(shown) == len(text)
    assert all(unicodedata.category(letter) != "Cc" for letter in shown)
    assert all(unicodedata.bidirectional(letter) not in marks for letter in shown)
    shown.encode("utf-8")


@given(st.text(alphabet=st.characters(categories=("L", "N", "P", "S"))))
def test_letters_of_every_script_stay_as_they_are(text: str) -> None:
    assert printable(text) == text


def test_line_breaks_stay_only_where_asked_for() -> None:
    assert printable("a\nb\tc") == "a b c"
    assert printable("a\nb\tc", keep_lines=True) == "a\nb c"


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [
        (-3.0, "0 s"), (0.4, "0 s"), (59.4, "59 s"), (59.6, "1 min"), (61.0, "2 min"), (3540.0, "59 min"),
        (3541.0, "1 h 00 min"), (3600.0, "1 h 00 min"), (34200.0, "9 h 30 min"),
    ],
)  # fmt: skip
def test_durations_are_rounded_up_from_a_minute_on(duration_s: float, text: str) -> None:
    assert duration_text(duration_s) == text


@pytest.mark.parametrize(
    ("throughput_mbps", "text"),
    [
        (None, "-"),
        (0.0, "0.00"),
        (0.456, "0.46"),
        (9.994, "9.99"),
        (9.996, "10.0"),
        (412.34, "412.3"),
        (1234.5, "1234.5"),
    ],
)
def test_rates_have_one_rounding_and_not_measured_is_not_zero(throughput_mbps: float | None, text: str) -> None:
    assert rate_text(throughput_mbps) == text


@pytest.mark.parametrize(
    ("byte_count", "text"),
    [(999_499, "999 kB"), (12_400_000, "12.4 MB"), (3_100_000_000, "3.10 GB")],
)
def test_volumes_are_in_powers_of_a_thousand(byte_count: int, text: str) -> None:
    assert volume_text(byte_count) == text


def test_counts_agree_with_their_noun() -> None:
    assert count_text(1, "attempt") == "1 attempt"
    assert count_text(0, "attempt") == "0 attempts"
    assert count_text(2, "quad", "quads") == "2 quads"


def test_every_digit_has_its_own_shape() -> None:
    shapes = {digit: tuple(big_figures(digit)) for digit in "0123456789.-"}
    assert len(set(shapes.values())) == len(shapes)
    assert all(len(rows) == ROWS for rows in shapes.values())


def test_the_largest_figure_fits_forty_columns() -> None:
    """10 Gbit/s needs five digits; the widest digit is six columns and a gap of two."""
    assert max(len(row) for row in big_figures("20000")) <= 40


class Stream(io.StringIO):
    def __init__(self, terminal: bool) -> None:
        super().__init__()
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal


@pytest.mark.parametrize("environment", [{}, {"FORCE_COLOR": "1"}, {"TTY_COMPATIBLE": "1"}, {"TERM": "xterm-256color"}])
def test_no_escape_code_where_there_is_no_terminal_whatever_the_environment_asks(environment: dict[str, str]) -> None:
    stream = Stream(terminal=False)
    console = console_on(stream, environment)
    console.print("[b]text[/b]", style="bold red")
    console.bell()
    assert stream.getvalue() == "[b]text[/b]\n"
    assert console.width == WIDTH_WITHOUT_TERMINAL


def test_no_color_is_honoured_on_a_terminal() -> None:
    coloured, plain = Stream(terminal=True), Stream(terminal=True)
    console_on(coloured, {"TERM": "xterm-256color"}).print("text", style="red")
    console_on(plain, {"TERM": "xterm-256color", "NO_COLOR": "1"}).print("text", style="red")
    assert "\x1b[31m" in coloured.getvalue()
    assert "\x1b[31m" not in plain.getvalue()


def test_columns_sets_the_width_of_a_file() -> None:
    assert console_on(Stream(terminal=False), {"COLUMNS": "60"}).width == 60
