"""CSV in and out for the cut list, for systems that export nothing else.

The dialect is RFC 4180: comma, double quotes, a header line, CRLF on the way out (LF is read too);
UTF-8, with or without a byte order mark; a decimal point, no grouping of thousands.

In, one row per part, stock length or remnant; the unit stands in the column name::

    kind,id,length_mm,quantity,tube,due_group,price
    part,P-100,1985,6,12x1,1,
    stock,BAR-6,6000,,12x1,,31.90
    remnant,R-7,2210,1,12x1,,

``kind``, ``id`` and one of ``length_mm`` and ``length_in`` are needed, the others may be left out.
An empty quantity of stock means any number. What comes out of the reader is a request body, to be
checked as any other; ``lines`` says which line of the file each item was.

Out, one row per pattern and part. **Formula injection**: a spreadsheet runs a cell that begins with
= + - @ or a control character as a formula, also where characters that cannot be seen come before
it. Such a text is written behind an apostrophe, which spreadsheets read as "this is text", unless
it is a plain number. As some spreadsheets part cells at a semicolon, a tab or a bar instead of the
comma, the same is done after each of these. The apostrophe is part of the data for a program that
reads the file. An apostrophe that was there is doubled, so that what was sent can be told: take one
away at the beginning of the text, and one after each semicolon, tab and bar, where one stands.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from service.errors import CalculationError, MissingError, OutOfRangeError, Value
from service.web import texts

MEDIA_TYPE = "text/csv"
MOST_ROWS = 5000
MOST_ERRORS = 100
LONGEST_REPEATED = 80

KINDS = {"part": "parts", "stock": "stock", "remnant": "remnants"}
UNITS = {"length_mm": "metric", "length_in": "inch"}
NEEDED = ("kind", "id")
OPTIONAL = ("quantity", "tube", "due_group", "price")
# what a row of each kind calls its quantity, and which columns it must leave empty
QUANTITY = {"part": "quantity", "stock": "count", "remnant": "count"}
EMPTY = {"part": ("price",), "stock": ("due_group",), "remnant": ("due_group", "price")}

NUMBER = re.compile(r"[+-]?[0-9]{1,15}(\.[0-9]{1,15})?")
WHOLE = re.compile(r"[+-]?[0-9]{1,15}")
JSON_NUMBER = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]+)?")
PLAIN_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?")
HARMLESS = re.compile(r"([0-9A-Za-z][^;|\t\r\n]*)?")
# the wide forms are read as the plain ones by some spreadsheets
FORMULA = frozenset("=+-@\uff1d\uff0b\uff0d\uff20")
# letters that show nothing, and the quote that a split in the wrong place leaves before a formula
UNSEEN = frozenset('"\u115f\u1160\u3164\uffa0')
SEPARATORS = re.compile(r"([;|\t\r\n])")
QUOTED = re.compile(r'[",;|\t\r\n]')

Cell = str | int | float | bool | None


@dataclass(frozen=True, slots=True)
class CutListTable:
    """What a CSV file says: a request body, the line of each item, and what is wrong with rows.

    ``body`` has ``units``, ``parts``, ``stock`` and ``remnants``. ``lines`` maps ("parts", 3) to
    the line of the file. The field of each error is ("lines", line, column).
    """

    body: dict[str, Any]
    lines: Mapping[tuple[str, int], int] = field(default_factory=dict)
    errors: tuple[CalculationError, ...] = ()


def read_cut_list(raw: bytes) -> CutListTable:
    """Read the bytes of a CSV file; wrong rows are reported all together, with their lines.

    Raises:
        OutOfRangeError: bytes that are not UTF-8, a file that is not CSV or has too many rows, a
            header that is not known
        MissingError: a header that lacks a needed column, an empty file
    """
    records = _records(_decoded(raw))
    header = next(records, None)
    if header is None:
        raise MissingError("csv_empty", ("lines", 1))
    return _Reader(_columns(*header)).read(records)


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise OutOfRangeError("csv_not_utf8", ("lines", line), {"line": line}) from None


def _records(text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield each record that is not blank with the number of the line it begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line, rows = 1, 0
    while True:
        try:
            record = next(reader, None)
        except csv.Error:
            raise OutOfRangeError("csv_malformed", ("lines", line), {"line": line}) from None
        if record is None:
            return
        if record:
            rows += 1
            if rows > MOST_ROWS + 1:
                most: dict[str, Value] = {"most": MOST_ROWS, "line": line}
                raise OutOfRangeError("csv_too_many_rows", ("lines", line), most)
            yield line, record
        line = reader.line_num + 1


def _columns(line: int, header: Sequence[str]) -> list[str]:
    names = [name.strip().lower() for name in header]
    known = (*NEEDED, *UNITS, *OPTIONAL)
    where: tuple[str | int, ...] = ("lines", line)
    for name in names:
        values: dict[str, Value] = {"name": _short(name), "allowed": ", ".join(known)}
        if name not in known:
            wrong = len(names) == 1 and any(mark in name for mark in ";\t|")
            raise OutOfRangeError("csv_separator" if wrong else "csv_column", where, values)
        if names.count(name) > 1:
            raise OutOfRangeError("csv_column_twice", where, values)
    for name in NEEDED:
        if name not in names:
            raise MissingError("csv_column_missing", where, {"name": name})
    if len([name for name in names if name in UNITS]) != 1:
        raise MissingError("csv_length_column", where, {"allowed": " or ".join(UNITS)})
    return names


class _Reader:
    """Rows into a request body."""

    def __init__(self, columns: Sequence[str]) -> None:
        self.columns = columns
        self.length = next(name for name in columns if name in UNITS)
        self.body: dict[str, Any] = {"units": UNITS[self.length]}
        self.body |= {name: [] for name in KINDS.values()}
        self.lines: dict[tuple[str, int], int] = {}
        self.errors: list[CalculationError] = []

    def read(self, records: Iterable[tuple[int, list[str]]]) -> CutListTable:
        """Read all rows; stop at a hundred errors."""
        for line, record in records:
            try:
                self._row(line, record)
            except CalculationError as error:
                self.errors.append(error)
                if len(self.errors) == MOST_ERRORS:
                    break
        return CutListTable(self.body, self.lines, tuple(self.errors))

    def _row(self, line: int, record: Sequence[str]) -> None:
        if len(record) != len(self.columns):
            values: dict[str, Value] = {
                "line": line,
                "value": len(record),
                "limit": len(self.columns),
            }
            raise OutOfRangeError("csv_cells", ("lines", line), values)
        row = _Row(line, dict(zip(self.columns, record, strict=True)))
        kind = row.kind()
        item = row.item(kind, self.length)
        group = self.body[KINDS[kind]]
        self.lines[KINDS[kind], len(group)] = line
        group.append(item)


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: Mapping[str, str]

    def kind(self) -> str:
        """Which kind of item the row is."""
        kind = self.cells["kind"].strip().lower()
        if kind not in KINDS:
            raise self._refused("csv_kind", "kind", allowed=", ".join(KINDS))
        return kind

    def item(self, kind: str, length: str) -> dict[str, Any]:
        """Return the item as the request body has it; empty cells are left out."""
        for name in EMPTY[kind]:
            if self._text(name):
                raise self._refused("csv_not_for_kind", name, kind=kind)
        if not self.cells["id"]:
            raise self._refused("csv_cell_missing", "id")
        found: dict[str, Any] = {"id": self.cells["id"], "length": self._number(length)}
        if found["length"] is None:
            raise self._refused("csv_cell_missing", length)
        found[QUANTITY[kind]] = self._whole("quantity")
        found |= {"tube": self.cells.get("tube") or None, "due_group": self._whole("due_group")}
        found["price"] = self._number("price")
        if kind == "part" and found["quantity"] is None:
            raise self._refused("csv_cell_missing", "quantity")
        return {name: value for name, value in found.items() if value is not None}

    def _text(self, name: str) -> str:
        return self.cells.get(name, "").strip()

    def _number(self, name: str) -> float | None:
        text = self._text(name)
        if text and not NUMBER.fullmatch(text):
            raise self._refused("csv_number", name)
        return float(text) if text else None

    def _whole(self, name: str) -> int | None:
        text = self._text(name)
        if text and not WHOLE.fullmatch(text):
            raise self._refused("csv_whole_number", name)
        return int(text) if text else None

    def _refused(self, code: str, name: str, **values: Value) -> OutOfRangeError:
        known: dict[str, Value] = {"line": self.line, "name": name}
        known["value"] = _short(self.cells.get(name, ""))
        return OutOfRangeError(code, ("lines", self.line, name), {**known, **values})


QUERY_WORDS = {"true": True, "false": False}
ITEM = re.compile(r"/(parts|stock|remnants)/([0-9]+)(?:/([a-z_]+))?")
IN_THE_QUERY = re.compile(r"/(?:saw|search)(/[a-z_]+)")
WHOLE_GROUP = re.compile(r"/(parts|stock|remnants)")
KIND_OF = {group: kind for kind, group in KINDS.items()}


def query_value(text: str) -> Cell:
    """A query parameter as JSON would have it: a number, true, false, or the text itself."""
    if WHOLE.fullmatch(text):
        return int(text)
    number = NUMBER.fullmatch(text) or JSON_NUMBER.fullmatch(text)
    return float(text) if number else QUERY_WORDS.get(text, text)


def placed(entry: Mapping[str, Any], table: CutListTable) -> dict[str, Any]:
    """A refusal of a field of the body, placed where its sender finds it: a line, or the query."""
    where = entry["pointer"]
    if match := ITEM.fullmatch(where):
        group, index, member = match.groups()
        line = table.lines[group, int(index)]
        values: dict[str, Value] = {"line": line, "detail": entry["detail"]}
        detail = texts.fill(texts.text("errors", "csv_on_line"), values, "metric")
        column = f"/{_column(group, member, table.body['units'])}" if member else ""
        return {**entry, "pointer": f"/lines/{line}{column}", "detail": detail}
    if match := WHOLE_GROUP.fullmatch(where):
        return {**entry, "pointer": "/lines", **_rows(entry, match[1], table)}
    match = IN_THE_QUERY.fullmatch(where)
    return {**entry, "pointer": match[1]} if match else dict(entry)


def _rows(entry: Mapping[str, Any], group: str, table: CutListTable) -> dict[str, Any]:
    """What a group of too many or too few items is in a file: rows of a kind."""
    if entry["code"] != "array_length":
        return {}
    count = len(table.body[group])
    values: dict[str, Value] = {
        "value": count,
        "kind": KIND_OF[group],
        "allowed": entry.get("allowed", ""),
    }
    detail = texts.fill(texts.text("errors", "csv_rows_of_kind"), values, "metric")
    return {"detail": detail, "value": count}


def _column(group: str, member: str, units: str) -> str:
    if member == "length":
        return next(name for name, system in UNITS.items() if system == units)
    return "quantity" if member == "count" and group != "parts" else member


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_REPEATED else text[: LONGEST_REPEATED - 3] + "..."


# --- out -----------------------------------------------------------------------------------------


class PieceLike(Protocol):
    """Pieces of one part in a pattern; lengths in mm."""

    @property
    def part(self) -> str: ...  # noqa: D102
    @property
    def length(self) -> float: ...  # noqa: D102
    @property
    def count(self) -> int: ...  # noqa: D102


class PatternLike(Protocol):
    """A cutting pattern; lengths in mm."""

    @property
    def number(self) -> int: ...  # noqa: D102
    @property
    def due_group(self) -> int: ...  # noqa: D102
    @property
    def source(self) -> str: ...  # noqa: D102
    @property
    def source_id(self) -> str: ...  # noqa: D102
    @property
    def bar_length(self) -> float: ...  # noqa: D102
    @property
    def times(self) -> int: ...  # noqa: D102
    @property
    def pieces(self) -> Sequence[PieceLike]: ...  # noqa: D102
    @property
    def rest(self) -> float: ...  # noqa: D102
    @property
    def rest_is_useful(self) -> bool: ...  # noqa: D102
    @property
    def rests_cut_later(self) -> int: ...  # noqa: D102


def write_cut_list(plans: Iterable[tuple[str, Sequence[PatternLike]]], units: str) -> str:
    """Return the patterns of each tube as CSV: one row per pattern and part, lengths in ``units``.

    Arguments:
        plans: tube and its patterns
        units: ``metric`` (mm) or ``inch`` (in)
    """
    name, unit = ("in", 25.4) if units == "inch" else ("mm", 1.0)
    header = (
        "tube",
        "due_group",
        "pattern",
        "source",
        "source_id",
        f"bar_length_{name}",
        "bars",
        "part",
        f"piece_length_{name}",
        "pieces_per_bar",
        "pieces",
        f"rest_{name}",
        "rest_is",
        "rests_cut_later",
    )
    return write_csv(header, _plan_rows(plans, unit))


def _plan_rows(
    plans: Iterable[tuple[str, Sequence[PatternLike]]], unit: float
) -> Iterator[tuple[Cell, ...]]:
    for tube, patterns in plans:
        for bar in patterns:
            for piece in bar.pieces:
                yield (
                    tube,
                    bar.due_group,
                    bar.number,
                    bar.source,
                    bar.source_id,
                    bar.bar_length / unit,
                    bar.times,
                    piece.part,
                    piece.length / unit,
                    piece.count,
                    piece.count * bar.times,
                    bar.rest / unit,
                    "remnant" if bar.rest_is_useful else "scrap",
                    bar.rests_cut_later,
                )


def write_csv(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Return a table as RFC 4180 text, quoted where needed, with no cell that runs as a formula.

    Cells with a semicolon, tab or bar are quoted too, for programs that guess the separator.
    """
    lines = [",".join(header)]
    lines += [",".join(map(_cell, row)) for row in rows]
    return "\r\n".join([*lines, ""])


def _cell(value: Cell) -> str:
    """Numbers with a decimal point and at most six decimals, None as empty, text made harmless."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6f}".rstrip("0").rstrip(".")
    return str(value) if isinstance(value, int) else _quoted(neutral(value))


def _quoted(text: str) -> str:
    if not QUOTED.search(text):
        return text
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def neutral(text: str) -> str:
    """Return text that no spreadsheet runs as a formula; plain numbers stay as they are.

    No two texts become the same: what is put in can be taken away again, as said above.
    """
    if HARMLESS.fullmatch(text) or PLAIN_NUMBER.fullmatch(text):
        return text
    first, *rest = SEPARATORS.split(text)
    begins = "'" if _runs(text) else ""
    return "".join([begins, first, *map(_as_text, rest)])


def _as_text(piece: str) -> str:
    return f"'{piece}" if _runs(piece) and not SEPARATORS.fullmatch(piece) else piece


def _runs(text: str) -> bool:
    """Whether a cell that begins so runs as a formula, or begins with an apostrophe."""
    seen = next((mark for mark in text if not _unseen(mark)), "")
    return seen in FORMULA or text.startswith(("'", "\t", "\r", "\n", "\0"))


def _unseen(mark: str) -> bool:
    """Whether it is a control or format character, a mark, a blank, or a quote."""
    return unicodedata.category(mark)[0] in "CMZ" or mark in UNSEEN
