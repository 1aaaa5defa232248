"""Springback of the bends of a run: predicted from the material, or calibrated by trial bends.

``service.calc.section`` has the mechanics; this module answers, bend by bend, what to crank to for
a wanted bend, or what a cranked bend leaves, with the band that the material's scatter opens.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Literal

from service.calc import section
from service.calc.flow_curve import FlowCurve
from service.calc.mark_layout import Springback as Law
from service.calc.mark_layout import springback_laws
from service.errors import Amount, CalculationError, MissingError, OutOfRangeError
from service.model import Finding, Hardening, Material, Method, Tube

Given = Literal["finished", "set"]
Origin = Literal["calibrated", "predicted"]
MOST_SET_ANGLE = 2 * math.pi

METHODS = (
    Method(
        "springback-calibrated",
        "Springback by the shop's own trial bends",
        "Δθ = a + b·θ0; θ0 = (θf + a)/(1 − b); Rf = R0/(1 − b)",
        "same tube, material, die and bender as the trials, within their range of angles",
        ("shop-trials",),
    ),
    Method(
        "springback-band",
        "Band of the springback from the scatter of the material",
        "the same calculation at the least and at the largest flow stress",
        "scatter given by the caller, or the minimum and maximum of the material's standard",
        ("derived-here",),
    ),
)


@dataclass(frozen=True, slots=True)
class Asked:
    """One bend as asked: angle rad, radius mm; finished or set, as the whole request says."""

    bend: int
    angle: float
    radius: float


@dataclass(frozen=True, slots=True)
class Band:
    """Least and largest value that the scatter of the material gives."""

    least: float
    most: float


@dataclass(frozen=True, slots=True)
class SprungBend:
    """One bend with both its states, rad and mm; ``origin`` says what the figures rest on.

    ``band`` is that of the angle asked for: the set angle for a finished bend, the finished angle
    for a set one; None where nothing is known of the scatter.
    """

    bend: int
    finished_angle: float
    finished_radius: float
    set_angle: float
    die_radius: float
    springback: float
    proportional: float
    constant: float
    origin: Origin
    band: Band | None


@dataclass(frozen=True, slots=True)
class RunSpringback:
    """All bends, and the law of stress that predicted those without a calibration."""

    bends: tuple[SprungBend, ...]
    law: str
    methods: tuple[str, ...]
    findings: tuple[Finding, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Curves:
    """Flow curves of a material: the one to predict with, and the ends of its scatter."""

    likely: FlowCurve
    least: FlowCurve | None
    most: FlowCurve | None


def run_springback(
    bends: Sequence[Asked],
    tube: Tube,
    *,
    given: Given = "finished",
    hardening: Hardening | None = None,
    yield_strength: float | None = None,
    scatter: float | None = None,
    laws: Sequence[Law] = (),
) -> RunSpringback:
    """Springback of each bend.

    A bend whose die radius has a calibrated law follows it: Δθ = a + b·θ0. Any other is predicted
    by elastic unloading from the moment that held it: K = 1 − M·R0/(E·I), θf = K·θ0, Rf = R0/K.

    Arguments:
        bends: angle and radius of each, finished or as set at the die
        tube: D, t and material; the material may be left out when every bend is calibrated
        given: which of both states ``bends`` describe
        hardening: the law of stress; the material's own when None, else perfectly plastic
        yield_strength: measured Y, MPa, instead of the material's minimum
        scatter: ± fraction of the flow stress; instead of the material's minimum and maximum
        laws: calibrated constant and proportional parts by die radius; the one without a radius
            holds for every bend

    Valid: as ``service.calc.section.springback``; a calibration within the range of its trials.
    Raises:
        MissingError: no material, or no strength of it, for a bend without a calibration
        OutOfRangeError: a bend that springs back wholly, a set angle of 360° or more

    Source: Timoshenko; Marciniak, Duncan and Hu (from memory), derived again here.
    """
    by_radius = springback_laws(laws)
    calibrated = [by_radius.get(b.radius) or by_radius.get(None) for b in bends]
    curves = None
    if not all(calibrated):
        curves = flow_curves(tube.material, hardening, yield_strength, scatter)
    sprung: list[SprungBend] = []
    methods: list[str] = []
    findings: list[Finding] = []
    for asked, law in zip(bends, calibrated, strict=True):
        try:
            one, used, found = (
                _by_law(asked, law, given)
                if law
                else _predicted(asked, tube, _known(curves), given)
            )
        except CalculationError as error:
            raise type(error)(error.code, ("bends", asked.bend - 1), error.values) from None
        sprung.append(one)
        methods += used
        findings += found
    if curves is not None and curves.least is None:
        findings.append(Finding("springback_band_unknown", "needs_care"))
    return RunSpringback(
        bends=tuple(sprung),
        law=curves.likely.law if curves else "calibrated",
        methods=tuple(dict.fromkeys(methods)),
        findings=tuple(findings),
    )


def _known(curves: Curves | None) -> Curves:
    assert curves is not None, "a bend without a law is predicted, so its curves were made"
    return curves


def flow_curves(
    material: Material | None,
    hardening: Hardening | None,
    yield_strength: float | None,
    scatter: float | None,
) -> Curves:
    """Flow curves to predict with.

    With ``scatter`` the flow stress lies within ± that fraction. Without it, and without hardening
    data, it lies between the least yield strength and the largest strength that the material's
    standard allows: a tube that hardens is stressed between the two. With hardening data and no
    scatter nothing is known.

    Raises:
        MissingError: no material, or neither a yield strength nor a law that needs none
    """
    if material is None:
        raise MissingError("springback_needs_material", ("tube", "material"))
    law = hardening or material.hardening
    strength = yield_strength or material.yield_strength
    if strength is None and (law is None or law.law not in {"hollomon", "swift"}):
        strength = material.yield_strength_max
        if strength is None:
            raise MissingError("springback_needs_yield", ("yield_strength",))
    likely = FlowCurve(material.elastic_modulus, strength, law)
    if scatter is not None:
        return Curves(likely, _scaled(likely, 1 - scatter), _scaled(likely, 1 + scatter))
    most = _largest_strength(material)
    if law is not None or most is None or strength is None or most <= strength:
        return Curves(likely, None, None)
    least = strength if yield_strength is None else min(strength, yield_strength)
    return Curves(
        likely, replace(likely, yield_strength=least), replace(likely, yield_strength=most)
    )


def _largest_strength(material: Material) -> float | None:
    known = (
        material.yield_strength_max,
        material.tensile_strength_max,
        material.tensile_strength,
    )
    return max((value for value in known if value is not None), default=None)


def _scaled(curve: FlowCurve, factor: float) -> FlowCurve:
    """The same curve with every stress above the elastic line multiplied by ``factor``."""
    law = curve.hardening
    if law is not None and law.strength_coefficient is not None:
        law = replace(law, strength_coefficient=law.strength_coefficient * factor)
    strength = curve.yield_strength
    return replace(
        curve, yield_strength=None if strength is None else strength * factor, hardening=law
    )


Row = tuple[SprungBend, Iterable[str], Iterable[Finding]]


def _by_law(asked: Asked, law: Law, given: Given) -> Row:
    keeps = 1 - law.proportional
    if given == "finished":
        set_angle = (asked.angle + law.constant) / keeps
        finished = asked.angle
        # a law that names its die holds for that die, and drawings name the die's radius
        die = asked.radius * keeps if law.radius is None else law.radius
        radius = die / keeps
    else:
        set_angle, finished = asked.angle, asked.angle * keeps - law.constant
        die, radius = asked.radius, asked.radius / keeps
    _check_angles(set_angle, finished)
    band = None
    if law.band is not None:
        middle = set_angle if given == "finished" else finished
        band = Band(middle - law.band, middle + law.band)
    bend = SprungBend(
        asked.bend,
        finished,
        radius,
        set_angle,
        die,
        set_angle - finished,
        law.proportional,
        law.constant,
        "calibrated",
        band,
    )
    return bend, ("springback-calibrated",), ()


def _check_angles(set_angle: float, finished: float) -> None:
    if finished <= 0 or set_angle >= MOST_SET_ANGLE:
        parts = {"value": Amount(set_angle, "angle"), "finished": Amount(finished, "angle")}
        raise OutOfRangeError("springback_out_of_range", (), parts)


def _predicted(asked: Asked, tube: Tube, curves: Curves, given: Given) -> Row:
    held = _held(tube, curves.likely, asked.radius, given)
    if given == "finished":
        set_angle, finished = held.loaded_angle(asked.angle), asked.angle
    else:
        set_angle, finished = asked.angle, held.unloaded_angle(asked.angle)
    _check_angles(set_angle, finished)
    bend = SprungBend(
        asked.bend,
        finished,
        held.unloaded_radius,
        set_angle,
        held.loaded_radius,
        set_angle - finished,
        held.proportional,
        0.0,
        "predicted",
        _band(asked, tube, curves, given),
    )
    methods = held.methods + ("springback-band",) * (bend.band is not None)
    return bend, methods, [replace(f, bend=asked.bend) for f in held.findings]


@lru_cache(maxsize=512)
def _held(tube: Tube, curve: FlowCurve, radius: float, given: Given) -> section.Springback:
    # the bends of a run mostly share one radius, and the quadrature is the dear part
    if given == "finished":
        radius = section.loaded_radius(tube, curve, radius)
    return section.springback(tube, curve, radius)


def _band(asked: Asked, tube: Tube, curves: Curves, given: Given) -> Band | None:
    if curves.least is None or curves.most is None:
        return None
    ends = []
    for curve in (curves.least, curves.most):
        held = _held(tube, curve, asked.radius, given)
        angle = asked.angle
        ends.append(held.loaded_angle(angle) if given == "finished" else held.unloaded_angle(angle))
    return Band(min(ends), max(ends))
