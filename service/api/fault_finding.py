"""POST /v1/fault-finding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, get_args

from service import inputs, reference, reference_bench
from service.calc import fault_finding as calc
from service.calc.fault_case import (
    BenderUse,
    FaultCase,
    FaultLimits,
    Found,
    MandrelUse,
    MeasuredLeg,
    Measures,
    Reading,
    SetUp,
    Way,
)
from service.calc.mandrel_criterion import limits_in_force
from service.calc.mandrel_lead import MandrelTool
from service.errors import Amount
from service.model import Finding, Tube
from service.model_bench import LARGEST_WEIGHT, Symptom
from service.web import texts, units
from service.web.answer import CODE_PATTERN, KEBAB_PATTERN, FindingValue
from service.web.examples import TUBE_15, TWO_BENDS
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Flag,
    Length,
    Part,
    Parts,
    Quantity,
    Text,
)
from service.web.operation import DEFAULT_CAUTIONS, Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Fault finding", "From what went wrong and the set-up to ranked causes and cures.")

SYMPTOMS: tuple[str, ...] = get_args(Symptom)
REFERENCES = ("start", "zero_mark", "arc_centre", "apex", "end")
WORDS_PATTERN = r"^[^\x00-\x1f]*$"
FAR = 1e8


class FaultSetUpSchema(StrictSchema):
    """How the bend was set; what is left out is not judged by."""

    angle = Angle("Angle that it was cranked to", least=0.01)
    marked = Choice("Point of the bend that was marked on the tube", REFERENCES)
    set_at = Choice("Mark of the die that the tube's mark was set at", REFERENCES)
    marked_from = Choice("End from which the marks were measured", inputs.ENDS)
    groove_clearance = Length(
        "Width of the groove less outside diameter of the tube, both gauged", least=-50.0, most=50.0
    )
    clamped_length = Length("Straight tube that lay in the clamp")
    pressure_die = Choice("How the pressure die was set", ("loose", "snug", "tight"))
    seam = Choice(
        "Where the weld seam of the tube lay in the bend; `none` for seamless tube",
        ("outside", "inside", "side", "none"),
    )
    clamp_dry = Flag("Whether clamp and tube in it were free of oil")
    lubricated = Flag("Whether tube and groove (with a mandrel the bore too) were lubricated")
    cleaned = Flag("Whether die, clamp and pressure die were cleaned before")
    zero_set = Flag("Whether the angle scale was set to zero before")
    supported = Flag("Whether long tube behind the die was supported")


class FaultLegSchema(StrictSchema):
    """A leg: from an end to the first bend, between two bends, or from the last bend to an end."""

    leg = Count("Leg number from end 1; leg 1 ends at bend 1", least=1, most=501, required=True)
    measured = Length("As measured", required=True)
    wanted = Length("As wanted; only without a run, which gives it")


class FaultMeasuresSchema(StrictSchema):
    """What came out; what is left out is not judged by."""

    angle = Angle("Bend angle", least=0.01)
    radius = Length("Centre-line radius", least=0.01, most=10_000.0)
    rotation = Angle("Rotation from the bend before", least=-180.0, most=180.0)
    largest_diameter = Length("Largest outside diameter in the bend", least=0.001, most=1000.0)
    least_diameter = Length("Least outside diameter at the same place", least=0.001, most=1000.0)
    wall_outside = Length("Wall on the outside of the bend", least=0.0001, most=1000.0)
    legs = Parts(
        FaultLegSchema,
        "The leg that is wrong, then others: each one more tells causes apart",
        most=501,
        load_default=(),
    )
    legs_to = Choice(
        "`apex`: legs run to the intersection points, as drawn; `tangent`: only the straight",
        ("apex", "tangent"),
        load_default="apex",
    )
    clamp_marks = Flag("Whether the clamp left drag marks on the tube")


class FaultReadingSchema(StrictSchema):
    """How near to the truth the measures are: what differs by less is not told apart."""

    length = Length("Of a length; 0.5 mm or 0.02 in when left out", least=0.0001, most=100.0)
    angle = Angle("Of an angle; 0.5° when left out", least=0.001, most=20.0)


class FaultLimitsSchema(StrictSchema):
    """Limits of the trade that a shop may set for itself."""

    groove_clearance = Quantity(
        "percent",
        "Clearance of the groove, as a share of the outside diameter, from which it is wide; 1 % "
        "when left out (common practice, no published source)",
        least=0.0,
        most=100.0,
    )
    high_utilisation = Quantity(
        "percent",
        "Share of the bender's capacity from which tube is hard to crank; 80 % when left out "
        "(common practice, no published source)",
        least=1.0,
        most=1000.0,
    )


class FaultFindingRequest(inputs.BendsRequest):
    """A symptom and everything that is known of the set-up; more data tell more causes apart."""

    symptom = Choice("What is wrong", SYMPTOMS, required=True)
    bend = Count(
        "Bend that shows the fault, from end 1; 1 when left out",
        least=1,
        most=inputs.MOST_BENDS,
        load_default=1,
    )
    measure = inputs.measure_field(
        "`from_end`: marks were measured from that end; `as_you_go`: each from the bend before"
    )
    bender = inputs.bender_field()
    springback = inputs.springback_field()
    mandrel_used = Flag("Whether a mandrel was used; true where `mandrel` states its lead")
    mandrel = inputs.mandrel_field()
    set_up = Part(FaultSetUpSchema, "How the bend was set", load_default={})
    measured = Part(FaultMeasuresSchema, "What came out", load_default={})
    reading = Part(FaultReadingSchema, "How near to the truth the measures are", load_default={})
    limits = Part(FaultLimitsSchema, "Limits to judge by, instead of the trade's", load_default={})


class FaultWaySchema(StrictSchema):
    """One way in which the cause brings about what was measured."""

    code = Text("Stable code", pattern=CODE_PATTERN, most=64, required=True)
    bend = Count(
        "Bend at which it happened; null where there is no single one",
        least=1,
        most=500,
        allow_none=True,
        required=True,
    )
    amount = Part(FindingValue, "What it makes of the measure", required=True)
    text = Text("In words", most=600, pattern=WORDS_PATTERN, required=True)


class FaultEvidenceSchema(StrictSchema):
    """What one test found."""

    test = Text("Name of the test", pattern=CODE_PATTERN, most=64, required=True)
    weight = Count("What it weighs", least=1, most=LARGEST_WEIGHT, required=True)
    verdict = Choice(
        "Whether it speaks for this cause", ("supports", "contradicts", "silent"), required=True
    )
    code = Text("Stable code of what was found", pattern=CODE_PATTERN, most=64, required=True)
    value = Part(FindingValue, "The number found", allow_none=True, required=True)
    limit = Part(FindingValue, "The number it was held against", allow_none=True, required=True)
    text = Text("In words", most=600, pattern=WORDS_PATTERN, required=True)
    ways = Parts(
        FaultWaySchema, "Ways in which it comes about, the nearest first", most=100, required=True
    )
    missing = Parts(
        Text("JSON pointer into the request", most=80, pattern=WORDS_PATTERN),
        "Data of the request that would make it speak, or speak more surely",
        most=10,
        required=True,
    )


class FaultCauseSchema(StrictSchema):
    """A cause with its evidence, what to check, and the cure."""

    rank = Count("Rank; equal scores share it", least=1, most=100, required=True)
    tied = Flag("Whether other causes have the same score", required=True)
    cause = Text("Stable code", pattern=CODE_PATTERN, most=64, required=True)
    title = Text("In words", most=200, pattern=WORDS_PATTERN, required=True)
    state = Choice(
        "What the evidence says in sum", ("supported", "open", "contradicted"), required=True
    )
    score = Count(
        "Sum of weight × (+1 supports, −1 contradicts, 0 silent)",
        least=-100,
        most=100,
        required=True,
    )
    evidence = Parts(FaultEvidenceSchema, "What was found", most=10, required=True)
    check_first = Text("What to look at", most=600, pattern=WORDS_PATTERN, required=True)
    cure = Text("What to do", most=600, pattern=WORDS_PATTERN, required=True)
    upkeep = Parts(
        Text("Id of an upkeep task", pattern=KEBAB_PATTERN, most=64),
        "Upkeep that keeps it away (GET /v1/upkeep)",
        most=10,
        required=True,
    )
    source = Text("Id of the source", pattern=KEBAB_PATTERN, most=64, required=True)
    trust = Text("How far it can be trusted", required=True)


class FaultMissingSchema(StrictSchema):
    """A datum that was not sent."""

    pointer = Text("JSON pointer into the request", most=80, pattern=WORDS_PATTERN, required=True)
    text = Text("What to send", most=300, pattern=WORDS_PATTERN, required=True)
    causes = Parts(
        Text("Code of a cause", pattern=CODE_PATTERN, most=64),
        "Causes that it would let be judged, or judged more surely",
        most=100,
        required=True,
    )


class FaultFindingResult(StrictSchema):
    """Causes from the most to the least supported."""

    symptom = Choice("What is wrong", SYMPTOMS, required=True)
    bend = Count(
        "The bend judged; null where none is known",
        least=1,
        most=500,
        allow_none=True,
        required=True,
    )
    leg = Count(
        "The leg judged; null without one", least=1, most=501, allow_none=True, required=True
    )
    leg_deviation = Length(
        "That leg, measured less wanted", least=-FAR, most=FAR, allow_none=True, required=True
    )
    angle_deviation = Angle(
        "Bend angle, measured less wanted", least=-360.0, allow_none=True, required=True
    )
    rotation_deviation = Angle(
        "Rotation, measured less wanted, the short way round",
        least=-180.0,
        most=180.0,
        allow_none=True,
        required=True,
    )
    radius_deviation = Length(
        "Radius, measured less wanted", least=-FAR, most=FAR, allow_none=True, required=True
    )
    telling_legs = Parts(
        Count("Leg number from end 1", least=1, most=501),
        "Legs that, measured too, tell the tied first causes apart",
        most=501,
        required=True,
    )
    causes = Parts(FaultCauseSchema, "Ranked causes", most=100, required=True)
    missing = Parts(
        FaultMissingSchema, "What cannot be judged without which datum", most=100, required=True
    )


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "symptom": "leg_too_long",
    "tube": TUBE_15,
    "run": TWO_BENDS,
    "bend": 1,
    "die": "d15-r45",
    "bender": "bench-25",
    "springback": [{"constant": 0.8, "proportional": 0.014}],
    "set_up": {"angle": 92, "cleaned": True},
    "measured": {
        "angle": 90.1,
        "legs": [{"leg": 2, "measured": 167.9}, {"leg": 1, "measured": 165.2}],
    },
}


# --- the case ------------------------------------------------------------------------------------


def _case(ask: Ask) -> FaultCase:
    tube, die = inputs.tube_of(ask), inputs.die_of(ask["die"])
    return FaultCase(
        symptom=ask["symptom"],
        tube=tube,
        mandrel_limits=limits_in_force(reference.shop().mandrel_limits),
        bends=inputs.bends_of(ask, tube, die),
        number=ask["bend"],
        run=None if ask["run"] is None else inputs.run_of(ask),
        measured_from=ask["measured_from"],
        measure=ask["measure"],
        stretch=ask["stretch"],
        ends=inputs.ends_of(ask["ends"]),
        die=die,
        bender=_bender(ask),
        strength=inputs.strength_to_bend(tube),
        mandrel=_mandrel(ask, tube),
        laws=inputs.springback_of(ask["springback"]),
        set_up=SetUp(**ask["set_up"]),
        measured=_measures(ask["measured"]),
        reading=Reading(**_stated(ask["reading"])),
        limits=FaultLimits(**_stated(ask["limits"])),
    )


def _stated(given: Ask) -> dict[str, Any]:
    return {name: value for name, value in given.items() if value is not None}


def _measures(given: Ask) -> Measures:
    legs = tuple(MeasuredLeg(**leg) for leg in given["legs"])
    return Measures(**{**given, "legs": legs})


def _bender(ask: Ask) -> BenderUse | None:
    bender = inputs.bender_of(ask["bender"])
    if bender is None:
        return None
    return BenderUse(bender, inputs.bender_dies(ask["bender"]), inputs.ratings_of(bender))


def _mandrel(ask: Ask, tube: Tube) -> MandrelUse:
    given, used = ask["mandrel"], ask["mandrel_used"]
    if used is None and given["lead"] is not None:
        used = True
    return MandrelUse(
        used, _tool(given, tube, bool(used)), given["lead"], reference.shop().mandrel_clearance
    )


def _tool(given: Ask, tube: Tube, used: bool) -> MandrelTool | None:
    """The mandrel; the shop's clearance must not refuse a tube that no mandrel was used in."""
    stated = any(
        given[name] is not None for name in ("clearance", "body_diameter", "corner_radius")
    )
    return inputs.mandrel_tool_of(given, tube) if used or stated else None


# --- the answer in words -------------------------------------------------------------------------


class ToldAmount(NamedTuple):
    """A number with its unit, as the caller sees it."""

    value: float
    unit: str


class ToldWay(NamedTuple):
    """A way as the caller sees it."""

    code: str
    bend: int | None
    amount: ToldAmount | None
    text: str


class ToldEvidence(NamedTuple):
    """Evidence as the caller sees it."""

    test: str
    weight: int
    verdict: str
    code: str
    value: ToldAmount | None
    limit: ToldAmount | None
    text: str
    ways: list[ToldWay]
    missing: tuple[str, ...]


class ToldCause(NamedTuple):
    """A cause as the caller sees it."""

    rank: int
    tied: bool
    cause: str
    title: str
    state: str
    score: int
    evidence: list[ToldEvidence]
    check_first: str
    cure: str
    upkeep: tuple[str, ...]
    source: str
    trust: str


class ToldMissing(NamedTuple):
    """A missing datum as the caller sees it."""

    pointer: str
    text: str
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ToldFault:
    """The answer with its words."""

    symptom: str
    bend: int | None
    leg: int | None
    leg_deviation: float | None
    angle_deviation: float | None
    rotation_deviation: float | None
    radius_deviation: float | None
    telling_legs: tuple[int, ...]
    causes: list[ToldCause]
    missing: list[ToldMissing]
    methods: tuple[str, ...]
    findings: tuple[Finding, ...]


def told(found: calc.FaultFinding, system: str) -> ToldFault:
    """The answer with its words, in the caller's units and language."""
    return ToldFault(
        symptom=found.symptom,
        bend=found.bend,
        leg=found.leg,
        leg_deviation=found.leg_deviation,
        angle_deviation=found.angle_deviation,
        rotation_deviation=found.rotation_deviation,
        radius_deviation=found.radius_deviation,
        telling_legs=found.telling_legs,
        causes=[_cause(one, system) for one in found.causes],
        missing=[_missing(one) for one in found.missing],
        methods=found.methods,
        findings=found.findings,
    )


def _missing(one: calc.MissingDatum) -> ToldMissing:
    further = one.pointer.startswith("/measured/legs/")
    words = texts.text("fault_missing", "further_leg" if further else one.pointer)
    return ToldMissing(one.pointer, words, one.causes)


def _cause(one: calc.RankedCause, system: str) -> ToldCause:
    about, source = one.cause, reference.sources()[one.cause.source]
    return ToldCause(
        one.rank,
        one.tied,
        about.id,
        texts.text("fault_causes", f"{about.id}.title"),
        one.state,
        one.score,
        [_evidence(evidence, system) for evidence in one.evidence],
        texts.text("fault_causes", f"{about.id}.check"),
        texts.text("fault_causes", f"{about.id}.cure"),
        about.upkeep,
        source.id,
        source.trust,
    )


def _evidence(evidence: calc.Evidence, system: str) -> ToldEvidence:
    found = evidence.found
    return ToldEvidence(
        evidence.test,
        evidence.weight,
        found.speaks,
        found.code,
        _amount(found.value, system),
        _amount(found.limit, system),
        _words(found, system),
        [_way(way, system) for way in found.ways],
        found.missing,
    )


def _words(found: Found, system: str) -> str:
    values = {"value": found.value, "limit": found.limit, **found.values}
    return texts.fill(texts.text("fault_evidence", found.code), values, system)


def _way(way: Way, system: str) -> ToldWay:
    values = {"amount": way.amount, "bend": way.bend, **way.values}
    words = texts.fill(texts.text("fault_ways", way.code), values, system)
    if way.scope is not None:
        words = texts.fill(texts.text("fault_ways", way.scope), {"way": words}, system)
    if way.bend is not None:
        at = texts.text("fault_ways", "at_bend")
        words = texts.fill(at, {"bend": way.bend, "way": words}, system)
    return ToldWay(way.code, way.bend, _amount(way.amount, system), words)


def _amount(amount: Amount | None, system: str) -> ToldAmount | None:
    if amount is None:
        return None
    value = units.outward(amount.value, amount.kind, units.FACTORS[system])
    return ToldAmount(value, units.NAMES[system][amount.kind])


def _by_id(*given: Any) -> bool:
    return any(isinstance(one, str) for one in given)


__all__: Sequence[str] = ("EXAMPLE", "FaultFindingRequest", "FaultFindingResult", "blp", "told")


@calculation(
    blp,
    "/fault-finding",
    name="FaultFinding",
    ask=FaultFindingRequest,
    result=FaultFindingResult,
    example=EXAMPLE,
    cautions=("fault_is_no_release", *DEFAULT_CAUTIONS),
)
def fault_finding(ask: Ask) -> ToldFault:
    """Rank the causes of a bend that went wrong, each with computed evidence from this set-up.

    Each cause has tests, each test a weight from 1 to 3; the score of a cause is the sum of weight
    × (+1 supports, −1 contradicts, 0 silent). Equal scores share a rank and are marked as tied:
    the data sent do not tell those causes apart. A cause that predicts an amount (a leg off by the
    gain, the set-back, the arc of one springback, …) is supported where its amount comes within
    the reading of what was measured. `missing` names what could be judged with which further datum.
    The list of causes is common practice, no published source; the score is an order in which to
    look, no probability.
    """
    invented = reference.shop().invented and _by_id(ask["die"], ask["bender"])
    found = calc.find_fault(
        _case(ask), reference_bench.faults().suspects(ask["symptom"]), invented=invented
    )
    return told(found, ask["units"])
