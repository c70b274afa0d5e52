"""Logger files: what is read, how it is read, and every fault with its row."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.formats.faults import FaultList
from labbench.formats.logger_columns import propose_columns
from labbench.formats.logger_file import read_logger_file
from labbench.formats.logger_layout import as_utf8, layout_of

PLAIN = "time,air_c,coupon_A_c\n2026-12-07T08:00:00,-20.5,1.25\n2026-12-07T08:01:00,-20.75,0.5\n"


def read(text, encoding="utf-8", **options):
    return read_logger_file(text.encode(encoding), **options)


def trace_of(text, encoding="utf-8"):
    reading = read(text, encoding)
    assert reading.fault_lines == []
    return reading.trace


def test_the_agreed_file_is_read_as_it_stands():
    reading = read(PLAIN)
    trace = reading.trace
    assert trace.channels == ("air_c", "coupon_A_c")
    assert trace.values_c[0].tolist() == [-20.5, -20.75]
    assert trace.stamp(0) == "2026-12-07T08:00:00"
    assert np.diff(trace.time_us).tolist() == [60_000_000]
    assert trace.row(0) == 2
    assert reading.mapping.is_agreed
    assert reading.notes == ()


@pytest.mark.parametrize(
    ("written", "start"),
    [
        ("2026-12-07 08:00:00", "2026-12-07T08:00:00"),
        ("2026-12-07T08:00", "2026-12-07T08:00:00"),
        ("2026-12-07T08:00:00.250", "2026-12-07T08:00:00.250000"),
        ("20261207T080000", "2026-12-07T08:00:00"),
        ("2026-12-07T08:00:00Z", "2026-12-07T08:00:00+00:00"),
        ("2026-12-07T08:00:00+01:00", "2026-12-07T08:00:00+01:00"),
        ("2026-12-07T08:00:00-0530", "2026-12-07T08:00:00-05:30"),
        ("07.12.2026 08:00:00", "2026-12-07T08:00:00"),
        ("13/12/2026 8:00", "2026-12-13T08:00:00"),
        ("12/13/2026 08:00:00 PM", "2026-12-13T20:00:00"),
        ("12/13/26 12:05 am", "2026-12-13T00:05:00"),
    ],
)
def test_times_are_read_as_loggers_write_them(written, start):
    assert trace_of(f"time,air_c\n{written},1\n").stamp(0) == start


def test_a_change_of_offset_does_not_move_the_time():
    # The clocks of summer time: 02:59:30+02:00 is followed by 02:00:30+01:00, a minute later.
    trace = trace_of("time,air_c\n2026-10-25T02:59:30+02:00,1\n2026-10-25T02:00:30+01:00,2\n")
    assert np.diff(trace.time_us).tolist() == [60_000_000]
    assert trace.stamp(0) == "2026-10-25T00:59:30+00:00"


def test_day_and_month_are_told_by_the_days_that_follow():
    month_first = trace_of("time,air_c\n12/03/2026 08:00,1\n12/04/2026 08:00,1\n12/05/2026 08:00,1\n")
    assert month_first.stamp(0) == "2026-12-03T08:00:00"
    day_first = trace_of("time,air_c\n03/12/2026 08:00,1\n04/12/2026 08:00,1\n05/12/2026 08:00,1\n")
    assert day_first.stamp(0) == "2026-12-03T08:00:00"
    either = read("time,air_c\n03/12/2026 08:00,1\n")
    assert either.notes == ("dates are read as day, month, year; month, day, year would be as possible",)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("time,air_c\n", "the file has a header, but no readings"),
        ("time,air_c\n\n\n", "the file has a header, but no readings"),
        (PLAIN + "2026-12-07T08:02:00,abc,1\n", 'row 4, column air_c: "abc" is not a number'),
        (PLAIN + "2026-12-07T08:02:00,1\n", "row 4: has 2 cells, but the header has 3"),
        (PLAIN + "2026-12-07T08:02:00,1,2,3\n", "row 4: has 4 cells, but the header has 3"),
        (
            PLAIN + "2026-12-07T25:02:00,1,2\n",
            'row 4, column time: "2026-12-07T25:02:00" is no time: write it as ISO 8601, e.g. 2026-12-07T08:00:00',
        ),
        (
            PLAIN + "2026-02-30T05:02:00,1,2\n",
            'row 4, column time: "2026-02-30T05:02:00" is no time: write it as ISO 8601, e.g. 2026-12-07T08:00:00',
        ),
        (PLAIN + ",1,2\n", "row 4, column time: is blank: every row needs a time"),
        (
            PLAIN + "2026-12-07T08:02:00Z,1,2\n",
            'row 4, column time: "2026-12-07T08:02:00Z" has a zone, though the others have none',
        ),
        ("time,air_c,air_c\n2026-12-07T08:00:00,1,2\n", "row 1, column air_c: occurs twice: again in column C"),
        ("time,humidity\n2026-12-07T08:00:00,50\n", "no column holds temperatures; the header reads: time, humidity"),
        (
            "time,T1\n2026-12-07T08:00:00,50\n",
            'row 1: column "T1": the header does not say whether it is in degC or degF',
        ),
        ("hello\nworld\n", "no header is found"),
        ("%PDF-1.7 nothing", "the file is a PDF document: export the table behind it as CSV or XLSX"),
        ("\x00\x01\x02" * 100, "the file is no text: export the logger's readings as CSV in UTF-8"),
    ],
)
def test_a_fault_is_named_with_its_row(text, said):
    reading = read(text)
    assert reading.trace is None
    assert len(reading.fault_lines) == 1
    assert reading.fault_lines[0].startswith(said)


def test_every_fault_is_listed_in_order_of_rows_over_blank_lines():
    reading = read(
        "time,air_c,coupon_A_c\n2026-12-07T08:00:00,x,1\n\n2026-12-07T08:01:00,1,1\nnever,1,y\n2026-12-07T08:03:00,1\n"
    )
    assert [line.partition(":")[0] for line in reading.fault_lines] == [
        "row 2, column air_c",
        "row 5, column time",
        "row 5, column coupon_A_c",
        "row 6",
    ]


def test_faults_beyond_the_limit_are_counted():
    from labbench.formats.limits import Limits

    text = "time,air_c\n" + "".join(f"2026-12-07T08:00:{second:02d},bad\n" for second in range(60))
    reading = read(text, limits=Limits(faults=10))
    assert len(reading.faults) == 10
    assert reading.fault_lines[-1] == "and 50 more"


def test_what_loggers_write_without_a_reading_is_missing_not_a_fault():
    text = PLAIN + "".join(
        f"2026-12-07T08:0{2 + at}:00,{word},1\n" for at, word in enumerate(["", "---", "NaN", "OL", "Over Range"])
    )
    assert np.isnan(trace_of(text).values_c[0]).tolist() == [False, False, *[True] * 5]


def test_a_last_row_that_is_cut_off_is_left_out_and_said():
    reading = read(PLAIN + "2026-12-07T08:02:00,1")
    assert reading.trace.rows == 2
    assert reading.notes == ("row 4: the last row is cut off; left out",)


def test_blank_rows_keep_the_row_numbers_right():
    trace = trace_of("time,air_c\n2026-12-07T08:00:00,1\n\n\n2026-12-07T08:01:00,2\n")
    assert [trace.row(0), trace.row(1)] == [2, 5]


def test_line_ends_of_windows_and_a_mark_before_the_text():
    assert trace_of(PLAIN.replace("\n", "\r\n"), "utf-8-sig").rows == 2
    assert trace_of(PLAIN.replace("\n", "\r")).rows == 2
    assert trace_of(PLAIN, "utf-16").rows == 2


def test_decimal_commas_with_semicolons():
    reading = read("time;air_c;coupon_A_c\n2026-12-07T08:00:00;-20,5;1,25\n2026-12-07T08:01:00;-20;+1,5\n")
    assert reading.trace.values_c[0].tolist() == [-20.5, -20]
    assert reading.trace.values_c[1].tolist() == [1.25, 1.5]
    assert reading.notes == ("decimal commas read as decimal points",)


def test_decimal_commas_in_quotes_between_separating_commas():
    reading = read('time,air_c\n2026-12-07T08:00:00,"-20,5"\n2026-12-07T08:01:00,-20\n')
    assert reading.trace.values_c[0].tolist() == [-20.5, -20]
    assert reading.notes == ("decimal commas read as decimal points",)


def test_rows_of_separators_alone_and_repeated_headers_are_left_out_and_said():
    header, first, second = PLAIN.splitlines()
    reading = read("\n".join([header, first, ",,", header, second, ",,", ""]))
    assert [reading.trace.row(0), reading.trace.row(1)] == [2, 5]
    assert reading.trace.values_c[0].tolist() == [-20.5, -20.75]
    assert reading.notes == (
        "2 rows without time and readings left out",
        "row 4: repeats the header; 1 such row left out",
    )


def test_date_and_clock_in_columns_of_their_own_beside_agreed_names():
    reading = read("date,time,air_c\n13.12.2026,08:00:00,-20.5\n13.12.2026,08:01:00,-20\n")
    assert reading.fault_lines == []
    assert reading.trace.stamp(1) == "2026-12-13T08:01:00"
    assert reading.notes == ()


def test_a_row_of_units_below_agreed_names():
    header, first, second = PLAIN.splitlines()
    reading = read(f"{header}\n,degC,°C\n{first}\n{second}\n")
    assert reading.fault_lines == []
    assert [reading.trace.row(0), reading.trace.row(1)] == [3, 4]
    assert read(f"{header}\nISO,degF,degF\n{first}\n{second}\n").fault_lines == [
        "row 2, column air_c: is in degF by the row of units, in degC by its name",
        "row 2, column coupon_a_c: is in degF by the row of units, in degC by its name",
    ]


def test_rows_of_separators_alone_are_no_readings():
    assert read(PLAIN.splitlines()[0] + "\n,,\n,,\n").fault_lines == ["the file has a header, but no readings"]


OTHER = (
    "Logger export\nSerial;12345\n\nDate;Clock;Chamber air (°F);Glass 1 [°F];Humidity %;Battery (V)\n"
    "07.12.2026;08:00:00;-4,0;32,0;40;3,1\n07.12.2026;08:01:00;-4,0;14,0;40;3,1\n"
)


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_other_headers_get_a_proposal_that_is_said(encoding):
    reading = read(OTHER, encoding)
    assert reading.fault_lines == []
    assert reading.trace.channels == ("air_c", "coupon_Glass_1_c")
    # 32 degF = 0 degC, 14 degF = -10 degC, -4 degF = -20 degC by definition.
    assert reading.trace.values_c[0].tolist() == [-20, -20]
    assert reading.trace.values_c[1].tolist() == [0, -10]
    assert reading.trace.stamp(1) == "2026-12-07T08:01:00"
    assert reading.trace.row(0) == 5
    assert any("Glass 1 [°F] as coupon_Glass_1_c" in note for note in reading.notes)
    assert "columns left out: Humidity %, Battery (V)" in reading.notes


def test_units_in_a_row_of_their_own():
    layout = layout_of(b"Time,Oven,Probe,Probe\n,degC,degF,C\n2026-12-07 08:00,77,170,76\n")
    assert layout.first_row == 3
    mapping = propose_columns(layout)
    assert [(c.channel, c.unit) for c in mapping.channels] == [
        ("air_c", "degC"),
        ("coupon_Probe_c", "degF"),
        ("coupon_Probe_2_c", "degC"),
    ]


def test_a_mapping_that_a_person_completed_is_followed():
    from dataclasses import replace

    text = b"time,T1\n2026-12-07T08:00:00,212\n"
    proposed = propose_columns(layout_of(text))
    assert proposed.open_questions == ('column "T1": the header does not say whether it is in degC or degF',)
    channel = replace(proposed.channels[0], unit="degF", channel="coupon_A_c")
    reading = read_logger_file(text, mapping=replace(proposed, channels=(channel,)))
    assert reading.trace.values_c[0].tolist() == [100]
    assert reading.trace.channels == ("coupon_A_c",)


def test_columns_beside_the_channels_are_left_out_and_said():
    reading = read("time,note,air_c\n2026-12-07T08:00:00,door,1\n")
    assert reading.trace.channels == ("air_c",)
    assert reading.notes == ("columns left out: note",)


def test_agreed_names_are_found_below_other_lines_and_in_other_letters():
    trace = trace_of("made by nobody\n\nTime, Air_C ,coupon_Left_C\n2026-12-07T08:00:00,1,2\n")
    assert trace.channels == ("air_c", "coupon_Left_c")
    assert trace.row(0) == 4


def test_hostile_bytes_never_raise():
    rng = np.random.default_rng(7)
    plain = PLAIN.encode()
    for _ in range(300):
        data = bytearray(plain * 3)
        for _ in range(int(rng.integers(1, 12))):
            data[int(rng.integers(len(data)))] = int(rng.integers(256))
        reading = read_logger_file(bytes(data[: int(rng.integers(1, len(data)))]))
        assert (reading.trace is None) == bool(reading.faults)


def test_the_careful_reading_gives_what_the_plain_one_gives():
    rng = np.random.default_rng(1)
    rows = "".join(
        f"2026-12-07T08:{at // 60:02d}:{at % 60:02d},{rng.normal():.3f},{rng.normal():.3f}\n" for at in range(600)
    )
    plain = trace_of("time,air_c,coupon_A_c\n" + rows)
    careful = trace_of("time,air_c,coupon_A_c\n\n" + rows)
    assert plain.row_numbers is None
    assert careful.row_numbers is not None
    assert plain.time_us.tolist() == careful.time_us.tolist()
    assert all(np.array_equal(a, b) for a, b in zip(plain.values_c, careful.values_c, strict=True))
    assert FaultList(1).found == 0
    assert as_utf8(b"a") == b"a"
