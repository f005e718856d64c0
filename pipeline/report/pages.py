"""Making one self-contained page from a template: nothing is fetched, and every value is escaped."""

from __future__ import annotations

from pathlib import Path
from typing import Any


def render_page(template: str, **values: Any) -> str:
    """Return the page of a template in `html_templates`, with styles, scripts and plotting library inside."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup
    from plotly.offline import get_plotlyjs

    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "html_templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    # The library's own text holds no template and is trusted; only the end of its element must not occur.
    library = Markup(get_plotlyjs().replace("</script", r"<\/script"))
    return environment.get_template(template).render(plotly=library, **values)


def number(value: float | None) -> str:
    """Return a figure with three significant digits, whole numbers whole; a dash for None."""
    if value is None:
        return "–"
    if float(value).is_integer() and abs(value) < 1e6:
        return str(int(value))
    return f"{value:.3g}"
