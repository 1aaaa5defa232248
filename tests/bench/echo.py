"""A bare Flask endpoint that echoes JSON: what the same server does with no service behind it."""

from __future__ import annotations

from typing import Any

from flask import Flask, request

app = Flask(__name__)


@app.post("/echo")
def echo() -> Any:
    return request.get_json()
