"""The beginning of a logger file, its fingerprint, and mappings kept as JSON."""

import codecs

import pytest

from labbench.formats.faults import UnreadableFileError
from labbench.formats.logger_columns import ChannelColumn, ColumnMapping
from labbench.formats.logger_head import (
    HEAD_BYTES,
    layout_fingerprint,
    mapping_document,
    mapping_faults,
    mapping_from,
    preview_of,
    read_logger_head,
)

HEADED = "Logger\n\nTime;Air (°C);P1 (°F);Battery\n2026-12-07 08:00:00;-20,5;33,8;98\n2026-12-07 08:01:00;;35,6;98\n"


def test_a_proposal_is_made_and_its_first_rows_are_shown():
    head = read_logger_head(HEADED.encode())
    preview = preview_of(head, head.proposal)
    assert preview.channels == ("air_c", "coupon_P1_c")
    assert [(row.row, row.time) for row in preview.rows] == [(4, "2026-12-07 08:00:00"), (5, "2026-12-07 08:01:00")]
    assert preview.rows[0].values_c == pytest.approx((-20.5, 1.0))
    assert preview.rows[1].values_c == (None, pytest.approx(2.0))


def test_a_mapping_survives_being_kept():
    head = read_logger_head(HEADED.encode())
    assert mapping_from(mapping_document(head.proposal), head.layout.header) == head.proposal


def test_files_of_one_kind_have_one_fingerprint():
    same = HEADED.replace("-20,5", "-19,0").replace("Logger\n", "Logger 2\nplace 3\n")
    other = HEADED.replace("P1", "P2")
    prints = [layout_fingerprint(read_logger_head(text.encode()).layout) for text in (HEADED, same, other)]
    assert prints[0] == prints[1] != prints[2]


def test_faults_among_the_first_rows_are_told():
    head = read_logger_head(HEADED.replace("33,8", "warm").encode())
    [line] = preview_of(head, head.proposal).fault_lines
    assert line == 'row 4, column P1 (°F): "warm" is not a number'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
def test_a_line_that_is_cut_is_not_shown(encoding):
    mark = {"utf-8": b"", "utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}[encoding]
    rows = "".join(f"2026-12-07T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d},1.5,2.5\n" for n in range(40_000))
    data = (mark + ("time,air_c,coupon_A_c\n" + rows).encode(encoding))[:HEAD_BYTES]
    head = read_logger_head(data)
    assert head.text.endswith(b"\n")
    assert preview_of(head, head.proposal).fault_lines == ()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\n\n", "is empty"),
        (b"\x1f\x8b\x08rest", "compressed"),
        (b"a,b\n1,2\n", "no header is found"),
        (b"time,air_c,coupon_\x07x_c\n2026-12-07T08:00:00,1,2\n", "column C has a character in its header"),
        (
            (",".join(f"c{n}" for n in range(300)) + "\n").encode() + b"2026-12-07T08:00:00," + b",".join([b"1"] * 299),
            "300 columns",
        ),
    ],
)
def test_what_is_no_logger_file_is_refused(data, words):
    with pytest.raises(UnreadableFileError, match=words):
        read_logger_head(data)


def test_a_file_in_which_nothing_can_be_proposed_says_why():
    head = read_logger_head(b"when,humidity\n2026-12-07T08:00:00,55\n2026-12-07T08:01:00,56\n")
    assert head.proposal is None
    assert "no column holds temperatures" in head.trouble


def test_too_many_channels_are_refused():
    channels = tuple(ChannelColumn(n, f"P{n}", f"coupon_{n}_c", "degC") for n in range(1, 66))
    assert mapping_faults(ColumnMapping((0,), channels, (), False)) == ["65 channels, 64 are the most."]
