"""POST /v1/bend-review."""

from __future__ import annotations

from typing import Any

from service import reference
from service.api.bend_review.answer import BendReviewResult, ToldReview, told
from service.api.bend_review.picture import review_picture
from service.api.bend_review.request import BendReviewRequest, case_of
from service.calc import bend_review as calc
from service.web import drawing
from service.web.operation import DEFAULT_CAUTIONS, Ask, blueprint, calculation

blp = blueprint("Bend review", "Whether a run can be made, rule by rule, and what would cure it.")

EXAMPLE: dict[str, Any] = {
    "units": "metric",
    "tube": {"outside_diameter": 20, "wall_thickness": 2, "material": "e235-n"},
    "run": {
        "vertices": [
            {"x": 0, "y": 0},
            {"x": 95, "y": 0},
            {"x": 95, "y": 150},
            {"x": 320, "y": 150, "z": 0},
            {"x": 320, "y": 150, "z": 260},
        ],
        "radius": 60,
    },
    "bender": "bench-25",
    "fittings": {"end_2": "cone-20"},
    "springback": [{"constant": 0.8, "proportional": 0.014}],
    "pressure": 16,
    "design_factor": 4,
}


@calculation(
    blp,
    "/bend-review",
    name="BendReview",
    ask=BendReviewRequest,
    result=BendReviewResult,
    example=EXAMPLE,
    cautions=("review_is_no_release", *DEFAULT_CAUTIONS),
    pictures={drawing.MEDIA_TYPE: review_picture},
)
def bend_review(ask: Ask) -> ToldReview:
    """Review a whole run: can it be made, bend by bend, and what would cure it.

    Lists every rule at every bend, straight and end with value, limit, margin and severity: grip,
    dies, reach, fittings, mandrel, capacity, wall, roundness, rating, clearance to itself and to
    nearby parts. The work is played through on the bench of the shop profile, in the orders that
    the bender allows, and the first that strikes nothing is told; the straight tube behind the die
    is held against what stands there for overlap only. What blocks comes with its cures as numbers,
    and with the nearest variants that were tried and pass. A run whose vertices are too close for
    its radii is answered too, as blocked; of a run without bends the tube alone is judged.
    """
    case = case_of(ask)
    review = calc.bend_review(
        case,
        sizes=tuple(reference.tube_sizes().values()),
        most_variants=ask["most_variants"],
    )
    return told(case, review, ask["units"])
