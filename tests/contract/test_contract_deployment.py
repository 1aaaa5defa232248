"""What docker/ promises: pods that the strictest standard lets in, limits that fit one another.

Pods: the profile "Restricted" of the Pod Security Standards (Kubernetes documentation, version 1.25
and later). That the files follow Kubernetes' own schemas is checked by ``.ci/run lint-docker``.
"""

from __future__ import annotations

import re
from dataclasses import fields
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.api.developed_length_batch import LARGEST_BODY as LARGEST_BATCH
from service.web.body import LARGEST_BODY
from service.web.settings import ServerSettings, Settings

DOCKER = Path(__file__).resolve().parents[2] / "docker"
MANIFESTS = list(yaml.safe_load_all((DOCKER / "kubernetes.yaml").read_text(encoding="utf-8")))
COMPOSE = yaml.safe_load((DOCKER / "compose.yaml").read_text(encoding="utf-8"))["services"]
PROXY = (DOCKER / "nginx.conf").read_text(encoding="utf-8")
GUNICORN = (DOCKER / "gunicorn.conf.py").read_text(encoding="utf-8")


def manifest(kind: str) -> Any:
    return next(each for each in MANIFESTS if each["kind"] == kind)


POD = manifest("Deployment")["spec"]["template"]["spec"]
CONTAINER = POD["containers"][0]


def test_the_namespace_lets_restricted_pods_in_only() -> None:
    labels = manifest("Namespace")["metadata"]["labels"]
    assert labels["pod-security.kubernetes.io/enforce"] == "restricted"


def test_pods_are_restricted() -> None:
    assert not {"hostNetwork", "hostPID", "hostIPC"} & POD.keys()
    assert {next(iter(v.keys() - {"name"})) for v in POD["volumes"]} <= {"emptyDir", "secret"}
    assert POD["securityContext"]["runAsNonRoot"] is True
    assert POD["securityContext"]["runAsUser"] != 0
    assert POD["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
    own = CONTAINER["securityContext"]
    assert own["allowPrivilegeEscalation"] is False
    assert own["capabilities"] == {"drop": ["ALL"]}
    assert not any("hostPort" in port for port in CONTAINER["ports"])


def test_pods_write_to_their_own_memory_only() -> None:
    assert CONTAINER["securityContext"]["readOnlyRootFilesystem"] is True
    writable = [m["name"] for m in CONTAINER["volumeMounts"] if not m.get("readOnly")]
    volumes = {volume["name"]: volume for volume in POD["volumes"]}
    assert [volumes[name]["emptyDir"]["medium"] for name in writable] == ["Memory"]
    assert POD["automountServiceAccountToken"] is False


def test_pods_are_found_by_all_that_concerns_them() -> None:
    labels = manifest("Deployment")["spec"]["template"]["metadata"]["labels"]
    assert manifest("Service")["spec"]["selector"] == labels
    assert manifest("PodDisruptionBudget")["spec"]["selector"]["matchLabels"] == labels
    assert manifest("NetworkPolicy")["spec"]["podSelector"]["matchLabels"] == labels
    target = manifest("HorizontalPodAutoscaler")["spec"]["scaleTargetRef"]
    assert target["name"] == manifest("Deployment")["metadata"]["name"]


def test_pods_have_probes_limits_and_time_to_finish() -> None:
    probes = [CONTAINER[f"{kind}Probe"]["httpGet"]["path"] for kind in ("liveness", "readiness")]
    assert probes == ["/health/live", "/health/ready"]
    assert CONTAINER["resources"].keys() == {"requests", "limits"}
    graceful = int(re.search(r"graceful_timeout = (\d+)", GUNICORN)[1])  # type: ignore[index]
    assert POD["terminationGracePeriodSeconds"] > graceful


@pytest.mark.parametrize("name", COMPOSE)
def test_compose_gives_no_more_than_is_needed(name: str) -> None:
    settings = COMPOSE[name]
    assert settings["read_only"] is True
    assert settings["cap_drop"] == ["ALL"]
    assert settings["security_opt"] == ["no-new-privileges:true"]
    assert "privileged" not in settings
    assert all(port.startswith("127.0.0.1:") for port in settings.get("ports", []))


def size(directive: str, place: str = "") -> int:
    """A size of the proxy's configuration in bytes, behind ``place``."""
    found = re.search(rf"{re.escape(place)}[^}}]*?{directive} (\d+)m;", PROXY)
    assert found is not None
    return int(found[1]) * 1024 * 1024


def test_the_proxy_lets_through_what_the_service_takes() -> None:
    assert LARGEST_BODY <= size("client_max_body_size") < 2 * LARGEST_BODY
    batch = size("client_max_body_size", "location = /batch {")
    assert LARGEST_BATCH <= batch < 2 * LARGEST_BATCH


def test_streams_leave_every_worker_a_thread() -> None:
    streams = int(re.search(r"limit_conn streams (\d+);", PROXY)[1])  # type: ignore[index]
    assert streams < ServerSettings().threads


def allowed(zone: str, place: str) -> int:
    """How many connections of a kind the proxy lets in behind ``place``."""
    found = re.search(rf"{re.escape(place)}[^}}]*?limit_conn {zone} (\d+);", PROXY)
    assert found is not None
    return int(found[1])


def test_all_bodies_and_answers_that_the_proxy_lets_in_fit_into_its_memory() -> None:
    batch, pages, other = "location = /batch {", "location /docs {", "location / {"
    body, answer = size("client_max_body_size"), size("proxy_max_temp_file_size")
    huge, batches = allowed("huge", batch), allowed("batches", batch)
    held = huge * size("client_max_body_size", batch) + (batches - huge) * body
    held += batches * size("proxy_max_temp_file_size", batch)
    held += allowed("large", other) * body + allowed("pages", pages) * answer
    folder = re.fullmatch(r"/tmp:size=(\d+)m", COMPOSE["proxy"]["tmpfs"][0])
    assert folder is not None
    assert held < int(folder[1]) * 1024**2


def test_a_body_that_lies_on_the_disk_of_the_proxy_is_counted() -> None:
    """What is not counted has at most four digits of bytes, and fits into the buffer."""
    assert '"~^[0-9]{5}" all;' in PROXY
    buffered = re.search(r"client_body_buffer_size (\d+)k;", PROXY)
    assert buffered is not None
    assert int(buffered[1]) * 1024 > 9999


def test_every_map_of_the_proxy_names_the_statuses_it_refuses_with() -> None:
    lists = re.findall(r"error_page ((?:4\d\d |5\d\d )+)[@/]refused;", PROXY)
    refused = {*" ".join(lists).split(), "431", "503"}
    titles = re.search(r"map \$status \$title \{([^}]*)\}", PROXY)
    assert titles is not None
    known = dict(re.findall(r'(\d{3}) "([^"]+)";', titles[1])) | {"400": HTTPStatus(400).phrase}
    assert refused <= known.keys()
    renamed = {"413": "Content Too Large", "414": "URI Too Long"}  # RFC 9110, later than Python's
    assert all(title == renamed.get(s, HTTPStatus(int(s)).phrase) for s, title in known.items())


def test_the_proxy_closes_idle_connections_before_the_service_does() -> None:
    proxy = int(re.search(r"keepalive 32;\s*keepalive_timeout (\d+)s;", PROXY)[1])  # type: ignore[index]
    service = int(re.search(r"^keepalive = (\d+)", GUNICORN, re.MULTILINE)[1])  # type: ignore[index]
    assert proxy < service


@pytest.mark.parametrize("name", ["docker/kubernetes.yaml", "docker/compose.yaml", "README.md"])
def test_every_setting_that_is_named_exists(name: str) -> None:
    known = {f"SERVICE_{f.name.upper()}" for f in (*fields(Settings), *fields(ServerSettings))}
    text = (DOCKER.parent / name).read_text(encoding="utf-8")
    named = set(re.findall(r"\bSERVICE_[A-Z_]+", text))
    assert named <= known
    assert name != "README.md" or named == known


def test_the_image_says_nothing_of_the_machine_that_builds_it() -> None:
    lines = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
    assert not re.search(r"(?im)^(ARG|ENV) .*(proxy|cert|index|pip_)", lines)
    assert "USER 10001:10001" in lines


def test_a_pod_may_call_nobody() -> None:
    rules = manifest("NetworkPolicy")["spec"]
    assert set(rules["policyTypes"]) == {"Ingress", "Egress"}
    assert rules["egress"] == []


def named_tests() -> list[str]:
    text = (DOCKER / "OWASP-API-TOP-10.md").read_text(encoding="utf-8")
    return re.findall(r"`(tests/[\w/]+\.py::test_\w+)`", text)


@pytest.mark.parametrize("name", named_tests())
def test_each_test_that_the_security_page_names_exists(name: str) -> None:
    file, _, function = name.partition("::")
    text = (DOCKER.parent / file).read_text(encoding="utf-8")
    assert re.search(rf"^def {function}\(", text, re.MULTILINE)


def test_the_security_page_has_all_ten_points_with_tests() -> None:
    text = (DOCKER / "OWASP-API-TOP-10.md").read_text(encoding="utf-8")
    points = re.split(r"^## API(\d+) ", text, flags=re.MULTILINE)[1:]
    assert points[::2] == [str(number) for number in range(1, 11)]
    assert all("::test_" in point and "**Open:**" in point for point in points[1::2])
