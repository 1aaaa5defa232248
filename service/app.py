"""The application: settings, the Api, and every endpoint and calculation that there is."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from types import ModuleType
from typing import Any

from flask import Flask

from service import api, calc, reference
from service.web import guard, problem, spec, texts
from service.web.answer import Catalogue
from service.web.body import LARGEST_BODY
from service.web.schema import build_readers
from service.web.settings import from_environment


def modules_with(member: str, package: ModuleType) -> tuple[ModuleType, ...]:
    """The modules of a package that have ``member``, in the order of their names."""
    names = sorted(module.name for module in iter_modules(package.__path__))
    found = (import_module(f"{package.__name__}.{name}") for name in names)
    return tuple(module for module in found if hasattr(module, member))


ENDPOINTS = modules_with("blp", api)
CALCULATIONS = modules_with("METHODS", calc)


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
    methods = {m.id: m for module in CALCULATIONS for m in module.METHODS}
    app.extensions["catalogue"] = Catalogue(methods, reference.sources())
    described = spec.build(app)
    for endpoint in ENDPOINTS:
        described.register_blueprint(endpoint.blp)
    build_readers()
    app.extensions["spec"] = described.spec
    return app
