"""Bearer keys (RFC 6750): kept as hashes, compared in constant time, several at once.

One key a line: a name, the scopes, the SHA-256 of the key in hexadecimal; ``#`` starts a comment::

    erp        calculate          sha256:…
    scrape     metrics            sha256:…
    erp-next   calculate,metrics  sha256:…

A key is a long random string (``python -m service.web.keys NAME SCOPES`` makes one and prints its
line), so that a plain hash of it is enough. To rotate, add the new line, move the callers, take the
old line away.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import sys
from dataclasses import dataclass

from service.errors import ProfileError
from service.web.settings import Settings

SCOPES = ("calculate", "metrics")
USAGE = (
    "usage: python -m service.web.keys NAME SCOPES\n"
    "NAME is how logs know the caller: letters, digits, _ . - (40 at most)\n"
    f"SCOPES is one of these, or several with commas between: {', '.join(SCOPES)}"
)
LINE = re.compile(r"(?P<name>[\w.-]{1,40})\s+(?P<scopes>[\w,]+)\s+sha256:(?P<digest>[0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class Key:
    """One key: the name that logs and limits know it by, its scopes, its hash."""

    name: str
    scopes: frozenset[str]
    digest: bytes


def read_keys(lines: str) -> tuple[Key, ...]:
    """Keys from their lines; raises ProfileError with the number of a line that is none."""
    keys = []
    for number, line in enumerate(lines.splitlines(), 1):
        text = line.partition("#")[0].strip()
        if text:
            keys.append(_read_line(number, text))
    if len({key.name for key in keys}) != len(keys):
        raise ProfileError("keys: two keys have the same name")
    if len({key.digest for key in keys}) != len(keys):
        raise ProfileError("keys: two names have the same key (sha256); each needs one of its own")
    return tuple(keys)


def keys_of(settings: Settings) -> tuple[Key, ...]:
    """The keys that the settings name; none where they name neither keys nor a file.

    Raises:
        ProfileError: lines that are none, a file that cannot be read, or that holds no key: an
            empty one must not open the service to everybody
    """
    keys = read_keys(settings.key_lines)
    if not keys and settings.keys_file:
        raise ProfileError(f"SERVICE_KEYS_FILE {settings.keys_file} holds no key")
    if not keys and settings.keys:
        raise ProfileError("SERVICE_KEYS holds no key")
    return keys


def _read_line(number: int, text: str) -> Key:
    match = LINE.fullmatch(text)
    if match is None:
        # the line itself is not shown: it may hold a key written there by mistake
        raise ProfileError(f"keys, line {number}: expected 'name scope,scope sha256:<64 hex>'")
    scopes = frozenset(match["scopes"].split(","))
    if not scopes <= set(SCOPES):
        raise ProfileError(f"keys, line {number}: scopes are {', '.join(SCOPES)}")
    return Key(match["name"], scopes, bytes.fromhex(match["digest"]))


def find(keys: tuple[Key, ...], authorization: str | None) -> Key | None:
    """The key that an Authorization header holds; every hash is compared, in constant time."""
    scheme, _, token = (authorization or "").partition(" ")
    digest = hashlib.sha256(token.strip().encode("utf-8", "surrogateescape")).digest()
    held = None
    for key in keys:
        if hmac.compare_digest(key.digest, digest):
            held = key
    return held if scheme.lower() == "bearer" else None


def new_key(name: str, scopes: str) -> tuple[str, str]:
    """A new random key and the line to put into the keys file."""
    token = secrets.token_urlsafe(32)
    line = f"{name} {scopes} sha256:{hashlib.sha256(token.encode()).hexdigest()}"
    read_keys(line)
    return token, line


def main(given: list[str]) -> int:
    """Make a key and print it with its line; the exit status."""
    try:
        name, scopes = given
        made, line = new_key(name, scopes)
    except ValueError:
        print(USAGE, file=sys.stderr)
        return 2
    except ProfileError as error:
        print(f"{error}\n{USAGE}", file=sys.stderr)
        return 2
    print(f"key (give it to the caller, it is shown only once): {made}", line, sep="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
