"""What every worker pays at start: no solver is loaded before an endpoint needs it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

# large packages that some calculation or some test may use, but no start-up may
HEAVY = ("scipy", "matplotlib", "shapely", "highspy", "ortools", "pandas", "sympy", "OCP")


@pytest.fixture(scope="module")
def loaded() -> set[str]:
    """Top-level packages that are loaded once the application is built, in a fresh interpreter."""
    program = (
        "import sys, json; from service.app import create_app; create_app(); "
        "print(json.dumps(sorted({name.partition('.')[0] for name in sys.modules})))"
    )
    run = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)
    return set(json.loads(run.stdout))


@pytest.mark.parametrize("package", HEAVY)
def test_no_heavy_package_is_loaded_at_start(loaded: set[str], package: str) -> None:
    assert package not in loaded


def test_the_application_was_built(loaded: set[str]) -> None:
    assert {"service", "flask", "numpy"} <= loaded
