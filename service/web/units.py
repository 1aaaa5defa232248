"""The two unit systems, converted once at the edge with exact factors.

Inside, everything is mm, rad, MPa, N·mm, N and kg. ``FACTORS[system][kind]`` is what one unit
at the edge is worth inside. Exact by definition: 1 in = 25.4 mm, 1 lb = 0.45359237 kg,
1 lbf = 4.4482216152605 N (with g = 9.80665 m/s²).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from service.errors import Amount, Kind, Value

System = Literal["metric", "inch"]
Factors = Mapping[str, float]

INCH = 25.4
POUND = 0.45359237
POUND_FORCE = 4.4482216152605
DEGREE = math.pi / 180

FACTORS: Mapping[str, Factors] = {
    "metric": {
        "length": 1.0,
        "angle": DEGREE,
        "pressure": 1.0,
        "moment": 1000.0,
        "force": 1.0,
        "energy": 1000.0,
        "mass": 1.0,
        "mass_per_length": 1e-3,
        "density": 1e-6,
        "area": 1.0,
        "volume": 1.0,
        "section_modulus": 1.0,
        "second_moment": 1.0,
        "curvature": 1.0,
        "ratio": 1.0,
        "percent": 0.01,
        "count": 1.0,
    },
    "inch": {
        "length": INCH,
        "angle": DEGREE,
        "pressure": POUND_FORCE / INCH**2,
        "moment": POUND_FORCE * 12 * INCH,
        "force": POUND_FORCE,
        "energy": POUND_FORCE * 12 * INCH,
        "mass": POUND,
        "mass_per_length": POUND / (12 * INCH),
        "density": POUND / INCH**3,
        "area": INCH**2,
        "volume": INCH**3,
        "section_modulus": INCH**3,
        "second_moment": INCH**4,
        "curvature": 1 / INCH,
        "ratio": 1.0,
        "percent": 0.01,
        "count": 1.0,
    },
}

NAMES: Mapping[str, Mapping[str, str]] = {
    "metric": {
        "length": "mm",
        "angle": "°",
        "pressure": "MPa",
        "moment": "N·m",
        "force": "N",
        "energy": "J",
        "mass": "kg",
        "mass_per_length": "kg/m",
        "density": "kg/dm³",
        "area": "mm²",
        "volume": "mm³",
        "section_modulus": "mm³",
        "second_moment": "mm⁴",
        "curvature": "1/mm",
        "ratio": "",
        "percent": "%",
        "count": "",
    },
    "inch": {
        "length": "in",
        "angle": "°",
        "pressure": "psi",
        "moment": "lbf·ft",
        "force": "lbf",
        "energy": "ft·lbf",
        "mass": "lb",
        "mass_per_length": "lb/ft",
        "density": "lb/in³",
        "area": "in²",
        "volume": "in³",
        "section_modulus": "in³",
        "second_moment": "in⁴",
        "curvature": "1/in",
        "ratio": "",
        "percent": "%",
        "count": "",
    },
}
DEGREE_DECIMALS = 10
# Added to a number below 2⁵¹ and taken away again, 1.5·2⁵² leaves the nearest whole number, at a
# tenth of the cost of round(); the division that follows gives the double nearest to the decimal.
TO_WHOLE = 1.5 * 2.0**52
LONGEST_TEXT = 1500  # of a value put into a text; what a caller sent can be as long as the body


def outward(value: float, kind: str, factors: Factors) -> float:
    """Internal value to the caller's unit; angles to 1e-10°: 30° leaves as 30, not 29.99…."""
    if kind == "angle":
        fine = 10.0**DEGREE_DECIMALS
        return (value / DEGREE * fine + TO_WHOLE - TO_WHOLE) / fine
    return value / factors[kind]


def both_names(kind: Kind) -> str:
    """Both unit names of a kind for descriptions: ``mm or in``; empty where there is no unit."""
    metric, inch = NAMES["metric"][kind], NAMES["inch"][kind]
    return metric if metric == inch else f"{metric} or {inch}"


def show(value: Value, system: str, mark: str = ".") -> str:
    """A value as text for people, in the caller's units; the exact number stands beside it in JSON.

    Six significant digits for lengths and angles, which a person sets; four for what is estimated.
    ``mark`` is the decimal mark of a number; a string is shown as it is.
    """
    if value is None:
        return "none"
    if isinstance(value, Amount):
        name = NAMES[system][value.kind]
        gap = "" if name in {"°", ""} else " "
        number = outward(value.value, value.kind, FACTORS[system])
        digits = 6 if value.kind in {"length", "angle"} else 4
        # %g would write a round 12000 N as 1.2e+04
        text = f"{number:.{digits}g}" if abs(number) < 10**digits else f"{number:.0f}"
        return text.replace(".", mark) + gap + name
    if isinstance(value, float):
        return f"{value:.6g}".replace(".", mark)
    return str(value)[:LONGEST_TEXT]
