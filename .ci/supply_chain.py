"""Judge what the tools found out about the locked packages of the image.

Usage:
    python .ci/supply_chain.py bill LOCK BILL    the bill of materials names what is locked
    python .ci/supply_chain.py audit REPORT      no known weakness; says how many could be asked for

Ends with 1 and says what is wrong.
"""

import json
import re
import sys
from pathlib import Path

PINNED = re.compile(r"([A-Za-z0-9._-]+)==(\S+) \\")
HASH = re.compile(r"    --hash=sha256:[0-9a-f]{64}( \\)?")
COMMENT = re.compile(r" *#.*")


def normal(name):
    """A package's name as indexes compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def bill(lock, listed):
    """The lock holds nothing but pins and hashes, and what it pins is what stands in the bill."""
    locked, hashed = set(), set()
    for line in Path(lock).read_text(encoding="utf-8").splitlines():
        if pinned := PINNED.fullmatch(line):
            latest = (normal(pinned[1]), pinned[2])
            locked.add(latest)
        elif HASH.fullmatch(line):
            hashed.add(latest)
        elif not COMMENT.fullmatch(line):
            return f"{lock} holds {line!r}"
    components = json.loads(Path(listed).read_text(encoding="utf-8"))["components"]
    named = {(normal(c["name"]), c["version"]) for c in components}
    if not locked == hashed == named:
        return f"{listed} and {lock} differ: {sorted((locked ^ named) | (locked ^ hashed))}"
    print(f"{len(locked)} packages locked by hash, all of them in {listed}")
    return None


def audit(report):
    """No package has a known weakness; loud where none could be asked for."""
    found = json.loads(Path(report).read_text(encoding="utf-8"))["dependencies"]
    weak = [(d["name"], v["id"]) for d in found for v in d.get("vulns", ())]
    skipped = [d["name"] for d in found if "skip_reason" in d]
    if weak:
        return f"known weaknesses: {weak}"
    if len(skipped) == len(found):
        print("########## SKIPPED: pip-audit reached no advisories from here ##########")
    else:
        print(f"no known weakness in {len(found) - len(skipped)} packages; not known: {skipped}")
    return None


if __name__ == "__main__":
    sys.exit({"bill": bill, "audit": audit}[sys.argv[1]](*sys.argv[2:]))
