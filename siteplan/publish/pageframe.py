"""What folium and branca draw of our pages: the document, the map's box, and text that is left as it is.

Only constants of ours go into these objects, because they compile text as a template.
"""

from __future__ import annotations

import base64
import hashlib

import branca.element
import folium
import folium.template
import jinja2


class Verbatim(branca.element.Element):
    """Text that reaches the page exactly as it is.

    branca compiles what its own elements are given as a template; this one's template is
    a constant, and its text is not compiled again.
    """

    _template = jinja2.Template("{{ this.text }}")

    def __init__(self, text: str) -> None:
        super().__init__()
        self._name = "Verbatim"
        self.text = text


class Page(branca.element.Figure):
    """The document round the map, with its language named for screen readers."""

    _template = jinja2.Template(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n{{ this.header.render(**kwargs) }}\n</head>\n'
        "<body>\n{{ this.html.render(**kwargs) }}\n"
        "<script>{{ this.script.render(**kwargs) }}</script>\n</body>\n</html>\n"
    )


class SiteMap(folium.Map):
    """A folium map that names no file on another computer and lets the reader enlarge the page."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  (folium declares them so)
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = folium.template.Template(
        """
        {% macro header(this, kwargs) %}
        <meta name="viewport" content="width=device-width, initial-scale=1">
        {% endmacro %}
        {% macro html(this, kwargs) %}
        <div class="folium-map" id={{ this.get_name()|tojson }} role="region" aria-label="Map of the plan.
        Arrow keys move it, plus and minus zoom, Enter reads what is at its middle."></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {
            center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, ...{{ this.options|tojavascript }}
        });
        {% endmacro %}
        """
    )

    def __init__(self, *, zoom_control: bool = True) -> None:
        super().__init__(
            location=(0, 0),
            tiles=None,
            zoom_start=2,
            max_zoom=24,
            zoom_snap=0.5,
            zoom_delta=1,
            zoom_control=zoom_control,
            attribution_control=False,
            prefer_canvas=True,
            bounce_at_zoom_limits=False,
        )
        # folium names things at random; the pages' scripts know the map by this name, and with a constant
        # one equal plans are equal bytes
        self._id = "siteplan"


def content_sum(text: str) -> str:
    """What a content policy names a script or style by."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"
