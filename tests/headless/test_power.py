"""The command power: coupons before glass is broken."""

import json

import pytest
from django.core.management import call_command


@pytest.fixture
def power(tmp_path, capsys):
    def run(*arguments):
        out = tmp_path / "answer.json"
        try:
            call_command("power", *arguments, out=str(out))
        except SystemExit as ended:
            assert not out.exists()
            return ended.code, capsys.readouterr().err.splitlines()
        return 0, json.loads(out.read_text())

    return run


def test_a_demonstration_without_failures(power):
    # Success run, ln(1 - 0.9) / ln 0.9 = 21.85: 22 coupons (zero-failure formula, e.g. MIL-HDBK-338B; from memory).
    code, answer = power("--reliability", "0.9", "--confidence", "0.9")
    assert code == 0
    assert answer["two_arms"] is None
    assert answer["demonstration"].items() >= {"n": 22, "failures": 0, "reliability": 0.9, "confidence": 0.9}.items()


def test_two_arms_and_the_table_of_power(power):
    code, answer = power("--baseline", "0.05", "--failing", "0.7", "--alpha", "0.05", "--power", "0.8")
    arms = answer["two_arms"]
    assert code == 0
    assert [row["n_per_arm"] for row in arms["table"]][:29] == list(range(2, 31))
    assert (
        arms["power"] >= 0.8 > next(row["power"] for row in arms["table"] if row["n_per_arm"] == arms["n_per_arm"] - 1)
    )
    # Three of three against none of three is p = 0.10: three per arm never convince.
    assert next(row["power"] for row in arms["table"] if row["n_per_arm"] == 3) == 0


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (
            (),
            "Give --baseline and --failing, --reliability and --confidence, --arms, --equivalence or --strength-ratio.",
        ),
        (("--baseline", "0.05"), "--failing: is missing; --baseline needs it"),
        (("--baseline", "2", "--failing", "0.5"), "baseline 2.0 is not between 0 and 1"),
        (("--arms", "0.1"), "--arms: needs at least two failure shares"),
        (("--strength-ratio", "0.8", "--seed", "-1"), "--seed: -1 is negative"),
        (("--strength-ratio", "nan"), "strength ratio nan is not from 0.01 to 100"),
        (("--strength-ratio", "1e300"), "strength ratio 1e+300 is not from 0.01 to 100"),
        (
            ("--strength-ratio", "0.8", "--weibull-modulus", "0.01"),
            "Weibull modulus 0.01 is not from 0.5 to 100",
        ),
        (
            ("--reliability", "0.999999999", "--confidence", "0.999"),
            "reliability 0.999999999 is too near 1 to be demonstrated by testing coupons",
        ),
        (("--reliability", "1.2", "--confidence", "0.9"), "reliability 1.2 is not between 0 and 1"),
    ],
)
def test_what_is_missing_or_impossible_is_named(power, arguments, line):
    assert power(*arguments) == (2, [line])
