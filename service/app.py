"""The application: settings, the Api, the list of blueprints."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from flask import Flask

from service import reference
from service.api import (
    bend_quality,
    bend_review,
    benders,
    capacity_check,
    cut_list,
    developed_length,
    developed_length_batch,
    dies,
    docs,
    end_fittings,
    fault_finding,
    fit_tolerance,
    health,
    inspection,
    mandrel_criterion,
    mark_layout,
    materials,
    methods,
    metrics,
    openapi,
    pressure_rating,
    run_geometry,
    setup_sheet,
    springback,
    springback_calibration,
    tape_measurements,
    tube_sizes,
    upkeep,
)
from service.calc import bend_correction as bend_correction_calc
from service.calc import bend_limits as bend_limits_calc
from service.calc import bend_quality as bend_quality_calc
from service.calc import bend_review as bend_review_calc
from service.calc import bend_wall as bend_wall_calc
from service.calc import capacity_check as capacity_check_calc
from service.calc import centre_line_distance as centre_line_distance_calc
from service.calc import clearance as clearance_calc
from service.calc import cut_list as cut_list_calc
from service.calc import cutting_stock as cutting_stock_calc
from service.calc import cutting_stock_search as cutting_stock_search_calc
from service.calc import developed_length as developed_length_calc
from service.calc import end_scatter as end_scatter_calc
from service.calc import fault_finding as fault_finding_calc
from service.calc import fit_tolerance as fit_tolerance_calc
from service.calc import hand_correction as hand_correction_calc
from service.calc import local_buckling as local_buckling_calc
from service.calc import mandrel_criterion as mandrel_criterion_calc
from service.calc import mark_layout as mark_layout_calc
from service.calc import measured_run as measured_run_calc
from service.calc import obstacle_clearance as obstacle_clearance_calc
from service.calc import port_balance as port_balance_calc
from service.calc import pressure_rating as pressure_rating_calc
from service.calc import rigid_fit as rigid_fit_calc
from service.calc import run_comparison as run_comparison_calc
from service.calc import run_geometry as run_geometry_calc
from service.calc import run_sensitivity as run_sensitivity_calc
from service.calc import section as section_calc
from service.calc import setup_sheet as setup_sheet_calc
from service.calc import springback as springback_calc
from service.calc import springback_calibration as springback_calibration_calc
from service.calc import tape_measurements as tape_measurements_calc
from service.calc import tube_pressure as tube_pressure_calc
from service.web import guard, problem, spec, texts
from service.web.answer import Catalogue
from service.web.body import LARGEST_BODY
from service.web.schema import build_readers
from service.web.settings import from_environment

ENDPOINTS = (
    bend_quality,
    bend_review,
    benders,
    capacity_check,
    cut_list,
    developed_length,
    developed_length_batch,
    dies,
    docs,
    end_fittings,
    fault_finding,
    fit_tolerance,
    health,
    inspection,
    mandrel_criterion,
    mark_layout,
    materials,
    methods,
    metrics,
    openapi,
    pressure_rating,
    run_geometry,
    setup_sheet,
    springback,
    springback_calibration,
    tape_measurements,
    tube_sizes,
    upkeep,
)
CALCULATIONS = (
    run_geometry_calc,
    developed_length_calc,
    mark_layout_calc,
    bend_limits_calc,
    bend_quality_calc,
    bend_review_calc,
    bend_wall_calc,
    centre_line_distance_calc,
    clearance_calc,
    local_buckling_calc,
    pressure_rating_calc,
    tube_pressure_calc,
    capacity_check_calc,
    cut_list_calc,
    cutting_stock_calc,
    cutting_stock_search_calc,
    mandrel_criterion_calc,
    section_calc,
    setup_sheet_calc,
    springback_calc,
    springback_calibration_calc,
    bend_correction_calc,
    end_scatter_calc,
    fault_finding_calc,
    fit_tolerance_calc,
    hand_correction_calc,
    measured_run_calc,
    obstacle_clearance_calc,
    port_balance_calc,
    rigid_fit_calc,
    run_comparison_calc,
    run_sensitivity_calc,
    tape_measurements_calc,
)


def create_app(settings: Mapping[str, Any] | None = None) -> Flask:
    """Build the application.

    Arguments:
        settings: overrides of Flask's settings and of those in the environment, see
            ``service.web.settings``

    Raises:
        ProfileError: shop profile, keys or another setting that cannot be understood; the message
            says where it is wrong
    """
    app = Flask("service", static_folder=None)
    app.config.update(MAX_CONTENT_LENGTH=LARGEST_BODY, **spec.settings())
    app.config.update(settings or {})
    chosen = from_environment(settings)
    reference.use_shop(Path(chosen.shop_file) if chosen.shop_file else None)
    texts.catalogue("en")  # a broken catalogue stops the start, not a request
    problem.install(app)
    guard.install(app, chosen)
    methods = {m.id: m for calc in CALCULATIONS for m in calc.METHODS}
    app.extensions["catalogue"] = Catalogue(methods, reference.sources())
    api = spec.build(app)
    for endpoint in ENDPOINTS:
        api.register_blueprint(endpoint.blp)
    build_readers()
    app.extensions["spec"] = api.spec
    return app
