"""Which levels differ: Games-Howell and Dunn against printed results."""

import numpy as np
import pytest

from labbench.science.pairwise import dunn, games_howell

# Pain thresholds by colour of hair: McClave & Dietrich, Statistics, 5th ed. 1991, exercise 10.20 (chapter from memory).
HAIR = {
    "dark blond": (63, 57, 52, 41, 43),
    "dark brunette": (32, 39, 51, 30, 35),
    "light blond": (62, 60, 71, 55, 48),
    "light brunette": (42, 50, 41, 37),
}
# |t| and degrees of freedom to 2 digits and p to 4, printed by another program: kept in the test suite of the open-source library
# pingouin (test_pairwise.py).
PAIRS_OF_HAIR = [
    (0, 1, 2.47, 7.91, 0.1401),
    (0, 2, 1.42, 7.94, 0.5228),
    (0, 3, 1.75, 6.56, 0.3715),
    (1, 2, 4.09, 8.00, 0.0148),
    (1, 3, 1.11, 6.82, 0.6980),
    (2, 3, 3.56, 6.77, 0.0378),
]

# Pulse of 30 people at 1, 15 and 30 minutes, at rest, walking, running: the teaching data "exercise" (UCLA, public; 90 values).
PULSE = {
    "rest": "85 85 88 90 92 93 97 97 94 80 82 83 91 92 91 83 83 84 87 88 90 92 94 95 97 99 96 100 97 100",
    "walking": "86 86 84 93 103 104 90 92 93 95 96 100 89 96 95 84 86 89 103 109 90 92 96 101 97 98 100 102 104 103",
    "running": "93 98 110 98 104 112 98 105 99 87 132 120 94 110 116 95 126 143 100 126 140 103 124 140 94 135 130 99 111 150",
}
# Holm's p values of Dunn's test, computed in R: the test suite of the open-source library scikit-posthocs (test_posthoc_dunn).
PAIRS_OF_PULSE = [(0, 1, 4.390066e-02), (0, 2, 9.570998e-09), (1, 2, 1.873208e-04)]


def stacked(samples):
    values = [np.array(sample, dtype=float) for sample in samples]
    return np.concatenate(values), np.repeat(np.arange(len(values)), [len(sample) for sample in values])


@pytest.mark.parametrize(("first", "second", "t", "df", "p_value"), PAIRS_OF_HAIR)
def test_games_howell(first, second, t, df, p_value):
    values, codes = stacked(HAIR.values())
    pair = next(one for one in games_howell(values, codes, 4) if (one.first, one.second) == (first, second))
    assert abs(pair.statistic) == pytest.approx(t, abs=0.005)
    assert pair.df == pytest.approx(df, abs=0.005)
    assert pair.p_value == pytest.approx(p_value, abs=0.00006)


@pytest.mark.parametrize(("first", "second", "p_value"), PAIRS_OF_PULSE)
def test_dunn(first, second, p_value):
    values, codes = stacked([row.split() for row in PULSE.values()])
    pair = next(one for one in dunn(values, codes, 3) if (one.first, one.second) == (first, second))
    assert pair.p_value == pytest.approx(p_value, rel=1e-6)
