"""The shop profile: one JSON file in mm, degrees, MPa and N, checked whole before it is used.

``shared/shop/profile.schema.json`` says what a profile may hold; what a schema cannot say (a die
that a bender names exists, a range is the right way round) is checked here. Every problem is told
at once, on a line of its own: JSON pointer, value, what is allowed.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from service.errors import ProfileError
from service.model import (
    BenchEdges,
    Bender,
    BoxBody,
    CylinderBody,
    Die,
    Drive,
    EndFitting,
    InspectionTolerances,
    MandrelLimits,
    Material,
    RatedTube,
    Shop,
    Surroundings,
)
from service.reference_files import shared_file

if TYPE_CHECKING:
    import jsonschema_rs

Pointer = tuple[str | int, ...]
Part = Mapping[str, Any]

# How a rule of the schema is told; a rule that is not here needs no telling.
_RULES = {
    "const": "exactly {}",
    "enum": "one of {}",
    "type": "JSON {}",
    "minimum": "from {}",
    "maximum": "to {}",
    "minLength": "of {} characters or more",
    "maxLength": "of {} characters or fewer",
    "minItems": "of {} entries or more",
    "maxItems": "of {} entries or fewer",
    "pattern": "matching {}",
}
# A name given twice and a value that JSON has no word for are kept under names that no profile
# may use, so that the schema finds them, with their pointer, among all other problems.
_TWICE = " (given twice)"
_NO_JSON = "no JSON value"
# No figure in a profile needs more digits; Python's own limit would fail without saying where.
_MOST_DIGITS = 30


def parse_profile(text: str, materials: Mapping[str, Material]) -> Shop:
    """Check a whole shop profile and return it as a Shop.

    Arguments:
        text: the JSON text
        materials: the materials that a rated tube may name, by id

    Raises:
        ProfileError: malformed JSON, or any problem in it; one line for each
    """
    document = _decode(text)
    problems = [*_schema_problems(document), *_cross_problems(document, materials)]
    if problems:
        raise ProfileError("\n".join(problems))
    return _shop(document)


# --- JSON ----------------------------------------------------------------------------------------


def _decode(text: str) -> Any:
    try:
        return _clean(
            json.loads(
                text,
                object_pairs_hook=_object,
                parse_constant=_no_json,
                parse_float=_float,
                parse_int=_int,
            )
        )
    except json.JSONDecodeError as error:
        place = f"line {error.lineno}, column {error.colno}"
        raise ProfileError(f"(whole file): malformed JSON at {place}: {error.msg}") from error
    except RecursionError as error:
        raise ProfileError("(whole file): malformed JSON: nested too deeply") from error


def _no_json(token: str) -> dict[str, str]:
    return {_NO_JSON: token}


def _float(token: str) -> float | dict[str, str]:
    return value if math.isfinite(value := float(token)) else _no_json(token)


def _int(token: str) -> int | dict[str, str]:
    return int(token) if len(token) <= _MOST_DIGITS else _no_json(token)


def _object(pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        key = _printable(name)
        found[key + _TWICE if key in found else key] = _clean(value)
    return found


def _clean(value: Any) -> Any:
    """A text or an array with each lone surrogate, which no UTF-8 can hold, told as no JSON."""
    if isinstance(value, list):
        return [_clean(entry) for entry in value]
    if isinstance(value, str) and value != _printable(value):
        return _no_json(_printable(value))
    return value


def _printable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


# --- what the schema says ------------------------------------------------------------------------


def _schema_problems(document: Any) -> Iterator[str]:
    import jsonschema_rs  # takes longer to import than all data files take to open

    schema = json.loads(shared_file("shop", "profile.schema.json").read_text(encoding="utf-8"))
    try:
        for error in jsonschema_rs.Draft202012Validator(schema).iter_errors(document):
            yield from _schema_lines(error, schema)
    except ValueError as error:  # the validator's own limit of nesting, 255
        raise ProfileError(f"(whole file): nested too deeply: {error}") from error


def _schema_lines(error: jsonschema_rs.ValidationError, schema: Part) -> Iterator[str]:
    at, kind = tuple(error.instance_path), error.kind.as_dict()
    rule: Any = schema
    for part in error.schema_path[:-1]:
        rule = rule[part]
    if error.kind.name == "required":
        name = kind["property"]
        yield f"{_told((*at, name))}: is missing; allowed: {_allowed(rule, name, schema)}"
    elif error.kind.name == "additionalProperties":
        held: Any = error.instance
        for name in kind["unexpected"]:
            yield _unexpected((*at, name), held.get(name), rule["properties"])
    else:
        yield _line(at, error.instance, _told_rule(rule))


def _unexpected(at: Pointer, value: Any, known: Part) -> str:
    name = str(at[-1])
    if name == _NO_JSON:
        return _line(at[:-1], {_NO_JSON: value}, "JSON object")
    if name.endswith(_TWICE):
        return _line((*at[:-1], name.removesuffix(_TWICE)), value, "each name once (given twice)")
    return _line(at, value, "only the names " + ", ".join(known))


def _allowed(rule: Part, name: str, schema: Part) -> str:
    part = rule["properties"][name]
    referred = schema["$defs"][part["$ref"].rpartition("/")[2]] if "$ref" in part else {}
    return _told_rule({**referred, **part})


def _told_rule(rule: Part) -> str:
    limits = ", ".join(text.format(rule[key]) for key, text in _RULES.items() if key in rule)
    return f"{limits} ({rule['description']})" if "description" in rule else limits


# --- what a schema cannot say --------------------------------------------------------------------
# These look at whatever is there, so that they find their problems beside those of the schema; a
# part of the wrong type is the schema's to tell and is passed over.


def _cross_problems(document: Any, materials: Mapping[str, Material]) -> Iterator[str]:
    root = document if isinstance(document, dict) else {}
    dies = {die["id"]: die for _, die in _parts(root, "dies") if isinstance(die.get("id"), str)}
    yield from _repeated(root, "benders")
    yield from _repeated(root, "dies")
    yield from _repeated(root, "end_fittings")
    for at, die in _parts(root, "dies"):
        yield from _too_tight(at, die, "tube_outside_diameter")
    for at, bender in _parts(root, "benders"):
        yield from _bender_problems(at, bender, dies, materials)
    mandrel = root.get("mandrel")
    limits = mandrel.get("limits") if isinstance(mandrel, dict) else None
    if isinstance(limits, dict):
        yield from _limit_problems(("mandrel", "limits"), limits)


def _bender_problems(
    at: Pointer, bender: Part, dies: Mapping[str, Part], materials: Mapping[str, Material]
) -> Iterator[str]:
    yield from _ordered(at, bender, "least_outside_diameter", "largest_outside_diameter")
    yield from _die_problems(at, bender, dies)
    around = bender.get("surroundings")
    if isinstance(around, dict):
        yield from _surroundings_problems((*at, "surroundings"), around)
    for below, tube in _parts(bender, "rated_tubes"):
        place = (*at, *below)
        yield from _outside_range(place, tube, "outside_diameter", bender)
        yield from _too_tight(place, tube, "outside_diameter")
        yield from _wall_problems(place, tube)
        yield from _flow_problems(place, tube, materials)


def _surroundings_problems(at: Pointer, around: Part) -> Iterator[str]:
    yield from _ordered(at, around, "bench_below", "floor_below")
    edges = around.get("bench_edges")
    if edges is not None and "bench_below" not in around:
        told = "the height of the bench top whose edges are stated"
        yield f"{_told((*at, 'bench_below'))}: is missing; allowed: {told}"
    if isinstance(edges, dict):
        yield from _ordered((*at, "bench_edges"), edges, "least_x", "greatest_x")
        yield from _ordered((*at, "bench_edges"), edges, "least_y", "greatest_y")
    for below, box in _parts(around, "boxes"):
        low, high = _point(box, "least"), _point(box, "greatest")
        for axis, (least, most) in enumerate(zip(low, high, strict=False)):
            if most <= least:
                yield _line((*at, *below, "greatest", axis), most, f"above {least:g}")
    for below, cylinder in _parts(around, "cylinders"):
        start, end = _point(cylinder, "start"), _point(cylinder, "end")
        if start and start == end:
            yield _line((*at, *below, "end"), cylinder["end"], "another point than start")


def _point(part: Part, name: str) -> tuple[float, ...]:
    """A point of three numbers; empty where it is none, which is the schema's to tell."""
    given = part.get(name)
    numbers = [_number({name: n}, name) for n in given] if isinstance(given, list) else []
    return tuple(n for n in numbers if n is not None) if len(numbers) == 3 else ()


def _die_problems(at: Pointer, bender: Part, dies: Mapping[str, Part]) -> Iterator[str]:
    names = bender.get("dies")
    seen: set[str] = set()
    for number, name in enumerate(names if isinstance(names, list) else ()):
        place = (*at, "dies", number)
        if not isinstance(name, str):
            continue
        if name in seen:
            yield _line(place, name, "each die once")
        elif name not in dies:
            yield _line(place, name, f"the id of a die in /dies: {_listed(dies)}")
        else:
            yield from _outside_range(place, dies[name], "tube_outside_diameter", bender)
        seen.add(name)


def _flow_problems(at: Pointer, tube: Part, materials: Mapping[str, Material]) -> Iterator[str]:
    name = tube.get("material")
    if isinstance(name, str) and name not in materials:
        yield _line((*at, "material"), name, f"the id of a shipped material: {_listed(materials)}")
    elif "flow_stress" not in tube and "material" not in tube:
        yield f"{_told((*at, 'flow_stress'))}: is missing; allowed: a flow stress or a material"
    elif "flow_stress" not in tube and isinstance(name, str) and _has_no_strength(materials[name]):
        yield _line(
            (*at, "material"),
            name,
            "a material with minimum yield and tensile strength, or a flow_stress beside it",
        )


def _has_no_strength(material: Material) -> bool:
    return material.yield_strength is None or material.tensile_strength is None


def _wall_problems(at: Pointer, tube: Part) -> Iterator[str]:
    od, wall = _number(tube, "outside_diameter"), _number(tube, "wall_thickness")
    if od is not None and wall is not None and 2 * wall >= od:
        yield _line((*at, "wall_thickness"), wall, f"below half the outside diameter, {od / 2:g}")


def _too_tight(at: Pointer, part: Part, diameter: str) -> Iterator[str]:
    od, radius = _number(part, diameter), _number(part, "radius")
    if od is not None and radius is not None and 2 * radius <= od:
        yield _line((*at, "radius"), radius, f"above half the outside diameter, {od / 2:g}")


def _limit_problems(at: Pointer, limits: Part) -> Iterator[str]:
    yield from _ordered(at, limits, "required_below_wall_ratio", "advised_below_wall_ratio")
    yield from _ordered(at, limits, "tight_bend_ratio", "none_above_bend_ratio")


def _ordered(at: Pointer, part: Part, low: str, high: str) -> Iterator[str]:
    least, most = _number(part, low), _number(part, high)
    if least is not None and most is not None and most < least:
        yield _line((*at, high), most, f"{low}, {least:g}, or more")


def _outside_range(at: Pointer, part: Part, diameter: str, bender: Part) -> Iterator[str]:
    least = _number(bender, "least_outside_diameter")
    most = _number(bender, "largest_outside_diameter")
    od = _number(part, diameter)
    if od is None or least is None or most is None or least <= od <= most:
        return
    yield _line(at, od, f"an outside diameter that this bender takes, {least:g} to {most:g} mm")


def _repeated(root: Part, section: str) -> Iterator[str]:
    seen: Counter[str] = Counter()
    for at, part in _parts(root, section):
        name = part.get("id")
        if isinstance(name, str):
            seen[name] += 1
            if seen[name] > 1:
                yield _line((*at, "id"), name, f"an id that nothing else in /{section} has")


def _parts(parent: Part, section: str) -> Iterator[tuple[Pointer, Part]]:
    entries = parent.get(section)
    for number, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, dict):
            yield (section, number), entry


def _number(part: Part, name: str) -> float | None:
    value = part.get(name)
    # A bool is an int to Python and a slip of the keyboard to a profile.
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


# --- how a problem is told -----------------------------------------------------------------------


def _line(at: Pointer, value: Any, allowed: str) -> str:
    return f"{_told(at)}: {_shown(value)} is not allowed; allowed: {allowed}"


def _told(at: Pointer) -> str:
    """The JSON pointer of RFC 6901; the whole file has the empty pointer, which nobody sees."""
    parts = (str(part).replace("~", "~0").replace("/", "~1") for part in at)
    pointer = "".join(f"/{part}" for part in parts)
    # A name may hold a line end, and a problem keeps to its line.
    return json.dumps(pointer, ensure_ascii=False)[1:-1] or "(whole file)"


def _shown(value: Any) -> str:
    if isinstance(value, dict):
        return str(value[_NO_JSON])[:60] if _NO_JSON in value else "a JSON object"
    if isinstance(value, list):
        return f"a JSON array of {len(value)}"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else f"{text[:60]}… ({len(text)} characters)"


def _listed(names: Iterable[str]) -> str:
    known = sorted(names)
    return ", ".join(known[:40]) + (f" and {len(known) - 40} more" if len(known) > 40 else "")


# --- the shop ------------------------------------------------------------------------------------


def _shop(document: Part) -> Shop:
    mandrel, invented = document.get("mandrel", {}), document.get("invented", False)
    return Shop(
        id=document["id"],
        name=document["name"],
        benders=MappingProxyType({b["id"]: _bender(b) for b in document["benders"]}),
        dies=MappingProxyType({d["id"]: _die(d) for d in document["dies"]}),
        mandrel_limits=MandrelLimits(**_floats(mandrel.get("limits", {}))),
        mandrel_clearance=_number(mandrel, "clearance"),
        mandrel_rod_length=_number(mandrel, "rod_length"),
        bench_step=float(document.get("bench", {}).get("step", 0.5)),
        end_fittings=MappingProxyType(
            {f["id"]: EndFitting(**_floats(f)) for f in document.get("end_fittings", ())}
        ),
        inspection=_inspection(document.get("inspection", {})),
        source="demo-shop" if invented else "shop-profile",
        invented=invented,
        note=document.get("note", ""),
    )


def _inspection(part: Part) -> InspectionTolerances:
    turns = ("angle", "rotation", "end_direction")
    made = {name: math.radians(v) if name in turns else v for name, v in _floats(part).items()}
    return InspectionTolerances(**made)


def _die(part: Part) -> Die:
    return Die(**{**_floats(part), "largest_angle": math.radians(part["largest_angle"])})


def _bender(part: Part) -> Bender:
    return Bender(
        **{
            **_floats(part),
            "largest_angle": math.radians(part["largest_angle"]),
            "dies": tuple(part["dies"]),
            "rated_tubes": tuple(RatedTube(**_floats(t)) for t in part.get("rated_tubes", ())),
            "drive": Drive(**_floats(part["drive"])) if "drive" in part else None,
            "surroundings": _surroundings(part.get("surroundings")),
        }
    )


def _surroundings(part: Part | None) -> Surroundings | None:
    if part is None:
        return None
    edges = part.get("bench_edges")
    made = {
        "bench_edges": None if edges is None else BenchEdges(**_floats(edges)),
        "boxes": tuple(BoxBody(**_points(b)) for b in part.get("boxes", ())),
        "cylinders": tuple(CylinderBody(**_points(c)) for c in part.get("cylinders", ())),
    }
    return Surroundings(**{**_floats(part), **made})


def _points(part: Part) -> dict[str, Any]:
    return {k: tuple(map(float, v)) if type(v) is list else v for k, v in _floats(part).items()}


def _floats(part: Part) -> dict[str, Any]:
    """A part whose names are those of its dataclass, with each whole number made a float."""
    return {name: float(v) if type(v) is int else v for name, v in part.items()}
