"""A bend table built in a CAD kernel (Open CASCADE, through its general Python binding).

Every point comes from the kernel's own rigid transformations, every arc from its circle through
three points, every length, tangent and distance from its measuring tools. Call
``oracles.require_kernel()`` before importing this module.

The import loads a shared library of about 60 MB: a second when cold, so only tests that carry the
marker ``kernel`` should import it.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oracles.random_runs import Row

with warnings.catch_warnings():
    # see oracles.require_kernel: what the binding says while it loads is not about this project
    warnings.simplefilter("ignore", DeprecationWarning)
    from OCP.BRep import BRep_Tool
    from OCP.BRepAdaptor import BRepAdaptor_Curve
    from OCP.BRepBuilderAPI import (
        BRepBuilderAPI_MakeEdge,
        BRepBuilderAPI_MakeVertex,
        BRepBuilderAPI_MakeWire,
    )
    from OCP.BRepExtrema import BRepExtrema_DistShapeShape
    from OCP.BRepGProp import BRepGProp
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
    from OCP.GC import GC_MakeArcOfCircle
    from OCP.GCPnts import GCPnts_AbscissaPoint
    from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
    from OCP.GProp import GProp_GProps
    from OCP.TopExp import TopExp

Vector = NDArray[np.float64]
Edge = Any  # the binding has no type stubs
Shape = Any

# Below this a straight is no edge: the kernel takes points nearer than 1e-7 mm for one point.
SHORTEST_EDGE = 1e-7


@dataclass(frozen=True)
class KernelRun:
    """A wire and its edges in order: straight, arc, straight, …; None for a zero straight."""

    wire: Shape
    edges: tuple[Edge | None, ...]

    @property
    def arcs(self) -> tuple[Edge, ...]:
        return self.edges[1::2]


def run_wire(rows: Sequence[Row], last_straight: float) -> KernelRun:
    """Build the run; rows (straight mm, rotation deg, angle deg, radius mm)."""
    frame = gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1), gp_Dir(1, 0, 0))
    drafts: list[Edge | None] = []
    for straight, rotation, angle, radius in rows:
        edge, frame = _straight(frame, straight)
        drafts.append(edge)
        edge, frame = _arc(frame, math.radians(rotation), math.radians(angle), radius)
        drafts.append(edge)
    drafts.append(_straight(frame, last_straight)[0])
    return _joined(drafts)


def edge_lengths(run: KernelRun) -> list[float]:
    """Lengths of all edges by arc-length integration, 0 where there is none."""
    return [
        0.0 if e is None else float(GCPnts_AbscissaPoint.Length_s(BRepAdaptor_Curve(e)))
        for e in run.edges
    ]


def wire_length(run: KernelRun) -> float:
    """Length of the whole wire as its linear mass property."""
    properties = GProp_GProps()
    BRepGProp.LinearProperties_s(run.wire, properties)
    return float(properties.Mass())


def tangent_points(run: KernelRun) -> list[tuple[Vector, Vector]]:
    """Start and end point of each bend, read from the vertices of the arc's edge."""
    return [(_vertex(e, last=False), _vertex(e, last=True)) for e in run.arcs]


def arc_middles(run: KernelRun) -> list[Vector]:
    """Point half way along each bend."""
    return [_at(e, 0.5)[0] for e in run.arcs]


def end_point(run: KernelRun) -> Vector:
    """End 2, read from the last vertex."""
    return _vertex(_present(run)[-1], last=True)


def end_direction(run: KernelRun) -> Vector:
    """Direction of travel at end 2, from the derivative of the last curve."""
    tangent = _at(_present(run)[-1], 1.0)[1]
    return tangent / np.linalg.norm(tangent)


def distance(a: Shape, b: Shape) -> tuple[float, Vector, Vector]:
    """Least distance of two shapes and the nearest points on each."""
    extrema = BRepExtrema_DistShapeShape(a, b)
    if not extrema.IsDone():
        raise ArithmeticError("the kernel found no least distance")
    return (
        float(extrema.Value()),
        _xyz(extrema.PointOnShape1(1)),
        _xyz(extrema.PointOnShape2(1)),
    )


def segment(start: Sequence[float], end: Sequence[float]) -> Edge:
    """Return a straight edge."""
    return BRepBuilderAPI_MakeEdge(gp_Pnt(*start), gp_Pnt(*end)).Edge()


def vertex(point: Sequence[float]) -> Shape:
    """Return a point as a shape, to measure from."""
    return BRepBuilderAPI_MakeVertex(gp_Pnt(*point)).Vertex()


def box(centre: Vector, axes: Vector, half_sizes: Sequence[float]) -> Shape:
    """Return a solid box from centre, three orthonormal rows (right-handed) and half sizes."""
    corner = centre - np.asarray(half_sizes) @ axes
    frame = gp_Ax2(gp_Pnt(*corner), gp_Dir(*axes[2]), gp_Dir(*axes[0]))
    return BRepPrimAPI_MakeBox(frame, *(2 * h for h in half_sizes)).Shape()


def cylinder(start: Vector, end: Vector, radius: float) -> Shape:
    """Return a solid cylinder with flat ends."""
    length = float(np.linalg.norm(end - start))
    axis = gp_Ax2(gp_Pnt(*start), gp_Dir(*((end - start) / length)))
    return BRepPrimAPI_MakeCylinder(axis, radius, length).Shape()


def _straight(frame: Any, length: float) -> tuple[Edge | None, Any]:
    travel = gp_Vec(frame.XDirection())
    moved = frame.Translated(travel.Multiplied(length))
    if length <= SHORTEST_EDGE:
        return None, moved
    return BRepBuilderAPI_MakeEdge(frame.Location(), moved.Location()).Edge(), moved


def _arc(frame: Any, rotation: float, angle: float, radius: float) -> tuple[Edge, Any]:
    rolled = frame.Rotated(gp_Ax1(frame.Location(), frame.XDirection()), rotation)
    # x is travel and z the bend normal, so y points to the centre of the bend
    centre = rolled.Location().Translated(gp_Vec(rolled.YDirection()).Multiplied(radius))
    half, full = gp_Trsf(), gp_Trsf()
    half.SetRotation(gp_Ax1(centre, rolled.Direction()), angle / 2)
    full.SetRotation(gp_Ax1(centre, rolled.Direction()), angle)
    start = rolled.Location()
    curve = GC_MakeArcOfCircle(start, start.Transformed(half), start.Transformed(full))
    return BRepBuilderAPI_MakeEdge(curve.Value()).Edge(), rolled.Transformed(full)


def _joined(drafts: list[Edge | None]) -> KernelRun:
    builder = BRepBuilderAPI_MakeWire()
    edges: list[Edge | None] = []
    for draft in drafts:
        if draft is not None:
            builder.Add(draft)
        # the builder copies an edge so that it shares the vertex before it
        edges.append(None if draft is None else builder.Edge())
    return KernelRun(builder.Wire(), tuple(edges))


def _present(run: KernelRun) -> list[Edge]:
    return [e for e in run.edges if e is not None]


def _at(edge: Edge, fraction: float) -> tuple[Vector, Vector]:
    curve, point, tangent = BRepAdaptor_Curve(edge), gp_Pnt(), gp_Vec()
    first, last = curve.FirstParameter(), curve.LastParameter()
    curve.D1(first + fraction * (last - first), point, tangent)
    return _xyz(point), _xyz(tangent)


def _vertex(edge: Edge, *, last: bool) -> Vector:
    vertex = (TopExp.LastVertex_s if last else TopExp.FirstVertex_s)(edge, True)
    return _xyz(BRep_Tool.Pnt_s(vertex))


def _xyz(point: Any) -> Vector:
    return np.array([point.X(), point.Y(), point.Z()])
