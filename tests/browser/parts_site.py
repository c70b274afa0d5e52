"""A site of one page that holds every part, and of stand-ins for the rooms its navigation leads to."""

import itertools
from pathlib import Path

from django import forms
from django.contrib import messages
from django.contrib.auth import get_user_model
from django.contrib.auth.decorators import login_not_required
from django.http import HttpResponse
from django.shortcuts import render
from django.template import engines
from django.urls import path

from labbench.jobs.models import Job

PAGE = (Path(__file__).parent / "parts.html").read_text(encoding="utf-8")


class SampleForm(forms.Form):
    cure_time_s = forms.FloatField(label="cure time (s)", help_text="As the procedure says.")
    cover = forms.ChoiceField(choices=[("on", "cover on"), ("off", "cover off")], widget=forms.RadioSelect)
    shield = forms.BooleanField(label="shield in place")
    sheet = forms.FileField(required=False)


def figure():
    rounds = [0, 1, 2, 3]
    curves = [
        {"name": "lot 7", "x": rounds, "y": [1, 0.9, 0.8, 0.8], "type": "scatter", "meta": {"series": 1}},
        {"x": rounds, "y": [0.9, 0.7, 0.4, 0.2], "type": "scatter", "meta": {"series": 2, "role": "limit"}},
        {"x": rounds, "y": [1, 0.9, 0.7, 0.6], "type": "scatter", "meta": {"series": 2, "role": "band"}},
        {"name": "lot 8", "x": rounds, "y": [1, 0.8, 0.6, 0.4], "type": "scatter", "meta": {"series": 2}},
    ]
    # One of each type that pages may use: a bundle without it would draw a scatter plot instead.
    others = [
        {"type": "bar", "x": [1], "y": [1], "meta": {"series": 3}},
        {"type": "box", "y": [0.1, 0.2, 0.5], "meta": {"series": 4}},
        {"type": "heatmap", "z": [[0, 1], [1, 0]], "opacity": 0.2},
    ]
    line = {"type": "line", "x0": 0, "x1": 3, "y0": 0.5, "y1": 0.5, "line": {"color": "@bad"}}
    return {"data": curves + others, "layout": {"shapes": [line]}}


@login_not_required
def parts(request):
    form = SampleForm(request.POST or None, request.FILES or None) if request.method == "POST" else SampleForm()
    request.user = get_user_model()(username="technician")  # never stored
    messages.warning(request, "The lamp survey is old.")
    context = {
        "form": form,
        "figure": figure(),
        "columns": ["lot", "share"],
        "rows": [["8", "40 %"]],
        "codes": ["K1", "K2", "K3", "K4"],
        "job": Job(state=Job.State.RUNNING, title="Analysis", done=1, total=3),
        "hazards": ["Never look into the lamp."],
    }
    return HttpResponse(engines["django"].from_string(PAGE).render(context, request))


polls = itertools.count(2)


@login_not_required
def job(request):
    """Each look finds the work one step on; at three of three it is done."""
    done = min(next(polls), 3)
    state = Job.State.DONE if done == 3 else Job.State.RUNNING
    return render(
        request, "parts/job.html", {"job": Job(state=state, title="Analysis", done=done, total=3), "poll_url": "/job/"}
    )


ROOMS = ["studies", "today", "chambers", "bench", "failures", "catalogue", "methods", "sign-in", "sign-out", "password"]
urlpatterns = [path("", parts), path("job/", job), *[path(f"{name}/", parts, name=name) for name in ROOMS]]
