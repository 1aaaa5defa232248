"""Settings of a running service, from the environment; checked once at start."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from service.errors import ProfileError

PREFIX = "SERVICE_"
YES = {"yes", "true", "1", "on"}
NO = {"no", "false", "0", "off", ""}
WHOLE = {
    "SERVICE_TIME_LIMIT": (1, 600),
    "SERVICE_TRUSTED_PROXIES": (0, 10),
    "SERVICE_WORKERS": (1, 512),
    "SERVICE_THREADS": (1, 512),
    "SERVICE_TIMEOUT": (1, 3600),
    "SERVICE_MAX_REQUESTS": (0, 999_999_999),
    "SERVICE_CLIENT_TIMEOUT": (1, 600),
}
# What Kubernetes sets in each container for a Service whose name begins with "service".
INJECTED = re.compile(r".*_(SERVICE_HOST|SERVICE_PORT\w*|PORT|PORT_\d+_(TCP|UDP|SCTP)\w*)")
NEAR = 0.75  # of difflib: SERVICE_KEY_FILE is near SERVICE_KEYS_FILE, SERVICE_NAME near nothing
ORIGIN = re.compile(r"https?://[a-z0-9.-]+(:\d{1,5})?")


@dataclass(frozen=True, slots=True)
class Settings:
    """What an operator can set; each name in the environment is ``SERVICE_`` and the field's name.

    Arguments:
        shop_file: shop profile; without one the invented demo shop serves
        keys_file, keys: bearer keys, see ``service.web.keys``; a file or the lines themselves
        open_to_network_without_keys: serve callers beyond loopback although there are no keys
        rate_limit: requests a caller may make, ``6000/minute``, 10 ms of computing counted as one;
            ``off`` for none
        rate_limit_storage: where counts are kept, ``memory://`` or ``redis://host:6379``, which
            several replicas can share
        allowed_origins: web origins whose pages may call, separated by commas
        time_limit: seconds of processor time until a calculation is ended
        trusted_proxies: how many reverse proxies in front add to X-Forwarded-For
        request_log: whether each request is logged as a line of JSON
    """

    shop_file: str = ""
    keys_file: str = ""
    keys: str = ""
    open_to_network_without_keys: bool = False
    rate_limit: str = "6000/minute"
    rate_limit_storage: str = "memory://"
    allowed_origins: str = ""
    time_limit: int = 30
    trusted_proxies: int = 0
    request_log: bool = True

    @property
    def key_lines(self) -> str:
        """The lines that name the keys.

        Raises:
            ProfileError: both settings at once, or a file that cannot be read
        """
        if self.keys and self.keys_file:
            raise ProfileError("SERVICE_KEYS and SERVICE_KEYS_FILE are both set; set one of them")
        if not self.keys_file:
            return self.keys
        try:
            return Path(self.keys_file).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise ProfileError(f"SERVICE_KEYS_FILE {self.keys_file}: {error}") from None

    @property
    def origins(self) -> list[str]:
        """Allowed origins; raises ProfileError for what is none.

        Patterns are refused: one that lets more pass than was meant is easily written.
        """
        named = [origin.strip() for origin in self.allowed_origins.split(",") if origin.strip()]
        for origin in named:
            if not ORIGIN.fullmatch(origin):
                raise ProfileError(
                    f"SERVICE_ALLOWED_ORIGINS has {origin!r}; allowed are origins such as "
                    "https://bench.example or http://localhost:3000, separated by commas"
                )
        return named


@dataclass(frozen=True, slots=True)
class ServerSettings:
    """What gunicorn is told, under names of the same form; see ``docker/gunicorn.conf.py``.

    Arguments:
        bind: where it listens
        workers: processes; 0, which cannot be set, stands for one a core
        threads: threads of each
        timeout: seconds until a worker that hangs is ended
        max_requests: requests until a worker is renewed; 0 for never
        client_timeout: seconds without any byte from a client until it is let go
    """

    bind: str = "127.0.0.1:8000"
    workers: int = 0
    threads: int = 4
    timeout: int = 60
    max_requests: int = 200_000
    client_timeout: int = 10


def from_environment(overrides: Mapping[str, object] | None = None) -> Settings:
    """Read the settings; ``overrides`` (for tests) goes before the environment.

    Raises:
        ProfileError: a value that cannot be understood, with its name and what is allowed; a name
            that is nearly one of a setting
    """
    found: dict[str, object] = {**os.environ, **(overrides or {})}
    _refuse_misspelt(name for name in found if name.startswith(PREFIX))
    return Settings(**_values(Settings, found))


def server_settings(environment: Mapping[str, str] | None = None) -> ServerSettings:
    """Read what gunicorn is told, from ``os.environ`` where nothing else is given.

    Raises:
        ProfileError: as ``from_environment`` does
    """
    found = dict(os.environ if environment is None else environment)
    _refuse_misspelt(name for name in found if name.startswith(PREFIX))
    if found.get("SERVICE_WORKERS") == "":
        del found["SERVICE_WORKERS"]
    made = ServerSettings(**_values(ServerSettings, found))
    if not made.bind.strip():
        raise ProfileError("SERVICE_BIND is empty; allowed is for instance 127.0.0.1:8000")
    return made


def _values(kind: type[Settings | ServerSettings], found: Mapping[str, object]) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for field in fields(kind):
        name = _name(field.name)
        if name in found:
            values[field.name] = _read(name, str(found[name]), type(field.default))
    return values


def _name(field: str) -> str:
    return PREFIX + field.upper()


def _refuse_misspelt(names: Iterable[str]) -> None:
    """Refuse a name that is nearly one of a setting; any other may be somebody else's."""
    known = [_name(field.name) for kind in (Settings, ServerSettings) for field in fields(kind)]
    parts = [name.removeprefix(PREFIX) for name in known]
    for name in sorted(set(names) - set(known)):
        near = get_close_matches(name.removeprefix(PREFIX), parts, 1, NEAR)
        if near and not INJECTED.fullmatch(name):
            raise ProfileError(f"{name} is no setting; perhaps {PREFIX}{near[0]} is meant")


def _read(name: str, value: str, kind: type) -> str | bool | int:
    if kind is bool:
        if value.lower() not in YES | NO:
            raise ProfileError(f"{name} is {value!r}; allowed is yes or no")
        return value.lower() in YES
    if kind is int:
        least, most = WHOLE[name]
        if not re.fullmatch("[0-9]{1,9}", value) or not least <= int(value) <= most:
            raise ProfileError(f"{name} is {value!r}; allowed is {least} to {most}")
        return int(value)
    return value
