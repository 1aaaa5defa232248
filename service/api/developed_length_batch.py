"""POST /v1/developed-length/batch: thousands of runs in one body, or a stream of them.

Plain items (a bend table, a tube by size, a material by id) are gathered into columns, checked and
computed as arrays. An item that is anything else, or whose numbers are out of range, goes through
the single calculation, which gives the same figures and says what is wrong. The head of the body
is checked by its schema; the schema of the items declares what the columns check.
"""

from __future__ import annotations

import gc
import io
import math
import re
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import chain
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
import orjson
from flask import Response, request, stream_with_context
from marshmallow import ValidationError
from numpy.typing import NDArray

from service import inputs, reference
from service.calc import developed_length as single
from service.calc import developed_length_batch as calc
from service.calc import mark_layout
from service.errors import CalculationError, MissingError
from service.model import Bend
from service.web import answer, body, problem, texts, units
from service.web.entries import entries
from service.web.examples import TUBE_15
from service.web.fields import NAME_PATTERN, Count, Flag, Length, Part, Parts, Quantity, Ratio, Text
from service.web.lookup import UNITS_PARAMETER, read_query
from service.web.operation import Ask, blueprint, raw_operation, require_json
from service.web.reader import reader
from service.web.schema import RequestSchema, StrictSchema, outward
from service.web.time_limit import within_limit

blp = blueprint("Developed length, many runs", "How long to cut the tubes of a whole batch.")
MOST_ITEMS = 20_000
# What Python holds of a body takes nine times its bytes, and a worker has some 200 MB for it.
LARGEST_BODY = 16_000_000
# The densest rows of a bend table that fill such a body have fewer brackets and commas.
MOST_BRACKETS, MOST_COMMAS = 600_000, 1_500_000
ONE_AT_A_TIME = threading.Lock()
LONGEST_LINE = 200_000
LINES_AT_ONCE = 500
# So many lines of six bends; of longer ones fewer, so that memory stays flat.
BYTES_AT_ONCE = 250_000
ITEMS_AT_ONCE = 1000
READ_AHEAD = 65_536
UNBOUNDED = 2**63 - 1
LONGEST = 100_000_000.0
NDJSON = "application/x-ndjson"
CAUTIONS = ("pressure", "pinch_and_spring", "local_codes")
METHODS = ("developed-length", "tangent-set-back", "metal-mass")
ROW = itemgetter("straight", "angle", "radius")
ID = re.compile(NAME_PATTERN)
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


class BatchItem(RequestSchema):
    """One run; what it leaves out is taken from the head of the body."""

    id = Text("The caller's own id, returned with the answer")
    run = inputs.run_field()
    tube = inputs.tube_field(required=False)
    stretch = Ratio(
        "Lengthening in a bend as a fraction of its arc; that of the head when left out", most=0.2
    )
    ends = inputs.ends_field()


class BatchHead(inputs.UnitsRequest):
    """What holds for every item that has none of its own."""

    tube = inputs.tube_field(required=False)
    stretch = inputs.stretch_field()
    ends = inputs.ends_field()
    marks = Flag("Whether to give the marks of every bend, from end 1", load_default=False)


class DevelopedLengthBatchRequest(BatchHead):
    """Many runs; tube, stretch and ends given here hold for every item that has none of its own."""

    items = Parts(BatchItem, "The runs", least=1, most=MOST_ITEMS, required=True)


class BatchMarkSchema(StrictSchema):
    """Marks of one bend on the straight tube, from end 1."""

    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    start = Length("Start tangent point", least=-1e6, most=LONGEST, required=True)
    end = Length("End tangent point", least=-1e6, most=LONGEST, required=True)
    apex = Length("Apex; null from 179.4°", least=-1e6, most=1e15, allow_none=True, required=True)


class BatchSums(StrictSchema):
    """Lengths and mass of one run, the same numbers as the single calculation."""

    straight_length = Length("All straights", most=LONGEST, required=True)
    arc_length = Length("All arcs", most=LONGEST, required=True)
    gain = Length("All gains; null without a vertex", most=1e15, allow_none=True, required=True)
    developed_length = Length("Straights and arcs", most=LONGEST, required=True)
    stretch = Length("Lengthening in all", most=LONGEST, required=True)
    cut_length = Length("Length to cut", most=LONGEST, required=True)
    mass = Quantity(
        "mass", "Null without a material", least=0, most=1e15, allow_none=True, required=True
    )


class BatchLengthsSchema(BatchSums):
    """Lengths, mass and, when asked for, marks of one run."""

    marks = Parts(BatchMarkSchema, "Marks, when asked for", allow_none=True, required=True)


class BatchProblemSchema(StrictSchema):
    """Why one run was refused."""

    pointer = Text("JSON pointer into the body, or into the line", most=2000, required=True)
    code = Text("Stable code", most=64, pattern=r"^[a-z0-9_]+$", required=True)
    detail = Text("What is wrong", most=4000, pattern=r"[\s\S]*", required=True)


class BatchEntrySchema(StrictSchema):
    """The answer to one item: a result, or the problems it has."""

    index = Count(
        "Place in the body, or among the lines that are not blank, from 0",
        most=2**31 - 1,
        required=True,
    )
    id = Text("The caller's own id", allow_none=True, required=True)
    result = Part(BatchLengthsSchema, "Null when refused", allow_none=True, required=True)
    problems = Parts(BatchProblemSchema, "Empty when computed", most=100, required=True)


class DevelopedLengthBatchResult(StrictSchema):
    """All items in the order they were sent."""

    computed = Count("Items computed", most=MOST_ITEMS, required=True)
    refused = Count("Items refused", most=MOST_ITEMS, required=True)
    items = Parts(BatchEntrySchema, "One entry an item", most=MOST_ITEMS, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "marks": True,
    "items": [
        {
            "id": "trailer-return-1",
            "run": {
                "bends": [{"straight": 120, "rotation": 0, "angle": 90, "radius": 45}],
                "last_straight": 140,
            },
        },
        {"id": "misread-drawing", "run": {"bends": [], "last_straight": 0}},
    ],
}
LINE = (
    '{"id":"a","tube":{"outside_diameter":15,"wall_thickness":1.5},'
    '"run":{"bends":[],"last_straight":100}}\n'
)
LINES = {
    "type": "string",
    "maxLength": 2147483647,
    "pattern": "^.*",
    "description": f"One BatchItem a line of at most {LONGEST_LINE:,} bytes; a longer one is "
    "skipped and told. Blank lines are skipped. Answered by one BatchEntry a line",
}
MARKS_PARAMETER: dict[str, Any] = {
    "in": "query",
    "name": "marks",
    "description": "For newline-delimited JSON only; whether to give the marks of every bend.",
    "required": False,
    "schema": {"type": "string", "enum": ["true", "false"], "default": "false"},
}
BATCH_ITEM = BatchItem()
ANSWER = answer.answer_schema("DevelopedLengthBatch", DevelopedLengthBatchResult)


@dataclass(frozen=True)
class Head:
    """What holds for every item that has none of its own, as it was sent."""

    system: str = "metric"
    marks: bool = False
    stream: bool = False
    given: Mapping[str, Any] = field(default_factory=dict)


@dataclass
class Columns:
    """Plain items, gathered; numbers as they were sent, rotation in (m,), the rest by name."""

    index: list[int] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    rows: list[tuple[float, float, float]] = field(default_factory=list)
    rotation: list[float] = field(default_factory=list)
    tubes: list[tuple[float, float, float, float]] = field(default_factory=list)
    density: list[float] = field(default_factory=list)
    keys: int = 0


@raw_operation(
    blp,
    "/developed-length/batch",
    operation_id="developedLengthBatch",
    answer=ANSWER,
    description="Up to 20,000 runs and 16 MB as JSON, or any number of lines, one BatchItem each "
    "with its own tube, as newline-delimited JSON.",
    content={
        "application/json": {"schema": DevelopedLengthBatchRequest, "example": EXAMPLE},
        NDJSON: {"schema": LINES, "example": LINE},
    },
    also={NDJSON: {"schema": {**LINES, "description": "One BatchEntry a line"}}},
    headers=answer.VERSION_HEADERS,
    parameters=[
        {**UNITS_PARAMETER, "description": "For newline-delimited JSON only; metric."},
        MARKS_PARAMETER,
    ],
)
def developed_length_batch() -> Response:
    """Compute the cut lengths of many runs.

    One bad run gives its own problems with its index and id; the rest are computed. The numbers
    are those of the single calculation. Newline-delimited JSON is answered line by line as it
    arrives; read the answer while you send.
    """
    body.check_headers(request, NDJSON)
    if request.mimetype == NDJSON:
        _require_lines()
        read_query([UNITS_PARAMETER, MARKS_PARAMETER])
        return _stream(replace(_head(_query()), stream=True))
    require_json()
    if request.args:
        raise problem.ProblemError(422, "query_without_stream", {"name": next(iter(request.args))})
    request.max_content_length = LARGEST_BODY
    raw = body.read_all(request)
    # they would not be done any sooner beside each other, and would need their memory together
    with ONE_AT_A_TIME, _no_collection():
        return within_limit(_whole, raw)


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold the garbage collector: a batch makes a million objects and not one cycle."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _whole(raw: bytes) -> Response:
    """The answer to a whole body."""
    _refuse_dense(raw)
    sent = body.decode_quickly(raw)
    rest = {k: v for k, v in sent.items() if k != "items"} if isinstance(sent, dict) else sent
    head, items = _head(rest), _items(sent)
    found = _all(items, head, {})
    if raw.count(b":") != found.keys + 1 + body.count_keys(rest):
        sent = body.decode_marked(raw)
        if twice := _twice(sent):
            found = _all(_items(sent), head, twice)
    return _respond(found.written, len(items) - found.refused, found.refused, head.system)


def _refuse_dense(raw: bytes) -> None:
    """Refuse what would need a hundred times its bytes once it is decoded, before it is."""
    for signs, most in ((b"[{", MOST_BRACKETS), (b",", MOST_COMMAS)):
        if len(raw) > most and sum(raw.count(bytes([sign])) for sign in signs) > most:
            raise problem.ProblemError(413, "body_too_dense", {"most": most})


def _twice(sent: Any) -> dict[int, problem.ProblemError]:
    """Items in which a key stands twice; raises where it stands elsewhere."""
    body.refuse_marked({**sent, "items": None} if type(sent) is dict else sent)
    found = {}
    for index, item in enumerate(sent["items"]):
        try:
            body.refuse_marked(item)
        except problem.ProblemError as error:
            found[index] = error
    return found


class Found(NamedTuple):
    """Entries as JSON, how many were refused, and how many members all objects had."""

    written: list[bytes]
    refused: int
    keys: int


def _all(items: list[Any], head: Head, faults: Mapping[int, problem.ProblemError]) -> Found:
    """All items of a body, block by block; those with a fault are refused for it."""
    keys, refused, written = 0, 0, []
    for first in range(0, len(items), ITEMS_AT_ONCE):
        block = items[first : first + ITEMS_AT_ONCE]
        # given up block by block: memory that is warm costs less than fresh memory
        items[first : first + len(block)] = [None] * len(block)
        found, members = _compute(block, head, first)
        keys += members
        for index in [i for i in faults if first <= i < first + len(block)]:
            item = block[index - first]
            found[index - first] = _faulty(item, index, faults[index], head)
        refused += sum(1 for entry in found if entry["result"] is None)
        written.append(orjson.dumps(found)[1:-1])
    return Found(written, refused, keys)


def _require_lines() -> None:
    """Refuse with 406 a caller that does not take lines."""
    accepted = request.environ.get("HTTP_ACCEPT")
    if accepted and not request.accept_mimetypes.quality(NDJSON):
        values = {"accept": str(accepted)[:80], "offered": NDJSON}
        raise problem.ProblemError(406, "not_acceptable_here", values)


def _query() -> dict[str, Any]:
    """The head of a stream stands in the query, since a stream has no other."""
    sent: dict[str, Any] = dict(request.args)
    if "marks" in sent:
        sent["marks"] = {"true": True, "false": False}.get(sent["marks"], sent["marks"])
    return sent


def _respond(written: list[bytes], computed: int, refused: int, system: str) -> Response:
    """The answer around the entries, which are JSON already."""
    found = orjson.Fragment(b"[" + b",".join(written) + b"]")
    known = answer.catalogue()
    whole = {
        "units": system,
        "result": {"computed": computed, "refused": refused, "items": found},
        "findings": [],
        "basis": known.basis(METHODS),
        "cautions": answer.cautions(CAUTIONS),
        "version": known.version,
    }
    return texts.label(Response(orjson.dumps(whole), content_type="application/json"))


def _head(sent: Any) -> Head:
    schema = BatchHead()
    try:
        schema.load(sent)
    except ValidationError as error:
        raise _invalid(entries(schema, error.messages_dict, sent)) from None
    given = {key: sent[key] for key in ("tube", "stretch", "ends") if sent.get(key) is not None}
    return Head(sent.get("units", "metric"), sent.get("marks", False), given=given)


def _items(sent: Any) -> list[Any]:
    """The items, none of them checked yet."""
    items = sent.get("items")
    if not isinstance(items, list) or not 1 <= len(items) <= MOST_ITEMS:
        code = "array_length" if isinstance(items, list) else "not_an_array"
        code = code if "items" in sent else "required"
        schema = DevelopedLengthBatchRequest()
        raise _invalid(entries(schema, {"items": [code]}, sent))
    return items


def _invalid(found: list[dict[str, Any]]) -> problem.ProblemError:
    return problem.ProblemError(422, "invalid_request", {"count": len(found)}, found)


def _compute(items: list[Any], head: Head, first: int) -> tuple[list[dict[str, Any]], int]:
    """One entry an item, and how many members all objects of the items have.

    What the columns cannot take goes through the single calculation.
    """
    columns = _gather(items, head)
    keys = columns.keys
    done = _computed(columns, items, head, first) if columns.index else {}
    gathered = set(columns.index)
    found = []
    for index, item in enumerate(items):
        found.append(done[index] if index in done else _one(item, head, first + index))
        if index not in gathered:
            keys += body.count_keys(item)
    return found, keys


def _gather(items: list[Any], head: Head) -> Columns:
    """Take the plain items apart; an item with anything else in it is left out."""
    columns = Columns()
    densities = {name: m.density for name, m in reference.materials().items()}
    tube, stretch = head.given.get("tube"), head.given.get("stretch", 0.0)
    for index, item in enumerate(items):
        try:
            run, own = item["run"], item.get("tube", tube)
            bends = run["bends"]
            rows = list(map(ROW, bends))
            turns = [b.get("rotation", 0) for b in bends]
            sizes = (
                run["last_straight"],
                own["outside_diameter"],
                own["wall_thickness"],
                item.get("stretch", stretch),
            )
            material = own.get("material")
            density = math.nan if material is None else densities[material]
            members = _members(item, run, own, bends)
        except (KeyError, TypeError, AttributeError):
            continue
        if members:
            columns.keys += members
            columns.index.append(index)
            columns.counts.append(len(rows))
            columns.rows += rows
            columns.rotation += turns
            columns.tubes.append(sizes)
            columns.density.append(density)
    return columns


def _members(item: Any, run: Any, tube: Any, bends: Any) -> int:
    """How many members all objects of a plain item have; 0 when it is not plain.

    Plain is an item with no member that the columns do not take and no list that is too long.
    """
    in_rows = sum(map(len, bends))
    plain = (
        type(bends) is list
        and len(bends) <= inputs.MOST_BENDS
        and len(run) == 2
        and len(tube) == 2 + ("material" in tube and tube["material"] is not None)
        and len(item) == 1 + ("id" in item) + ("tube" in item) + ("stretch" in item)
        and in_rows == 3 * len(bends) + sum(["rotation" in b for b in bends])
        and ("id" not in item or _is_id(item["id"]))
    )
    own = len(tube) if "tube" in item else 0
    return len(item) + 2 + own + in_rows if plain else 0


def _is_id(value: Any) -> bool:
    return type(value) is str and len(value) <= 80 and ID.fullmatch(value) is not None


def _computed(
    columns: Columns, items: list[Any], head: Head, first: int
) -> dict[int, dict[str, Any]]:
    """Entries of the items whose columns are sound, by their place in ``items``."""
    columns = _numbers_only(columns)
    if not columns.index:
        return {}
    factors = units.FACTORS[head.system]
    rows = np.array(columns.rows, dtype=np.float64).reshape(-1, 3)
    sizes = np.array(columns.tubes, dtype=np.float64)
    sound = _within_bounds(columns, rows, sizes)
    # an infinity would stop the arithmetic of all; the single calculation says what is wrong
    rows[~np.repeat(sound, columns.counts)] = HARMLESS_ROW
    sizes[~sound] = HARMLESS_SIZES
    batch = _batch(columns, rows, sizes, head)
    lengths = calc.developed_lengths(batch)
    marks = _marks(batch, factors) if head.marks else [None] * len(columns.index)
    shown = _shown(lengths, factors, marks)
    good = (sound & lengths.sound).tolist()
    return {
        index: _entry(first + index, items[index].get("id"), result)
        for index, result, fine in zip(columns.index, shown, good, strict=True)
        if fine
    }


def _numbers_only(columns: Columns) -> Columns:
    """Leave out items with a value that is not a number; nearly always there is none."""
    types = set(map(type, chain(chain.from_iterable(columns.rows), columns.rotation)))
    types |= set(map(type, chain.from_iterable(columns.tubes)))
    if types <= {int, float} and _fit(columns):
        return columns
    kept = Columns()
    start = 0
    for place, count in enumerate(columns.counts):
        one = Columns(
            [columns.index[place]],
            [count],
            columns.rows[start : start + count],
            columns.rotation[start : start + count],
            [columns.tubes[place]],
            [columns.density[place]],
        )
        start += count
        values = [*chain.from_iterable(one.rows), *one.rotation, *one.tubes[0]]
        if set(map(type, values)) <= {int, float} and _fit(one):
            for name in ("index", "counts", "rows", "rotation", "tubes", "density"):
                getattr(kept, name).extend(getattr(one, name))
    return kept


def _fit(columns: Columns) -> bool:
    """Whether every number fits a double."""
    try:
        np.array(columns.rows, dtype=np.float64)
        np.array(columns.rotation, dtype=np.float64)
        np.array(columns.tubes, dtype=np.float64)
    except OverflowError:
        return False
    return True


def _bounds(schema: type[Any], name: str) -> tuple[float, float]:
    declared = schema().fields[name]
    return declared.least, declared.most


ROW_BOUNDS = np.array([_bounds(inputs.BendSchema, n) for n in ("straight", "angle", "radius")])
HARMLESS_ROW = (0.0, 1.0, 1.0)
HARMLESS_SIZES = (1.0, 1.0, 0.1, 0.0)
ROTATION_BOUNDS = _bounds(inputs.BendSchema, "rotation")
SIZE_BOUNDS = np.array(
    [
        _bounds(inputs.BendTableSchema, "last_straight"),
        _bounds(inputs.TubeSchema, "outside_diameter"),
        _bounds(inputs.TubeSchema, "wall_thickness"),
        _bounds(BatchItem, "stretch"),
    ]
)


def _within_bounds(columns: Columns, rows: Floats, sizes: Floats) -> Mask:
    """Whether the numbers of each item, as sent, are within the bounds that the schema declares."""
    counts = np.array(columns.counts, dtype=np.intp)
    turns = np.array(columns.rotation, dtype=np.float64)
    fine = ((rows >= ROW_BOUNDS[:, 0]) & (rows <= ROW_BOUNDS[:, 1])).all(axis=1)
    fine &= (turns >= ROTATION_BOUNDS[0]) & (turns <= ROTATION_BOUNDS[1])
    firsts = np.cumsum(counts)[counts > 0] - counts[counts > 0]
    fine[firsts] &= turns[firsts] == 0
    owner = np.repeat(np.arange(len(counts)), counts)
    bad = np.bincount(owner[~fine], minlength=len(counts))
    whole = ((sizes >= SIZE_BOUNDS[:, 0]) & (sizes <= SIZE_BOUNDS[:, 1])).all(axis=1)
    fine_items: Mask = whole & (bad == 0)
    return fine_items


def _batch(columns: Columns, rows: Floats, sizes: Floats, head: Head) -> calc.Batch:
    """The columns in internal units, converted as the single calculation converts them."""
    factors = units.FACTORS[head.system]
    length, count = factors["length"], len(columns.index)
    ends = inputs.ends_of(_inward_ends(head))
    return calc.Batch(
        counts=np.array(columns.counts, dtype=np.intp),
        straight=rows[:, 0] * length,
        angle=rows[:, 1] * factors["angle"],
        radius=rows[:, 2] * length,
        last_straight=sizes[:, 0] * length,
        outside_diameter=sizes[:, 1] * length,
        wall_thickness=sizes[:, 2] * length,
        density=np.array(columns.density),
        stretch=sizes[:, 3] * factors["ratio"],
        end_1=np.full(count, ends.length_1),
        end_2=np.full(count, ends.length_2),
        trim=np.full(count, ends.trim),
    )


def _inward_ends(head: Head) -> Any:
    given = head.given.get("ends")
    return (
        None
        if given is None
        else reader(inputs.EndAllowancesSchema)(given, units.FACTORS[head.system])
    )


def _shown(lengths: calc.Lengths, factors: units.Factors, marks: list[Any]) -> list[Any]:
    """The results as the schema declares them, in the caller's units."""
    length, mass = factors["length"], factors["mass"]
    lists = [
        (lengths.straight_length / length).tolist(),
        (lengths.arc_length / length).tolist(),
        _or_null(lengths.gain / length),
        (lengths.developed_length / length).tolist(),
        (lengths.stretch / length).tolist(),
        (lengths.cut_length / length).tolist(),
        _or_null(lengths.mass / mass),
    ]
    return [
        {
            "straight_length": straight,
            "arc_length": arc,
            "gain": gain,
            "developed_length": developed,
            "stretch": stretch,
            "cut_length": cut,
            "mass": metal,
            "marks": mark,
        }
        for straight, arc, gain, developed, stretch, cut, metal, mark in zip(
            *lists, marks, strict=True
        )
    ]


def _or_null(values: Floats) -> list[float | None]:
    listed: list[float | None] = values.tolist()
    for place in np.flatnonzero(np.isnan(values)).tolist():
        listed[place] = None
    return listed


def _marks(batch: calc.Batch, factors: units.Factors) -> list[list[dict[str, Any]]]:
    """Marks of every run from end 1, walked as the mark layout walks."""
    length = factors["length"]
    straight, angle, radius = (c.tolist() for c in (batch.straight, batch.angle, batch.radius))
    found, row = [], 0
    each = zip(batch.counts.tolist(), batch.stretch.tolist(), batch.end_1.tolist(), strict=True)
    for count, stretch, at in each:
        bends = [Bend(straight[i], 0.0, angle[i], radius[i]) for i in range(row, row + count)]
        row += count
        found.append([_mark(place, length) for place in mark_layout.places(bends, stretch, at)])
    return found


def _mark(place: mark_layout.Place, length: float) -> dict[str, Any]:
    back = place.set_back
    return {
        "bend": place.number,
        "start": place.start / length,
        "end": (place.start + place.arc) / length,
        "apex": None if back is None else (place.start + back) / length,
    }


def _entry(index: int, id_: str | None, result: dict[str, Any] | None) -> dict[str, Any]:
    return {"index": index, "id": id_, "result": result, "problems": []}


def _one(item: Any, head: Head, index: int) -> dict[str, Any]:
    """One item through the single calculation."""
    merged = {**head.given, **item} if isinstance(item, dict) else item
    try:
        ask = BATCH_ITEM.load_in(merged, head.system)
        return _entry(index, ask["id"], _single(ask, head))
    except ValidationError as error:
        found = entries(BATCH_ITEM, error.messages_dict, merged)
    except CalculationError as error:
        found = [problem.entry(error, merged, head.system)]
    return _refused(item, index, found, head)


def _refused(item: Any, index: int, found: list[dict[str, Any]], head: Head) -> dict[str, Any]:
    problems_ = [
        {
            "pointer": _pointer(item, index, entry["pointer"], head),
            "code": entry["code"],
            "detail": entry["detail"],
        }
        for entry in found
    ]
    return {"index": index, "id": _id_of(item), "result": None, "problems": problems_}


def _id_of(item: Any) -> str | None:
    id_ = item.get("id") if isinstance(item, dict) else None
    return id_ if _is_id(id_) else None


def _pointer(item: Any, index: int, below: str, head: Head) -> str:
    """Into the line, the item, or the head for a member that the item does not have."""
    if head.stream:
        return below
    member = below.split("/")[1] if below else ""
    inherited = member and isinstance(item, dict) and member not in item
    return below if inherited and member != "run" else f"/items/{index}{below}"


def _single(ask: Ask, head: Head) -> dict[str, Any]:
    if ask["tube"] is None:
        raise MissingError("tube_missing", ("tube",))
    run, tube = inputs.run_of(ask), inputs.tube_of(ask)
    stretch, ends = ask["stretch"] or 0.0, inputs.ends_of(ask["ends"])
    result = single.developed_length(run, tube, stretch, ends)
    factors = units.FACTORS[head.system]
    marks = None
    if head.marks:
        placed = mark_layout.places(run.bends, stretch, ends.length_1)
        marks = [_mark(place, factors["length"]) for place in placed]
    made: dict[str, Any] = outward(BatchSums)(result, factors)
    return {**made, "marks": marks}


def _stream(head: Head) -> Response:
    """Answer line by line; memory stays flat, since only some lines are held at a time."""
    request.max_content_length = UNBOUNDED  # None would mean the limit of all other bodies
    lines = stream_with_context(_answers(_lines(request.stream), head))
    answered = Response(lines, content_type=NDJSON, headers=answer.version_headers())
    return texts.label(answered)


class _CutOff(bytes):
    """Stands for the lines that did not arrive."""


CUT_OFF = _CutOff(b"!")


def _lines(stream: Any) -> Iterator[bytes]:
    """The lines; of one that is too long no more than shows that it is.

    A stream that breaks off, or whose chunks are malformed, ends with a line that says so.
    """
    ahead = io.BufferedReader(stream, READ_AHEAD)  # by itself it reads a line byte by byte
    announced, seen = request.content_length, 0
    try:
        while line := ahead.readline(LONGEST_LINE + 2):
            seen += len(line)
            yield line
            part = line
            while len(line) > LONGEST_LINE and part and not part.endswith(b"\n"):
                part = ahead.readline(READ_AHEAD)
                seen += len(part)
    except Exception:  # each server has errors of its own for what it cannot take apart
        announced = UNBOUNDED
    if announced is not None and seen < announced:
        yield CUT_OFF


def _blocks(lines: Iterator[bytes]) -> Iterator[list[bytes]]:
    """Lines that are not blank, some at a time."""
    block, size = [], 0
    for line in lines:
        if line.strip():
            block.append(line)
            size += len(line)
        if len(block) == LINES_AT_ONCE or size > BYTES_AT_ONCE:
            yield block
            block, size = [], 0
    if block:
        yield block


def _answers(lines: Iterator[bytes], head: Head) -> Iterator[bytes]:
    first = 0
    for block in _blocks(lines):
        with _no_collection():
            written = _written(block, head, first)
        first += len(block)
        yield written


def _written(lines: list[bytes], head: Head, first: int) -> bytes:
    """The answers to some lines, a line each."""
    decoded = [_decoded(line) for line in lines]
    items = [None if isinstance(item, problem.ProblemError) else item for item in decoded]
    found, keys = _compute(items, head, first)
    if b"".join(lines).count(b":") != keys:  # line by line it would cost as much as the rest
        decoded = [_decoded_once(*pair) for pair in zip(lines, decoded, strict=True)]
    for place, fault in enumerate(decoded):
        if isinstance(fault, problem.ProblemError):
            found[place] = _faulty(items[place], first + place, fault, head)
    return b"".join([orjson.dumps(entry, option=orjson.OPT_APPEND_NEWLINE) for entry in found])


def _decoded(line: bytes) -> Any:
    """The item of a line, or why it has none."""
    if line is CUT_OFF:
        return problem.ProblemError(400, "body_cut_off")
    line = line.rstrip(b"\r\n")
    try:
        if len(line) > LONGEST_LINE:
            raise problem.ProblemError(413, "line_too_long", {"most": LONGEST_LINE})
        return body.decode_quickly(line)
    except problem.ProblemError as error:
        return error


def _decoded_once(line: bytes, item: Any) -> Any:
    """The item of a line, or the refusal of a key that stands twice in it."""
    try:
        if not isinstance(item, problem.ProblemError):
            body.refuse_twice(line, body.count_keys(item))
        return item
    except problem.ProblemError as error:
        return error


def _faulty(item: Any, index: int, fault: problem.ProblemError, head: Head) -> dict[str, Any]:
    """The entry of an item that could not be read as JSON, or has a key twice."""
    detail = texts.fill(texts.text("errors", fault.code), fault.values, "metric")
    entry = {"pointer": "", "code": fault.code, "detail": detail}
    return _refused(item, index, [entry], head)
