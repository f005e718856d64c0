"""Making one self-contained page from a template: nothing is fetched, and every value is escaped."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from markupsafe import Markup


_COUNTED = ("files", "photos", "photosites")


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
    environment.filters["sentence"] = sentence
    # The library's own text holds no template and is trusted; only the end of its element must not occur.
    library = Markup(get_plotlyjs().replace("</script", r"<\/script"))
    return environment.get_template(template).render(plotly=library, **values)


def number(value: float | None) -> str:
    """Return a figure with three significant digits, whole numbers whole; a dash for None."""
    if value is None:
        return "–"
    if abs(value) < 1e-7:
        return "0"
    if float(value).is_integer() and abs(value) < 1e6:
        return str(int(value))
    return f"{value:.3g}"


def sentence(text: str) -> Markup:
    """Return text as an escaped sentence: a capital first, a stop last, names in backquotes as code."""
    from markupsafe import Markup, escape

    text = text[:1].upper() + text[1:]
    parts = [escape(part) for part in (text if text.endswith((".", "!", "?")) else text + ".").split("`")]
    code = Markup("<code>{}</code>")
    return Markup("").join(code.format(part) if i % 2 else part for i, part in enumerate(parts))


def amount(value: float, unit: str) -> str:
    """Return a figure with its unit: degrees stand close to it, and a count of one is not of many."""
    if unit.startswith("°") or not unit:
        return f"{number(value)}{unit}"
    if value == 1.0 and unit in _COUNTED:
        unit = unit.removesuffix("s")
    return f"{number(value)} {unit}"
