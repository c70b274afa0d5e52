"""The timeline drawn by the server: a strip of SVG for each chamber, in percent of the window, so that it fits any width.

What a booking says it says in words too (its label, and the table of bookings); shapes tell states apart, not colours alone.
Written as text, not with templates: with a hundred loads there are more than a thousand bookings on the page.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.utils import timezone
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

from labbench.bench.booking_rules import Filled, filled, minutes_text
from labbench.bench.chamber_book import ChamberBook, Way, real_span
from labbench.bench.models import Booking
from labbench.formats.date_texts import MONTHS, clock_text
from labbench.lab.hours import Span, at_clock
from labbench.lab.models import Chamber
from labbench.pages.chambers.windows import Window

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
AXIS_HEIGHT = 46
FILL_HEIGHT = 18
LANE_HEIGHT = {1: 44, 3: 44, 7: 44}
NARROW_LANE = 28
SIGNS = {"done": "✓ ", "running": "▸ ", "overdue": "! "}
# A booking that is narrower than this share of the window has no room for words.
LEAST_WORDS = {1: 2.0, 3: 2.0, 7: 2.5}


@dataclass(frozen=True, slots=True)
class Strip:
    """A chamber with its drawing and what it says in words."""

    chamber: Chamber
    drawing: SafeString
    most: int
    bookings: int


@dataclass(frozen=True, slots=True)
class Drawn:
    """A booking with its load and the lane it is drawn in."""

    way: Way
    booking: Booking
    start: datetime
    end: datetime


class Sheet:
    """The window as a scale: points in time to percent of its real length, and to the lab's clock."""

    def __init__(self, book: ChamberBook, window: Window) -> None:
        self.book, self.window, self.now = book, window, book.now
        self.start, self.end = window.start, window.end
        self._from_s = self.start.timestamp()
        self._per_s = 100 / (self.end.timestamp() - self._from_s)
        self._zone = timezone.get_current_timezone()

    def x(self, at: datetime) -> float:
        """Percent from the left, at the rim for what lies outside."""
        return min(max((at.timestamp() - self._from_s) * self._per_s, 0.0), 100.0)

    def local(self, at: datetime) -> datetime:
        """As the clock on the wall shows it."""
        return at.astimezone(self._zone)

    def clock(self, at: datetime) -> str:
        """Tue 1 Dec, 15:30."""
        local = self.local(at)
        return f"{DAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]}, {clock_text(local)}"


def state_of(booking: Booking, now: datetime) -> tuple[str, str]:
    """How a booking stands: a class for its look, and words."""
    if booking.ended_at is not None:
        return "done", "over"
    if booking.started_at is not None:
        late = (now - booking.planned_end) // timedelta(minutes=1)
        if late > 0:
            return "overdue", f"in the chamber, {minutes_text(late)} over its planned end"
        return "running", "in the chamber"
    late = (now - booking.planned_start) // timedelta(minutes=1)
    if late > 0:
        return "overdue", f"not begun, {minutes_text(late)} after its planned start"
    return "planned", "planned"


def what_of(booking: Booking) -> str:
    """Step and round in few words."""
    return "all rounds" if booking.step is None else f"{booking.step.name}, round {booking.round_number}"


@dataclass(frozen=True, slots=True)
class Marked:
    """Bookings that stand out, and where a booking leads to ("": nowhere, as in the picture of a plan)."""

    broken: frozenset[int] = frozenset()
    changed: frozenset[int] = frozenset()
    selected: int | None = None
    address: str = ""


def strips(book: ChamberBook, window: Window, spans: list[Span], marked: Marked) -> list[Strip]:
    """A strip for each chamber in service, or with bookings in the window."""
    sheet = Sheet(book, window)
    ground = _ground(sheet, spans)
    found = []
    today = timezone.localdate()
    for pk, entries in book.by_chamber().items():
        drawn, chamber = [], book.chambers[pk]
        for way, booking in entries:
            start, end = real_span(booking, book.now)
            first, last = min(start, booking.planned_start), max(end, booking.planned_end)
            if first < sheet.end and last > sheet.start:
                drawn.append(Drawn(way, booking, start, end))
        if drawn or chamber.retired_on is None or chamber.retired_on > today:
            found.append(_strip(sheet, chamber, drawn, ground, marked))
    return found


def _strip(sheet: Sheet, chamber: Chamber, drawn: list[Drawn], ground: str, marked: Marked) -> Strip:
    lane_height = LANE_HEIGHT.get(sheet.window.days, NARROW_LANE)
    lanes = _lanes(drawn)
    height = FILL_HEIGHT + max(len(lanes), 1) * lane_height + 4
    full = filled((one.start, one.end, one.way.coupons) for one in drawn)
    full = [one for one in full if one.start < sheet.end and one.end > sheet.start]
    parts = [ground, _closures(sheet, chamber), _fill(sheet, chamber, full)]
    for number, lane in enumerate(lanes):
        y = FILL_HEIGHT + number * lane_height + 2
        parts += [_booking(sheet, one, y, lane_height - 4, marked) for one in lane]
    parts.append(_now(sheet))
    label = escape(f"{chamber.code}, {chamber.get_kind_display()}, {len(drawn)} bookings")
    svg = f'<svg class="strip" data-chamber="{chamber.pk}" height="{height}" role="group" aria-label="{label}">{"".join(parts)}</svg>'
    return Strip(chamber, mark_safe(svg), max((one.coupons for one in full), default=0), len(drawn))


def _lanes(drawn: list[Drawn]) -> list[list[Drawn]]:
    """Bookings that are in a chamber at one time lie below each other."""
    lanes: list[list[Drawn]] = []
    ends: list[datetime] = []
    for one in sorted(drawn, key=lambda one: (one.start, one.booking.pk)):
        for number, end in enumerate(ends):
            if end <= one.start:
                lanes[number].append(one)
                ends[number] = one.end
                break
        else:
            lanes.append([one])
            ends.append(one.end)
    return lanes


def _band(sheet: Sheet, start: datetime, end: datetime, rest: str) -> str:
    x, to = sheet.x(start), sheet.x(end)
    return f'<rect x="{x:.3f}%" width="{to - x:.3f}%" {rest}/>' if to > x else ""


def _words(x: float, width: float, y: int, height: int, kind: str, words: str) -> str:
    """Words that are cut off where their place ends."""
    text = f'<text x="4" y="{height - 5}" class="{kind}">{escape(words)}</text>'
    return f'<svg x="{x:.3f}%" y="{y}" width="{width:.3f}%" height="{height}">{text}</svg>'


def _ground(sheet: Sheet, spans: list[Span]) -> str:
    """Hours without staff, and the days."""
    parts, edge = [], sheet.start
    for start, end in [*spans, (sheet.end, sheet.end)]:
        if start > edge:
            parts.append(_band(sheet, edge, start, 'y="0" height="100%" class="unstaffed"'))
        edge = max(edge, end)
    for day in range(1, sheet.window.days):
        x = sheet.x(at_clock(sheet.window.first + timedelta(days=day), 0))
        parts.append(f'<line x1="{x:.3f}%" x2="{x:.3f}%" y1="0" y2="100%" class="midnight"/>')
    return "".join(parts)


def _closures(sheet: Sheet, chamber: Chamber) -> str:
    parts = []
    for closure in sheet.book.closures[chamber.pk]:
        if closure.starts_at >= sheet.end or closure.ends_at <= sheet.start:
            continue
        parts.append(
            _band(sheet, closure.starts_at, closure.ends_at, 'y="0" height="100%" fill="url(#hatched)" class="closed"')
        )
        x, to = sheet.x(closure.starts_at), sheet.x(closure.ends_at)
        words = f"closed: {closure.reason}" if closure.reason else "closed"
        parts.append(_words(x, to - x, FILL_HEIGHT, 22, "of-closure", words))
    return "".join(parts)


def _fill(sheet: Sheet, chamber: Chamber, full: list[Filled]) -> str:
    """How full the chamber is: a bar as high as its share, and coupons of places in figures."""
    parts = ['<line x1="0" x2="100%" y1="17.5" y2="17.5" class="floor"/>']
    for one in full:
        share = min(one.coupons / chamber.capacity_coupons, 1.0)
        kind = "over" if one.coupons > chamber.capacity_coupons else "fill"
        height = max(share * (FILL_HEIGHT - 1), 1.5)
        rest = f'y="{FILL_HEIGHT - 1 - height:.1f}" height="{height:.1f}" class="{kind}"'
        parts.append(_band(sheet, one.start, one.end, rest))
        x, to = sheet.x(one.start), sheet.x(one.end)
        if to - x >= 100 / 24:
            words = f"{one.coupons} of {chamber.capacity_coupons}"
            parts.append(_words(x, to - x, 0, FILL_HEIGHT, "of-fill", words))
    return "".join(parts)


def _booking(sheet: Sheet, one: Drawn, y: int, height: int, marked: Marked) -> str:
    booking, way, window = one.booking, one.way, sheet.window
    state, words = state_of(booking, sheet.now)
    classes = f"booking is-{state}"
    if booking.pk in marked.broken:
        classes += " is-broken"
        words += ", breaks a rule"
    if booking.pk == marked.selected:
        classes += " is-selected"
    if booking.pk in marked.changed:
        classes += " is-changed"
        words += ", moved by this plan"
    if window.study is not None and way.load.study_id != window.study.pk:
        classes += " is-aside"
    x, to = sheet.x(one.start), sheet.x(one.end)
    width = max(to - x, 0.2)
    sign = (
        ("→ " if booking.pk in marked.changed else "")
        + SIGNS.get(state, "")
        + ("▲ " if booking.pk in marked.broken else "")
    )
    # The load first: where there is little room the study is what is cut off.
    name = escape(f"{sign}{way.load.name} · {way.load.study.code}")
    there = f"in {booking.chamber.code} from {sheet.clock(one.start)} to {sheet.clock(one.end)}"
    label = escape(f"{way.label}, {what_of(booking)}, {way.coupons} coupons, {there}, {words}")
    text = ""
    if width >= LEAST_WORDS.get(window.days, 1.2):
        text = f'<text x="8" y="{16 if height > 30 else 15}">{name}</text>'
        if height > 30:
            below = escape(f"{what_of(booking)} · {way.coupons}")
            text += f'<text x="8" y="32" class="below">{below}</text>'
    planned = ""
    if booking.started_at is not None:
        at = sheet.x(booking.planned_start)
        wide = max(sheet.x(booking.planned_end) - at, 0.0)
        planned = f'<rect x="{at:.3f}%" width="{wide:.3f}%" y="{y + height - 1}" height="3" class="as-planned"/>'
    moved = ""
    if booking.ended_at is None:
        begun = "" if booking.started_at is None else ' data-begun="yes"'
        moved = f' data-start="{booking.planned_start.isoformat()}" data-end="{booking.planned_end.isoformat()}"{begun}'
    shape = (
        f'<svg x="{x:.3f}%" y="{y}" width="{width:.3f}%" height="{height}"><rect width="100%" height="100%"/>'
        f'<rect width="4" height="100%" class="edge"/>{text}</svg>'
    )
    if not marked.address:
        return f'<g class="{classes}" role="img" aria-label="{label}">{shape}</g>{planned}'
    address = f"{escape(marked.address)}&amp;booking={booking.pk}#booking"
    return f'<a class="{classes}" href="{address}" data-booking="{booking.pk}"{moved} aria-label="{label}">{shape}</a>{planned}'


def _now(sheet: Sheet) -> str:
    if not sheet.start <= sheet.now <= sheet.end:
        return ""
    x = sheet.x(sheet.now)
    return f'<line x1="{x:.3f}%" x2="{x:.3f}%" y1="0" y2="100%" class="now"/>'


def _day(day: date, days: int, *, is_first: bool) -> str:
    """A day's name, the shorter the more of them there are."""
    if days == 1:
        return f"{day:%A} {day.day} {day:%B}"
    if days <= 7 or days > 14 or is_first or day.day == 1:
        return f"{day:%a} {day.day} {day:%b}"
    return f"{day:%a} {day.day}"


def axis(book: ChamberBook, window: Window) -> SafeString:
    """Days above, hours below where there is room for them."""
    sheet = Sheet(book, window)
    hours = {1: 2, 3: 6, 7: 12}.get(window.days)
    every = 1 if window.days <= 14 else 2 if window.days <= 31 else 7
    parts = []
    for number in range(window.days):
        day = window.first + timedelta(days=number)
        midnight = at_clock(day, 0)
        x, to = sheet.x(midnight), sheet.x(at_clock(day + timedelta(days=1), 0))
        if every == 1 or (day.weekday() == 0 if every == 7 else number % 2 == 0):
            shown = _day(day, window.days, is_first=number == 0)
            if (holiday := book.hours.holiday_on(day)) is not None and window.days <= 14:
                shown += f" · {holiday.name}"
            parts.append(_words(x, (to - x) * every, 0, 22, "day", shown))
        parts.append(f'<line x1="{x:.3f}%" x2="{x:.3f}%" y1="{24 if every > 1 else 0}" y2="100%" class="midnight"/>')
        for hour in range(0, 24, hours) if hours else ():
            at = at_clock(day, 60 * hour)
            parts.append(_words(sheet.x(at), 6.0, 24, 20, "hour", f"{hour:02}:00"))
    parts.append(_now(sheet))
    return mark_safe(f'<svg class="axis" height="{AXIS_HEIGHT}" aria-hidden="true">{"".join(parts)}</svg>')
