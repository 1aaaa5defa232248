"""CSV of the cut list: what is read, what is refused and on which line, what is written.

Sources: RFC 4180 (sections 2.1–2.7: CRLF, header, commas, quotes, doubled quotes); the list of
dangerous first characters of the OWASP page on CSV injection (from memory): = + - @ tab CR. Files
written are read back with Python's own ``csv`` module.
"""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.calc.cut_list import CutJob, Part, Saw, StockLength, cut_list
from service.errors import CalculationError, MissingError, OutOfRangeError
from service.web.cut_list_csv import (
    MOST_ROWS,
    Cell,
    neutral,
    query_value,
    read_cut_list,
    write_csv,
    write_cut_list,
)

HEADER = "kind,id,length_mm,quantity,tube,due_group,price\r\n"
FILE = HEADER + (
    "part,P-100,1985.5,6,12x1,1,\r\n"
    "stock,BAR-6,6000,,12x1,,31.90\r\n"
    "stock,BAR-3,3000,4,12x1,,17\r\n"
    "remnant,R-7,2210,2,12x1,,\r\n"
    "part,P-200,870,10,12x1,,\r\n"
)


def body(text: str) -> dict[str, Any]:
    table = read_cut_list(text.encode())
    assert table.errors == ()
    return table.body


def first_error(text: str) -> CalculationError:
    return read_cut_list(text.encode()).errors[0]


# --- in ------------------------------------------------------------------------------------------


def test_rows_become_a_request_body() -> None:
    assert body(FILE) == {
        "units": "metric",
        "parts": [
            {"id": "P-100", "length": 1985.5, "quantity": 6, "tube": "12x1", "due_group": 1},
            {"id": "P-200", "length": 870.0, "quantity": 10, "tube": "12x1"},
        ],
        "stock": [
            {"id": "BAR-6", "length": 6000.0, "tube": "12x1", "price": 31.9},
            {"id": "BAR-3", "length": 3000.0, "count": 4, "tube": "12x1", "price": 17.0},
        ],
        "remnants": [{"id": "R-7", "length": 2210.0, "count": 2, "tube": "12x1"}],
    }


def test_each_item_knows_its_line() -> None:
    lines = read_cut_list(FILE.encode()).lines
    assert lines == {
        ("parts", 0): 2,
        ("stock", 0): 3,
        ("stock", 1): 4,
        ("remnants", 0): 5,
        ("parts", 1): 6,
    }


@pytest.mark.parametrize(
    "text",
    [
        FILE.replace("\r\n", "\n"),
        "\ufeff" + FILE,
        FILE.replace("\r\n", "\r\n\r\n"),
        FILE.replace("part,", " Part ,").replace("kind,id", "Kind, ID "),
        FILE.replace("part,P-100,1985.5,6,12x1,1,", '"part","P-100","1985.5","6","12x1","1",""'),
    ],
    ids=["LF", "byte order mark", "blank lines", "case and blanks", "quoted"],
)
def test_what_exporters_vary_is_read_alike(text: str) -> None:
    assert body(text) == body(FILE)


def test_quotes_commas_and_line_breaks_in_cells() -> None:
    # RFC 4180, 2.6 and 2.7
    text = 'kind,id,length_in,quantity\r\npart,"a ""b"", c\r\nd",20.5,1\r\nstock,s,-,\r\n'
    table = read_cut_list(text.encode())
    assert table.body["units"] == "inch"
    assert table.body["parts"] == [{"id": 'a "b", c\r\nd', "length": 20.5, "quantity": 1}]
    assert table.lines["parts", 0] == 2
    assert table.errors[0].field == ("lines", 4, "length_in")


@pytest.mark.parametrize(
    ("row", "code", "column"),
    [
        ("bar,x,10,1,,,", "csv_kind", "kind"),
        ("part,,10,1,,,", "csv_cell_missing", "id"),
        ("part,x,,1,,,", "csv_cell_missing", "length_mm"),
        ("part,x,10,,,,", "csv_cell_missing", "quantity"),
        ('part,x,"10,5",1,,,', "csv_number", "length_mm"),
        ("part,x,1 000,1,,,", "csv_number", "length_mm"),
        ("part,x,nan,1,,,", "csv_number", "length_mm"),
        ("part,x,1e400,1,,,", "csv_number", "length_mm"),
        ("part,x,٣,1,,,", "csv_number", "length_mm"),
        ("part,x,10,1.5,,,", "csv_whole_number", "quantity"),
        ("part,x,10,1,,soon,", "csv_whole_number", "due_group"),
        ("part,x,10,1,,,5", "csv_not_for_kind", "price"),
        ("stock,x,10,1,,2,5", "csv_not_for_kind", "due_group"),
        ("remnant,x,10,1,,,5", "csv_not_for_kind", "price"),
        ("stock,x,10,,,,=1+1", "csv_number", "price"),
    ],
)
def test_a_wrong_cell_is_named_by_line_and_column(row: str, code: str, column: str) -> None:
    error = first_error(FILE + "\r\n" + row + "\r\n")
    assert (error.code, error.field) == (code, ("lines", 8, column))
    assert error.values["line"] == 8


def test_all_wrong_rows_are_reported_and_the_others_read() -> None:
    table = read_cut_list((FILE + "part,x\r\npart,y,1,1,,,\r\nbar,z,1,1,,,\r\n").encode())
    assert [(e.code, e.field[1]) for e in table.errors] == [("csv_cells", 7), ("csv_kind", 9)]
    assert [part["id"] for part in table.body["parts"]] == ["P-100", "P-200", "y"]


def test_no_more_than_a_hundred_errors_are_collected() -> None:
    assert len(read_cut_list((HEADER + "bar,,,,,,\r\n" * 500).encode()).errors) == 100


@pytest.mark.parametrize(
    ("text", "code", "kind"),
    [
        ("", "csv_empty", MissingError),
        ("\r\n\r\n", "csv_empty", MissingError),
        ("kind;id;length_mm\r\n", "csv_separator", OutOfRangeError),
        ("kind,id,length_cm\r\n", "csv_column", OutOfRangeError),
        ("kind,id,id,length_mm\r\n", "csv_column_twice", OutOfRangeError),
        ("kind,length_mm\r\n", "csv_column_missing", MissingError),
        ("kind,id\r\n", "csv_length_column", MissingError),
        ("kind,id,length_mm,length_in\r\n", "csv_length_column", MissingError),
        ('kind,id,length_mm\r\npart,"a"b,1\r\n', "csv_malformed", OutOfRangeError),
        ('kind,id,length_mm\r\npart,"open,1\r\n', "csv_malformed", OutOfRangeError),
        (HEADER + "part,x,1,1,,,\r\n" * (MOST_ROWS + 1), "csv_too_many_rows", OutOfRangeError),
    ],
)
def test_a_file_that_is_no_such_table_is_refused(
    text: str, code: str, kind: type[CalculationError]
) -> None:
    with pytest.raises(kind) as caught:
        read_cut_list(text.encode())
    assert caught.value.code == code


def test_as_many_rows_as_allowed_are_read() -> None:
    assert len(body(HEADER + "part,x,1,1,,,\r\n" * MOST_ROWS)["parts"]) == MOST_ROWS


def test_bytes_that_are_not_utf8_are_refused_with_their_line() -> None:
    with pytest.raises(OutOfRangeError) as caught:
        read_cut_list(FILE.encode() + "part,Ä,1,1,,,\r\n".encode("latin-1"))
    assert (caught.value.code, caught.value.values["line"]) == ("csv_not_utf8", 7)


@given(st.binary(max_size=300))
def test_no_bytes_at_all_bring_the_reader_down(raw: bytes) -> None:
    for data in (raw, HEADER.encode() + raw):
        try:
            read_cut_list(data)
        except CalculationError:
            continue


# --- out -----------------------------------------------------------------------------------------


def test_lines_end_in_crlf_and_quotes_are_doubled() -> None:
    # RFC 4180, 2.1 and 2.5–2.7
    text = write_csv(("a", "b"), [('x "y"', "1,2"), ("two\r\nlines", None)])
    assert text == 'a,b\r\n"x ""y""","1,2"\r\n"two\r\nlines",\r\n'


@pytest.mark.parametrize(
    ("value", "cell"),
    [(1985.0, "1985"), (0.1, "0.1"), (-12.5, "-12.5"), (1e-7, "0"), (7, "7"), (True, "true")],
)
def test_numbers_have_a_decimal_point_and_no_exponent(value: Cell, cell: str) -> None:
    assert write_csv(("a",), [(value,)]) == f"a\r\n{cell}\r\n"


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "=HYPERLINK(A1)",
        "+1+1",
        "-1+1",
        "@SUM(A1)",
        "  =1",
        "\u200b=1",
        "\ufeff=1",
        "\u2060\u00ad+1",
        "\ufe0f@SUM(A1)",
        "\u3164=1",
        '"=1',
        "'=1",
        "''=1",
        "'quoted",
        "-",
        "+49 30",
        "\uff1d1+1",
        "-1,5",
    ],
)
def test_a_cell_that_would_run_as_a_formula_is_written_as_text(text: str) -> None:
    (_, (cell,)) = csv.reader(io.StringIO(write_csv(("a",), [(text,)]), newline=""))
    assert cell == "'" + text


@pytest.mark.parametrize(
    "text", ["-12.5", "+3", "-1e5", "P-100", "a=b", "12x1", "", "it's", "a; b|c"]
)
def test_harmless_cells_stay_as_they_are(text: str) -> None:
    assert neutral(text) == text


@given(st.lists(st.text(alphabet=st.characters(codec="utf-8"), max_size=12), min_size=2))
def test_any_text_comes_back_with_at_most_an_apostrophe_in_front(cells: list[str]) -> None:
    text = write_csv(["h"] * len(cells), [cells])
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == 2
    for wrote, read in zip(cells, rows[1], strict=True):
        assert sent(read) == wrote
        assert read[:1] not in tuple("=@\t\r") or read == ""


def sent(read: str) -> str:
    """What was sent, as the specification says: one apostrophe less at each beginning."""
    return re.sub(r"(^|[;|\t\r\n])'", r"\1", read)


CELL_PARTS = st.sampled_from(
    ["=1+1", "'", '"', ";", "|", "\t", "a", "-", "\u200b", " ", ",", "12", "@", "\n"]
)
TEXTS = st.lists(CELL_PARTS, max_size=6).map("".join)


@given(TEXTS, TEXTS)
def test_two_names_never_become_one(first: str, second: str) -> None:
    assert (neutral(first) == neutral(second)) == (first == second)


@given(TEXTS, TEXTS, st.sampled_from(";|\t"))
def test_no_cell_runs_whatever_parts_the_cells(first: str, second: str, mark: str) -> None:
    text = write_csv(("a", "b"), [("x" + first, "x" + second)])
    for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark):
        for cell in row:
            seen = cell.lstrip("\u200b \t\n")
            assert not re.match(r"[=@]", seen), (text, row)
            assert not re.match(r"[+\-](?![0-9]+$)", seen), (text, row)


def test_cells_with_another_separator_are_quoted() -> None:
    assert write_csv(("a",), [("a;=1+1",)]) == 'a\r\n"a;\'=1+1"\r\n'
    assert write_csv(("a",), [("a|b",), ("a\tb",)]) == 'a\r\n"a|b"\r\n"a\tb"\r\n'


@pytest.mark.parametrize("text", ["\t=1", "\r=1", "\n=1"])
def test_a_control_character_neither_begins_a_cell_nor_hides_a_formula(text: str) -> None:
    (_, (cell,)) = csv.reader(io.StringIO(write_csv(("a",), [(text,)]), newline=""))
    assert cell == f"'{text[0]}'=1"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4.0E-4", 4.0e-4),
        ("1e0", 1.0),
        ("1E+2", 100.0),
        ("-0.5e-1", -0.05),
        ("3", 3),
        ("+3", 3),
        ("12345678901234567890", 12345678901234567890.0),
        ("true", True),
        ("1e", "1e"),
        (".5", ".5"),
        ("1.", "1."),
        ("0x1", "0x1"),
        ("nan", "nan"),
        ("", ""),
    ],
)
def test_a_query_takes_numbers_as_json_writes_them(text: str, value: Cell) -> None:
    # RFC 8259, section 6; a sign before a number was taken before and still is
    assert query_value(text) == value


def test_a_plan_is_one_row_per_pattern_and_part() -> None:
    plan = cut_list(
        CutJob(
            (Part("=cmd", 2540.0, 2, "T"), Part("b", 254.0, 1, "T")),
            (StockLength("bar", 6096.0, "T"),),
            Saw(2.5, 100.0),
        )
    )
    tables = {
        units: list(
            csv.DictReader(
                io.StringIO(write_cut_list([(t.tube, t.patterns) for t in plan.tubes], units))
            )
        )
        for units in ("metric", "inch")
    }
    first, second = tables["inch"]
    assert (first["part"], second["part"]) == ("'=cmd", "b")
    assert (first["bar_length_in"], first["piece_length_in"], first["pieces"]) == (
        "240",
        "100",
        "2",
    )
    assert (second["rest_in"], second["rest_is"]) == ("29.704724", "remnant")
    assert list(first)[-2:] == ["rest_is", "rests_cut_later"]
    assert tables["metric"][0]["bar_length_mm"] == "6096"
    assert tables["metric"][0]["rest_mm"] == "754.5"
