"""A state as a shape and a word; the shapes are drawn in static/img/marks.svg."""

from django import template
from django.templatetags.static import static
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag
def mark(state: str, label: str = "", large: bool = False) -> SafeString:
    """`{% mark study.state study.get_state_display %}`; without a label the state's own name is the word."""
    return format_html(
        '<span class="mark mark-{0}{1}"><svg aria-hidden="true"><use href="{2}#{0}"/></svg>{3}</span>',
        state,
        " large" if large else "",
        static("img/marks.svg"),
        label or str(state).replace("_", " "),
    )
