"""What several tests share: the app in process, and the real service under gunicorn."""

from __future__ import annotations

import json
import os
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from typing import Any

import hypothesis
import pytest
from flask.testing import FlaskClient

from service.app import create_app
from service.demo import served

# Tests of a limit or of the log turn them on for themselves.
os.environ.setdefault("SERVICE_RATE_LIMIT", "off")
os.environ.setdefault("SERVICE_REQUEST_LOG", "no")

# The same examples at every run, so that a failure is somebody's change and not the day's luck;
# HYPOTHESIS_PROFILE=random looks for new ones. No deadline: a test is never timed.
hypothesis.settings.register_profile("repeatable", derandomize=True, deadline=None, database=None)
hypothesis.settings.register_profile("random", deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

Post = Callable[[str, Any], dict[str, Any]]


@pytest.fixture(scope="session")
def client() -> FlaskClient:
    """The app in process."""
    return create_app().test_client()


@pytest.fixture(scope="session")
def post(client: FlaskClient) -> Post:
    """Post a body and return the answer; fails on any status but 200."""

    def send(path: str, body: Any) -> dict[str, Any]:
        response = client.post(path, json=body)
        assert response.status_code == 200, response.get_data(as_text=True)
        answer: dict[str, Any] = response.get_json()
        return answer

    return send


@pytest.fixture(scope="session")
def live_address() -> Iterator[str]:
    """The real service under gunicorn on a free port of loopback."""
    with served() as address:
        yield address


@pytest.fixture(scope="session")
def live_post(live_address: str) -> Post:
    """Post a body over real HTTP and return the answer."""

    def send(path: str, body: Any) -> dict[str, Any]:
        request = urllib.request.Request(
            live_address + path,
            data=json.dumps(body).encode(),
            headers={"Content-Type": "application/json"},
        )
        try:
            with urllib.request.urlopen(request, timeout=10) as response:
                answer: dict[str, Any] = json.load(response)
                return answer
        except urllib.error.HTTPError as error:
            with error:
                raise AssertionError(error.read().decode()) from None

    return send
