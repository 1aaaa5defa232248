"""POST /v1/fit-tolerance."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from service import inputs
from service.calc import fit_tolerance as calc
from service.calc.run_geometry import Frames, frames, placed, placement
from service.calc.run_sensitivity import BenchSpread, Spread
from service.errors import Kind
from service.model import Run
from service.web import drawing, units
from service.web.examples import TUBE_15
from service.web.fields import Angle, Choice, Count, Either, Length, Part, Parts, Quantity, Ratio
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Fit tolerance", "Whether a line will fit, given what the bench can hold.")
FAR = 1e9
ROOT_3 = math.sqrt(3.0)
# Half axis of the ellipse that holds 95 % of a normal cloud in a plane: √(−2·ln 0.05) sigma.
ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
DEFAULT_SAMPLES = 10_000


def _distribution(default: str) -> Choice:
    return Choice(
        "How errors spread between their limits; a normal spread is taken to reach its limits at "
        "three standard deviations, a uniform one at √3",
        ("normal", "uniform"),
        load_default=default,
    )


class LengthSigma(StrictSchema):
    """A spread by its standard deviation."""

    sigma = Length("Standard deviation", most=100.0, required=True)
    distribution = _distribution("normal")


class LengthLimit(StrictSchema):
    """A spread by its limits."""

    limit = Length("Plus-minus limit", most=300.0, required=True)
    distribution = _distribution("uniform")


class AngleSigma(StrictSchema):
    """A spread by its standard deviation."""

    sigma = Angle("Standard deviation", most=10.0, required=True)
    distribution = _distribution("normal")


class AngleLimit(StrictSchema):
    """A spread by its limits."""

    limit = Angle("Plus-minus limit", most=30.0, required=True)
    distribution = _distribution("uniform")


def _length(description: str) -> Either:
    return Either(description, {"sigma": LengthSigma, "limit": LengthLimit})


def _angle(description: str) -> Either:
    return Either(description, {"sigma": AngleSigma, "limit": AngleLimit})


class BenchSpreadSchema(StrictSchema):
    """How well the bench hits what it aims at; what is left out is exact."""

    mark = _length("Where the tube is set against the die, by `sigma` or `limit`")
    crank = _angle(
        "Finished bend angle, from setting and springback together, by `sigma` or `limit`"
    )
    rotation = _angle("Roll before each bend but the first, by `sigma` or `limit`")
    cut = _length("Cut length, or the last straight where it is trimmed; by `sigma` or `limit`")


class FittingCaptureSchema(StrictSchema):
    """What the fitting still takes, to either side."""

    radial = Length("Across the tube", least=0.001, most=1000.0, required=True)
    axial = Length("Along the tube", least=0.001, most=1000.0, required=True)
    angle = Angle("Tilt of the tube against the fitting", least=0.01, most=45.0, required=True)


class FitToleranceRequest(inputs.UnitsRequest):
    """A run, what the bench can hold, and what the fittings take."""

    run = inputs.run_field()
    tube = inputs.tube_field()
    spread = Part(BenchSpreadSchema, "Tolerances of the bench", required=True)
    capture = Part(FittingCaptureSchema, "What the fitting at each free end takes", required=True)
    placing = Choice(
        "`end_1_held`: end 1 sits in its port and only end 2 strays; `between_ports`: the line is "
        "laid so that both ends share the misfit",
        ("end_1_held", "between_ports"),
        load_default="end_1_held",
    )
    samples = Count(
        "Parts to sample; at most two million divided by the number of bends; "
        f"{DEFAULT_SAMPLES} when left out",
        least=100,
        most=200_000,
        load_default=DEFAULT_SAMPLES,
    )
    seed = Count("Seed of the sampling", least=0, most=2_147_483_647, load_default=1)
    measured_from = inputs.measured_from_field()
    measure = inputs.measure_field(
        "Marks all from that end, or each from the end of the bend made before"
    )
    last_straight = Choice(
        "`cut_before`: cut to length before bending, so the last straight takes up all errors of "
        "length; `trimmed_after`: trimmed after bending, measured from the last bend",
        ("cut_before", "trimmed_after"),
        load_default="cut_before",
    )


class AxisDirection(StrictSchema):
    """A direction of length 1, in the frame of the run as it was sent."""

    x = Ratio("Component x", least=-1.000001, most=1.000001, required=True)
    y = Ratio("Component y", least=-1.000001, most=1.000001, required=True)
    z = Ratio("Component z", least=-1.000001, most=1.000001, required=True)


class CloudAxis(StrictSchema):
    """A principal axis of the cloud of an end."""

    sigma = Length("Standard deviation along it", most=FAR, required=True)
    direction = Part(AxisDirection, "Its direction", required=True)


class EndScatterSchema(StrictSchema):
    """How an end strays; standard deviations."""

    end = Choice("Which end", ("end_1", "end_2"), required=True)
    position = Length("Of the position, all directions together", most=FAR, required=True)
    along = Length("Along the tube", most=FAR, required=True)
    across = Length("Across the tube, both directions together", most=FAR, required=True)
    tilt = Angle("Of the direction, both ways together", most=1e6, required=True)
    covariance = Parts(
        Parts(Quantity("area", "Covariance", least=-1e18, most=1e18), "A row: x, y, z", most=3),
        "Covariance of the position, rows x, y, z; frame of the run as it was sent",
        most=3,
        required=True,
    )
    axes = Parts(CloudAxis, "Principal axes, the longest first", most=3, required=True)


class SampledFitSchema(StrictSchema):
    """Monte Carlo."""

    samples = Count("Parts sampled", most=200_000, required=True)
    seed = Count("Seed", most=2_147_483_647, required=True)
    ends = Parts(EndScatterSchema, "Each free end", most=2, required=True)
    mean_offset = Length(
        "How far the mean of end 2 lies from its nominal place", most=FAR, required=True
    )
    position_95 = Length("Distance of end 2 that 95 % stay within", most=FAR, required=True)
    tilt_95 = Angle("Tilt of end 2 that 95 % stay within", most=90.0, required=True)
    disagreement = Quantity(
        "percent",
        "Largest difference of variances from first order, on the same errors",
        least=0.0,
        most=1e9,
        required=True,
    )
    probability = Quantity(
        "percent", "Parts that the fittings take", least=0.0, most=100.0, required=True
    )
    probability_low = Quantity(
        "percent", "Its 95 % interval, lower end", least=0.0, most=100.0, required=True
    )
    probability_high = Quantity(
        "percent", "Its 95 % interval, upper end", least=0.0, most=100.0, required=True
    )


OPERATIONS = ("mark", "crank", "rotation", "cut")


class ToleranceContributionSchema(StrictSchema):
    """One operation at the bench."""

    operation = Choice("Operation", OPERATIONS, required=True)
    bend = Count(
        "Bend number from end 1; null for the cut", least=1, allow_none=True, required=True
    )
    sigma_length = Length(
        "Standard deviation of a mark or the cut, else null", allow_none=True, required=True
    )
    sigma_angle = Angle(
        "Standard deviation of a crank or a rotation, else null", allow_none=True, required=True
    )
    position = Length("Standard deviation of end 2 from it alone", most=FAR, required=True)
    tilt = Angle("Standard deviation of its direction from it alone", most=1e6, required=True)
    share = Quantity(
        "percent",
        "Its part of all variance, position and tilt measured by what the fitting takes",
        least=0.0,
        most=100.001,
        required=True,
    )


class TighteningSchema(StrictSchema):
    """What halving the spread of the operation that contributes most would gain."""

    operation = Choice("Operation", OPERATIONS, required=True)
    bend = Count(
        "Bend number from end 1; null for the cut", least=1, allow_none=True, required=True
    )
    position = Length("Standard deviation of end 2 now", most=FAR, required=True)
    position_halved = Length("The same after halving", most=FAR, required=True)
    tilt = Angle("Standard deviation of its direction now", most=1e6, required=True)
    tilt_halved = Angle("The same after halving", most=1e6, required=True)
    probability_halved = Quantity(
        "percent",
        "Parts that the fittings take after halving",
        least=0.0,
        most=100.0,
        required=True,
    )


class FitToleranceResult(StrictSchema):
    """How far the ends stray and whether they fit."""

    placing = Choice("How the line is placed", ("end_1_held", "between_ports"), required=True)
    first_order = Parts(EndScatterSchema, "First-order covariance", most=2, required=True)
    monte_carlo = Part(SampledFitSchema, "Monte Carlo", required=True)
    contributions = Parts(
        ToleranceContributionSchema, "Operations, the largest first", most=1500, required=True
    )
    tightening = Part(TighteningSchema, "What tightening the largest would gain", required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": TUBE_15,
    "run": {
        "bends": [
            {"straight": 120, "angle": 90, "radius": 45},
            {"straight": 85, "rotation": 90, "angle": 45, "radius": 45},
            {"straight": 160, "rotation": -60, "angle": 60, "radius": 45},
        ],
        "last_straight": 140,
    },
    "spread": {
        "mark": {"limit": 0.5},
        "crank": {"sigma": 0.25},
        "rotation": {"limit": 0.5},
        "cut": {"limit": 0.5, "distribution": "normal"},
    },
    "capture": {"radial": 2, "axial": 3, "angle": 1.5},
}


def _spread(given: Any) -> Spread:
    if given is None:
        return Spread()
    uniform = given["distribution"] == "uniform"
    if "sigma" in given:
        return Spread(given["sigma"], uniform)
    return Spread(given["limit"] / (ROOT_3 if uniform else 3.0), uniform)


def _shown(ask: Ask, run: Run) -> Frames:
    """Frames in the drawing where the run was drawn, else those of the bend table."""
    at = frames(run)
    points = inputs.drawn_points(ask)
    return at if points is None else placed(at, placement(points))


def picture(ask: Ask, result: calc.FitTolerance) -> str:
    """The cloud of end 2, from inside the fitting and from the side."""
    capture, system = ask["capture"], ask["units"]
    sheet = drawing.Sheet(drawing.words("fit_title"), drawing.words("fit_description"))
    _view(sheet, result, capture, (1, 2), system)
    sheet.finish(VIEW_HEIGHT)
    _view(sheet, result, capture, (0, 1), system)
    sheet.finish(VIEW_HEIGHT)
    sampled = result.monte_carlo
    kinds: dict[str, Kind] = {"radial": "length", "axial": "length", "angle": "angle"}
    limits = {name: drawing.measure(capture[name], kind, system) for name, kind in kinds.items()}
    shares = {
        "probability": drawing.measure(sampled.probability, "percent", system),
        "low": drawing.measure(sampled.probability_low, "percent", system),
        "high": drawing.measure(sampled.probability_high, "percent", system),
    }
    sheet.lines(
        [
            drawing.words("fit_ellipse"),
            drawing.words("fit_limit", **limits),
            drawing.words("fit_probability", **shares),
        ]
    )
    return sheet.svg()


VIEW_HEIGHT = 230.0


def _view(
    sheet: drawing.Sheet,
    result: calc.FitTolerance,
    capture: Any,
    rows: tuple[int, int],
    system: str,
) -> None:
    """One view of the cloud: across both ways, or along (to the right) and across."""
    major, minor, turn = _ellipse(result.local, rows)
    radial, axial = capture["radial"], capture["axial"]
    limit = (radial, radial) if rows == (1, 2) else (axial, radial)
    reach = [max(major, limit[0]), max(major, limit[1])]
    panel = sheet.panel([(-reach[0], -reach[1]), (reach[0], reach[1])], VIEW_HEIGHT)
    panel.heading(drawing.words("fit_across" if rows == (1, 2) else "fit_along"))
    panel.line([(-reach[0], 0.0), (reach[0], 0.0)], "axis")
    panel.line([(0.0, -reach[1]), (0.0, reach[1])], "axis")
    inside = np.abs(result.cloud[list(rows)]).max(axis=0) <= 1.2 * max(reach)
    panel.dots([(x, -y) for x, y in result.cloud[list(rows)][:, inside].T.tolist()])
    panel.ellipse((0.0, 0.0), major, minor, -turn, "ellipse")
    if rows == (1, 2):
        panel.ellipse((0.0, 0.0), radial, radial, 0.0, "limit")
    else:
        panel.rectangle((-axial, -radial), (axial, radial), "limit")
    _bar(panel, reach, system)


def _bar(panel: drawing.Panel, reach: list[float], system: str) -> None:
    """A scale bar of a round length along the lower edge."""
    unit = units.FACTORS[system]["length"]
    power = 10.0 ** math.floor(math.log10(max(reach) / unit))
    length = power * unit
    low = reach[1] * 1.02
    panel.line([(-reach[0], low), (-reach[0] + length, low)], "arrow")
    words = drawing.measure(length, "length", system)
    panel.label((-reach[0] + length, low), drawing.words("fit_scale", length=words))


def _ellipse(local: Any, rows: tuple[int, int]) -> tuple[float, float, float]:
    """Half axes (mm) and turn (rad, anticlockwise) of the 95 % ellipse in a view."""
    squares, axes = np.linalg.eigh(local[np.ix_(rows, rows)])
    sizes = ELLIPSE_95 * np.sqrt(np.clip(squares, 0, None))
    return float(sizes[1]), float(sizes[0]), math.atan2(float(axes[1, 1]), float(axes[0, 1]))


@calculation(
    blp,
    "/fit-tolerance",
    name="FitTolerance",
    ask=FitToleranceRequest,
    result=FitToleranceResult,
    example=EXAMPLE,
    pictures={drawing.MEDIA_TYPE: picture},
)
def fit_tolerance(ask: Ask) -> calc.FitTolerance:
    """Say whether a line will fit.

    Turns what the bench can hold (marks, cranks, rotations, cut) into how far the free end strays
    in position and direction: exact first-order covariance, and Monte Carlo beside it. Gives the
    probability that the fitting takes it, which operation contributes most, and what halving its
    spread would gain. With Accept: image/svg+xml the answer is a drawing.
    """
    run, spread = inputs.run_of(ask), ask["spread"]
    names = ("mark", "crank", "rotation", "cut")
    return calc.fit_tolerance(
        run,
        BenchSpread(*(_spread(spread[name]) for name in names)),
        calc.Capture(**ask["capture"]),
        placing=ask["placing"],
        samples=ask["samples"],
        seed=ask["seed"],
        measured_from=ask["measured_from"],
        measure=ask["measure"],
        trimmed=ask["last_straight"] == "trimmed_after",
        outside_diameter=inputs.tube_of(ask).outside_diameter,
        shown=_shown(ask, run),
    )
