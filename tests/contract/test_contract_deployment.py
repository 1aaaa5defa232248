"""What docker/ promises: pods that the strictest standard lets in, limits that fit one another.

Pods: the profile "Restricted" of the Pod Security Standards (Kubernetes documentation, version 1.25
and later). That the files follow Kubernetes' own schemas is checked by ``.ci/run lint-docker``.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.api.developed_length_batch import LARGEST_BODY as LARGEST_BATCH
from service.web.body import LARGEST_BODY

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
    batch = size("client_max_body_size", "location = /v1/developed-length/batch {")
    assert LARGEST_BATCH <= batch < 2 * LARGEST_BATCH


def test_streams_leave_every_worker_a_thread() -> None:
    streams = int(re.search(r"limit_conn streams (\d+);", PROXY)[1])  # type: ignore[index]
    threads = int(re.search(r'"SERVICE_THREADS", "(\d+)"', GUNICORN)[1])  # type: ignore[index]
    assert streams < threads


def test_the_proxy_closes_idle_connections_before_the_service_does() -> None:
    proxy = int(re.search(r"keepalive 32;\s*keepalive_timeout (\d+)s;", PROXY)[1])  # type: ignore[index]
    service = int(re.search(r"^keepalive = (\d+)", GUNICORN, re.MULTILINE)[1])  # type: ignore[index]
    assert proxy < service


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
