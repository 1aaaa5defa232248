"""Workers that die, are renewed or reloaded, and what a broken setting does at start and later."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest
from fault_rig import (
    BODY,
    DEMO_SHOP,
    PATH,
    ask,
    command,
    connections,
    environment,
    example,
    free_port,
    load,
    service,
    wait_until,
)

from service.web.keys import new_key

CLIENTS = 64
BUSY = {**example("/v1/fit-tolerance"), "samples": 20_000}


def test_only_what_a_killed_worker_had_in_hand_fails(tmp_path: Path) -> None:
    with service(tmp_path) as running:
        with load(running.port, CLIENTS, path="/v1/fit-tolerance", body=BUSY) as clients:
            time.sleep(1)
            victim = running.workers()[0]
            os.kill(victim, signal.SIGSTOP)  # it can take no further request while we count
            time.sleep(0.1)
            held = connections(victim)
            killed = time.monotonic()
            os.kill(victim, signal.SIGKILL)
            time.sleep(2)
        failed = clients.failed()
        print(f"{held} connections held, {len(failed)} failed of {len(clients.outcomes)}")
        assert held > 0
        assert len(failed) <= held
        assert all(outcome.began < killed for outcome in failed), failed
        later = [outcome for outcome in clients.outcomes if outcome.began > killed]
        assert len(later) > CLIENTS
        wait_until(lambda: len(running.workers()) == 2, 5, "no worker in its place")


@pytest.mark.parametrize("keep_alive", [True, False], ids=["kept_alive", "one_request_each"])
def test_a_reload_under_load_loses_nothing(tmp_path: Path, keep_alive: bool) -> None:
    with service(tmp_path) as running:
        with load(running.port, 8, keep_alive=keep_alive) as clients:
            time.sleep(0.5)
            running.reload()
            time.sleep(0.5)
        print(f"{len(clients.outcomes)} requests over a reload")
        assert clients.failed() == []
        assert len(clients.outcomes) > 100


def test_workers_that_are_renewed_lose_nothing(tmp_path: Path) -> None:
    with service(tmp_path, settings={"SERVICE_MAX_REQUESTS": "300"}) as running:
        first = set(running.workers())
        with load(running.port, 8) as clients:
            wait_until(lambda: not first & set(running.workers()), 20, "no worker was renewed")
        assert clients.failed() == []


def test_a_request_in_hand_is_finished_before_the_end(tmp_path: Path) -> None:
    line = json.dumps({"tube": BODY["tube"], "run": BODY["run"]}).encode() + b"\n"
    with service(tmp_path) as running:
        with socket.create_connection(("127.0.0.1", running.port), timeout=20) as sending:
            sending.sendall(
                b"POST /v1/developed-length/batch HTTP/1.1\r\nHost: localhost\r\n"
                b"Connection: close\r\n"
                b"Content-Type: application/x-ndjson\r\n"
                + f"Content-Length: {2 * len(line)}\r\n\r\n".encode()
                + line
            )
            time.sleep(0.3)
            running.process.terminate()
            time.sleep(0.5)
            sending.sendall(line)
            with sending.makefile("rb") as reading:
                received = reading.read()
        assert received.startswith(b"HTTP/1.1 200")
        assert received.count(b'"cut_length"') == 2
        assert running.process.wait(timeout=20) == 0


def test_a_calculation_without_end_is_ended_and_no_other(tmp_path: Path) -> None:
    row = {"straight": 5, "rotation": 2, "angle": 180, "radius": 60}
    run = {"bends": [{**row, "rotation": 0}, *[row] * 499], "last_straight": 100}
    endless = {**example("/v1/bend-review"), "run": run}  # takes several seconds
    with service(tmp_path, settings={"SERVICE_TIME_LIMIT": "1"}) as running:
        workers = running.workers()
        with load(running.port, 4) as clients:
            ended = [ask(running.port, "POST", "/v1/bend-review", endless) for _ in range(3)]
        assert [answered.status for answered in ended] == [422] * 3
        assert ended[0].json()["type"].endswith("out-of-time")
        assert clients.failed() == []
        assert len(clients.outcomes) > 100
        assert running.workers() == workers


# --- shop profile and keys, at start and at reload ----------------------------------------------


def shop(path: Path, note: str) -> None:
    """A copy of the demonstration shop whose first bender has another name."""
    profile: dict[str, Any] = json.loads(DEMO_SHOP.read_text(encoding="utf-8"))
    profile["benders"][0]["name"] = note
    path.write_text(json.dumps(profile), encoding="utf-8")


def first_bender(port: int) -> str:
    listed = ask(port, "GET", "/v1/benders").json()
    name: str = listed["result"]["benders"][0]["name"]
    return name


@pytest.mark.parametrize(
    ("content", "told"),
    [("{", "line 1"), ('{"benders": 3}', "benders"), ("\x00", "profile")],
    ids=["cut_off", "wrong_type", "no_text"],
)
def test_a_corrupt_profile_stops_the_start_and_is_named(
    tmp_path: Path, content: str, told: str
) -> None:
    file = tmp_path / "profile.json"
    file.write_text(content, encoding="utf-8")
    done = start(tmp_path, {"SERVICE_SHOP_FILE": str(file)})
    assert done.returncode != 0
    assert str(file) in done.stderr
    assert told in done.stderr


def start(
    folder: Path, settings: dict[str, str], host: str = "127.0.0.1"
) -> subprocess.CompletedProcess[str]:
    """Start the service, which is expected not to come up."""
    return subprocess.run(
        command(host, free_port()),
        cwd=folder,
        env=environment(folder, settings),
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )


def test_a_reload_takes_a_good_profile_and_leaves_a_bad_one(tmp_path: Path) -> None:
    file = tmp_path / "profile.json"
    shop(file, "Bench A")
    with service(tmp_path, settings={"SERVICE_SHOP_FILE": str(file)}) as running:
        assert first_bender(running.port) == "Bench A"
        shop(file, "Bench B")
        running.reload()
        assert first_bender(running.port) == "Bench B"
        file.write_text("{", encoding="utf-8")
        with load(running.port, 4) as clients:
            running.reload()
        assert clients.failed() == []
        assert first_bender(running.port) == "Bench B"
        assert f"Not reloaded, the service goes on as it was: {file}" in running.log()
        shop(file, "Bench C")
        running.reload()
        assert first_bender(running.port) == "Bench C"


def test_keys_are_rotated_by_a_reload(tmp_path: Path) -> None:
    file = tmp_path / "keys"
    old, old_line = new_key("erp", "calculate")
    new, new_line = new_key("erp-next", "calculate")
    file.write_text(old_line, encoding="utf-8")

    def status(port: int, key: str) -> int:
        return ask(port, "POST", PATH, BODY, {"Authorization": f"Bearer {key}"}).status

    with service(tmp_path, settings={"SERVICE_KEYS_FILE": str(file)}) as running:
        assert (status(running.port, old), status(running.port, new)) == (200, 401)
        file.write_text(f"{old_line}\n{new_line}\n", encoding="utf-8")
        running.reload()
        assert (status(running.port, old), status(running.port, new)) == (200, 200)
        file.write_text("spoilt", encoding="utf-8")
        running.reload()
        assert (status(running.port, old), status(running.port, new)) == (200, 200)
        file.write_text(new_line, encoding="utf-8")
        running.reload()
        assert (status(running.port, old), status(running.port, new)) == (401, 200)


@pytest.mark.parametrize("left", ["", "# none any more\n", None], ids=["empty", "comment", "gone"])
@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
def test_a_reload_without_any_key_opens_nothing(
    tmp_path: Path, left: str | None, host: str
) -> None:
    file = tmp_path / "keys"
    key, line = new_key("erp", "calculate")
    file.write_text(line, encoding="utf-8")
    settings = {"SERVICE_KEYS_FILE": str(file)}
    with service(tmp_path, settings=settings, host=host) as running:
        if left is None:
            file.unlink()
        else:
            file.write_text(left, encoding="utf-8")
        running.reload()
        assert ask(running.port, "POST", PATH, BODY).status == 401
        headers = {"Authorization": f"Bearer {key}"}
        assert ask(running.port, "POST", PATH, BODY, headers).status == 200
        assert "Not reloaded, the service goes on as it was: SERVICE_KEYS_FILE" in running.log()
        assert "Traceback" not in running.log()


# --- settings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "allowed"),
    [
        ("SERVICE_WORKERS", "0", "1 to 512"),
        ("SERVICE_WORKERS", "abc", "1 to 512"),
        ("SERVICE_WORKERS", "-1", "1 to 512"),
        ("SERVICE_THREADS", "0", "1 to 512"),
        ("SERVICE_TIMEOUT", "", "1 to 3600"),
        ("SERVICE_MAX_REQUESTS", "-5", "0 to 999999999"),
        ("SERVICE_CLIENT_TIMEOUT", "0", "1 to 600"),
        ("SERVICE_RATE_LIMIT", "5/second;100/hour", "one limit only"),
        ("SERVICE_TIME_LIMIT", "0", "1 to 600"),
        ("SERVICE_KEY_FILE", "keys", "SERVICE_KEYS_FILE"),
        ("SERVICE_WORKER", "2", "SERVICE_WORKERS"),
        ("SERVICE_SHOP_FILE", "/nonexistent", "/nonexistent"),
    ],
)
def test_a_setting_that_stops_the_start_is_told_in_one_line(
    tmp_path: Path, name: str, value: str, allowed: str
) -> None:
    done = start(tmp_path, {name: value})
    assert done.returncode == 1
    told = [line for line in done.stderr.splitlines() if line]
    assert len(told) == 1, done.stderr
    assert name in told[0] or name == "SERVICE_SHOP_FILE"
    assert allowed in told[0]


# --- listening beyond this machine --------------------------------------------------------------


@pytest.mark.parametrize("address", ["0.0.0.0", "[::]", "localhost.invalid"])
def test_beyond_loopback_without_keys_it_does_not_start(tmp_path: Path, address: str) -> None:
    done = start(tmp_path, {}, address)
    assert done.returncode == 1
    assert "SERVICE_KEYS_FILE" in done.stderr
    assert "SERVICE_OPEN_TO_NETWORK_WITHOUT_KEYS=yes" in done.stderr


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0"])
def test_a_keys_file_without_a_key_does_not_start(tmp_path: Path, host: str) -> None:
    file = tmp_path / "keys"
    file.write_text("# none yet\n", encoding="utf-8")
    done = start(tmp_path, {"SERVICE_KEYS_FILE": str(file)}, host)
    assert done.returncode == 1
    assert done.stderr.strip() == f"SERVICE_KEYS_FILE {file} holds no key"


def test_with_keys_it_may_listen_everywhere(tmp_path: Path) -> None:
    key, line = new_key("erp", "calculate")
    port = free_port()
    with service(tmp_path, settings={"SERVICE_KEYS": line}, port=port, host="0.0.0.0"):
        assert ask(port, "POST", PATH, BODY).status == 401
        assert ask(port, "POST", PATH, BODY, {"Authorization": f"Bearer {key}"}).status == 200


# --- metrics of several workers, and what is left behind ----------------------------------------


def counted(port: int) -> dict[str, float]:
    """All samples of the metrics by name and labels."""
    text = ask(port, "GET", "/metrics").body.decode()
    rows = [line.rsplit(" ", 1) for line in text.splitlines() if not line.startswith("#")]
    return {name: float(value) for name, value in rows}


REQUESTS = f'service_requests_total{{method="POST",route="{PATH}",status="200"}}'
LATENCY = f'service_request_seconds_count{{route="{PATH}"}}'
FINDING = 'service_findings_total{code="springback_not_given",severity="needs_care"}'
REFUSAL = 'service_refusals_total{code="invalid_request"}'
SOLVER = 'service_solver_seconds_count{solver="cut_list"}'


def test_metrics_are_those_of_all_workers_also_of_ended_ones(tmp_path: Path) -> None:
    with service(tmp_path) as running:
        port = running.port
        with load(port, 8) as clients:
            time.sleep(1)
        sent = len(clients.outcomes)
        for _ in range(10):
            assert ask(port, "POST", PATH, {}).status == 422
        assert ask(port, "POST", "/v1/cut-list", example("/v1/cut-list")).status == 200
        expected = {REQUESTS: sent, FINDING: sent, REFUSAL: 10, LATENCY: sent + 10, SOLVER: 1}

        def held() -> dict[str, float]:
            found = counted(port)
            return {name: found[name] for name in expected}

        # whichever worker is asked
        assert all(held() == expected for _ in range(10))
        os.kill(running.workers()[0], signal.SIGKILL)
        wait_until(lambda: len(running.workers()) == 2, 5, "no worker in its place")
        assert held() == expected
        running.reload()
        assert held() == expected
        folder = next(tmp_path.glob("service-metrics-*"))
        # two workers, the master, and all ended ones as one: a counter and a histogram each
        assert len(list(folder.glob("*.db"))) <= 8
    assert list(tmp_path.glob("service-metrics-*")) == []


def test_neither_a_home_nor_a_socket_to_steer_by_is_needed(tmp_path: Path) -> None:
    with service(tmp_path) as running:
        assert ask(running.port, "GET", "/health/ready").status == 200
        assert not (tmp_path / "nowhere").exists()
        assert "rror" not in running.log()
