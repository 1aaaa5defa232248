"""POST /v1/cut-list: parts nested into bars and remnants; JSON or CSV, in and out."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from decimal import Decimal
from typing import Any, Literal

from flask import Response, request

from service import inputs
from service.calc import cut_list as calc
from service.errors import Amount, CalculationError, OutOfRangeError, Value
from service.model import LARGEST_LENGTH, Finding
from service.web import answer, body, cut_list_csv, problem, telemetry, texts
from service.web.entries import entries
from service.web.fields import Choice, Count, Flag, Length, Part, Parts, Quantity, Ratio, Text
from service.web.operation import Ask, blueprint, loaded, preferred, raw_operation, refuse_query
from service.web.schema import StrictSchema
from service.web.time_limit import within_limit
from service.web.units import FACTORS, INCH, NAMES

blp = blueprint("Cut list", "Parts nested into stock lengths and remnants.")

MOST_SECONDS = 10.0
DECIMALS = 9  # of a length that is answered: a 64th of an inch has six, a step in mm has two
LONGEST = 1e11  # 100,000 bars of 100,000 in a plan, and some
MOST_MONEY = 1e12
DATES = 99_999_999  # a due group may be a date written as one number, 20271231
ID_PATTERN = r"^[^\x00-\x1f\x7f<>]+$"
CSV = cut_list_csv.MEDIA_TYPE
JSON = body.MEDIA_TYPE
# the first that is coarse enough for the longest bar is taken where none is sent, mm
STEPS = {"metric": (0.1, 0.2, 0.5, 1.0), "inch": (INCH / 64, INCH / 32)}
FIGURES = 6  # decimals of a length in a text
Towards = Literal["up", "down", "nearest"]
# so that no number in a text is refused when it is sent, or claims more than was proven
TOWARDS: dict[str, Towards] = {
    "least": "up",
    "least_step": "up",
    "most": "down",
    "lacking": "down",
    "limit": "down",
    "gap": "up",
}
CAUTIONS = ("sawing", "pressure", "local_codes")


def _figure(number: float, towards: Towards = "nearest", decimals: int = FIGURES) -> str:
    """A number as text with so many decimals at most; what is a millionth of one off is on it."""
    fine = 10.0**decimals
    steps = number * fine
    whole = {"up": math.ceil(steps - 1e-3), "down": math.floor(steps + 1e-3)}
    text = f"{whole.get(towards, round(steps)) / fine:.{decimals}f}"
    return text.rstrip("0").rstrip(".")


class _Span(Length):
    """A length that the calculation takes from ``span[0]`` to ``span[1]`` mm in either system.

    The bounds of the schema are for both units and stay as wide as they were published; what is
    told, also where they refuse, is the span.
    """

    def __init__(
        self,
        description: str,
        *span: float,
        least: float = 0.0,
        most: float = LARGEST_LENGTH,
        **kwargs: Any,
    ) -> None:
        self.span = span or (0.0, LARGEST_LENGTH)
        limits = (self._limits(system, 4) for system in FACTORS)
        told = " or ".join("{least} to {most} {unit}".format(**each) for each in limits)
        super().__init__(f"{description}; {told}", least=least, most=most, **kwargs)

    def allowed(self, system: str) -> str:
        """What is allowed, as text in the caller's units."""
        limits = self._limits(system, FIGURES)
        told = {name: texts.decimal(words, texts.language()) for name, words in limits.items()}
        return texts.text("allowed", "range").format(**told)

    def _limits(self, system: str, decimals: int) -> dict[str, str]:
        least, most = (limit / FACTORS[system]["length"] for limit in self.span)
        return {
            "least": _figure(least, "up", decimals),
            "most": _figure(most, "down", decimals),
            "unit": NAMES[system]["length"],
        }


class _Seconds(Ratio):
    """A time."""

    def allowed(self, system: str) -> str:
        """What is allowed, as text."""
        return f"{super().allowed(system)} s"


def _id(description: str, **kwargs: Any) -> Text:
    return Text(description, pattern=ID_PATTERN, **{"required": True, **kwargs})


def _tube() -> Text:
    return Text("Tube that it is of, in the caller's own words", load_default="")


def _bar(description: str) -> _Span:
    return _Span(
        f"{description}, at most 150,000 steps of the length grid (search.step)",
        calc.LEAST_BAR,
        LARGEST_LENGTH,
        least=0.01,
        required=True,
    )


def _kerf(more: str = "") -> _Span:
    return _Span(f"Width of a cut{more}", 0.0, calc.LARGEST_KERF, most=100.0, required=True)


def _least_remnant(more: str = "") -> _Span:
    return _Span(
        f"Shortest rest that saw and bender still hold; below it a rest is scrap{more}",
        required=True,
    )


def _cut(description: str, **kwargs: Any) -> Length:
    return Length(description, most=LONGEST, decimals=DECIMALS, required=True, **kwargs)


class CutListPartSchema(StrictSchema):
    """A part to cut."""

    id = _id("Id of the part; once in a due group of a tube")
    length = _Span(
        "Cut length, at least one step of the length grid",
        calc.LEAST_STEP,
        LARGEST_LENGTH,
        least=0.0001,
        required=True,
    )
    quantity = Count("How many", least=1, most=calc.MOST_PIECES, required=True)
    tube = _tube()
    due_group = Count("Cut in this order, lowest first", most=DATES, load_default=0)


class CutListStockSchema(StrictSchema):
    """New bars of one length."""

    id = _id("Id of this stock length; once for a tube")
    length = _bar("Length of a bar")
    tube = _tube()
    count = Count("How many there are; any number when left out", most=calc.MOST_PIECES)
    price = Ratio(
        "Price of one bar in any currency; for all lengths of a tube or for none. Costs and bounds "
        "are exact for prices to 9 decimals, and told to 6 decimals where prices have more",
        least=calc.LEAST_PRICE,
        most=calc.LARGEST_PRICE,
    )


class CutListRemnantSchema(StrictSchema):
    """Remnants on the rack; they cost nothing and are used first."""

    id = _id("Id of the remnant; once for a tube")
    length = _bar("Length of one")
    tube = _tube()
    count = Count("How many", least=1, most=calc.MOST_REMNANTS, load_default=1)


class CutListTubeSchema(inputs.TubeSchema):
    """The size of a tube, and its material, for the masses."""

    id = Text("The tube as parts, stock and remnants name it in `tube`", load_default="")


class CutListSawSchema(StrictSchema):
    """How bars are cut."""

    kerf = _kerf()
    least_remnant = _least_remnant()
    end_trim = _Span("Cut off a new bar in all, kerf of these cuts included", load_default=0.0)
    remnant_end_trim = _Span("The same for a remnant", load_default=0.0)
    part_last_piece = Flag(
        "true: the last piece is always parted from a rest, n pieces take n cuts; false: it may "
        "end with the bar, n − 1 cuts",
        load_default=False,
    )


class CutListSearchSchema(StrictSchema):
    """How long to search, and on which grid."""

    time_budget = _Seconds(
        "Seconds to search for a better plan; the longest lists take some seconds more to read",
        least=calc.LEAST_TIME_BUDGET,
        most=MOST_SECONDS,
        load_default=2.0,
    )
    seed = Count("Seed of the search", most=2**31 - 1, load_default=0)
    step = _Span(
        "Step of the length grid: parts and kerf are rounded up to it, bars down. No bar may be "
        "longer than 150,000 steps. When left out 0.1 mm or 1/64 in; where a bar is too long for "
        "that, the first that will do of 0.2, 0.5 and 1 mm, or 1/32 in",
        calc.LEAST_STEP,
        calc.LARGEST_STEP,
        least=0.0001,
        most=1.0,
    )


class CutListQuery(CutListSearchSchema, CutListSawSchema):
    """Saw and search of a CSV body, in the unit of its column of lengths."""

    kerf = _kerf("; required with a CSV body")
    least_remnant = _least_remnant("; required with a CSV body")


class CutListRequest(inputs.UnitsRequest):
    """Parts, stock and saw."""

    parts = Parts(
        CutListPartSchema,
        "What to cut; the quantities add up to at most 100,000",
        least=1,
        most=calc.MOST_PART_LINES,
        required=True,
    )
    stock = Parts(CutListStockSchema, "New bars", most=500, load_default=())
    remnants = Parts(
        CutListRemnantSchema,
        "Remnants; the counts add up to at most 2000",
        most=calc.MOST_REMNANTS,
        load_default=(),
    )
    tubes = Parts(CutListTubeSchema, "Tubes whose masses are wanted", most=500, load_default=())
    saw = Part(CutListSawSchema, "The saw", required=True)
    search = Part(CutListSearchSchema, "The search")


class CutListPieceSchema(StrictSchema):
    """Pieces of one part in a pattern."""

    part = Text("Id of the part", required=True)
    length = _cut("Length on the grid; set the saw to it")
    count = Count("Pieces in one bar", least=1, most=calc.MOST_PIECES, required=True)


class CutListPatternSchema(StrictSchema):
    """Bars that are cut alike; pieces, kerf, trim and rest add up to the bar."""

    number = Count("Number of the pattern within its tube", least=1, most=10**6, required=True)
    due_group = Count("Due group", most=DATES, required=True)
    source = Choice(
        "`stock`: new bars; `remnant`: from the rack; `rest`: what `from_pattern` left",
        ("stock", "remnant", "rest"),
        required=True,
    )
    source_id = Text("Id of the stock length or remnant; the number of a pattern", required=True)
    from_pattern = Count(
        "Pattern whose rests these are; null for stock and remnants",
        least=1,
        most=10**6,
        allow_none=True,
        required=True,
    )
    bar_length = _cut("Length of one bar")
    times = Count("Bars cut so", least=1, most=calc.MOST_PIECES, required=True)
    pieces = Parts(CutListPieceSchema, "Pieces of one bar", most=1000, required=True)
    kerf = _cut("Kerf of one bar")
    trim = _cut("End trim of one bar")
    rest = _cut("Rest of one bar")
    rest_is_useful = Flag("Whether the rest is long enough to keep", required=True)
    rests_cut_later = Count(
        "Rests that a later due group cuts up", most=calc.MOST_PIECES, required=True
    )


class CutListBoundSchema(StrictSchema):
    """What the plan takes and what every plan must take at least."""

    objective = Choice(
        "What is as small as can be, and the unit of the numbers here: number of new `bars`, "
        "`cost`, or `stock_length` in mm or in",
        ("bars", "cost", "stock_length"),
        required=True,
    )
    value = Ratio("The plan", most=MOST_MONEY, required=True)
    lower_bound = Ratio("Proven: no plan takes less", most=MOST_MONEY, required=True)
    gap = Ratio("Plan less bound", most=MOST_MONEY, required=True)
    proven_optimal = Flag("Whether there can be no better plan", required=True)
    bound_from = Choice(
        "Where the bound comes from",
        ("material", "l2", "linear", "branch_and_bound"),
        required=True,
    )


class CutListDueGroupSchema(StrictSchema):
    """One due group, given what the earlier ones left."""

    due_group = Count("Due group", most=DATES, required=True)
    new_bars = Count("New bars begun", most=calc.MOST_PIECES, required=True)
    bound = Part(CutListBoundSchema, "Plan and bound of this group", required=True)
    ended_by = Choice(
        "What ended the search: `proof` of the best plan, `work` done, or the `clock`",
        ("proof", "work", "clock"),
        required=True,
    )


class CutListStockUseSchema(StrictSchema):
    """Bars of one stock length."""

    stock = Text("Id of the stock length", required=True)
    bars = Count("New bars", least=1, most=calc.MOST_PIECES, required=True)
    cost = Ratio(
        "What they cost; null without a price", most=MOST_MONEY, allow_none=True, required=True
    )


class CutListUnusedSchema(StrictSchema):
    """A remnant that stays on the rack."""

    id = Text("Id of the remnant", required=True)
    length = _cut("Length of one")
    count = Count("How many", least=1, most=calc.MOST_REMNANTS, required=True)


class CutListReturnedSchema(StrictSchema):
    """Rests that go back to the rack."""

    length = _cut("Length of one")
    count = Count("How many", least=1, most=calc.MOST_PIECES, required=True)
    from_pattern = Count("Pattern that left them", least=1, most=10**6, required=True)


class CutListLengthsSchema(StrictSchema):
    """Where the length went: stock + remnants = parts + kerf + trim + scrap + returned."""

    stock = _cut("New bars")
    remnants = _cut("Remnants used")
    parts = _cut("Parts")
    kerf = _cut("Kerf")
    trim = _cut("End trim")
    scrap = _cut("Rests too short to keep")
    returned = _cut("Rests that go back to the rack")
    waste_ratio = Ratio("Kerf, trim and scrap over what was used up", required=True)


class CutListMassesSchema(StrictSchema):
    """Masses."""

    stock = Quantity("mass", "New bars", least=0, most=1e9, required=True)
    parts = Quantity("mass", "Parts", least=0, most=1e9, required=True)
    waste = Quantity("mass", "Kerf, trim and scrap", least=0, most=1e9, required=True)
    returned = Quantity("mass", "Rests that go back", least=0, most=1e9, required=True)


class CutListOfTubeSchema(StrictSchema):
    """The cut list of one tube."""

    tube = Text("The tube", required=True)
    patterns = Parts(
        CutListPatternSchema, "In the order of cutting", most=calc.MOST_PIECES, required=True
    )
    due_groups = Parts(CutListDueGroupSchema, "Due groups", most=1000, required=True)
    stock_use = Parts(CutListStockUseSchema, "New bars by stock length", most=500, required=True)
    new_bars = Count("New bars in all", most=calc.MOST_PIECES, required=True)
    remnants_used = Count("Remnants used", most=calc.MOST_REMNANTS, required=True)
    remnants_unused = Parts(
        CutListUnusedSchema, "Remnants left alone", most=calc.MOST_REMNANTS, required=True
    )
    remnants_returned = Parts(
        CutListReturnedSchema, "New remnants", most=calc.MOST_PIECES, required=True
    )
    lengths = Part(CutListLengthsSchema, "Balance of lengths", required=True)
    masses = Part(
        CutListMassesSchema, "Null without size and material", allow_none=True, required=True
    )
    cost = Ratio(
        "Cost of new bars; null without prices", most=MOST_MONEY, allow_none=True, required=True
    )
    bound = Part(
        CutListBoundSchema, "Plan and bound, whatever the order of due groups", required=True
    )


class CutListResult(StrictSchema):
    """The cut lists, tube by tube."""

    tubes = Parts(CutListOfTubeSchema, "Tubes in the order of the parts", most=1000, required=True)
    repeatable = Flag(
        "Whether the same request brings the same plan again; false where the clock ended a search",
        required=True,
    )
    step = _cut("Step of the length grid that was used")


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "parts": [
        {"id": "trailer-return-1", "length": 812.5, "quantity": 14, "tube": "15x1.5"},
        {"id": "trailer-return-2", "length": 1430, "quantity": 9, "tube": "15x1.5"},
        {"id": "crane-feed", "length": 2265, "quantity": 4, "tube": "15x1.5", "due_group": 1},
    ],
    "stock": [
        {"id": "bar-6m", "length": 6000, "tube": "15x1.5", "price": 21.6},
        {"id": "bar-4m", "length": 4000, "tube": "15x1.5", "count": 10, "price": 14.9},
    ],
    "remnants": [{"id": "rack-7", "length": 1710, "tube": "15x1.5", "count": 2}],
    "tubes": [
        {"id": "15x1.5", "outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"}
    ],
    "saw": {"kerf": 2, "least_remnant": 300, "end_trim": 10},
}
CSV_EXAMPLE = (
    "kind,id,length_mm,quantity,tube,due_group,price\r\n"
    "part,trailer-return-1,812.5,14,15x1.5,0,\r\n"
    "part,crane-feed,2265,4,15x1.5,1,\r\n"
    "stock,bar-6m,6000,,15x1.5,,21.60\r\n"
    "remnant,rack-7,1710,2,15x1.5,,\r\n"
)
CSV_BODY = {
    "type": "string",
    "maxLength": body.LARGEST_BODY,
    "pattern": r"^[^\x00]*$",
    "description": "RFC 4180, UTF-8, decimal point. Columns, in any order: kind (part, stock or "
    "remnant), id, length_mm or length_in; and where wanted quantity, tube, due_group, price. At "
    "most 5000 rows, of them 1000 parts, 500 stock and 2000 remnants; limits as in JSON.",
}
CSV_ANSWER = {
    "type": "string",
    "maxLength": 100_000_000,
    "pattern": r"^[^\x00]*$",
    "description": "RFC 4180 with a header: a row for each pattern and part; the rows of one "
    "pattern (tube, pattern) have the same bars and rests. Of these rests `rests_cut_later` are "
    "cut up by a later due group; the others, bars − rests_cut_later, go back to the rack where "
    "`rest_is` is `remnant`. What a spreadsheet would run as a formula, at the beginning of a text "
    "or after a semicolon, tab or bar in it, stands behind an apostrophe; an apostrophe there is "
    "doubled.",
}
FINDINGS = {
    "description": "With CSV: codes of what the caller must know; absent where there is nothing",
    "schema": {"type": "string", "maxLength": 1000, "pattern": "^[a-z0-9_]+(, [a-z0-9_]+)*$"},
}
ANSWER = answer.answer_schema("CutList", CutListResult)
QUERY = {"in": "query", "schema": CutListQuery(partial=True)}


@raw_operation(
    blp,
    "/cut-list",
    operation_id="cutList",
    answer=ANSWER,
    description="Parts, stock and saw as JSON; or parts, stock and remnants as CSV, with the saw "
    "in the query. Unknown fields and columns are refused.",
    content={
        JSON: {"schema": CutListRequest, "example": EXAMPLE},
        CSV: {"schema": CSV_BODY, "example": CSV_EXAMPLE},
    },
    also={CSV: {"schema": CSV_ANSWER}},
    parameters=[QUERY],
    answered="Computed.",
    headers={**answer.VERSION_HEADERS, "Findings": FINDINGS},
)
def cut_list() -> Response:
    """Nest parts into stock lengths and remnants.

    Tube by tube and due group by due group: the cutting patterns, the bars they take, waste,
    remnants that go back, masses and cost, and a proven lower bound with the gap to it. Remnants
    are used first. The same request, seed and time budget bring the same plan, unless the clock
    ended the search; `repeatable` says so. The query is for a CSV body alone: saw and search. With
    `Accept: text/csv` the patterns alone come as CSV, and the header `Findings` names the codes of
    the findings.
    """
    kind = preferred((CSV,))
    body.check_headers(request, CSV)
    table = None
    if request.mimetype == CSV:
        table = _table()
        sent = _with_query(table)
    else:
        if request.args:
            raise problem.ProblemError(422, "query_without_csv", {"name": next(iter(request.args))})
        refuse_query()
        sent = body.read_json(request)
    ask = _checked(sent, table)
    try:
        result = within_limit(_computed, ask)
    except calc.SeveralRefusedError as error:
        return _refused(error.refusals, sent, table, ask["units"])
    except CalculationError as error:
        return _refused((error,), sent, table, ask["units"])
    return _respond(result, ask["units"], kind)


# --- refusals ------------------------------------------------------------------------------------


def _refused(
    errors: tuple[CalculationError, ...],
    sent: Any,
    table: cut_list_csv.CutListTable | None,
    system: str,
) -> Response:
    told = [_in_figures(error, system) for error in errors[: problem.MOST_ENTRIES]]
    found = [_placed(_entry(error, sent, system), table) for error in told]
    detail = found[0]["detail"] if len(errors) == 1 else _several(errors)
    return problem.respond(422, detail, found, code=errors[0].code)


def _entry(error: CalculationError, sent: Any, system: str) -> dict[str, Any]:
    """One refusal; of a sum over a group the value is the sum."""
    found, value = problem.entry(error, sent, system), error.values.get("value")
    summed = error.code == "cut_list_out_of_range" and len(error.field) == 1
    return {**found, "value": value.value} if summed and isinstance(value, Amount) else found


def _several(errors: tuple[CalculationError, ...]) -> str:
    """What several refusals have in common."""
    code = "invalid_request"
    values: dict[str, Value] = {"count": len(errors)}
    if {error.code for error in errors} == {"part_fits_no_bar"}:
        code = "parts_fit_no_bar"
        values["ids"] = calc.names_of([str(error.values["id"]) for error in errors])
    return texts.fill(texts.text("errors", code), values, "metric")


def _in_figures(error: CalculationError, system: str) -> CalculationError:
    """The error with its lengths as text that rounds no limit to the wrong side."""
    values = {name: _length(name, value, system) for name, value in error.values.items()}
    return type(error)(error.code, error.field, values)


def _length(name: str, value: Value, system: str) -> Value:
    if not isinstance(value, Amount) or value.kind != "length":
        return value
    number = value.value / FACTORS[system]["length"]
    figure = texts.decimal(_figure(number, TOWARDS.get(name, "nearest")), texts.language())
    return f"{figure} {NAMES[system]['length']}"


# --- CSV in --------------------------------------------------------------------------------------


def _table() -> cut_list_csv.CutListTable:
    """The rows of a CSV body; refuses with one entry per bad row."""
    try:
        table = cut_list_csv.read_cut_list(body.read_all(request))
        errors = table.errors
    except CalculationError as error:
        errors = (error,)
    if errors:
        found = [_csv_entry(error) for error in errors]
        raise problem.ProblemError(422, "invalid_request", {"count": len(found)}, found)
    return table


def _csv_entry(error: CalculationError) -> dict[str, Any]:
    return {**problem.entry(error, {}, "metric"), "value": error.values.get("value")}


def _with_query(table: cut_list_csv.CutListTable) -> dict[str, Any]:
    """The body that the table and the query make together."""
    given = list(request.args.lists())
    query = {name: cut_list_csv.query_value(values[0]) for name, values in given}
    schema = CutListQuery(partial=True)
    messages = schema.validate(query)
    messages |= {name: ["query_parameter_repeated"] for name, values in given if len(values) > 1}
    if messages:
        found = entries(schema, messages, {"units": table.body["units"], **query})
        raise problem.ProblemError(422, "invalid_request", {"count": len(found)}, found)
    parts = {"saw": CutListSawSchema(), "search": CutListSearchSchema()}
    nested = {
        name: {field: query[field] for field in part.fields if field in query}
        for name, part in parts.items()
    }
    return {**table.body, **nested}


def _placed(entry: dict[str, Any], table: cut_list_csv.CutListTable | None) -> dict[str, Any]:
    return entry if table is None else cut_list_csv.placed(entry, table)


# --- the calculation -----------------------------------------------------------------------------


def _checked(sent: Any, table: cut_list_csv.CutListTable | None) -> Ask:
    """The body in internal units; refuses with one entry per bad field."""
    try:
        return loaded(CutListRequest(), sent)
    except problem.ProblemError as error:
        error.entries = [_placed(dict(entry), table) for entry in error.entries]
        raise


def _computed(ask: Ask) -> calc.CutList:
    job = calc.CutJob(
        parts=tuple(calc.Part(**part) for part in ask["parts"]),
        stock=tuple(calc.StockLength(**line) for line in ask["stock"]),
        saw=calc.Saw(**ask["saw"]),
        remnants=tuple(calc.Remnant(**remnant) for remnant in ask["remnants"]),
        mass_per_length=_masses(ask["tubes"]),
        search=_search(ask),
        tubes=tuple(tube["id"] for tube in ask["tubes"]),
    )
    start = time.perf_counter()
    try:
        result = calc.cut_list(job)
    finally:
        telemetry.count_solver("cut_list", time.perf_counter() - start)
    if any(tube.masses for tube in result.tubes):
        result = replace(result, methods=(*result.methods, "metal-mass"))
    return result


def _search(ask: Ask) -> calc.Search:
    given = ask["search"] or {"time_budget": 2.0, "seed": 0, "step": None}
    budget, seed, step = given["time_budget"], given["seed"], given["step"]
    if step is not None:
        return calc.Search(budget, seed, step)
    steps = STEPS[ask["units"]]
    bars = [line["length"] for line in ask["stock"]] + [line["length"] for line in ask["remnants"]]
    return calc.Search(budget, seed, calc.fitting_step(max(bars, default=0.0), steps), steps[0])


def _masses(tubes: Any) -> dict[str, float]:
    """Mass per length by tube, kg/mm, of those with a material."""
    found: dict[str, float] = {}
    seen = set()
    for index, given in enumerate(tubes):
        if given["id"] in seen:
            raise OutOfRangeError("cut_list_id_twice", ("tubes", index, "id"), {"id": given["id"]})
        seen.add(given["id"])
        try:
            tube = inputs.tube_of({"tube": given})
        except CalculationError as error:
            below = error.field[1:]
            raise type(error)(error.code, ("tubes", index, *below), error.values) from None
        if tube.material is not None:
            found[given["id"]] = tube.metal_area * tube.material.density
    return found


# --- out -----------------------------------------------------------------------------------------


def _respond(result: calc.CutList, system: str, kind: str) -> Response:
    if kind == CSV:
        return _as_csv(result, system)
    shown = _in_units(result, system)
    response = answer.respond(system, CutListResult, shown, CAUTIONS)
    response.vary.add("Accept")
    return response


def _as_csv(result: calc.CutList, system: str) -> Response:
    plans = [(tube.tube, tube.patterns) for tube in result.tubes]
    text = cut_list_csv.write_cut_list(plans, system)
    response = Response(text, content_type=f"{CSV}; charset=utf-8; header=present")
    response.headers["Content-Disposition"] = 'attachment; filename="cut-list.csv"'
    telemetry.count_findings(result.findings)
    codes = dict.fromkeys(finding.code for finding in result.findings)
    if codes:
        response.headers["Findings"] = ", ".join(codes)
    response.headers.update(answer.version_headers())
    response.vary.add("Accept")
    return response


def _in_units(result: calc.CutList, system: str) -> calc.CutList:
    """Bounds of a stock length in the caller's unit; of bars and cost as they are."""
    findings = tuple(_told_exactly(finding, system) for finding in result.findings)
    result = replace(result, findings=findings)
    if system != "inch":
        return result
    return replace(result, tubes=tuple(_in_inches(tube) for tube in result.tubes))


def _told_exactly(finding: Finding, system: str) -> Finding:
    """The finding with a bound that its text does not round up."""
    limit = finding.limit
    if finding.code != "cut_list_not_proven" or limit is None:
        return finding
    amounts = {"value": finding.value, "limit": limit, "gap": finding.values["gap"]}
    told = {name: _bound_told(name, amount, system) for name, amount in amounts.items()}
    if limit.kind == "length":
        limit = replace(limit, value=_not_above(limit.value, FACTORS[system]["length"]))
    return replace(finding, limit=limit, values={**finding.values, **told})


def _bound_told(name: str, amount: Value, system: str) -> Value:
    if isinstance(amount, Amount) and amount.kind != "length":
        shortest = f"{Decimal(repr(amount.value)):f}".removesuffix(".0")
        return texts.decimal(shortest, texts.language())
    return _length(name, amount, system)


def _not_above(length: float, factor: float) -> float:
    """The length, or the one next below, of which no more is left in the caller's unit."""
    most = round(length / factor, DECIMALS)
    return length if length / factor <= most else math.nextafter(length, 0.0)


def _in_inches(tube: calc.TubeCutList) -> calc.TubeCutList:
    groups = tuple(replace(group, bound=_bound(group.bound)) for group in tube.due_groups)
    return replace(tube, bound=_bound(tube.bound), due_groups=groups)


def _bound(bound: calc.Bound) -> calc.Bound:
    if bound.objective != "stock_length":
        return bound
    value, least, gap = (
        round(number / INCH, DECIMALS) for number in (bound.value, bound.lower_bound, bound.gap)
    )
    return replace(bound, value=value, lower_bound=least, gap=gap)
