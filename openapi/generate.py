"""Write openapi/openapi.json from the service's own schemas, or check that it is up to date.

Usage:
    python openapi/generate.py            writes the file
    python openapi/generate.py --check    exits with 1 and a diff when the file is stale

The document is that of the invented demo shop, whatever profile the environment names, and the
same on every Python version: the shared responses are named by the service, not after
``http.HTTPStatus``, whose names have changed between versions.
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import sys
from itertools import islice
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "openapi" / "openapi.json"


def render() -> str:
    """The document as it is committed: order of declaration, two spaces, newline at the end."""
    os.environ.pop("SERVICE_SHOP_FILE", None)
    sys.path.insert(0, str(ROOT))
    from service.app import create_app

    document = create_app().extensions["spec"].to_dict()
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def differences(committed: str, fresh: str) -> str:
    """The first lines of a unified diff; empty when there is none."""
    lines = difflib.unified_diff(
        committed.splitlines(), fresh.splitlines(), "committed", "generated", lineterm="", n=1
    )
    return "\n".join(islice(lines, 60))


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--check", action="store_true", help="compare only, write nothing")
    options = parser.parse_args(arguments)
    fresh = render()
    if not options.check:
        TARGET.write_text(fresh, encoding="utf-8")
        return 0
    committed = TARGET.read_text(encoding="utf-8") if TARGET.exists() else ""
    if diff := differences(committed, fresh):
        print(f"openapi/openapi.json is stale: run '.ci/run spec'\n{diff}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
