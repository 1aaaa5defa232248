"""What the tests of single endpoints share: changed bodies, refusals, findings, inches.

Sizes of units: 1 in = 25.4 mm and 1 lb = 0.45359237 kg (international yard and pound agreement of
1959), 1 lbf = 4.4482216152605 N (with g = 9.80665 m/s², 3rd CGPM, 1901); exact, all of them.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache
from typing import Any

import jsonschema_rs
import pytest
from flask.testing import FlaskClient
from specification import operations, validator

Body = dict[str, Any]
Field = tuple[str | int, ...]
Names = tuple[str, ...]

INCH = 25.4
POUND_FORCE = 4.4482216152605
PSI = POUND_FORCE / INCH**2
POUND_PER_CUBIC_INCH = 0.45359237 / INCH**3 * 1e6
# what a member of a body is divided by to be in inch units; what is not named stays
IN_INCHES: dict[str, float] = {
    **dict.fromkeys(
        (
            *("outside_diameter", "wall_thickness", "straight", "radius", "last_straight"),
            *("x", "y", "z", "first_straight", "rise", "roll", "tube_behind", "length", "trim"),
            *("mark_offset", "step", "cut", "start", "cut_length", "point", "end_position"),
            *("largest_diameter", "least_diameter", "wall_outside", "wall_side", "wall_inside"),
            *("corrosion_allowance", "required_wall", "least_outer_wall", "radial", "axial"),
            *("clearance", "corner_radius", "lead", "rod_length", "rod_overlap"),
            *("tube_outside_diameter", "least_outside_diameter", "largest_outside_diameter"),
            *("lever_length", "longest_tube", "groove_clearance", "clamped_length"),
            *("measured", "wanted", "kerf", "least_remnant", "end_trim"),
        ),
        INCH,
    ),
    **dict.fromkeys(
        (
            *("elastic_modulus", "yield_strength", "tensile_strength", "tensile_strength_max"),
            *("flow_stress", "allowable_stress", "pressure"),
        ),
        PSI,
    ),
    **dict.fromkeys(("comfortable_force", "pressure_die_friction", "mandrel_drag"), POUND_FORCE),
    "density": POUND_PER_CUBIC_INCH,
}


# --- bodies --------------------------------------------------------------------------------------


def two_bends(first_radius: float, second_radius: float) -> Body:
    """A run of two bends in different planes."""
    return {
        "bends": [
            {"straight": 100, "rotation": 0, "angle": 90, "radius": first_radius},
            {"straight": 80, "rotation": -120, "angle": 30, "radius": second_radius},
        ],
        "last_straight": 150,
    }


def changed(body: Body, field: Field, value: Any) -> Body:
    """A copy of the body with another value in one place."""
    new = copy.deepcopy(body)
    _holder(new, field)[field[-1]] = value
    return new


def without(body: Body, *field: str | int) -> Body:
    """A copy of the body without one member."""
    new = copy.deepcopy(body)
    del _holder(new, field)[field[-1]]
    return new


def _holder(body: Body, field: Field) -> Any:
    at: Any = body
    for part in field[:-1]:
        at = at[part]
    return at


def in_inches(body: Body) -> Body:
    """The metric body in inches, psi, lbf and lb/in³; limits are ratios and shares, and stay."""
    return {**{name: _in_inches(value, name) for name, value in body.items()}, "units": "inch"}


def _in_inches(value: Any, name: str) -> Any:
    if isinstance(value, dict) and name != "limits":
        return {key: _in_inches(inner, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_in_inches(inner, name) for inner in value]
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value / IN_INCHES.get(name, 1)
    return value


# --- refusals ------------------------------------------------------------------------------------


def refused(client: FlaskClient, path: str, body: Any) -> Body:
    """The first entry of a refusal; it says in a sentence what is wrong."""
    response = client.post(path, json=body)
    assert response.status_code == 422, response.get_data(as_text=True)
    entry: Body = response.get_json()["errors"][0]
    assert len(entry["detail"]) > 20, entry
    return entry


def code_and_pointer(client: FlaskClient, path: str, body: Any) -> tuple[str, str]:
    """What is wrong, and where, of a refusal."""
    entry = refused(client, path, body)
    return entry["code"], entry["pointer"]


def pointer_past(
    client: FlaskClient, path: str, body: Body, field: Field, inside: Any, outside: Any
) -> str:
    """Where the body is refused just outside a boundary, once just inside of it was taken."""
    accepted = client.post(path, json=changed(body, field, inside))
    assert accepted.status_code == 200, accepted.get_data(as_text=True)
    pointer: str = refused(client, path, changed(body, field, outside))["pointer"]
    return pointer


def pointer_to(field: Field) -> str:
    """The JSON pointer to a member."""
    return "".join(f"/{part}" for part in field)


# --- answers -------------------------------------------------------------------------------------


def follows_schema(method: str, path: str, answer: object) -> bool:
    """Whether a JSON answer of status 200 is as the specification has it."""
    return _answers(method, path).is_valid(answer)


@cache
def _answers(method: str, path: str) -> jsonschema_rs.Draft202012Validator:
    operation = next(o for o in operations() if (o.method, o.path) == (method, path))
    return validator(operation.response(200)["content"]["application/json"]["schema"])


def codes(answer: Body) -> set[str]:
    """Codes of the findings."""
    return {finding["code"] for finding in answer["findings"]}


def severities(answer: Body) -> dict[str, str]:
    """Severity of each finding by its code."""
    return {finding["code"]: finding["severity"] for finding in answer["findings"]}


def assert_agree(
    metric: Any,
    inch: Any,
    factor: Callable[[Names], float | None],
    *,
    rel: float = 1e-9,
    absolute: float = 1e-9,
    names: Names = (),
) -> None:
    """Hold a metric result against the same in inches, number by number.

    Arguments:
        factor: from the names of the members down to a number to the metric size of its inch unit;
            None for what is not held against each other
    """
    if names and factor(names) is None:
        return
    if isinstance(metric, dict):
        assert metric.keys() == inch.keys(), names
        for name in metric:
            below = (*names, name)
            assert_agree(metric[name], inch[name], factor, rel=rel, absolute=absolute, names=below)
    elif isinstance(metric, list):
        for one, other in zip(metric, inch, strict=True):
            assert_agree(one, other, factor, rel=rel, absolute=absolute, names=names)
    elif isinstance(metric, float):
        converted = inch * (factor(names) or 1)
        assert converted == pytest.approx(metric, rel=rel, abs=absolute), names
    else:
        assert metric == inch, names
