"""GET /metrics, for Prometheus."""

from __future__ import annotations

from flask import Response

from service.web import telemetry
from service.web.lookup import reading
from service.web.operation import ServiceBlueprint

blp = ServiceBlueprint("Metrics", "Metrics", description="What the service tells of itself.")
EXAMPLE = "# HELP service_requests_total Requests answered\n# TYPE service_requests_total counter\n"


@reading(
    blp,
    "/metrics",
    operation_id="getMetrics",
    answer={"type": "string", "maxLength": 10_000_000, "pattern": r"^[\s\S]*$"},
    example=EXAMPLE,
    media_type="text/plain",
)
def metrics() -> Response:
    """Read the metrics.

    Requests, latency by route, findings and refusals by code, solver time. Needs a key with the
    scope `metrics` where the service has keys.
    """
    return Response(telemetry.metrics(), content_type=telemetry.METRICS_TYPE)
