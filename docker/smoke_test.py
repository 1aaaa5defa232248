"""Ask a running image whether it is fit; ``KEY=... python3 docker/smoke_test.py ADDRESS``.

Needs the standard library only. Ends with 1 and says what is wrong.
"""

import json
import os
import sys
import time
import urllib.error
import urllib.request

BODY = {
    "tube": {"outside_diameter": 15, "wall_thickness": 1.5, "material": "e235-n"},
    "run": {"bends": [{"straight": 100, "angle": 90, "radius": 100}], "last_straight": 100},
}
QUARTER_CIRCLE = 200 + 157.0796  # two straights of 100 mm and a quarter circle of radius 100 mm


def ask(address, path, body=None, key=None):
    """Status, headers and content of one request."""
    headers = {"Content-Type": "application/json"}
    if key:
        headers["Authorization"] = f"Bearer {key}"
    raw = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(address + path, data=raw, headers=headers)
    try:
        with urllib.request.urlopen(request, timeout=10) as response:
            return response.status, response.headers, response.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.headers, error.read()


def wait(address):
    """Wait until the service is ready, 30 s at most."""
    for _ in range(150):
        try:
            if ask(address, "/health/ready")[0] == 200:
                return
        except OSError:
            pass
        time.sleep(0.2)
    sys.exit(f"{address} was not ready within 30 s")


def check(holds, what):
    """Print what was checked; end when it does not hold."""
    print("ok  " if holds else "FAIL", what)
    if not holds:
        sys.exit(1)


def main(address, key):
    """Ask what a caller, a supervisor and Prometheus ask."""
    wait(address)
    status, _, content = ask(address, "/health/ready")
    checks = json.loads(content)["checks"]
    check(
        status == 200 and all(c["passed"] for c in checks), "ready, agrees with published figures"
    )
    check(ask(address, "/v1/developed-length", BODY)[0] == 401, "without a key: 401")
    status, _, content = ask(address, "/v1/developed-length", BODY, key)
    length = json.loads(content)["result"]["developed_length"] if status == 200 else 0
    check(abs(length - QUARTER_CIRCLE) < 0.001, f"developed length {length:.4f} mm")
    check(ask(address, "/v1/developed-length", {}, key)[0] == 422, "an empty body: 422")
    status, _, content = ask(address, "/metrics", key=key)
    check(status == 200 and b"service_requests_total{" in content, "metrics")
    for path in ("/openapi.json", "/docs", "/docs/swagger-ui-bundle.js"):
        check(ask(address, path)[0] == 200, path)


if __name__ == "__main__":
    main(sys.argv[1], os.environ.get("KEY"))
