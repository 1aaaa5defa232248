"""Reads a body in one pass: checked, and in internal units.

From the fields of a schema a function is compiled that either returns the converted body or raises
``UnreadableError``; marshmallow then says what is wrong. Checking and converting in one pass costs
a third of validating first and converting after. A test holds the readers against marshmallow and
against the published JSON Schema: they take the same bodies.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from marshmallow import Schema, fields, missing

from service.web import units
from service.web.fields import Choice, Count, Either, Flag, Part, Parts, Quantity, Text

Read = Callable[[Any, units.Factors], dict[str, Any]]
_readers: dict[type[Schema], Read] = {}
ABSENT = object()


class UnreadableError(Exception):
    """The body does not follow its schema."""


def reader(schema: type[Schema]) -> Read:
    """The function that reads a body of ``schema``; built once.

    It takes the body and the factors to internal units and returns a dict in which every declared
    field is present, None where it was not sent and has no default. It raises UnreadableError, or
    KeyError where a required member is missing.
    """
    if schema not in _readers:
        _readers[schema] = _Source(schema).compiled()
    return _readers[schema]


class _Source:
    """The source of one reader, line by line, and the names it uses."""

    def __init__(self, schema: type[Schema]) -> None:
        self.schema = schema
        self.names: dict[str, Any] = {"UnreadableError": UnreadableError, "ABSENT": ABSENT}
        self.kinds: set[str] = set()
        self.lines: list[str] = []

    def compiled(self) -> Read:
        """Write the lines and compile them."""
        declared = self.schema().fields
        required = [name for name, field in declared.items() if field.required]
        self.line(1, f"seen = {len(required)}")
        for number, (name, field) in enumerate(declared.items()):
            self.member(number, name, field)
        self.line(1, "if len(d) != seen:", "    raise UnreadableError")
        self.line(1, "return out")
        head = [
            "def read(d, f):",
            "    if type(d) is not dict:",
            "        raise UnreadableError",
            "    out = {}",
        ]
        head += [f"    k_{kind} = f[{kind!r}]" for kind in sorted(self.kinds)]
        source = "\n".join([*head, *self.lines])
        # every name in the source comes from a schema of this package, never from a request
        exec(compile(source, f"<read {self.schema.__name__}>", "exec"), self.names)
        made: Read = self.names["read"]
        return made

    def line(self, depth: int, *lines: str) -> None:
        """Add lines at a depth of indentation."""
        self.lines += ["    " * depth + line for line in lines]

    def name(self, stem: str, value: Any) -> str:
        """A name under which the source finds ``value``."""
        name = f"{stem}_{len(self.names)}"
        self.names[name] = value
        return name

    def member(self, number: int, name: str, field: fields.Field[Any]) -> None:
        """Read one member into ``out``."""
        if field.required:
            self.line(1, f"v = d[{name!r}]")
            self.value(1, f"out[{name!r}]", field)
            return
        self.line(1, f"v = d.get({name!r}, ABSENT)", "if v is ABSENT:")
        self.line(2, f"out[{name!r}] = {self.absent(number, field)}")
        self.line(1, "else:")
        self.line(2, "seen += 1")
        self.value(2, f"out[{name!r}]", field)

    def absent(self, number: int, field: fields.Field[Any]) -> str:
        """What stands for a member that was not sent."""
        default = None if field.load_default is missing else field.load_default
        if isinstance(field, Quantity) and default:
            return f"{default!r} * {self.factor(field)}"
        if isinstance(field, Parts) and default is not None:
            return "[]"
        if isinstance(field, Part) and default is not None:
            return f"{self.part_reader(field)}({default!r}, f)"
        return self.name(f"default_{number}", default) if default is not None else "None"

    def factor(self, field: Quantity) -> str:
        """The local name of the factor of a quantity."""
        self.kinds.add(field.kind)
        return f"k_{field.kind}"

    def value(self, depth: int, target: str, field: fields.Field[Any]) -> None:
        """Check ``v`` and put it, converted, into ``target``."""
        if field.allow_none:
            self.line(depth, "if v is None:", f"    {target} = None", "else:")
            depth += 1
        for kind, write in WRITERS:
            if isinstance(field, kind):
                write(self, depth, target, field)
                return
        raise TypeError(f"no reader for a field of {type(field).__name__}")

    def refuse(self, depth: int, condition: str) -> None:
        """Refuse under a condition."""
        self.line(depth, f"if {condition}:", "    raise UnreadableError")

    def quantity(self, depth: int, target: str, field: Quantity) -> None:
        """A number within its bounds, in internal units; NaN is within none."""
        self.line(depth, "t = type(v)")
        bounds = f"{float(field.least)!r} <= v <= {float(field.most)!r}"
        self.refuse(depth, f"t is not float and t is not int or not {bounds}")
        self.line(depth, f"{target} = v * {self.factor(field)}")

    def count(self, depth: int, target: str, field: Count) -> None:
        """A whole number; 2.0 is one."""
        self.line(depth, "if type(v) is float and v.is_integer():", "    v = int(v)")
        self.refuse(depth, f"type(v) is not int or not {field.least} <= v <= {field.most}")
        self.line(depth, f"{target} = v")

    def flag(self, depth: int, target: str, _: Flag) -> None:
        """True or false."""
        self.refuse(depth, "v is not True and v is not False")
        self.line(depth, f"{target} = v")

    def text(self, depth: int, target: str, field: Text) -> None:
        """A string of the pattern, not too long."""
        match = self.name("match", re.compile(field.pattern).fullmatch)
        self.refuse(depth, f"type(v) is not str or len(v) > {field.most} or {match}(v) is None")
        self.line(depth, f"{target} = v")

    def choice(self, depth: int, target: str, field: Choice) -> None:
        """One of the words."""
        words = self.name("words", frozenset(field.words))
        self.refuse(depth, f"type(v) is not str or v not in {words}")
        self.line(depth, f"{target} = v")

    def part(self, depth: int, target: str, field: Part) -> None:
        """An object of its own schema."""
        self.line(depth, f"{target} = {self.part_reader(field)}(v, f)")

    def part_reader(self, field: Part) -> str:
        """The name of the function that reads an object of its own schema."""
        return self.name("read", reader(type(field.schema)))

    def parts(self, depth: int, target: str, field: Parts) -> None:
        """An array, item by item."""
        self.refuse(depth, f"type(v) is not list or not {field.least} <= len(v) <= {field.most}")
        if isinstance(field.inner, Part) and not field.inner.allow_none:
            self.line(depth, f"{target} = [{self.part_reader(field.inner)}(i, f) for i in v]")
            return
        self.line(depth, "items = []", "for v in v:")
        self.value(depth + 1, "item", field.inner)
        self.line(depth + 1, "items.append(item)")
        self.line(depth, f"{target} = items")

    def either(self, depth: int, target: str, field: Either) -> None:
        """An id, or the shape whose telling member is there."""
        names = "()" if field.names is None else f"{self.name('names', field.names)}()"
        self.line(depth, "if type(v) is str:")
        self.refuse(depth + 1, f"v not in {names}")
        self.line(depth + 1, f"{target} = v")
        self.line(depth, "elif type(v) is not dict:", "    raise UnreadableError")
        for key, shape in field.shapes.items():
            self.line(depth, f"elif {key!r} in v:")
            self.line(depth + 1, f"{target} = {self.name('read', reader(type(shape)))}(v, f)")
        self.line(depth, "else:", "    raise UnreadableError")


WRITERS: tuple[tuple[type, Callable[[Any, int, str, Any], None]], ...] = (
    (Quantity, _Source.quantity),
    (Count, _Source.count),
    (Flag, _Source.flag),
    (Choice, _Source.choice),
    (Text, _Source.text),
    (Part, _Source.part),
    (Parts, _Source.parts),
    (Either, _Source.either),
)
