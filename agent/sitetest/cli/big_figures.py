"""Figures five rows high, for a screen that is read at arm's length. Pure. May import the standard library only."""

ROWS = 5

_SHAPES = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
}

_PIXEL_COLUMNS = 2
"""A character cell is about twice as high as it is wide: two columns make a pixel square."""


def big_figures(number: str, ink: str = "█") -> list[str]:
    """Return the five rows of a number made of digits, a point and a dash; other characters raise KeyError."""
    gap = " " * _PIXEL_COLUMNS
    return [
        gap.join(
            "".join((ink if pixel == "#" else " ") * _PIXEL_COLUMNS for pixel in _SHAPES[digit][row])
            for digit in number
        ).rstrip()
        for row in range(ROWS)
    ]
