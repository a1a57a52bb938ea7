"""A figure of matplotlib as one ``<svg>`` element that may stand in a page.

Black becomes ``currentColor`` and white ``var(--paper, white)``, so that it follows a light and a dark page; every id
gets a prefix, since a page has several charts; what it shows in words stands in ``<title>`` and ``<desc>``.

May import matplotlib, report and the standard library only.
"""

import hashlib
import re
from io import StringIO
from xml.etree import ElementTree

import matplotlib as mpl
from matplotlib.figure import Figure

from sitetest.report.charts.chart import Chart
from sitetest.report.printable import printable

INK, PAPER, GREY, FAINT = "#000000", "#ffffff", "#767676", "#d9d9d9"
"""The four colours of every chart. Grey on white, 4.5 to 1 (WCAG 2.2, 1.4.3), is for lines and text; faint for grids
alone."""

MARKS = ("o", "s", "^", "D", "v", "P")
"""Shapes of the first AP configs; every second one is hollow, so that they differ in two ways."""

MOST_CHARACTERS = 40
"""Of a name in a picture; the text beside it has it whole."""

_SVG, _XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"


def short(name: str) -> str:
    """Return a name as it may stand in a picture: printable, no formula, not too long."""
    plain = printable(name)
    cut = plain if len(plain) <= MOST_CHARACTERS else plain[: MOST_CHARACTERS - 1] + "…"
    return cut.replace("$", r"\$")


def inline(figure: Figure, title: str, text: str) -> Chart:
    """Return a figure as a chart. title: a few words. text: everything that it shows, in sentences."""
    salt = hashlib.sha256(f"{title}\n{text}".encode("utf-8", "backslashreplace")).hexdigest()[:10]
    stream = StringIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": salt}):
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    ElementTree.register_namespace("", _SVG)
    ElementTree.register_namespace("xlink", _XLINK)
    root = ElementTree.fromstring(stream.getvalue())  # noqa: S314  it is our own
    _slim(root)
    _prefix(root, f"c{salt}-")
    _describe(root, salt, title, text)
    svg = ElementTree.tostring(root, encoding="unicode")
    svg = svg.replace(INK, "currentColor").replace(PAPER, "var(--paper, white)")
    return Chart(svg, title, text, figure)


def _slim(root: ElementTree.Element) -> None:
    """Take out metadata and style sheets, and let the page choose the size."""
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in {f"{{{_SVG}}}metadata", f"{{{_SVG}}}style"}:
                parent.remove(child)
    for name in ("width", "height"):
        root.attrib.pop(name, None)
    for element in root.iter():
        style = element.get("style")
        if style:
            element.set("style", re.sub(r"font: [^;]*?(\d+(?:\.\d+)?px)[^;]*", r"font-size: \1", style))


def _prefix(root: ElementTree.Element, prefix: str) -> None:
    for element in root.iter():
        for name, value in list(element.attrib.items()):
            if name == "id":
                element.set(name, prefix + value)
            elif name.endswith("href") and value.startswith("#"):
                element.set(name, f"#{prefix}{value[1:]}")
            elif "url(#" in value:
                element.set(name, value.replace("url(#", f"url(#{prefix}"))


def _describe(root: ElementTree.Element, salt: str, title: str, text: str) -> None:
    root.set("role", "img")
    root.set("aria-labelledby", f"t{salt} d{salt}")
    for place, (tag, key, words) in enumerate((("title", "t", title), ("desc", "d", text))):
        element = ElementTree.Element(f"{{{_SVG}}}{tag}", {"id": f"{key}{salt}"})
        element.text = printable(words)
        root.insert(place, element)
