"""A chart: a picture that needs no script, and what it shows in words.

May import matplotlib (types) and the standard library only.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Chart:
    """svg: one ``<svg>`` element without declaration, document type, script, style sheet or outside reference, that may
    stand in a page; its colours are ``currentColor`` and shades of grey, so that it follows a light and a dark page.
    title: a few words. text: everything that it shows, in sentences. figure: for other kinds of file."""

    svg: str
    title: str
    text: str
    figure: "Figure" = field(compare=False, repr=False)
