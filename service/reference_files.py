"""Where shipped data lies: ``shared/`` of the repository, ``service/_shared`` of the wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def shared_folder() -> Path:
    """The folder of shipped data; raises FileNotFoundError when the package is incomplete."""
    here = Path(__file__).resolve().parent
    for folder in (here / "_shared", here.parent / "shared"):
        if folder.is_dir():
            return folder
    raise FileNotFoundError("the data folder 'shared' is missing: install the package again")


def shared_file(*parts: str) -> Path:
    """A file below the folder of shipped data."""
    return shared_folder().joinpath(*parts)
