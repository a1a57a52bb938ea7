"""The page as one HTML file. May import jinja2, report.page and the standard library only."""

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from sitetest.report.page.contents import Page
from sitetest.report.printable import printable


def html_of(page: Page) -> str:
    """Return the page: no script, nothing fetched, everything that others wrote escaped."""
    environment = Environment(
        loader=PackageLoader("sitetest.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = printable
    environment.filters["svg"] = Markup  # made by ourselves, names in it escaped by the writer of XML
    return environment.get_template("page.html.j2").render(page=page)
