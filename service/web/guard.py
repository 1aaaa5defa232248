"""Before and after every request: keys, rate limit, headers, metrics and the request log."""

from __future__ import annotations

import ipaddress
import math
import re
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache, partial
from typing import Any

from flask import Flask, Response, request
from flask.globals import request_ctx
from limits import RateLimitItem, parse_many
from limits.strategies import FixedWindowRateLimiter
from werkzeug.middleware.proxy_fix import ProxyFix
from werkzeug.wsgi import ClosingIterator

from service.errors import ProfileError, Value
from service.web import telemetry, texts
from service.web.keys import Key, find, keys_of
from service.web.problem import ProblemError
from service.web.rate_storage import Pause, storage_of
from service.web.settings import Settings
from service.web.spec_guard import is_public, is_uncounted
from service.web.time_limit import LIMIT

# On every answer. Each header costs a request two microseconds, so that what only a page needs is
# on pages only.
FIXED = (
    ("X-Content-Type-Options", "nosniff"),
    ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
)
UNCACHED = ("Cache-Control", "no-store")  # a POST is not cached anyway
PAGES = (
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
)
# RFC 6797 forbids it over plain HTTP; a trusted proxy tells that its client came over TLS.
SECURE = ("Strict-Transport-Security", "max-age=31536000; includeSubDomains")
# Of processor time: as much computing as counts as one more request.
WORTH_A_REQUEST = 0.01
NO_TIME = re.compile(r"(/|per)\s*0+\s*[a-z]")  # 5/0minute, which the library reads as 5/minute
LONGEST_WINDOW = 366 * 86_400  # seconds
METHODS = frozenset({"GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"})
StartResponse = Callable[..., Any]
Wsgi = Callable[[dict[str, Any], StartResponse], Iterable[bytes]]


@dataclass(frozen=True)
class Guard:
    """What is checked for each request, made once from the settings."""

    keys: tuple[Key, ...]
    open_to_network: bool
    limit: RateLimitItem | None
    limiter: FixedWindowRateLimiter | None
    policy: str
    pause: Pause = field(default_factory=Pause)

    def before(self) -> None:
        """Let the request pass, or refuse it: 401, 403, 429."""
        now = request_ctx.request  # looked up once: each use of the proxy costs as much as a call
        environ, rule = now.environ, now.url_rule
        if rule is None:  # the router refuses it: 404 or 405
            self._count_stranger()
            return
        environ["service.route"] = rule.rule
        if environ["REQUEST_METHOD"] == "OPTIONS":
            return
        if is_public(rule.rule):
            if not is_uncounted(rule.rule):
                self._count_stranger()
            return
        try:
            caller = self._caller("metrics" if rule.rule == "/metrics" else "calculate")
        except ProblemError:  # nobody tries keys without end
            self._count_stranger()
            raise
        environ["service.caller"] = caller
        if self.limiter is not None and self.limit is not None:
            self._count(caller, self.limiter, self.limit)

    def _caller(self, scope: str) -> str:
        if not self.keys:
            return self._near_caller(request.environ)
        key = find(self.keys, request.headers.get("Authorization"))
        if key is None:
            headers = {"WWW-Authenticate": 'Bearer realm="service"'}
            raise ProblemError(401, "key_missing_or_unknown", headers=headers)
        if scope not in key.scopes:
            headers = {"WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{scope}"'}
            raise ProblemError(403, "key_without_scope", {"scope": scope}, headers=headers)
        return key.name

    def _near_caller(self, environ: dict[str, Any]) -> str:
        address: str = environ.get("REMOTE_ADDR") or ""
        # a proxy on this machine may speak for a caller far away
        near = "HTTP_X_FORWARDED_FOR" not in environ and _is_near(address)
        # a page of another site may have its own name resolve to this machine (DNS rebinding)
        near = near and _is_own_name(environ.get("HTTP_HOST", ""))
        if not near and not self.open_to_network:
            raise ProblemError(403, "no_keys_no_network")
        return address

    def _count_stranger(self) -> None:
        """Count by address a caller of whom nothing else is known."""
        if self.limiter is not None and self.limit is not None:
            self._count(request.remote_addr or "", self.limiter, self.limit)

    def _count(self, caller: str, limiter: FixedWindowRateLimiter, limit: RateLimitItem) -> None:
        if not self.pause.is_over():
            self._lose(request.environ)
            return
        try:
            passed = limiter.hit(limit, caller)
            window = limiter.get_window_stats(limit, caller)
        except limiter.storage.base_exceptions:
            self.pause.failed()
            self._lose(request.environ)
            return
        self.pause.worked()
        left = max(0, math.ceil(window.reset_time - time.time()))
        shown = f'"default";r={max(0, window.remaining)};t={left}'
        request.environ["service.rate"] = [("RateLimit", shown)]
        if not passed:
            values: dict[str, Value] = {"limit": str(limit), "seconds": left}
            headers = {"Retry-After": str(left), "RateLimit-Policy": self.policy}
            raise ProblemError(429, "too_many_requests", values, headers=headers)

    def _lose(self, environ: dict[str, Any]) -> None:
        """Let a request pass uncounted: a limit that fails must not take the calculations away."""
        telemetry.count_limit_lost()
        environ["service.uncounted"] = True

    def charge(self, environ: dict[str, Any]) -> None:
        """Count the computing of a request, as so many requests more, to its caller.

        Without it a caller within the limit could keep every core busy with the longest requests.
        """
        now = time.thread_time()
        more = int((now - environ["service.charged"]) / WORTH_A_REQUEST)
        if more and "service.caller" in environ and self.limiter is not None and self.limit:
            environ["service.charged"] = now
            if "service.uncounted" not in environ:
                self._charge(environ, self.limiter, self.limit, more)

    def _charge(
        self,
        environ: dict[str, Any],
        limiter: FixedWindowRateLimiter,
        limit: RateLimitItem,
        more: int,
    ) -> None:
        if not self.pause.is_over():
            self._lose(environ)
            return
        try:
            limiter.hit(limit, environ["service.caller"], cost=more)
        except limiter.storage.base_exceptions:
            self.pause.failed()
            self._lose(environ)
        else:
            self.pause.worked()


@dataclass(frozen=True)
class Porter:
    """The outermost layer: headers on every answer, one count and one log line for each.

    It works on the plain list of headers: setting ten of them through a response object costs as
    much as the calculation of a mark layout.
    """

    app: Wsgi
    charge: Callable[[dict[str, Any]], None]
    log: bool

    def __call__(self, environ: dict[str, Any], start_response: StartResponse) -> Iterable[bytes]:
        """Serve one request."""
        began = time.perf_counter()
        environ["service.charged"] = time.thread_time()
        streams = False
        ident = telemetry.request_id(environ.get("HTTP_X_REQUEST_ID"))

        def start(status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Any:
            nonlocal streams
            named = dict(headers)
            streams = "Content-Length" not in named
            headers += [pair for pair in FIXED if pair[0] not in named]
            if environ["REQUEST_METHOD"] != "POST" and "Cache-Control" not in named:
                headers.append(UNCACHED)
            if named.get("Content-Type", "").startswith(("text/html", "image/svg")):
                headers += PAGES
            if environ["wsgi.url_scheme"] == "https":
                headers.append(SECURE)
            headers += environ.get("service.rate", ())
            if "service.language" in environ:
                texts.labelled(headers, environ["service.language"])
            headers.append(("X-Request-Id", ident))
            trace = telemetry.trace_of(environ.get("HTTP_TRACEPARENT"))
            if trace:
                headers.append(("traceparent", trace))
            seconds = time.perf_counter() - began
            self._tell(environ, int(status[:3]), seconds, ident, trace)
            self.charge(environ)
            return start_response(status, headers, exc_info)

        answered = self.app(environ, start)
        return ClosingIterator(answered, partial(self.charge, environ)) if streams else answered

    def _tell(
        self,
        environ: dict[str, Any],
        status: int,
        seconds: float,
        ident: str,
        trace: str | None,
    ) -> None:
        route, method = environ.get("service.route", "(none)"), environ["REQUEST_METHOD"]
        if method not in METHODS:  # any word can be sent; each would be one more time series
            method = "(other)"
        telemetry.count_request(route, method, status, seconds)
        if self.log:
            line: dict[str, object] = {
                "event": "request",
                "method": method,
                "route": route,
                "status": status,
                "ms": round(seconds * 1000, 3),
                "request_id": ident,
                "caller": environ.get("service.caller"),
            }
            telemetry.log_line({**line, "traceparent": trace} if trace else line)


@lru_cache(maxsize=256)
def _is_own_name(host: str) -> bool:
    """Whether a Host header names this machine's loopback; a Unix socket needs none."""
    name = host.rpartition(":")[0] if host.rpartition(":")[2].isdigit() else host
    return name.lower() in {"", "localhost"} or _is_near(name.strip("[]"))


@lru_cache(maxsize=256)
def _is_near(address: str) -> bool:
    """Whether an address is this machine's loopback; no address is a Unix socket."""
    try:
        return not address or ipaddress.ip_address(address).is_loopback
    except ValueError:  # whatever it is, it is not known to be near
        return False


def install(app: Flask, settings: Settings) -> None:
    """Guard every request of ``app``, and limit its time.

    Raises:
        ProfileError: keys, rate limit or storage that cannot be understood
    """
    LIMIT.seconds = settings.time_limit
    limit, limiter = _limiter(settings)
    guard = Guard(
        keys=keys_of(settings),
        open_to_network=settings.open_to_network_without_keys,
        limit=limit,
        limiter=limiter,
        policy=f'"default";q={limit.amount};w={limit.get_expiry()}' if limit else "",
    )
    app.before_request(guard.before)
    if settings.origins:
        _allow_origins(app, settings.origins)
    inner: Wsgi = app.wsgi_app
    if settings.trusted_proxies:
        hops = settings.trusted_proxies
        inner = ProxyFix(inner, x_for=hops, x_proto=hops)
    app.wsgi_app = Porter(inner, guard.charge, settings.request_log)  # type: ignore[method-assign]


def _limiter(settings: Settings) -> tuple[RateLimitItem | None, FixedWindowRateLimiter | None]:
    if settings.rate_limit.lower() == "off":
        return None, None
    try:
        storage = storage_of(settings.rate_limit_storage)
        return _one_limit(settings.rate_limit), FixedWindowRateLimiter(storage)
    except Exception as error:
        raise ProfileError(
            f"SERVICE_RATE_LIMIT {settings.rate_limit!r} with SERVICE_RATE_LIMIT_STORAGE "
            f"{settings.rate_limit_storage!r}: {error}; expected for instance '6000/minute' with "
            "'memory://' or 'redis://host:6379', or 'off'"
        ) from error


def _one_limit(told: str) -> RateLimitItem:
    """The limit that ``told`` names; raises ValueError for none, several, or one of nothing."""
    found = parse_many(told)
    if len(found) > 1:
        raise ValueError("one limit only")
    if found[0].amount < 1 or NO_TIME.search(told):
        raise ValueError("a limit of nothing")
    if found[0].get_expiry() > LONGEST_WINDOW:
        raise ValueError("the longest window is a year")
    return found[0]


def _allow_origins(app: Flask, origins: list[str]) -> None:
    from flask_cors import CORS

    # what is answered depends on who asks, also for one origin, and also where none is sent
    @app.after_request
    def _vary(response: Response) -> Response:
        response.vary.add("Origin")
        return response

    CORS(
        app,
        origins=origins,
        methods=["GET", "POST", "HEAD", "OPTIONS"],
        allow_headers=[
            "Accept",
            "Accept-Language",
            "Authorization",
            "Content-Type",
            "If-None-Match",
            "X-Request-Id",
            "traceparent",
        ],
        expose_headers=[
            "Content-Language",
            "Deprecation",
            "ETag",
            "Findings",
            "Link",
            "Methods-Version",
            "RateLimit",
            "RateLimit-Policy",
            "Retry-After",
            "Service-Version",
            "Sunset",
            "X-Request-Id",
            "traceparent",
        ],
        max_age=600,
        vary_header=False,
    )
