"""The examples of README run as they stand there, against the real service."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

README = Path(__file__).resolve().parents[2] / "README.md"
SHOWN = "http://127.0.0.1:8000"


def blocks(language: str) -> list[str]:
    text = README.read_text(encoding="utf-8")
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


CURL = [block for block in blocks("sh") if "curl" in block]
PYTHON = blocks("python")


@pytest.mark.parametrize("block", CURL, ids=range(len(CURL)))
def test_curl_examples(block: str, live_address: str) -> None:
    command = block.replace(SHOWN, live_address).replace("curl -s", "curl -s --fail-with-body")
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert '"result"' in done.stdout


@pytest.mark.parametrize("block", PYTHON, ids=range(len(PYTHON)))
def test_python_examples(block: str, live_address: str) -> None:
    code = block.replace(SHOWN, live_address)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert float(done.stdout.split()[0]) > 0


def test_readme_shows_both_languages() -> None:
    assert CURL
    assert PYTHON
