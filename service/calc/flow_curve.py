"""Flow curve of a metal: stress over strain, elastic at first, then after a hardening law."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.calc.ranges import above_zero
from service.errors import Amount, Kind, MissingError, OutOfRangeError
from service.model import Hardening

Array = NDArray[np.float64]
Law = Literal["perfectly_plastic", "bilinear", "hollomon", "swift", "ludwik", "ramberg_osgood"]

# Plastic strain at the yield strength of the Ramberg–Osgood law: the 0.2 % proof stress.
PROOF_STRAIN = 0.002
# A sharper knee than this is perfectly plastic for any purpose, and unproven in the quadrature.
LARGEST_RAMBERG_OSGOOD_EXPONENT = 200.0

# What each law needs of ``Hardening``; anything else given is refused, not ignored.
_COEFFICIENTS: Mapping[Law, tuple[str, ...]] = {
    "perfectly_plastic": (),
    "bilinear": ("tangent_modulus",),
    "hollomon": ("strength_coefficient", "exponent"),
    "swift": ("strength_coefficient", "exponent", "prestrain"),
    "ludwik": ("strength_coefficient", "exponent"),
    "ramberg_osgood": ("exponent",),
}
_KINDS: Mapping[str, Kind] = {
    "strength_coefficient": "pressure",
    "tangent_modulus": "pressure",
    "exponent": "ratio",
    "prestrain": "ratio",
}
_NOT_ZERO = ("strength_coefficient", "exponent")


@dataclass(frozen=True, slots=True)
class FlowCurve:
    """Stress over total strain, the same in tension and compression.

    The curve follows the elastic line σ = E·ε up to where it meets its law, and the law from there;
    without hardening σ = Y.

    ================  =============================  ==============================================
    law               above the elastic line         coefficients of ``Hardening``
    ================  =============================  ==============================================
    (none)            σ = Y                          none: elastic–perfectly plastic
    bilinear          σ = Y + Et·(ε − Y/E)           tangent_modulus Et, 0 ≤ Et < E
    hollomon          σ = K·εⁿ                       strength_coefficient K < E, exponent 0 < n ≤ 1
    swift             σ = K·(ε0 + ε)ⁿ                K, n, prestrain 0 ≤ ε0 ≤ 1
    ludwik            σ = Y + K·(ε − Y/E)ⁿ           K, n
    ramberg_osgood    ε = σ/E + 0.002·(σ/Y)^N        exponent N, 1 ≤ N ≤ 200; Y is σ0.2
    ================  =============================  ==============================================

    Swift's ε is the total strain, and Ludwik's plastic strain is taken as ε − Y/E: against the
    plastic strain ε − σ/E both raise the moment by some tenths of a percent (20 × 2 mm tube,
    R = 60 mm: 0.3 % and 0.1 %, derived here). Ramberg–Osgood needs no such choice.

    Arguments:
        elastic_modulus: E, MPa; ``math.inf`` gives the law alone, rigid below it (no springback
            can be computed with it)
        yield_strength: Y, MPa, below E; not needed for hollomon and swift, which do not use it
        hardening: the law and its coefficients, MPa and fractions; None is perfectly plastic
        elastic_limit_strain: computed; strain at which the curve leaves the elastic line. 0 for
            ramberg_osgood, which never follows it exactly

    Raises:
        OutOfRangeError: E, Y or a coefficient outside the ranges above, or a coefficient the law
            does not have
        MissingError: Y or a coefficient that the law needs

    Source: Hollomon 1945, Swift 1952, Ludwik 1909, Ramberg and Osgood 1943 (all from memory). The
    coefficients are in no tube standard: they come from the caller's or the shop's own tests.
    """

    elastic_modulus: float
    yield_strength: float | None = None
    hardening: Hardening | None = None
    elastic_limit_strain: float = field(init=False)

    def __post_init__(self) -> None:
        if not self.rigid:
            above_zero(self.elastic_modulus, "elastic_modulus", "pressure")
        self._check_yield()
        self._check_coefficients()
        limit = 0.0 if self.rigid else _elastic_limit(self)
        object.__setattr__(self, "elastic_limit_strain", limit)

    @property
    def law(self) -> Law:
        """Name of the law."""
        return self.hardening.law if self.hardening else "perfectly_plastic"

    @property
    def rigid(self) -> bool:
        """Whether the curve has no elastic part (E is +∞)."""
        return self.elastic_modulus == math.inf

    def stress(self, strain: ArrayLike) -> Array:
        """True stress, MPa, at each strain.

        Arguments:
            strain: total strain, 0 or more, any shape; the result has the same shape

        Raises:
            OutOfRangeError: a strain below 0 (use its magnitude: the curve is symmetric)
        """
        values = np.asarray(strain, dtype=float)
        if not np.all(values >= 0):
            least = float(np.min(values))
            raise OutOfRangeError("strain_negative", ("strain",), {"value": Amount(least, "ratio")})
        return unchecked_stress(self, values)

    def _check_yield(self) -> None:
        if self.yield_strength is None:
            if self.law not in ("hollomon", "swift"):
                raise MissingError("yield_strength_missing", ("yield_strength",), {"law": self.law})
            return
        above_zero(self.yield_strength, "yield_strength", "pressure")
        if self.yield_strength >= self.elastic_modulus:
            parts = {
                "value": Amount(self.yield_strength, "pressure"),
                "limit": Amount(self.elastic_modulus, "pressure"),
            }
            where = ("yield_strength",)
            raise OutOfRangeError("yield_strength_not_below_elastic_modulus", where, parts)

    def _check_coefficients(self) -> None:
        needed = _COEFFICIENTS[self.law]
        for name, kind in _KINDS.items():
            value = getattr(self.hardening, name, None)
            where = ("hardening", name)
            if value is None and name in needed:
                raise MissingError("hardening_coefficient_missing", where, {"law": self.law})
            if value is not None and name not in needed:
                raise OutOfRangeError("hardening_coefficient_unused", where, {"law": self.law})
            if value is not None:
                self._check_range(name, value, kind)

    def _check_range(self, name: str, value: float, kind: Kind) -> None:
        least, most = self._range(name)
        excluded = value == self.elastic_modulus or (value == 0 and name in _NOT_ZERO)
        if not least <= value <= most or excluded:
            parts = {
                "law": self.law,
                "value": Amount(value, kind),
                "least": Amount(least, kind),
                "most": Amount(most, kind),
            }
            raise OutOfRangeError("hardening_coefficient_out_of_range", ("hardening", name), parts)

    def _range(self, name: str) -> tuple[float, float]:
        if _KINDS[name] == "pressure":
            return 0.0, self.elastic_modulus
        if name == "exponent" and self.law == "ramberg_osgood":
            return 1.0, LARGEST_RAMBERG_OSGOOD_EXPONENT
        return 0.0, 1.0


def coefficient(curve: FlowCurve, name: str) -> float:
    """Return one coefficient of the curve's law, which needs it."""
    return float(getattr(curve.hardening, name))


def yield_of(curve: FlowCurve) -> float:
    """Yield strength, MPa; 0 where the law does not use one and none is given."""
    return float(curve.yield_strength or 0.0)


def _elastic_limit(curve: FlowCurve) -> float:
    """Strain where E·ε meets the law; closed for all laws but Swift's."""
    yield_strain = yield_of(curve) / curve.elastic_modulus
    if curve.law == "ramberg_osgood":
        return 0.0
    if curve.law == "swift":
        return _swift_limit(curve)
    if curve.law == "hollomon":
        return _power_law_limit(curve)
    return yield_strain + (_power_law_limit(curve) if curve.law == "ludwik" else 0.0)


def _power_law_limit(curve: FlowCurve) -> float:
    """Strain (K/E)^(1/(1−n)) at which K·εⁿ falls below E·ε; 0 for n = 1."""
    softening = 1 - coefficient(curve, "exponent")
    ratio = coefficient(curve, "strength_coefficient") / curve.elastic_modulus
    return float(ratio ** (1 / softening)) if softening > 0 else 0.0


def _swift_limit(curve: FlowCurve) -> float:
    """Root of ε = (K/E)·(ε0 + ε)ⁿ by Newton's method.

    The residual is convex and the start, from (ε0 + ε)ⁿ ≤ 1 + ε0 + ε, lies above the root: the
    iteration falls to it without overshooting.
    """
    exponent, prestrain = coefficient(curve, "exponent"), coefficient(curve, "prestrain")
    ratio = coefficient(curve, "strength_coefficient") / curve.elastic_modulus
    strain = ratio * (1 + prestrain) / (1 - ratio)
    for _ in range(100):
        base = prestrain + strain
        if base == 0:
            break
        law = ratio * base**exponent
        step = (strain - law) / (1 - exponent * law / base)
        strain -= step
        if step <= 1e-15 * strain:
            break
    return strain


def _flow_perfectly_plastic(curve: FlowCurve, strain: Array) -> Array:
    return np.full_like(strain, yield_of(curve))


def _flow_bilinear(curve: FlowCurve, strain: Array) -> Array:
    start = yield_of(curve) / curve.elastic_modulus
    return yield_of(curve) + coefficient(curve, "tangent_modulus") * (strain - start)


def _flow_hollomon(curve: FlowCurve, strain: Array) -> Array:
    power: Array = strain ** coefficient(curve, "exponent")
    return coefficient(curve, "strength_coefficient") * power


def _flow_swift(curve: FlowCurve, strain: Array) -> Array:
    power: Array = (coefficient(curve, "prestrain") + strain) ** coefficient(curve, "exponent")
    return coefficient(curve, "strength_coefficient") * power


def _flow_ludwik(curve: FlowCurve, strain: Array) -> Array:
    plastic = np.maximum(strain - yield_of(curve) / curve.elastic_modulus, 0.0)
    power: Array = plastic ** coefficient(curve, "exponent")
    return yield_of(curve) + coefficient(curve, "strength_coefficient") * power


_FLOW: Mapping[Law, Callable[[FlowCurve, Array], Array]] = {
    "perfectly_plastic": _flow_perfectly_plastic,
    "bilinear": _flow_bilinear,
    "hollomon": _flow_hollomon,
    "swift": _flow_swift,
    "ludwik": _flow_ludwik,
}


def unchecked_stress(curve: FlowCurve, strain: Array) -> Array:
    """Stress, MPa, as ``FlowCurve.stress`` gives it, for strains known to be 0 or more."""
    if curve.law == "ramberg_osgood":
        return _ramberg_osgood_stress(curve, strain)
    flow = _FLOW[curve.law](curve, strain)
    return flow if curve.rigid else np.minimum(curve.elastic_modulus * strain, flow)


def _ramberg_osgood_stress(curve: FlowCurve, strain: Array) -> Array:
    """Solve ε = σ/E + 0.002·(σ/Y)^N for σ by three steps of Halley's method.

    The start, the smaller of what either term alone would bear, is at most 2^(1/N) too high; each
    step cubes that error, and three bring it below rounding.
    """
    exponent, proof = coefficient(curve, "exponent"), yield_of(curve)
    stress: Array = proof * (strain / PROOF_STRAIN) ** (1 / exponent)
    if curve.rigid:
        return stress
    stress = np.minimum(curve.elastic_modulus * strain, stress)
    stress = np.maximum(stress, 1e-300)  # keeps 0/0 out of the curvature term at zero strain
    for _ in range(3):
        secant = PROOF_STRAIN / proof * (stress / proof) ** (exponent - 1)
        residual = stress * (1 / curve.elastic_modulus + secant) - strain
        slope = 1 / curve.elastic_modulus + exponent * secant
        bend = exponent * (exponent - 1) * secant / stress
        stress = stress - 2 * residual * slope / (2 * slope * slope - residual * bend)
    return stress
