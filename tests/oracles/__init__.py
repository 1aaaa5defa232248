"""Independent ways of computing what the service computes, for tests to compare against.

Nothing in here imports the service. ``polyline`` integrates a bend table by quadrature with
scipy's rotations, ``kernel`` builds it in a CAD kernel (extra ``kernel``), ``random_runs`` makes
seeded runs, ``nearest`` finds least distances by certified subdivision.
"""

from __future__ import annotations

import warnings

import pytest


def require_kernel() -> None:
    """Skip the calling test or fixture unless the CAD kernel can be imported.

    Binary modules made by an older binding generator warn on import, in some Python versions,
    that their types lack ``__module__`` (a DeprecationWarning). That is the wheel's affair, not
    this project's, and the suite turns warnings into errors: silenced for the import only.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        pytest.importorskip("OCP.gp", reason="needs the extra 'kernel'")
