"""How endpoints answer: JSON always, also where the answer is no."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import PermissionDenied
from django.core.paginator import EmptyPage, Paginator
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.csrf import csrf_exempt

from labbench.studies.blinding import is_blinded
from labbench.studies.models import Study

MOST_PER_PAGE = 500
PER_PAGE = 100
View = Callable[..., HttpResponse]


class BadQuestion(Exception):
    """A parameter that can't be answered; the message says which."""


def endpoint(view: View) -> View:
    """Read only, signed in; what is refused or not there is said in JSON."""

    @wraps(view)
    def answering(request: HttpRequest, *args: Any, **named: Any) -> HttpResponse:
        if request.method not in {"GET", "HEAD"}:
            return refusal(405, "Only GET: this interface reads.", Allow="GET, HEAD")
        if not request.user.is_authenticated:
            return refusal(401, "Sign in first, at /sign-in/, and send the session cookie.")
        try:
            return view(request, *args, **named)
        except BadQuestion as bad:
            return refusal(400, str(bad))
        except PermissionDenied as denied:
            return refusal(403, str(denied) or "Your role does not allow it.")
        except Http404:
            return refusal(404, "There is nothing at this address.")

    # Not the redirect of the pages: a script wants a status, not a form. Nothing is changed here, so nothing can be forged.
    return csrf_exempt(login_not_required(answering))


def refusal(status: int, words: str, **headers: str) -> JsonResponse:
    return JsonResponse({"error": words}, status=status, headers=headers)


@endpoint
def nothing_here(request: HttpRequest) -> HttpResponse:
    raise Http404


def page_of(request: HttpRequest, rows: QuerySet[Any], shape: Callable[[Any], dict[str, Any]]) -> JsonResponse:
    """One page of rows: {count, page, pages, per_page, rows}."""
    per_page = number_in(request, "per_page", PER_PAGE, most=MOST_PER_PAGE)
    paginator = Paginator(rows, per_page)
    number = number_in(request, "page", 1)
    try:
        page = paginator.page(number)
    except EmptyPage as empty:
        raise BadQuestion(f"page {number} is beyond the last, {paginator.num_pages}") from empty
    return JsonResponse(
        {
            "count": paginator.count,
            "page": number,
            "pages": paginator.num_pages,
            "per_page": per_page,
            "rows": [shape(row) for row in page.object_list],
        }
    )


def number_in(request: HttpRequest, name: str, default: int, *, most: int | None = None) -> int:
    text = request.GET.get(name, "")
    if not text:
        return default
    if not (text.isascii() and text.isdigit() and len(text) < 10 and int(text) >= 1) or (most and int(text) > most):
        raise BadQuestion(f"{name} must be a whole number from 1" + (f" to {most}" if most else ""))
    return int(text)


def open_to(request: HttpRequest, study: Study) -> None:
    """PermissionDenied for who inspects the study blind."""
    if is_blinded(request.user, study):
        raise PermissionDenied("You inspect in this study without knowing the levels; they open when it is closed.")
