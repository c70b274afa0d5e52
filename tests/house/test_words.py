"""README and DEVELOPERS say what is there: commands, options, keys, rooms, variables."""

import json
import re
from pathlib import Path

import pytest
from django.core.management import call_command, load_command_class

ROOT = Path(__file__).resolve().parent.parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
COMMANDS = {
    "analyze": "labbench.headless",
    "power": "labbench.headless",
    "survey": "labbench.headless",
    "plan": "labbench.headless",
    "trace": "labbench.headless",
    "demo": "labbench.demo",
    "serve": "labbench.pages",
    "worker": "labbench.jobs",
}


def test_the_two_lines_install_what_is_there():
    for name in re.findall(r"-r (\S+requirements\.txt|requirements\.txt)", README):
        assert (ROOT / name).exists()
    assert "<!-- demo -->" in README
    assert "<!-- tests -->" in README


def test_every_command_of_the_readme_takes_the_options_it_shows():
    shown = re.findall(r"manage\.py (\w+)((?: +(?:--?[\w-]+|[\w./]+))*)", README)
    assert {name for name, _ in shown} >= {"analyze", "power", "demo", "serve"}
    for name, arguments in shown:
        if name not in COMMANDS:
            continue
        parser = load_command_class(COMMANDS[name], name).create_parser("manage.py", name)
        known = {option for action in parser._actions for option in action.option_strings}
        assert set(re.findall(r"--[\w-]+", arguments)) <= known, name


def test_every_setting_of_the_readme_is_read_and_the_other_way_round():
    settings = (ROOT / "labbench/config/settings.py").read_text()
    read = set(re.findall(r'(?:environ\.get|switch)\(\s*"([A-Z_]+)"', settings))
    named = set(re.findall(r"^\| `([A-Z_]+)`", README, re.M))
    assert named == read


def test_every_room_is_on_the_map():
    rooms = {path.name for path in (ROOT / "labbench").iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert rooms == set(re.findall(r"^  (\w+)/ ", DEVELOPERS, re.M))


def test_every_dependency_is_justified():
    project = (ROOT / "pyproject.toml").read_text()
    names = re.findall(r'^    "([A-Za-z0-9-]+)(?:\[[\w,]+\])?[~><=]*', project[: project.index("[tool.")], re.M)
    missing = [name for name in names if not re.search(rf"\b{re.escape(name)}\b", DEVELOPERS, re.I)]
    assert missing == []


def test_the_pictures_are_there():
    for name in re.findall(r"\]\((fixtures/pictures/[^)]+)\)", README):
        assert (ROOT / name).exists(), name


@pytest.mark.parametrize(
    "column",
    ["coupon", "role", "block", "rounds_planned", "rounds_survived", "failed_round", "failure_mode", "strength_mpa"],
)
def test_the_columns_of_the_readme_are_those_that_are_read(column, tmp_path):
    assert f"`{column}`" in README
    sheet = tmp_path / "sheet.csv"
    values = {"coupon": "1", "role": "test", "rounds_planned": "3", "rounds_survived": "3"}
    columns = list(dict.fromkeys(["coupon", "rounds_survived", column]))
    sheet.write_text(
        ",".join([*columns, "factor.resin"]) + "\n" + ",".join([*(values.get(c, "") for c in columns), "A"]) + "\n"
    )
    call_command("analyze", str(sheet), out=str(tmp_path / "out.json"))
    assert json.loads((tmp_path / "out.json").read_text())["sheet"]["coupons"] == 1
