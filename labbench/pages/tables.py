"""Columns that list pages share; their look is in templates/parts/table.html."""

from typing import Any

import django_tables2 as tables
from django.utils.html import format_html

from labbench.pages.templatetags.marks import mark
from labbench.pages.templatetags.quantities import FIXED_DECIMALS, absent, is_number, moment, number_text


class SelectColumn(tables.Column):
    """A box to tick a row, named `name`, with the record's key as value; tables.js brings up the one in the header."""

    def __init__(self, name: str = "selected", **extra: Any) -> None:
        cells = {"th": {"class": "check"}, "td": {"class": "check"}}
        super().__init__(accessor="pk", orderable=False, attrs=cells, **extra)
        self.input_name = name

    @property
    def header(self) -> str:
        return format_html(
            '<label><input type="checkbox" data-select-all="{}" hidden>'
            '<span class="sr-only">Tick every row of this page</span></label>',
            self.input_name,
        )

    def render(self, value: Any, record: Any) -> str:
        return format_html(
            '<label><input type="checkbox" name="{}" value="{}"><span class="sr-only">Tick {}</span></label>',
            self.input_name,
            value,
            record,
        )


class MomentColumn(tables.Column):
    """A point in time in the lab's own time."""

    def render(self, value: Any) -> str:
        return moment(value)


class QuantityColumn(tables.Column):
    """A number with its unit in the column's heading, aligned right; a dash where nothing was measured."""

    empty_values = ()

    def __init__(self, *args: Any, unit: str = "", **extra: Any) -> None:
        extra.setdefault("attrs", {"th": {"class": "num"}, "td": {"class": "num"}})
        super().__init__(*args, **extra)
        self.unit = unit

    def render(self, value: Any) -> str:
        # The unit is in the heading, but temperatures need to know theirs for their one decimal.
        return (
            number_text(value, decimals=FIXED_DECIMALS.get(self.unit)) if is_number(value) else absent("not measured")
        )


class MarkColumn(tables.Column):
    """A state as shape and word: the field's own word where it has choices."""

    def render(self, value: Any, record: Any, bound_column: Any) -> str:
        state = bound_column.accessor.resolve(record)
        return mark(state, "" if value == state else str(value))


class CodeColumn(tables.Column):
    """A coupon's code, as a tag with a cut corner, linked where `linkify` is given."""

    def __init__(self, *args: Any, **extra: Any) -> None:
        extra.setdefault("attrs", {"a": {"class": "coupon-code"}})
        super().__init__(*args, **extra)


class CountColumn(tables.Column):
    """A count out of a total as "3 of 12", from a record's two fields."""

    empty_values = ()

    def __init__(self, *args: Any, total: str, **extra: Any) -> None:
        extra.setdefault("attrs", {"th": {"class": "num"}, "td": {"class": "num"}})
        super().__init__(*args, **extra)
        self.total = tables.A(total)

    def render(self, value: Any, record: Any) -> str:
        total = self.total.resolve(record)
        return absent("none planned") if not total else f"{value or 0} of {total}"
