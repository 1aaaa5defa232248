"""POST and GET /v1/setup-sheet, GET /v1/setup-sheet/demo."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from flask import Blueprint, Response

from service import inputs, reference
from service.calc import setup_sheet as calc
from service.calc.bent_stages import bent_stages
from service.calc.capacity_check import LoadTerms
from service.calc.mandrel_criterion import VERDICTS as MANDREL_VERDICTS
from service.calc.mandrel_criterion import limits_in_force
from service.calc.run_geometry import reverse
from service.calc.setup_steps import setup_steps
from service.model import Tube
from service.reference_files import shared_file
from service.web import addressed
from service.web.drawing import MEDIA_TYPE
from service.web.fields import (
    Angle,
    Choice,
    Count,
    Flag,
    Length,
    Part,
    Parts,
    Quantity,
    Ratio,
    Reading,
    Text,
)
from service.web.lookup import NOTE_PATTERN, beside, conditional
from service.web.marks import LONGEST, BendMarksSchema, MarkSchema
from service.web.operation import (
    DEFAULT_CAUTIONS,
    Ask,
    Calculation,
    Page,
    Pictures,
    blueprint,
    calculation,
)
from service.web.schema import StrictSchema
from service.web.sheet import page, view
from service.web.sheet.picture import Stage
from service.web.sheet.words import speech, told_steps

blp = blueprint("Setup sheet", "The set-up of one part on one bender, for the bench.")

CAUTIONS = (*DEFAULT_CAUTIONS, "sheet_trial", "sheet_collisions")
HUGE = 1e15
ADDRESS = "/v1/setup-sheet"


class SetupSheetRequest(inputs.UnitsRequest):
    """A part, the bender it is made on, and how it is worked."""

    title = Text("Name of the part, for the head of the sheet", most=120, load_default="")
    run = inputs.run_field()
    tube = inputs.tube_field()
    bender = inputs.bender_field(required=True)
    die = inputs.die_field()
    measured_from = inputs.measured_from_field()
    measure = inputs.measure_field()
    mark_offset = inputs.mark_offset_field()
    springback = inputs.springback_field()
    stretch = inputs.stretch_field()
    ends = inputs.ends_field()
    bench = inputs.bench_field()
    mandrel = inputs.mandrel_field()
    use_mandrel = Flag(
        "Whether a mandrel is set up; when left out, where the verdict advises or requires one"
    )
    flow_stress = inputs.flow_stress_field()
    strength_factor = inputs.strength_factor_field()
    pressure_die_friction, mandrel_drag = inputs.pull_fields()


class SheetTubeSchema(StrictSchema):
    """The tube."""

    outside_diameter = Length("Outside diameter D", most=500.0, required=True)
    wall_thickness = Length("Wall thickness t", most=250.0, required=True)
    material = Text(
        "Name of the material; null where none was given",
        most=120,
        pattern=NOTE_PATTERN,
        allow_none=True,
        required=True,
        attribute="material_name",
    )


class SheetBenderSchema(StrictSchema):
    """The bender."""

    id = Text("Id; `inline` for one by its values", most=64, required=True)
    name = Text("Name", most=120, pattern=NOTE_PATTERN, required=True)
    brace_from = Length(
        "Outside diameter from which its support brace is fitted; null where it states none",
        most=500.0,
        allow_none=True,
        required=True,
    )
    support_from = Length(
        "Tube behind the die from which it is to be supported; null where it states none",
        allow_none=True,
        required=True,
    )
    lubricant = Text(
        "What groove and tube are lubricated with", most=200, pattern=NOTE_PATTERN, required=True
    )


class SheetDieSchema(StrictSchema):
    """A die with the clamp and pressure die that go with it."""

    id = Text("Id; `inline` or `inline-n` for one by its values", most=64, required=True)
    name = Text("Name", most=120, pattern=NOTE_PATTERN, required=True)
    tube_outside_diameter = Length("Tube its groove is made for", most=500.0, required=True)
    radius = Length("Centre-line radius", most=10_000.0, required=True)
    largest_angle = Angle("Largest set angle", required=True)
    clamp_length = Length(
        "Straight tube that the clamp needs; null where not stated", allow_none=True, required=True
    )
    pressure_die_length = Length(
        "Straight tube that the pressure die needs; null where not stated",
        allow_none=True,
        required=True,
    )
    mark_offset = Length(
        "Zero mark minus start of bend, positive towards the bend",
        least=-1000.0,
        most=1000.0,
        required=True,
    )
    has_angle_marks = Flag("Whether the die carries angle marks", required=True)
    fits = Flag("Whether it is made for this tube and the radii of its bends", required=True)
    bends = Parts(
        Count("Bend number from end 1", least=1, most=500),
        "Bends that it makes, in the order of the work",
        required=True,
    )


class SheetMandrelSchema(StrictSchema):
    """The mandrel that is set up."""

    body_diameter = Length("Diameter of the body", most=500.0, required=True)
    clearance = Length("Inside diameter of the tube less the body", most=500.0, required=True)
    nose = Choice("Shape of the nose", inputs.NOSES, required=True)
    corner_radius = Length("Corner radius of the nose; 0 where sharp", most=250.0, required=True)


class SheetNoseSchema(StrictSchema):
    """Mandrel and rod at one bend."""

    lead = Length(
        "Nose ahead of the tangent point to begin with; below 0 behind it",
        least=-1e5,
        required=True,
    )
    largest_lead = Length("It may be moved between 0 and this", required=True)
    stop_to_tangent = Length(
        "From the stop to the tangent point; below 0 where the tube does not reach it",
        least=-1e8,
        most=1e8,
        allow_none=True,
        required=True,
    )
    nose_to_stop = Length(
        "From the stop to the nose at that lead",
        least=-1e8,
        most=1e8,
        allow_none=True,
        required=True,
    )
    rods = Count("Rods to couple", least=1, most=1_000_000_000, allow_none=True, required=True)


class SheetGaugeSchema(StrictSchema):
    """What is measured once the bend is made and unloaded."""

    straight = Length(
        "Straight from the cut end, its allowance included, or from the bend made before; below 0 "
        "where an allowance takes off more than there is, which a finding says",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    leg = Length(
        "From the cut end, or the apex before, to the apex; null where one has none",
        least=-LONGEST,
        most=LONGEST,
        allow_none=True,
        required=True,
    )
    angle = Angle("Finished angle", required=True)
    band = Angle(
        "Half width in which the trials let one more bend fall; null where they do not say",
        allow_none=True,
        required=True,
    )


class SheetBendSchema(StrictSchema):
    """One bend in the order of the work."""

    step = Count("Place in the order of the work", least=1, most=500, required=True)
    bend = Count("Bend number from end 1", least=1, most=500, required=True)
    die = Text("Id of its die; null where there is none", most=64, allow_none=True, required=True)
    die_fits = Flag("Whether that die is made for this tube and radius", required=True)
    marks = Part(BendMarksSchema, "Marks, roll and crank angle as laid out", required=True)
    start_on_tube = Length(
        "Start tangent point from the cut end along the unbent tube",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    end_on_tube = Length(
        "End tangent point from there", least=-LONGEST, most=LONGEST, required=True
    )
    roll_direction = Choice(
        "Which way to roll the tube, seen from its rear end towards the die",
        ("none", "clockwise", "anticlockwise", "half_turn"),
        required=True,
    )
    springback_known = Flag("Whether the crank angle counts springback", required=True)
    predicted_set_angle = Angle(
        "Set angle predicted for the strongest tube; null where springback is known, or nothing "
        "can be predicted",
        allow_none=True,
        required=True,
    )
    turns = Ratio(
        "Turns of the crank from zero; null without a gear ratio or a die that fits",
        most=1e5,
        allow_none=True,
        required=True,
    )
    hand_force = Quantity(
        "force",
        "Hand force for the strongest tube; null where it cannot be told",
        least=0.0,
        most=HUGE,
        allow_none=True,
        required=True,
    )
    tube_behind = Length(
        "From the start tangent point to the rear end of the tube",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    support = Flag(
        "Whether so much tube is to be supported; null where the bender does not say",
        allow_none=True,
        required=True,
    )
    reach_ahead = Length(
        "How far the part ahead reaches from the middle of the die, and swings round with it",
        most=LONGEST,
        required=True,
    )
    support_ahead = Flag(
        "Whether what reaches so far is to be supported; null where the bender does not say",
        allow_none=True,
        required=True,
    )
    nose = Part(
        SheetNoseSchema, "Mandrel and rod; null without one", allow_none=True, required=True
    )
    gauge = Part(SheetGaugeSchema, "What to measure after it", required=True)


class SheetFigureSchema(StrictSchema):
    """A figure of a step, at a glance."""

    code = Text("What it is, as a stable code", pattern=r"^[a-z_]{1,64}$", most=64, required=True)
    label = Text("What it is, in words", most=80, required=True)
    text = Reading("The figure with its unit", most=80, required=True)


class SheetStepSchema(StrictSchema):
    """One step of the work, in words."""

    number = Count("Place in the order of the work", least=1, most=3000, required=True)
    code = Text("Which step, as a stable code", pattern=r"^[a-z_]{1,64}$", most=64, required=True)
    group = Choice(
        "Part of the work that it belongs to",
        ("prepare", "cut", "mark", "bend", "finish"),
        required=True,
    )
    bend = Count(
        "Bend number from end 1; null for the whole part",
        least=1,
        most=500,
        allow_none=True,
        required=True,
    )
    title = Text("Title", most=400, pattern=NOTE_PATTERN, required=True)
    actions = Parts(
        Text("Action", most=1000, pattern=NOTE_PATTERN),
        "What to do, in order",
        most=600,
        required=True,
    )
    figures = Parts(SheetFigureSchema, "The figures at a glance", most=10, required=True)
    cautions = Parts(
        Text("Caution", most=600, pattern=NOTE_PATTERN),
        "What can hurt at this step",
        most=10,
        required=True,
    )


class SetupSheetResult(StrictSchema):
    """The whole sheet."""

    title = Text("Name of the part", most=120, required=True)
    verdict = Choice(
        "Worst of the findings: `go`, `go_with_care`, `stop`; collisions of the tube with itself, "
        "the bench and the bender are not looked at (POST /v1/bend-review)",
        ("go", "go_with_care", "stop"),
        required=True,
    )
    tube = Part(SheetTubeSchema, "The tube", required=True, attribute="named_tube")
    bender = Part(SheetBenderSchema, "The bender", required=True)
    dies = Parts(SheetDieSchema, "Dies in the order of their first bend", required=True)
    measured_from = Choice("End that is worked first", inputs.ENDS, required=True)
    cut_length = Part(MarkSchema, "Length to cut", required=True)
    developed_length = Length("Straights and arcs", most=LONGEST, required=True)
    mass = Quantity(
        "mass",
        "Mass of metal; null without a material",
        least=0.0,
        most=HUGE,
        allow_none=True,
        required=True,
    )
    utilisation = Ratio(
        "Share of the bender's capacity that the strongest tube uses; null where it cannot be told",
        most=HUGE,
        allow_none=True,
        required=True,
    )
    mandrel_verdict = Choice("Whether a mandrel is needed", MANDREL_VERDICTS, required=True)
    mandrel = Part(
        SheetMandrelSchema,
        "The mandrel that is set up; null where none is",
        allow_none=True,
        required=True,
    )
    bends = Parts(SheetBendSchema, "Bends in the order of the work", required=True)
    last_straight = Length(
        "From the last bend made to the rear end, its allowance and trim included",
        least=-LONGEST,
        most=LONGEST,
        required=True,
    )
    steps = Parts(
        SheetStepSchema,
        "The work, step by step, in words",
        most=3000,
        required=True,
        attribute="told",
    )
    address = Text(
        "Address that gives this sheet again by GET; null where it would be too long",
        most=4000,
        allow_none=True,
        required=True,
    )


DEMO: dict[str, Any] = json.loads(shared_file("demo", "setup_sheet.json").read_text("utf-8"))


def compute(ask: Ask) -> Any:
    """The sheet with what stands beside it: words of its steps, key and address."""
    tube = inputs.tube_of(ask)
    sheet = calc.setup_sheet(
        inputs.run_of(ask),
        tube,
        _machine(ask),
        _mandrel(ask, tube),
        work=_work(ask),
        load=_load(ask, tube),
    )
    how = speech(ask["units"])
    return beside(
        sheet,
        title=ask["title"],
        named_tube=beside(tube, material_name=tube.material.name if tube.material else None),
        told=told_steps(setup_steps(sheet), how),
        **_kept(),
    )


def _machine(ask: Ask) -> calc.Machine:
    bender = inputs.bender_of(ask["bender"])
    assert bender is not None  # the field is required
    return calc.Machine(
        bender,
        inputs.bender_dies(ask["bender"]),
        inputs.ratings_of(bender),
        inputs.die_of(ask["die"]),
        reference.shop().invented and isinstance(ask["bender"], str),
    )


def _mandrel(ask: Ask, tube: Tube) -> calc.MandrelAtHand:
    given = ask["mandrel"]
    return calc.MandrelAtHand(
        limits_in_force(reference.shop().mandrel_limits),
        inputs.mandrel_tool_of(given, tube),
        given["lead"],
        inputs.mandrel_rod_of(given),
        ask["use_mandrel"],
    )


def _work(ask: Ask) -> calc.Work:
    return calc.Work(
        ask["measured_from"],
        ask["measure"],
        inputs.bench_of(ask["bench"], ask["units"]),
        ask["stretch"],
        inputs.ends_of(ask["ends"]),
        inputs.springback_of(ask["springback"]),
        ask["mark_offset"],
    )


def _load(ask: Ask, tube: Tube) -> calc.Load:
    terms = LoadTerms(ask["pressure_die_friction"], ask["mandrel_drag"])
    strength = inputs.strength_to_bend(tube, ask["flow_stress"], ask["strength_factor"])
    return calc.Load(strength, terms)


def _kept() -> dict[str, str | None]:
    """Key of the ticks, the same in every unit of display and language, and the address."""
    raw = addressed.body_sent(DEMO)
    value = addressed.encoded(raw)
    return {
        "key": hashlib.sha256(raw).hexdigest()[:16],
        "address": None if value is None else f"{ADDRESS}?{addressed.NAME}={value}",
    }


def _stages(ask: Ask, sheet: Any) -> list[Stage]:
    forward = sheet.measured_from == "end_1"
    worked = sheet.run if forward else reverse(sheet.run)
    return view.stages_of(sheet, bent_stages(worked), speech(ask["units"]))


def picture(ask: Ask, sheet: Any) -> str:
    """The straight tube with its marks and the part after each bend."""
    return view.drawing_of(sheet, _stages(ask, sheet), speech(ask["units"]))


def page_of(ask: Ask, sheet: Any) -> str:
    """The page for telephone and paper."""
    how = speech(ask["units"])
    offline = addressed.link(f"{ADDRESS}/offline.js") if addressed.has_address() else None
    links = page.Links(addressed.link(sheet.address), offline)
    return page.page_of(sheet, _stages(ask, sheet), how, cautions=CAUTIONS, links=links)


PICTURES: Pictures = {
    "text/html": Page(
        page_of,
        page.HTML,
        page.headers,
        {
            "type": "string",
            "maxLength": 10_000_000,
            "pattern": r"^<!doctype html>[\s\S]*</html>\s*$",
            "description": "A page for telephone and paper that needs nothing from outside",
        },
    ),
    MEDIA_TYPE: picture,
}
SHEET = Calculation(compute, SetupSheetRequest(), SetupSheetResult, CAUTIONS, PICTURES)


@calculation(
    blp,
    "/setup-sheet",
    name="SetupSheet",
    ask=SetupSheetRequest,
    result=SetupSheetResult,
    example=DEMO,
    cautions=CAUTIONS,
    pictures=PICTURES,
)
def setup_sheet(ask: Ask) -> Any:
    """Set up a part on a bender, step by step in the order of the work.

    From fastening the bender to checking the bent part: dies, brace, mandrel, cut length, marks,
    which mark meets which die mark, roll, crank angle and turns, what to measure after each bend.
    By Accept also as a page for telephone and paper (`text/html`) and as a picture
    (`image/svg+xml`); in English or, by Accept-Language, German.
    """
    return compute(ask)


@addressed.addressed(
    blp,
    "/setup-sheet",
    name="SetupSheet",
    operation_id="getSetupSheet",
    made=SHEET,
    example=DEMO,
    refused=page.refused_page,
)
def setup_sheet_at() -> None:
    """Get the setup sheet whose request stands in the address.

    For bookmarks, links and caches: the same answer as by POST, with a strong ETag. A request too
    long for an address is refused with 414; POST takes it. A caller who prefers a page is told by
    a page what is wrong with a link.
    """


@addressed.addressed(
    blp,
    "/setup-sheet/demo",
    name="SetupSheet",
    operation_id="getSetupSheetDemo",
    made=SHEET,
    example=DEMO,
    fixed=True,
    refused=page.refused_page,
)
def setup_sheet_demo() -> None:
    """Get the setup sheet of an invented return line.

    To see one at once: opened in a browser it is a page, with pictures and steps to tick off.
    """


# What the page loads is part of the page, not of the interface: a plain blueprint, which the
# specification does not see.
parts = Blueprint("sheet_parts", __name__)


@parts.route(f"{ADDRESS}/offline.js", methods=["GET"])
def offline() -> Response:
    """The script that keeps opened sheets for where there is no network."""
    return conditional(page.asset("offline.js").encode(), page.WORKER, page.WORKER_HEADERS)


blp.record_once(lambda setup: setup.app.register_blueprint(parts))
