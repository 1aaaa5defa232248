"""Run a command with SERVICE_ADDRESS naming the real service, which runs as long as the command.

Usage: python tests/client/with_service.py COMMAND [ARGUMENT ...]
"""

from __future__ import annotations

import os
import subprocess
import sys

from service.demo import served


def main() -> int:
    """Run the command line; returns the exit status of the command."""
    os.environ.update(SERVICE_REQUEST_LOG="no", SERVICE_RATE_LIMIT="off")
    with served() as address:
        environment = {**os.environ, "SERVICE_ADDRESS": address}
        return subprocess.run(sys.argv[1:], env=environment, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
