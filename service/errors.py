"""What a calculation may refuse, kept in parts; no HTTP in here.

::

    ServiceError
     ├─ CalculationError        a request that no bender could mean; carries code, field, values
     │   ├─ OutOfRangeError     a number outside what is allowed
     │   ├─ GeometryError       a centre line that cannot exist
     │   ├─ UnknownNameError    a name that neither shipped data nor the shop profile holds
     │   ├─ MissingError        a datum without which the answer cannot be computed
     │   ├─ NotDeterminedError  the data given do not determine the answer
     │   └─ NoMethodError       no sound method covers this case
     └─ ProfileError            a shop profile or shipped data file that cannot be loaded

The text for people is not in the exception: it is looked up in ``shared/texts`` by ``code`` and
filled with ``values``, so that one place holds all wording, in every language and unit system.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "length",
    "angle",
    "pressure",
    "moment",
    "force",
    "energy",
    "mass",
    "mass_per_length",
    "density",
    "area",
    "section_modulus",
    "second_moment",
    "curvature",
    "volume",
    "ratio",
    "percent",
    "count",
]


@dataclass(frozen=True, slots=True)
class Amount:
    """A number in internal units (mm, rad, MPa, N·mm, N, kg) with the kind of quantity it is.

    Kept with errors and findings so that the edge can show it in the caller's units.
    ``percent`` is held as a fraction; ``ratio`` and ``count`` have no unit.
    """

    value: float
    kind: Kind


class Word(str):
    """A word that the catalogue holds in every language, by its code; any other string stays."""

    __slots__ = ()


Value = Amount | float | int | str | None
Pointer = Sequence[str | int]


class ServiceError(Exception):
    """Root of everything this package raises on purpose."""


class ProfileError(ServiceError):
    """A shop profile or a shipped data file that cannot be loaded; the message says where."""


class CalculationError(ServiceError):
    """A request that was understood and is refused.

    Arguments:
        code: key of the text in ``shared/texts``, snake case
        field: where in the request, as parts of a JSON pointer: ``("run", "bends", 2)``
        values: numbers and names for the text; must hold what is allowed and what would cure it
    """

    def __init__(
        self, code: str, field: Pointer = (), values: Mapping[str, Value] | None = None
    ) -> None:
        self.code = code
        self.field: tuple[str | int, ...] = tuple(field)
        self.values: dict[str, Value] = dict(values or {})
        super().__init__(f"{code} at /{'/'.join(map(str, self.field))}: {self.values}")

    def below(self, *prefix: str | int) -> CalculationError:
        """Return the same error with its field placed below ``prefix`` in the request."""
        return type(self)(self.code, (*prefix, *self.field), self.values)


class OutOfRangeError(CalculationError):
    """A number outside what is allowed."""


class GeometryError(CalculationError):
    """A centre line that cannot exist."""


class UnknownNameError(CalculationError):
    """A name that neither the shipped data nor the shop profile holds."""


class MissingError(CalculationError):
    """A datum without which the answer cannot be computed."""


class NotDeterminedError(CalculationError):
    """Data that do not determine the answer."""


class NoMethodError(CalculationError):
    """No sound method covers this case."""
