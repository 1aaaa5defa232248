"""Marshmallow fields with a quantity: unit, range and description are declared here once.

Bounds hold for the number as it is sent, in either unit system: they keep out the absurd; what is
physically possible is checked in internal units by the model. A message is a code of the table
``fields`` in ``shared/texts``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from marshmallow import Schema, ValidationError, fields, validate

from service.errors import Kind, Value
from service.web import texts
from service.web.units import NAMES, both_names

Lookup = Callable[[], Mapping[str, Any]]
NAME_PATTERN = r"^[^\x00-\x1f\x7f<>]*$"
ID_PATTERN = r"^[a-z0-9][a-z0-9._-]{0,63}$"


def _told(code: str, **parts: Value) -> str:
    """What is allowed, in the language of the request."""
    return texts.text("allowed", code).format(**parts)


def _between(code: str, least: str, most: str, unit: str = "") -> str:
    """Both bounds, or the one value that is allowed where they are equal.

    These are words for people: a number has the decimal mark of their language.
    """
    spoken = texts.language()
    if least == most:
        return _told(f"{code}_of_one", only=texts.decimal(most, spoken), unit=unit).rstrip()
    bounds = {"least": texts.decimal(least, spoken), "most": texts.decimal(most, spoken)}
    return _told(code, **bounds, unit=unit).rstrip()


class Quantity(fields.Float):
    """A number with a unit; strictly a JSON number, finite, within bounds.

    ``decimals`` are kept of a number that is answered in the caller's unit; all when left out.
    """

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_a_number",
        "required": "required",
        "null": "null_not_allowed",
        "too_large": "not_a_number",
        "special": "not_a_number",
    }

    def __init__(
        self,
        kind: Kind,
        description: str,
        *,
        least: float,
        most: float,
        decimals: int | None = None,
        **kwargs: Any,
    ) -> None:
        unit = both_names(kind)
        self.kind = kind
        self.decimals = decimals
        self.least, self.most = least, most
        metadata = {"description": f"{description} ({unit})" if unit else description}
        metadata.update(kwargs.pop("metadata", {}))
        check = validate.Range(least, most, error="out_of_range")
        super().__init__(validate=check, metadata=metadata, **kwargs)

    def allowed(self, system: str) -> str:
        """What is allowed, as text in the caller's units."""
        least, most = f"{self.least:.12g}", f"{self.most:.12g}"
        return _between("range", least, most, NAMES[system][self.kind])

    def _validated(self, value: Any) -> Any:
        # "100" and true are not numbers here, though float() would take both
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.make_error("invalid", input=value)
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.make_error("invalid", input=value)
        return number


class Length(Quantity):
    """A length in mm or in."""

    def __init__(
        self, description: str, *, least: float = 0.0, most: float = 100_000.0, **kwargs: Any
    ) -> None:
        super().__init__("length", description, least=least, most=most, **kwargs)


class Angle(Quantity):
    """An angle in degrees."""

    def __init__(
        self, description: str, *, least: float = 0.0, most: float = 360.0, **kwargs: Any
    ) -> None:
        super().__init__("angle", description, least=least, most=most, **kwargs)


class Ratio(Quantity):
    """A plain number."""

    def __init__(
        self, description: str, *, least: float = 0.0, most: float = 1.0, **kwargs: Any
    ) -> None:
        super().__init__("ratio", description, least=least, most=most, **kwargs)


class Count(fields.Integer):
    """A whole number; 2.0 counts as one, as in JSON Schema."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_a_whole_number",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(
        self, description: str, *, least: int = 0, most: int = 10_000, **kwargs: Any
    ) -> None:
        self.least, self.most = least, most
        kwargs["metadata"] = {"description": description, "format": "int32"}
        check = validate.Range(least, most, error="out_of_range")
        super().__init__(validate=check, **kwargs)

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a count has no unit
        """What is allowed, as text."""
        return _between("count", str(self.least), str(self.most))

    def _validated(self, value: Any) -> Any:
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value // 1:
            raise self.make_error("invalid", input=value)
        return int(value)


class Flag(fields.Boolean):
    """true or false, nothing that merely looks like it."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_a_flag",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(self, description: str, **kwargs: Any) -> None:
        super().__init__(metadata={"description": description}, **kwargs)

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a flag has no unit
        """What is allowed, as text."""
        return _told("flag")

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> bool:  # noqa: ARG002
        if not isinstance(value, bool):
            raise self.make_error("invalid", input=value)
        return value


class _WholePattern(validate.Regexp):
    """A pattern whose ``$`` is the end, as in JSON Schema: Python's lets a newline follow."""

    def __call__(self, value: Any) -> Any:
        if self.regex.fullmatch(value) is None:
            raise ValidationError("string_pattern")
        return value


class Text(fields.String):
    """A bounded string without control characters or angle brackets."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_a_string",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(
        self, description: str, *, most: int = 80, pattern: str = NAME_PATTERN, **kwargs: Any
    ) -> None:
        self.most, self.pattern = most, pattern
        checks: list[Any] = [
            validate.Length(min=0, max=most, error="string_too_long"),
            _WholePattern(pattern, error="string_pattern"),
        ]
        super().__init__(validate=checks, metadata={"description": description}, **kwargs)

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a text has no unit
        """What is allowed, as text."""
        return _told("text", most=self.most, pattern=self.pattern)


class Reading(Text):
    """A number with its unit as a text for people; the decimal mark is that of the language."""


class Choice(fields.String):
    """One word out of a fixed list."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_a_string",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(self, description: str, words: tuple[str, ...], **kwargs: Any) -> None:
        self.words = words
        super().__init__(
            validate=validate.OneOf(words, error="not_a_choice"),
            metadata={"description": description},
            **kwargs,
        )

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a word has no unit
        """What is allowed, as text."""
        return ", ".join(self.words)


class Part(fields.Nested):
    """An object of its own schema."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "type": "not_an_object",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(self, schema: type[Schema], description: str = "", **kwargs: Any) -> None:
        metadata = {"description": description} if description else {}
        super().__init__(schema, metadata=metadata, **kwargs)


class Parts(fields.List[Any]):
    """A bounded array."""

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "invalid": "not_an_array",
        "required": "required",
        "null": "null_not_allowed",
    }

    def __init__(
        self,
        inner: fields.Field[Any] | type[Schema],
        description: str,
        *,
        least: int = 0,
        most: int = 500,
        **kwargs: Any,
    ) -> None:
        self.least, self.most = least, most
        item = Part(inner) if isinstance(inner, type) else inner
        super().__init__(
            item,
            validate=validate.Length(least, most, error="array_length"),
            metadata={"description": description},
            **kwargs,
        )

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a number of items has no unit
        """What is allowed, as text."""
        return _between("array", str(self.least), str(self.most))

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> list[Any]:
        # before the items: a body can hold 300 000 of them, each to be refused at some cost
        if isinstance(value, list) and not self.least <= len(value) <= self.most:
            raise ValidationError("array_length")
        return super()._deserialize(value, attr, data, **kwargs)


class Either(fields.Field[Any]):
    """One of several shapes, told apart by a member that only that shape has.

    ``shapes`` maps the telling member to the schema. With ``names`` (a look-up of ids) a string
    is taken too: the id of something that is shipped or that the shop profile holds.
    """

    default_error_messages = {  # noqa: RUF012 - marshmallow merges these over the class tree
        "no_shape": "no_shape",
        "required": "required",
        "null": "null_not_allowed",
        "unknown_name": "unknown_name",
    }

    def __init__(
        self,
        description: str,
        shapes: Mapping[str, type[Schema]],
        names: Lookup | None = None,
        **kwargs: Any,
    ) -> None:
        self.shapes = {key: schema() for key, schema in shapes.items()}
        self.names = names
        super().__init__(metadata={"description": description}, **kwargs)

    def shape_of(self, value: object) -> Schema | None:
        """The schema that the value means to follow; None when no telling member is there."""
        if not isinstance(value, dict):
            return None
        return next((s for key, s in self.shapes.items() if key in value), None)

    def allowed(self, system: str) -> str:  # noqa: ARG002 - a shape has no unit
        """What is allowed, as text."""
        shapes = [_told("shape", member=key) for key in self.shapes]
        names = sorted(self.names()) if self.names else []
        listed = [_told("names", names=", ".join(names))] if names else []
        return texts.text("allowed", "or").join(listed + shapes)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:  # noqa: ARG002
        if self.names is not None and isinstance(value, str):
            if value not in self.names():
                raise ValidationError("unknown_name")
            return value
        shape = self.shape_of(value)
        if shape is None:
            raise ValidationError("no_shape")
        return shape.load(value)
