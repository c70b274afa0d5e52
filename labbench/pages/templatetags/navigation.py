"""The links of the top bar know which room the reader is in."""

from django import template
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()


@register.simple_tag(takes_context=True)
def nav_link(context: template.Context, url_name: str, label: str) -> SafeString:
    """A link to the named page, marked as current on that page and on all pages below its address."""
    address = reverse(url_name)
    request = context.get("request")
    here = request.path if request else ""
    if here == address:
        return format_html('<a href="{}" aria-current="page">{}</a>', address, label)
    # The page at the root is above every address and so is current only on itself.
    if address != "/" and here.startswith(address.rstrip("/") + "/"):
        return format_html('<a href="{}" aria-current="true">{}</a>', address, label)
    return format_html('<a href="{}">{}</a>', address, label)
