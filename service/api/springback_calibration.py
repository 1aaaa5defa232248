"""POST /v1/springback/calibration."""

from __future__ import annotations

from typing import Any

from service import inputs, reference
from service.calc import springback_calibration as calc
from service.errors import MissingError
from service.web.fields import Angle, Count, Length, Part, Parts, Ratio, Text
from service.web.operation import Ask, blueprint, calculation
from service.web.schema import StrictSchema

blp = blueprint("Springback calibration", "Springback and stretch fitted to the shop's own trials.")
MOST_TRIALS = 2000


class TrialBendSchema(StrictSchema):
    """One trial bend."""

    group = Text("The caller's own name for tube and material", load_default="")
    radius = Length("Centre-line radius of the die", least=0.01, most=10_000.0, required=True)
    set_angle = Angle("Angle cranked to", least=0.1, most=360.0, required=True)
    measured_angle = Angle("Angle measured after it sprang back", least=0.1, required=True)


class StretchTrialSchema(StrictSchema):
    """One trial part."""

    group = Text("The caller's own name for tube, material and die", load_default="")
    cut_length = Length("Length cut", least=0.1, required=True)
    measured_length = Length(
        "Developed length after bending, from its straights and arcs", least=0.1, required=True
    )
    arc_length = Length("All arcs, Σ Rθ", least=0.1, required=True)


class SpringbackCalibrationRequest(inputs.UnitsRequest):
    """Trials of any number of tubes and dies; each group and radius is fitted by itself."""

    trials = Parts(TrialBendSchema, "Trial bends", most=MOST_TRIALS, load_default=())
    stretch_trials = Parts(StretchTrialSchema, "Trial parts", most=MOST_TRIALS, load_default=())


class SpringbackLawSchema(StrictSchema):
    """Store this and send it as an entry of `springback` with later requests."""

    constant = Angle("Constant part a", least=-360.0, required=True)
    proportional = Ratio("Proportional part b", least=-1000.0, most=1.0, required=True)
    radius = Length("Die radius that it holds for", most=10_000.0, required=True)
    band = Angle("Half width in which one more bend falls, 95 %", most=1e12, required=True)


class AngleIntervalSchema(StrictSchema):
    """95 % confidence interval of an angle."""

    least = Angle("Least", least=-1e12, most=1e12, required=True)
    most = Angle("Largest", least=-1e12, most=1e12, required=True)


class RatioIntervalSchema(StrictSchema):
    """95 % confidence interval of a ratio."""

    least = Ratio("Least", least=-1e12, most=1e12, required=True)
    most = Ratio("Largest", least=-1e12, most=1e12, required=True)


class SpringbackFitSchema(StrictSchema):
    """Springback of one group and die radius."""

    group = Text("The caller's own name", required=True)
    trials = Count("Number of trials", most=MOST_TRIALS, required=True)
    law = Part(SpringbackLawSchema, "What to store", required=True)
    constant_error = Angle("Standard error of the constant part", most=1e12, required=True)
    proportional_error = Ratio("Standard error of the proportional part", most=1e12, required=True)
    constant_interval = Part(AngleIntervalSchema, "Of the constant part", required=True)
    proportional_interval = Part(RatioIntervalSchema, "Of the proportional part", required=True)
    deviation = Angle("Standard deviation of a single bend", most=1e12, required=True)
    least_set_angle = Angle("Least angle tried", required=True)
    largest_set_angle = Angle("Largest angle tried", required=True)
    outliers = Parts(
        Count("Place in `trials`, from 0", most=MOST_TRIALS),
        "Trials far off the others; they were not left out",
        most=MOST_TRIALS,
        required=True,
    )


class StretchFitSchema(StrictSchema):
    """Stretch of one group."""

    group = Text("The caller's own name", required=True)
    trials = Count("Number of trials", most=MOST_TRIALS, required=True)
    stretch = Ratio(
        "Fraction of arc length, to send as `stretch`", least=-1e12, most=1e12, required=True
    )
    stretch_error = Ratio("Standard error", most=1e12, required=True)
    interval = Part(RatioIntervalSchema, "Of the stretch", required=True)
    deviation = Length("Standard deviation of a single length", most=1e12, required=True)


class SpringbackCalibrationResult(StrictSchema):
    """All fits, in the order in which the groups came."""

    springback = Parts(SpringbackFitSchema, "Springback", most=MOST_TRIALS, required=True)
    stretch = Parts(StretchFitSchema, "Stretch", most=MOST_TRIALS, required=True)


EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "trials": [
        {"group": "15x1.5 E235", "radius": 45, "set_angle": 30, "measured_angle": 28.8},
        {"group": "15x1.5 E235", "radius": 45, "set_angle": 60, "measured_angle": 58.4},
        {"group": "15x1.5 E235", "radius": 45, "set_angle": 90, "measured_angle": 87.9},
        {"group": "15x1.5 E235", "radius": 45, "set_angle": 120, "measured_angle": 117.5},
    ],
    "stretch_trials": [
        {"group": "15x1.5 E235", "cut_length": 600, "measured_length": 602.9, "arc_length": 141.4},
        {"group": "15x1.5 E235", "cut_length": 450, "measured_length": 451.5, "arc_length": 70.7},
    ],
}


@calculation(
    blp,
    "/springback/calibration",
    name="SpringbackCalibration",
    ask=SpringbackCalibrationRequest,
    result=SpringbackCalibrationResult,
    example=EXAMPLE,
)
def springback_calibration(ask: Ask) -> calc.Calibration:
    """Fit springback and stretch to trial bends.

    Gives constant and proportional part with standard errors, intervals and outliers for each
    group and die radius, as an object to store and to send with later requests. Trials that cannot
    determine the answer are refused.
    """
    if not ask["trials"] and not ask["stretch_trials"]:
        raise MissingError("no_trials", ("trials",))
    trials = [calc.Trial(place, **one) for place, one in enumerate(ask["trials"])]
    parts = [calc.StretchTrial(place, **one) for place, one in enumerate(ask["stretch_trials"])]
    return calc.calibrate(trials, parts, reference.student_t())
