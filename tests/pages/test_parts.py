"""The parts that pages are made of, rendered by themselves."""

import re
from pathlib import Path
from types import SimpleNamespace

import django_tables2
import plotly
import pytest
from django import forms
from django.conf import settings
from django.core.paginator import Paginator
from django.http import QueryDict
from django.template import engines
from django.template.loader import render_to_string
from django.test import RequestFactory

from labbench.bench.models import Inspection, Load
from labbench.jobs.models import Job
from labbench.pages.tables import CodeColumn, CountColumn, MarkColumn, QuantityColumn, SelectColumn
from labbench.pages.templatetags.marks import mark
from labbench.studies.models import Coupon, Study

STATIC = Path(settings.BASE_DIR) / "static"
TEMPLATES = sorted((Path(settings.BASE_DIR) / "templates").rglob("*.html"))
SHAPES = set(re.findall(r'<symbol id="(\w+)"', (STATIC / "img/marks.svg").read_text(encoding="utf-8")))


def test_styles_are_loaded_tokens_first_and_each_file_is_of_a_size_to_read():
    """The tokens declare the order of the layers; what a file says of print comes last."""
    linked = re.findall(r"static 'css/(\w+)\.css'", (Path(settings.BASE_DIR) / "templates/base.html").read_text())
    assert (linked[0], linked[-1]) == ("tokens", "print")
    styles = {path.stem: path.read_text(encoding="utf-8") for path in (STATIC / "css").glob("*.css")}
    assert set(linked) <= set(styles)
    assert {name for name, text in styles.items() if "@layer base, parts, pages;" in text} == {"tokens"}
    assert max(len(text.splitlines()) for text in styles.values()) < 200


# --- forms ----------------------------------------------------------------------------------------------------------


class RepairForm(forms.Form):
    cure_time_s = forms.FloatField(label="cure time (s)", min_value=1, help_text="As the procedure says.")
    cover = forms.ChoiceField(choices=[("on", "cover on"), ("off", "cover off")], widget=forms.RadioSelect)
    shield = forms.BooleanField(label="shield in place")
    photo = forms.FileField(required=False)
    study = forms.CharField(widget=forms.HiddenInput)

    def clean(self):
        if self.data.get("clash"):
            raise forms.ValidationError("The lot was opened after this repair.")


def form_html(data=None, files=None):
    return render_to_string("parts/form.html", {"form": RepairForm(data, files)})


def test_a_field_shows_its_unit_once_and_says_it_to_a_screen_reader():
    html = form_html()
    assert '<label for="id_cure_time_s">Cure time<span class="sr-only"> in s</span></label>' in html
    assert '<span class="unit" aria-hidden="true">s</span>' in html


def test_help_and_errors_are_tied_to_the_control():
    html = form_html(QueryDict("cure_time_s=0"))
    described_by = re.search(r'<input type="number"[^>]*aria-describedby="([^"]+)"', html)[1].split()
    assert described_by == ["id_cure_time_s_helptext", "id_cure_time_s_error"]
    assert all(html.count(f'id="{name}"') == 1 for name in described_by)


def test_every_choice_is_a_label_around_its_button():
    html = form_html()
    assert html.count('<label class="choice"') == 2
    assert "<legend>Cover</legend>" in html


def test_an_optional_field_says_so_and_a_needed_one_does_not():
    html = form_html()
    assert html.count('class="optional"') == 1
    assert re.search(r'for="id_photo">Photo <span class="optional">optional</span>', html)


def test_the_summary_leads_to_each_field_and_the_targets_exist():
    html = form_html(QueryDict("clash=1&study=3"))
    summary = html[: html.index('<div class="fields">')]
    targets = re.findall(r'href="#(\w+)"', summary)
    assert targets == ["id_cure_time_s", "id_cover", "id_shield"]
    assert all(html.count(f'id="{target}"') == 1 for target in targets)
    assert "<li>The lot was opened after this repair.</li>" in summary


def test_the_fault_of_a_hidden_field_is_not_swallowed():
    assert "<li>Study: This field is required.</li>" in form_html(QueryDict("cure_time_s=60&cover=on&shield=on"))


def test_a_form_without_faults_has_no_summary():
    assert "error-summary" not in form_html()


def test_what_a_user_typed_is_escaped():
    assert "<b>bold" not in form_html(QueryDict(mutable=False, query_string="cure_time_s=<b>bold&study=<b>bold"))


def filter_html(address):
    class Narrow(forms.Form):
        q = forms.CharField(required=False, label="search")

    request = RequestFactory().get(address)
    return render_to_string("parts/filters.html", {"form": Narrow(request.GET), "request": request})


def test_narrowing_a_list_keeps_its_order():
    assert '<input type="hidden" name="sort" value="-code">' in filter_html("/coupons/?sort=-code&q=K1")


@pytest.mark.parametrize(("query", "offered"), [("?q=K1", True), ("?sort=code", False), ("?q=", False)])
def test_clearing_is_offered_only_when_something_narrows_the_list(query, offered):
    assert ('href="/coupons/">Clear' in filter_html(f"/coupons/{query}")) is offered


def test_a_caution_ends_with_the_codes_that_come_first():
    html = render_to_string("parts/caution.html", {"hazards": ["Mind <the> lamp."]})
    assert "<li>Mind &lt;the&gt; lamp.</li>" in html
    assert "Follow your local codes" in html


def test_without_hazards_there_is_no_caution():
    assert "Caution" not in render_to_string("parts/caution.html", {"hazards": []})


# --- tables and pages -----------------------------------------------------------------------------------------------


class Row(SimpleNamespace):
    def __str__(self):
        return self.code


class Coupons(django_tables2.Table):
    selected = SelectColumn()
    code = CodeColumn(linkify=lambda record: f"/coupons/{record.code}/")
    outcome = MarkColumn()
    crack_mm = QuantityColumn(verbose_name="crack (mm)", unit="mm")
    rounds = CountColumn(total="rounds_planned")

    class Meta:
        empty_text = "No coupons yet"
        attrs = {"aria_label": "Coupons"}


def coupons(count):
    return [
        Row(pk=n, code=f"K{n}", outcome="cracked_out", crack_mm=n / 3 if n > 1 else None, rounds=n, rounds_planned=30)
        for n in range(1, count + 1)
    ]


def table_html(rows, address="/"):
    request = RequestFactory().get(address)
    table = Coupons(rows)
    django_tables2.RequestConfig(request, paginate={"per_page": 10}).configure(table)
    return table.as_html(request)


def test_a_table_scrolls_by_keyboard_and_has_a_name():
    assert '<div class="table-scroll" tabindex="0" role="region" aria-label="Coupons">' in table_html(coupons(2))


def test_the_sorted_column_says_its_order():
    assert re.findall(r'aria-sort="(\w+)"', table_html(coupons(2), "/?sort=-code")) == ["descending"]
    assert re.findall(r'aria-sort="(\w+)"', table_html(coupons(2), "/?sort=rounds")) == ["ascending"]


def test_sorting_and_paging_keep_the_filters():
    html = table_html(coupons(25), "/?outcome=cracked_out")
    assert 'href="?outcome=cracked_out&amp;sort=code"' in html
    assert 'href="?outcome=cracked_out&amp;page=2"' in html


def test_cells_show_dashes_marks_and_counts():
    html = table_html([*coupons(2), Row(pk=3, code="K3", outcome="intact", crack_mm=1, rounds=0, rounds_planned=0)])
    assert html.count('title="not measured"') == 1
    assert re.search(r'<td class="num">\s*0\.667\s*</td>', html)
    assert html.count("#cracked_out") == 2
    assert "2 of 30" in html
    assert 'title="none planned"' in html
    assert re.search(r'<a (?=[^>]*class="coupon-code")[^>]*href="/coupons/K2/"[^>]*>K2</a>', html)


def test_each_row_is_ticked_by_its_key_and_the_box_names_the_coupon():
    html = table_html(coupons(2))
    assert '<input type="checkbox" name="selected" value="2"><span class="sr-only">Tick K2</span>' in html


def test_an_empty_table_says_what_is_missing_instead_of_showing_headings():
    html = table_html([])
    assert "No coupons yet" in html
    assert "<table" not in html


@pytest.mark.parametrize(("number", "shown"), [(1, "1–10 of 25"), (3, "21–25 of 25")])
def test_pages_count_the_rows(number, shown):
    page = Paginator(range(25), 10).page(number)
    html = render_to_string("parts/pagination.html", {"page": page, "request": RequestFactory().get("/?q=x")})
    assert shown in html
    assert html.count("aria-current") == 1


# --- marks ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("states", [Study.State, Load.State, Job.State, Inspection.Outcome, Coupon.Stage])
def test_every_state_has_a_shape(states):
    assert set(states.values) - SHAPES == set()


def test_every_verdict_has_a_shape_of_its_own():
    verdicts = {"implicated", "cleared", "confounded", "undecided"}
    drawings = re.findall(
        r'<symbol id="(\w+)"[^>]*>(.*?)</symbol>', (STATIC / "img/marks.svg").read_text(encoding="utf-8")
    )
    assert len({drawing for name, drawing in drawings if name in verdicts}) == len(verdicts)


def test_a_mark_is_a_shape_and_a_word():
    html = mark("crack_growth")
    assert html.endswith('#crack_growth"/></svg>crack growth</span>')


# --- jobs -----------------------------------------------------------------------------------------------------------


def job_html(**fields):
    job = Job(title="Analysis of the coach study", **fields)
    return render_to_string(
        "parts/job.html",
        {"job": job, "poll_url": "/jobs/1/", "cancel_url": "/jobs/1/cancel/", "retry_url": "/jobs/1/again/"},
    )


@pytest.mark.parametrize("state", [Job.State.QUEUED, Job.State.RUNNING])
def test_an_open_job_asks_for_itself_again(state):
    html = job_html(state=state, done=3, total=8)
    assert 'hx-get="/jobs/1/" hx-trigger="every 1s" hx-swap="outerHTML"' in html
    assert '<progress aria-label="Analysis of the coach study" value="3" max="8">' in html
    assert "/jobs/1/cancel/" in html


@pytest.mark.parametrize("state", [Job.State.DONE, Job.State.FAILED, Job.State.CANCELLED])
def test_an_ended_job_stops_asking(state):
    html = job_html(state=state, done=3, total=8)
    assert "hx-get" not in html
    assert "cancel/" not in html


def test_a_failed_job_says_why_and_can_be_tried_again():
    html = job_html(state=Job.State.FAILED, reason="The sheet holds no test coupon.")
    assert "<p>The sheet holds no test coupon.</p>" in html
    assert 'action="/jobs/1/again/"' in html


# --- plots ----------------------------------------------------------------------------------------------------------


def test_a_plot_carries_its_finding_and_its_numbers():
    figure = {"data": [{"name": "</script><b>"}], "layout": {}}
    html = render_to_string(
        "parts/chart.html",
        {
            "id": "survival",
            "figure": figure,
            "title": "Holding",
            "summary": "Lot 8 falls.",
            "columns": ["lot", "share"],
            "rows": [["8", "25 %"]],
        },
    )
    assert 'role="img" aria-label="Holding. Lot 8 falls."' in html
    assert '<script id="survival-data" type="application/json">' in html
    assert html.count("</script>") == 1
    assert "<td>25 %</td>" in html


def test_the_vendored_plotting_library_is_the_one_python_writes_figures_for():
    def version(path):
        return re.search(r"plotly\.js(?: \([^)]*\))? v([\d.]+)", path.read_text(encoding="utf-8")[:300])[1]

    carried = Path(plotly.__file__).parent / "package_data/plotly.min.js"
    assert version(STATIC / "vendor/plotly/plotly-cartesian.min.js") == version(carried)


# --- all templates --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_no_template_holds_a_script_or_asks_another_host(path):
    source = path.read_text(encoding="utf-8")
    assert not re.search(r"<script(?![^>]*\bsrc=)", source)
    assert not re.search(r"\son[a-z]+=|javascript:", source)
    assert not re.search(r"""(?:src|href|action)=["'](?:https?:)?//""", source)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_every_template_compiles(path):
    engines["django"].from_string(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "path", [*STATIC.glob("css/*.css"), *STATIC.glob("js/*.js"), *STATIC.glob("img/*.svg")], ids=lambda path: path.name
)
def test_no_static_file_of_ours_asks_another_host(path):
    addresses = set(re.findall(r"https?://[^\s\"')]+", path.read_text(encoding="utf-8")))
    assert addresses <= {"http://www.w3.org/2000/svg"}  # a name, never fetched
