"""A value by its key, for lists whose figures were asked for all at once."""

from collections.abc import Mapping
from typing import Any

from django import template

register = template.Library()


@register.filter
def of(values: Mapping[Any, Any], key: Any) -> Any:
    """`{{ stocks|of:lot.pk }}`; None where there is none."""
    return values.get(key)
