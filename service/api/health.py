"""GET /health/live and GET /health/ready."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from typing import Any, NamedTuple

import orjson
from flask import Response

from service import reference
from service.calc import run_geometry
from service.model import Tube
from service.web.fields import Choice, Flag, Parts, Quantity, Text
from service.web.lookup import JSON, reading
from service.web.operation import ServiceBlueprint
from service.web.problem import ProblemError
from service.web.schema import StrictSchema, outward
from service.web.units import FACTORS

blp = ServiceBlueprint("Health", "Health", url_prefix="/health", description="Is it up, is it fit.")
log = logging.getLogger("service")
NEVER_KEPT = {"Cache-Control": "no-store"}


class LiveAnswer(StrictSchema):
    """The process answers."""

    status = Choice("live", ("live",), required=True)


class HealthCheck(StrictSchema):
    """One thing that must hold before the service may be sent work."""

    name = Text("What was checked", most=120, required=True)
    expected = Quantity("ratio", "Published figure", least=-1e9, most=1e9, required=True)
    found = Quantity("ratio", "What the service computes", least=-1e9, most=1e9, required=True)
    source = Text("Where the figure is published", most=200, required=True)
    passed = Flag("Whether they agree to the digits published", required=True)


class ReadyAnswer(StrictSchema):
    """The service is fit to be sent work."""

    status = Choice("ready", ("ready",), required=True)
    checks = Parts(HealthCheck, "What was checked", most=20, required=True)


class Check(NamedTuple):
    """A figure of the service held against a published one."""

    name: str
    expected: float
    found: float
    source: str
    passed: bool


def _steel_mass() -> float:
    return Tube(20, 2).metal_area * 1000 * reference.materials()["e235-n"].density


def _offset_factor() -> float:
    return run_geometry.offset(100, 0, math.radians(45), 45).travel / 100


def _developed_length() -> float:
    run = run_geometry.run_from_vertices([(0, 0, 0), (200, 0, 0), (200, 200, 0)], [100])
    return run_geometry.developed_length(run)


# name, figure, half of its last digit, source, what computes it
PUBLISHED: tuple[tuple[str, float, float, str, Callable[[], float]], ...] = (
    (
        "steel tube 20 x 2 mm, kg/m",
        0.888,
        0.0005,
        "EN 10305-1, tables of mass per metre (from memory)",
        _steel_mass,
    ),
    (
        "travel of an offset at 45°, per unit of offset",
        1.41421,
        0.000005,
        "csc 45°, any table of trigonometric functions",
        _offset_factor,
    ),
    (
        "two straights of 100 mm and a quarter circle of radius 100 mm, mm",
        357.0796,
        0.00005,
        "200 + 50π, with π of any handbook",
        _developed_length,
    ),
)


@reading(
    blp,
    "/live",
    operation_id="getLiveness",
    answer=LiveAnswer,
    example={"status": "live"},
    validated=False,
)
def live() -> Response:
    """Ask whether the process answers.

    Nothing is checked: a supervisor restarts a process that does not answer this.
    """
    return _answer({"status": "live"})


READY_EXAMPLE: dict[str, Any] = {
    "status": "ready",
    "checks": [
        {
            "name": "steel tube 20 x 2 mm, kg/m",
            "expected": 0.888,
            "found": 0.8878140839044755,
            "source": "EN 10305-1, tables of mass per metre (from memory)",
            "passed": True,
        }
    ],
}
NOT_READY: dict[str, Any] = {
    "description": "Not ready; `detail` says why.",
    "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
}


@reading(
    blp,
    "/ready",
    operation_id="getReadiness",
    answer=ReadyAnswer,
    example=READY_EXAMPLE,
    validated=False,
    responses={"503": NOT_READY},
)
def ready() -> Response:
    """Ask whether the service is fit to be sent work.

    Ready means that data and shop profile are loaded and that what it computes agrees with
    published figures to the digits published.
    """
    checks = _checks()
    failed = [f"{c.name}: {c.found:.7g}, not {c.expected:.7g}" for c in checks if not c.passed]
    if failed:
        raise _not_ready("; ".join(failed))
    show = outward(HealthCheck)
    return _answer({"status": "ready", "checks": [show(c, FACTORS["metric"]) for c in checks]})


def _checks() -> list[Check]:
    try:
        empty, checks = _empty(), [_check(*row) for row in PUBLISHED]
    except Exception as error:
        # whatever fails here would fail for a caller too; why is for the log, not for strangers
        log.exception("not ready")
        raise _not_ready("data or profile cannot be read") from error
    if empty:
        raise _not_ready(f"nothing is loaded for {', '.join(empty)}")
    return checks


def _empty() -> list[str]:
    shop = reference.shop()
    held = {
        "sources": reference.sources(),
        "materials": reference.materials(),
        "tube sizes": reference.tube_sizes(),
        "benders of the shop profile": shop.benders,
        "dies of the shop profile": shop.dies,
    }
    return [name for name, things in held.items() if not things]


def _not_ready(why: str) -> ProblemError:
    return ProblemError(503, "not_ready", {"why": why}, headers=NEVER_KEPT)


def _check(
    name: str, expected: float, within: float, source: str, compute: Callable[[], float]
) -> Check:
    found = compute()
    return Check(name, expected, found, source, abs(found - expected) <= within)


def _answer(document: dict[str, Any]) -> Response:
    return Response(orjson.dumps(document), content_type=JSON, headers=NEVER_KEPT)
