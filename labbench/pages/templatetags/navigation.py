"""The links of the top bar know which room the reader is in."""

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag(takes_context=True)
def nav_link(context: template.Context, url_name: str, label: str, *also: str) -> SafeString:
    """A link to a room: current on its own page, on all below its address and below the other first words it owns."""
    address = reverse(url_name)
    request = context.get("request")
    here = request.path if request else ""
    if here == address:
        return format_html('<a href="{}" aria-current="page">{}</a>', address, label)
    first_word = here.strip("/").partition("/")[0]
    if first_word and first_word in {address.strip("/"), *also}:
        return format_html('<a href="{}" aria-current="true">{}</a>', address, label)
    return format_html('<a href="{}">{}</a>', address, label)
