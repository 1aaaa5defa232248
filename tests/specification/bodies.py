"""Request bodies made at random from the specification: plausible, bare of sense, and hostile.

Everything is drawn from one ``random.Random``, so that a seed gives the same bodies again, and
Hypothesis can drive it too.
"""

from __future__ import annotations

import copy
import json
import math
import re
from collections.abc import Callable, Iterator
from random import Random
from typing import Any

from specification import Operation, document

Json = Any
Path = tuple[str | int, ...]

WORDS = (
    "",
    "a",
    "insertion",
    "e235-n",
    "end_1",
    "Δ-12",
    "trailing newline\n",
    "tab\tinside",
    "nul\x00",
    "<b>",
    "\u2028",
    "\U0001f600",
    "x" * 41,
    "x" * 81,
    "x" * 5000,
    "-1",
    "1e3",
    "null",
    "{0}{name}",
    "%s%n",
    "../../etc/passwd",
)
HOSTILE: tuple[Json, ...] = (
    None,
    True,
    False,
    0,
    -0.0,
    1,
    -1,
    0.5,
    5e-324,
    1e-9,
    1e308,
    -1e308,
    math.inf,
    -math.inf,
    2**31,
    2**63,
    -(2**63) - 1,
    10**400,
    [],
    {},
    [[]],
    [None],
    [{}],
    {"": None},
    {"bends": [], "vertices": []},
    *WORDS,
)


def resolve(schema: dict[str, Any]) -> dict[str, Any]:
    """The schema that a reference leads to, or the schema itself."""
    while "$ref" in schema:
        schema = document()["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
    return schema


def plausible(operation: Operation, random: Random) -> Json:
    """The example with numbers varied, options left out or swapped: often a 200."""
    assert operation.body is not None
    return _vary(operation.example(), operation.body["schema"], random, random.choice((0.02, 0.3)))


def _vary(value: Json, schema: dict[str, Any], random: Random, strength: float) -> Json:
    schema = _branch(value, resolve(schema))
    if isinstance(value, dict):
        return _vary_object(value, schema, random, strength)
    if isinstance(value, list):
        items = [_vary(item, schema.get("items", {}), random, strength) for item in value]
        if items and random.random() < strength:
            items.insert(random.randrange(len(items)), copy.deepcopy(random.choice(items)))
        return items
    if "enum" in schema:
        return random.choice(schema["enum"]) if random.random() < strength else value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _vary_number(value, schema, random, strength)
    return value


def _vary_object(value: Json, schema: dict[str, Any], random: Random, strength: float) -> Json:
    declared = schema.get("properties", {})
    needed = schema.get("required", [])
    varied = {
        name: _vary(member, declared.get(name, {}), random, strength)
        for name, member in value.items()
        if name in needed or random.random() > strength / 3
    }
    for name in declared:
        if name not in value and random.random() < strength / 6:
            varied[name] = generated(declared[name], random)
    return varied


def _vary_number(value: float, schema: dict[str, Any], random: Random, strength: float) -> float:
    made = value * math.exp(random.uniform(-2, 2) * strength)
    if random.random() < 0.05:
        made = random.choice(list(_edges(schema)) or [made])
    made = _clipped(made, schema)
    return round(made) if "integer" in _types(schema) else made


def _clipped(number: float, schema: dict[str, Any]) -> float:
    least: float = schema.get("minimum", number)
    most: float = schema.get("maximum", number)
    return min(max(number, least), most)


def _branch(value: Json, schema: dict[str, Any]) -> dict[str, Any]:
    """The alternative that an example value follows, told by its type and members."""
    for key in ("oneOf", "anyOf"):
        for option in map(resolve, schema.get(key, ())):
            if isinstance(value, dict) and value.keys() & option.get("properties", {}).keys():
                return option
            if isinstance(value, str) and "string" in _types(option):
                return option
    return schema


def _types(schema: dict[str, Any]) -> list[str]:
    kind = schema.get("type", [])
    return [kind] if isinstance(kind, str) else list(kind)


def _edges(schema: dict[str, Any]) -> Iterator[float]:
    """Both limits, and the numbers next to them on both sides."""
    for limit in (schema.get("minimum"), schema.get("maximum")):
        if limit is not None:
            yield limit
            if "integer" in _types(schema):
                yield from (limit - 1, limit + 1)
            else:
                yield from (math.nextafter(limit, -math.inf), math.nextafter(limit, math.inf))


def generated(schema: dict[str, Any], random: Random, depth: int = 0) -> Json:
    """A value that the schema allows, with no regard to sense."""
    schema = resolve(schema)
    for key in ("oneOf", "anyOf"):
        if key in schema:
            return generated(random.choice(schema[key]), random, depth)
    if "enum" in schema:
        return random.choice(schema["enum"])
    return _MAKERS[random.choice(_types(schema) or ["null"])](schema, random, depth)


def _object(schema: dict[str, Any], random: Random, depth: int) -> Json:
    needed = schema.get("required", [])
    return {
        name: generated(member, random, depth + 1)
        for name, member in schema.get("properties", {}).items()
        if name in needed or random.random() < 0.5
    }


def _array(schema: dict[str, Any], random: Random, depth: int) -> Json:
    least, most = schema.get("minItems", 0), schema.get("maxItems", 10)
    length = random.choice((least, least + 1, random.randint(least, least + 4)))
    return [generated(schema["items"], random, depth + 1) for _ in range(min(length, most))]


def _number(schema: dict[str, Any], random: Random, _: int) -> float:
    least: float = schema.get("minimum", -1e6)
    most: float = schema.get("maximum", 1e6)
    made = random.choice(
        (
            random.uniform(least, most),
            random.uniform(max(least, -1000), min(most, 1000)) if least < 1000 else least,
            math.exp(random.uniform(math.log(max(least, 1e-3)), math.log(max(most, 1e-3)))),
            random.choice((least, most)),
        )
    )
    return min(max(made, least), most)


def _integer(schema: dict[str, Any], random: Random, _: int) -> float:
    whole = random.randint(schema.get("minimum", -1000), schema.get("maximum", 1000))
    return float(whole) if random.random() < 0.1 else whole  # 2.0 is an integer in JSON Schema


def _string(schema: dict[str, Any], random: Random, _: int) -> str:
    fitting = [
        word
        for word in WORDS
        if len(word) <= schema.get("maxLength", 100)
        and re.fullmatch(schema.get("pattern", r"[\s\S]*"), word)
    ]
    return random.choice(fitting or [""])


_MAKERS: dict[str, Callable[[dict[str, Any], Random, int], Json]] = {
    "object": _object,
    "array": _array,
    "number": _number,
    "integer": _integer,
    "string": _string,
    "boolean": lambda _, random, __: random.random() < 0.5,
    "null": lambda *_: None,
}


def hostile(body: Json, schema: dict[str, Any], random: Random) -> Json:
    """The body with one to three places spoilt, or set right at or beside a limit."""
    spoilt = {"": copy.deepcopy(body)}
    for _ in range(random.choice((1, 1, 1, 2, 3))):
        path = random.choice(list(_paths(spoilt[""])))
        _spoil(spoilt, path, schema, random)
    return spoilt[""]


def _paths(value: Json, path: Path = ("",)) -> Iterator[Path]:
    yield path
    if isinstance(value, dict | list) and len(path) < 12:
        members = value.items() if isinstance(value, dict) else enumerate(value[:6])
        for key, member in members:
            yield from _paths(member, (*path, key))


def _spoil(root: Json, path: Path, schema: dict[str, Any], random: Random) -> None:
    *steps, last = path
    target = root
    for step in steps:
        target = target[step]
    edges = list(_edges(_schema_at(schema, root[""], path[1:])))
    draw = random.random()
    if edges and draw < 0.4:
        target[last] = random.choice(edges)
    elif draw < 0.8 or len(path) == 1:
        target[last] = copy.deepcopy(random.choice(HOSTILE))
    elif draw < 0.9:
        del target[last]
    elif isinstance(target, dict):
        target[random.choice(("unknown", "_schema", str(last) + " ", *WORDS[:4]))] = target[last]
    else:
        target.extend([copy.deepcopy(target[last])] * random.choice((1, 9, 600)))


def _schema_at(schema: dict[str, Any], value: Json, path: Path) -> dict[str, Any]:
    schema = _branch(value, resolve(schema))
    if not path:
        return schema
    inner = (
        schema.get("items", {})
        if isinstance(path[0], int)
        else schema.get("properties", {}).get(path[0], {})
    )
    return _schema_at(inner, value[path[0]], path[1:])


def drawn(operation: Operation, random: Random) -> Json:
    """A body of any of the kinds."""
    assert operation.body is not None
    schema = operation.body["schema"]
    kind = random.random()
    if kind < 0.45:
        return plausible(operation, random)
    if kind < 0.6:
        return generated(schema, random)
    return hostile(plausible(operation, random), schema, random)


def as_json(body: Json) -> bytes:
    """The body as bytes; an infinity is written as the number 1e999 that is read as one."""
    text = json.dumps(body, ensure_ascii=False)
    return re.sub(r"(?<=[\[:, ])(-?)Infinity(?=[\],}])", r"\g<1>1e999", text).encode()
