"""Where the headless commands write their document: whole, in place, and never at the cost of what stands there."""

import io
import os
import stat
import subprocess
import sys

import pytest
from django.core.management import call_command

POINTS = "x_mm,y_mm,irradiance_mw_cm2\n0,0,10\n30,0,12\n"
HAS_FULL_DEVICE = os.path.exists("/dev/full")


@pytest.fixture
def points(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text(POINTS)
    return str(path)


def refused(points, out, capsys):
    with pytest.raises(SystemExit) as ended:
        call_command("survey", points, out=out)
    return ended.value.code, capsys.readouterr().err.splitlines()


def test_a_pipe_is_written_into_and_stays_a_pipe(tmp_path, points):
    # Stands for a device too: what is moved to its place does away with it.
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    call_command("survey", points, out=str(pipe))
    assert b'"mean_mw_cm2": 11.0' in os.read(reader, 65536)
    os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_link_stays_and_what_it_points_to_is_replaced(tmp_path, points):
    answer, link = tmp_path / "answer.json", tmp_path / "link.json"
    answer.write_text("old")
    link.symlink_to(answer)
    call_command("survey", points, out=str(link))
    assert link.is_symlink()
    assert '"mean_mw_cm2": 11.0' in answer.read_text()


def test_a_link_to_the_input_is_the_input(tmp_path, points, capsys):
    link = tmp_path / "link.csv"
    link.symlink_to(points)
    code, lines = refused(points, str(link), capsys)
    assert (code, lines) == (2, [f"--out {link}: is a file that was read; it would be lost"])


def test_what_only_its_owner_may_read_stays_so(tmp_path, points):
    answer = tmp_path / "answer.json"
    answer.write_text("old")
    answer.chmod(0o600)
    call_command("survey", points, out=str(answer))
    assert stat.S_IMODE(answer.stat().st_mode) == 0o600


@pytest.mark.parametrize(("name", "said"), [("folder", "is a folder"), ("no/answer.json", "No such file or directory")])
def test_a_refused_place_leaves_nothing_behind(tmp_path, points, capsys, name, said):
    (tmp_path / "folder").mkdir()
    before = sorted(tmp_path.rglob("*"))
    out = str(tmp_path / name)
    assert refused(points, out, capsys) == (2, [f"--out {out}: {said}"])
    assert sorted(tmp_path.rglob("*")) == before


def test_a_place_without_a_name_is_refused(points, capsys):
    assert refused(points, "", capsys) == (2, ["--out: names no file"])


def test_one_input_only_from_standard_input(monkeypatch, capsys):
    sheet = b"coupon,factor.resin,rounds_survived,failed_round\na,R1,0,1\nb,R2,3,\n"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(sheet)))
    with pytest.raises(SystemExit) as ended:
        call_command("analyze", "-", levels="-")
    assert (ended.value.code, capsys.readouterr().err) == (2, "only one file can come from standard input\n")


@pytest.mark.parametrize(
    ("redirected", "said"),
    [(">/dev/full", "standard output: No space left on device"), (">&-", "standard output is closed")],
)
@pytest.mark.skipif(not HAS_FULL_DEVICE, reason="the system has no /dev/full")
def test_output_that_can_not_be_written_is_said_without_a_traceback(points, redirected, said):
    ended = subprocess.run(
        ["sh", "-c", f'"$0" manage.py survey "$1" {redirected}', sys.executable, points],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (2, said + "\n")
