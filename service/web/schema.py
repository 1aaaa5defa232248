"""Schemas: declared once, in marshmallow; read and written by functions compiled from them.

A request body is read by ``service.web.reader``; one that it refuses goes through marshmallow,
whose errors say what is wrong where. An answer is written by a function compiled from the fields
of its schema. Both convert units on the way.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from marshmallow import RAISE, Schema, fields

from service.web import units
from service.web.fields import Quantity, Reading
from service.web.reader import UnreadableError, reader

Convert = Callable[[Any, units.Factors], Any]


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
    """Base of every request body: a fast reader, and marshmallow to say what is wrong."""

    def load(self, data: Any, **kwargs: Any) -> Any:  # noqa: ARG002 - marshmallow's options
        """Check and convert to mm, rad, …, with the unit system that the body names.

        Returns a dict in internal units with every declared field present (None where it was not
        sent) and ``units`` holding the name of the system.

        Raises:
            ValidationError: with codes as messages
        """
        named = data.get("units") if type(data) is dict else None
        system = named if type(named) is str and named in units.FACTORS else "metric"
        body = self.load_in(data, system)
        body["units"] = system
        return body

    def load_in(self, data: Any, system: str) -> dict[str, Any]:
        """The same with the numbers of ``data`` in the units of ``system``."""
        try:
            return reader(type(self))(data, units.FACTORS[system])
        except (UnreadableError, KeyError):
            super().load(data)
            raise RuntimeError(f"{type(self).__name__}: the reader refused a good body") from None


def build_readers(below: type[RequestSchema] = RequestSchema) -> None:
    """Compile the readers of all request schemas, so that no request waits for one."""
    for schema in below.__subclasses__():
        reader(schema)
        build_readers(schema)


_outward: dict[tuple[type[Schema], str], Convert] = {}


def outward(schema: type[Schema], mark: str = ".") -> Convert:
    """The function that turns a dataclass into the dict that ``schema`` declares; built once.

    ``mark`` is the decimal mark of readings, which are texts for people; numbers have none.
    """
    if (schema, mark) not in _outward:
        _outward[schema, mark] = _outward_of(schema, mark)
    return _outward[schema, mark]


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
