"""Settings of a running service, from the environment; checked once at start."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from service.errors import ProfileError

YES = {"yes", "true", "1", "on"}
NO = {"no", "false", "0", "off", ""}
WHOLE = {"SERVICE_TIME_LIMIT": (1, 600), "SERVICE_TRUSTED_PROXIES": (0, 10)}
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
        """The lines that name the keys; raises ProfileError when the file cannot be read."""
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


def from_environment(overrides: Mapping[str, object] | None = None) -> Settings:
    """Read the settings; ``overrides`` (for tests) goes before the environment.

    Raises:
        ProfileError: a value that cannot be understood, with its name and what is allowed
    """
    given = {name: value for name, value in os.environ.items() if name.startswith("SERVICE_")}
    found: dict[str, object] = {**given, **(overrides or {})}
    values: dict[str, Any] = {}
    for field in fields(Settings):
        name = f"SERVICE_{field.name.upper()}"
        if name in found:
            values[field.name] = _read(name, str(found[name]), type(field.default))
    return Settings(**values)


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
