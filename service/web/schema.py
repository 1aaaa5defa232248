"""Schemas: checked in the hot path by the published JSON Schema, explained by marshmallow.

A request schema is declared once, in marshmallow. The specification made from it is compiled into
a validator (``jsonschema_rs``); a body that it takes is converted at once. Any other body goes
through marshmallow, whose errors say what is wrong where. Both directions convert units through
one table per schema, built once from the same fields.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, ClassVar, Protocol

from marshmallow import RAISE, Schema, fields, missing

from service.web import units
from service.web.fields import Either, Quantity, Reading

Convert = Callable[[Any, units.Factors], Any]


class Validator(Protocol):
    """What a compiled JSON Schema offers."""

    def is_valid(self, instance: Any) -> bool:
        """Whether the instance follows the schema."""
        ...


class StrictSchema(Schema):
    """Base of every schema: unknown fields are refused."""

    error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "unknown": "unknown_field",
        "type": "not_an_object",
    }

    class Meta:
        """Marshmallow's options."""

        unknown = RAISE


class RequestSchema(StrictSchema):
    """Base of every request body: the unit system, a fast check, and conversion to mm, rad, ….

    ``load`` returns a dict in internal units with every declared field present (None where it was
    not sent) and ``units`` holding the name of the system.
    """

    validator: ClassVar[Validator | None] = None

    def load(self, data: Any, **kwargs: Any) -> Any:
        """Check and convert; raises marshmallow's ValidationError with codes as messages."""
        self.check(data, **kwargs)
        return self.convert(data)

    def check(self, data: Any, **kwargs: Any) -> None:
        """Check without converting; raises as ``load``."""
        if not self._quick(data):
            super().load(data, **kwargs)

    @classmethod
    def _quick(cls, data: Any) -> bool:
        try:
            return cls.validator is not None and cls.validator.is_valid(data)
        except (ValueError, OverflowError):  # a number that the validator cannot hold
            return False

    @classmethod
    def convert(cls, data: Mapping[str, Any]) -> dict[str, Any]:
        """Convert a checked body to internal units."""
        system = data.get("units") or "metric"
        converted: dict[str, Any] = inward(cls)(data, units.FACTORS[system])
        converted["units"] = system
        return converted


_inward: dict[type[Schema], Convert] = {}
_outward: dict[tuple[type[Schema], str], Convert] = {}


def inward(schema: type[Schema]) -> Convert:
    """The function that converts a checked body of ``schema`` to internal units; built once."""
    if schema not in _inward:
        _inward[schema] = _inward_of(schema)
    return _inward[schema]


def outward(schema: type[Schema], mark: str = ".") -> Convert:
    """The function that turns a dataclass into the dict that ``schema`` declares; built once.

    ``mark`` is the decimal mark of readings, which are texts for people; numbers have none.
    """
    if (schema, mark) not in _outward:
        _outward[schema, mark] = _outward_of(schema, mark)
    return _outward[schema, mark]


def _inward_of(schema: type[Schema]) -> Convert:
    declared = schema().fields
    absent = {
        name: None if f.load_default is missing else f.load_default for name, f in declared.items()
    }
    table = {name: made for name, f in declared.items() if (made := _inward_field(f)) is not None}

    def convert(body: Any, factors: units.Factors) -> dict[str, Any]:
        converted = {**absent, **body}
        for name, made in table.items():
            value = converted[name]
            if value is not None:
                converted[name] = made(value, factors)
        return converted

    return convert


def _inward_field(field: fields.Field[Any]) -> Convert | None:
    if isinstance(field, Quantity):
        kind = field.kind
        return lambda value, factors: value * factors[kind]
    if isinstance(field, fields.Integer):
        return lambda value, _: int(value)
    if isinstance(field, fields.Nested):
        return inward(type(field.schema))
    if isinstance(field, Either):
        return _inward_either(field)
    if isinstance(field, fields.List):
        inner = _inward_field(field.inner)
        return inner and (lambda value, factors: [inner(item, factors) for item in value])
    return None


def _inward_either(field: Either) -> Convert:
    made = {key: inward(type(shape)) for key, shape in field.shapes.items()}

    def convert(value: Any, factors: units.Factors) -> Any:
        if isinstance(value, str):
            return value
        key = next(key for key in made if key in value)
        return made[key](value, factors)

    return convert


def _outward_of(schema: type[Schema], mark: str) -> Convert:
    """Compile ``schema`` to one dict display; a loop over fields costs three times as much."""
    names: dict[str, Any] = {
        "DEGREE": units.DEGREE,
        "FINE": 10.0**units.DEGREE_DECIMALS,
        "MAGIC": units.TO_WHOLE,
        "MARK": mark,
    }
    members = _display("o", schema(), names)
    kinds = sorted(name for name in names if name.startswith("per_"))
    factors = "".join(f"    {kind} = f[{kind[4:]!r}]\n" for kind in kinds)
    source = f"def convert(o, f):\n{factors}    return {members}\n"
    # every name in the source comes from a schema of this package, never from a request
    exec(compile(source, f"<{schema.__name__}>", "exec"), names)
    made: Convert = names["convert"]
    return made


def _display(value: str, schema: Schema, names: dict[str, Any]) -> str:
    members = ", ".join(
        f"{name!r}: {_member(f'{value}.{field.attribute or name}', field, names)}"
        for name, field in schema.fields.items()
    )
    return f"{{{members}}}"


def _member(value: str, field: fields.Field[Any], names: dict[str, Any]) -> str:
    made = _expression(value, field, names)
    if made == value or not field.allow_none:
        return made
    return f"None if {value} is None else {made}"


def _expression(value: str, field: fields.Field[Any], names: dict[str, Any]) -> str:
    if isinstance(field, Quantity):
        return _number(value, field, names)
    if isinstance(field, fields.Nested):
        return _display(value, field.schema, names)
    if isinstance(field, fields.List):
        return f"[{_member('i', field.inner, names)} for i in {value}]"
    if isinstance(field, Reading) and names["MARK"] != ".":
        return f"{value}.replace('.', MARK)"
    return value


def _number(value: str, field: Quantity, names: dict[str, Any]) -> str:
    if field.kind == "angle":  # units.outward, written out
        return f"({value} / DEGREE * FINE + MAGIC - MAGIC) / FINE"
    names[f"per_{field.kind}"] = None
    shown = f"{value} / per_{field.kind}"
    return shown if field.decimals is None else f"round({shown}, {field.decimals})"
