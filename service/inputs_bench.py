"""What stands round a bender that is sent by its values; schema and conversion."""

from __future__ import annotations

from typing import Any

from service.errors import Amount, GeometryError, MissingError, OutOfRangeError, Value
from service.model import BenchEdges, BoxBody, CylinderBody, Surroundings
from service.web.fields import Choice, Flag, Length, Part, Parts, Text
from service.web.schema import StrictSchema

FURTHEST = 20_000.0
AXES = ("x", "y", "z")
WHERE = ("bender", "surroundings")


def _coordinate(description: str) -> Length:
    return Length(description, least=-FURTHEST, most=FURTHEST, required=True)


def _point(description: str) -> Parts:
    coordinate = Length("x, y, z", least=-FURTHEST, most=FURTHEST)
    return Parts(coordinate, description, least=3, most=3, required=True)


class BenchEdgesSchema(StrictSchema):
    """Where the bench top ends."""

    least_x = _coordinate("Least x")
    greatest_x = _coordinate("Greatest x")
    least_y = _coordinate("Least y")
    greatest_y = _coordinate("Greatest y")


class BenchBoxSchema(StrictSchema):
    """A body of the bender or beside it as a box along the axes."""

    name = Text("Name", most=120, required=True)
    least = _point("Least corner")
    greatest = _point("Greatest corner")
    turns_with_die = Flag("Whether the die carries it round", load_default=False)


class BenchCylinderSchema(StrictSchema):
    """A body as a cylinder with flat ends; the sweep of the hand crank is one."""

    name = Text("Name", most=120, required=True)
    start = _point("Start of the axis")
    end = _point("End of the axis")
    radius = Length("Radius", least=0.01, most=FURTHEST, required=True)
    turns_with_die = Flag("Whether the die carries it round", load_default=False)


class SurroundingsSchema(StrictSchema):
    """What a tube may run into while it is bent.

    Frame: origin on the axis of the die, as high as the centre line of the tube; x the way in which
    the tube is fed, z up, y to the left of x. The straight tube behind the die may touch a body
    that carries it; a body that it overlaps along the pressure die counts as what clamps it.
    """

    swings = Choice(
        "Way in which the leg ahead is swung, seen from above",
        ("anticlockwise", "clockwise"),
        load_default="anticlockwise",
    )
    bench_below = Length("How far the bench top lies below the centre line", most=FURTHEST)
    bench_edges = Part(BenchEdgesSchema, "Where the bench top ends; without end when left out")
    floor_below = Length("How far the floor lies below the centre line", most=FURTHEST)
    boxes = Parts(BenchBoxSchema, "Bodies as boxes", most=50, load_default=())
    cylinders = Parts(BenchCylinderSchema, "Bodies as cylinders", most=50, load_default=())


def surroundings_of(given: Any) -> Surroundings | None:
    """What stands round the bender, of a converted body.

    Raises:
        OutOfRangeError: an edge or a corner that lies before its counterpart, a floor above the
            bench top
        MissingError: edges of a bench top whose height is not stated
        GeometryError: a cylinder without length
    """
    if given is None:
        return None
    _check_planes(given)
    made = {
        "bench_edges": _edges(given["bench_edges"]),
        "boxes": tuple(_box(box, at) for at, box in enumerate(given["boxes"])),
        "cylinders": tuple(_cylinder(one, at) for at, one in enumerate(given["cylinders"])),
    }
    return Surroundings(**{**given, **made})


def _check_planes(given: Any) -> None:
    bench, floor = given["bench_below"], given["floor_below"]
    if bench is None and given["bench_edges"] is not None:
        raise MissingError("bench_edges_without_bench", (*WHERE, "bench_below"))
    if bench is not None and floor is not None and floor < bench:
        parts = {"value": Amount(floor, "length"), "least": Amount(bench, "length")}
        raise OutOfRangeError("floor_above_bench", (*WHERE, "floor_below"), parts)


def _edges(given: Any) -> BenchEdges | None:
    if given is None:
        return None
    for axis in "xy":
        low, high = f"least_{axis}", f"greatest_{axis}"
        _check_order(given, low, high, axis, (*WHERE, "bench_edges", high))
    return BenchEdges(**given)


def _box(given: Any, number: int) -> BoxBody:
    for at, axis in enumerate(AXES):
        corners = {name: given[name][at] for name in ("least", "greatest")}
        where = (*WHERE, "boxes", number, "greatest", at)
        _check_order(corners, "least", "greatest", axis, where)
    points = {"least": tuple(given["least"]), "greatest": tuple(given["greatest"])}
    return BoxBody(**{**given, **points})


def _check_order(given: Any, low: str, high: str, axis: str, where: tuple[str | int, ...]) -> None:
    least, most = given[low], given[high]
    if most <= least:
        names = {"field": high, "counterpart": low, "axis": axis}
        parts: dict[str, Value] = {"value": Amount(most, "length"), **names}
        parts["least"] = Amount(least, "length")
        raise OutOfRangeError("body_inside_out", where, parts)


def _cylinder(given: Any, number: int) -> CylinderBody:
    if given["start"] == given["end"]:
        raise GeometryError("cylinder_without_length", (*WHERE, "cylinders", number, "end"))
    ends = {"start": tuple(given["start"]), "end": tuple(given["end"])}
    return CylinderBody(**{**given, **ends})
