"""How gunicorn serves this application; ``gunicorn --config docker/gunicorn.conf.py``.

What can be set by the environment is in ``service.web.settings.ServerSettings``. On SIGHUP shop
profile and keys file are read anew; new code needs a new start.
"""

import atexit
import ipaddress
import math
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from service.errors import ProfileError
from service.web.settings import server_settings


def _tell_in_a_line(kind, error, trace):
    """What an operator can mend is said in one line; where in the code it was found is no help."""
    if issubclass(kind, ProfileError):
        sys.stderr.write(f"{error}\n")
    else:
        sys.__excepthook__(kind, error, trace)


sys.excepthook = _tell_in_a_line
try:
    _chosen = server_settings()
except ProfileError as _error:
    sys.exit(str(_error))


def _cores():
    """Cores that this process may use: pinning and the quota of a container count."""
    held = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:
        quota, period = Path("/sys/fs/cgroup/cpu.max").read_text(encoding="ascii").split()
        return max(1, min(held, math.ceil(int(quota) / int(period))))
    except (OSError, ValueError):  # no such file, or no quota: "max"
        return held


wsgi_app = "service.app:create_app()"
bind = _chosen.bind

# One process a core does the arithmetic; the threads only wait for clients that read slowly. A
# proxy in front (docker/nginx.conf) takes the clients that send slowly.
workers = _chosen.workers or _cores()
worker_class = "service.web.worker.Worker"
threads = _chosen.threads

# The longest answer is a cut list: 10 s of search at the most, and the upload of its body.
timeout = _chosen.timeout
graceful_timeout = 30
keepalive = 5

# Loaded once and shared by the workers; a broken shop profile or keys file stops the start.
preload_app = True
# A worker is renewed now and then, not all at the same time.
max_requests = _chosen.max_requests
max_requests_jitter = max_requests // 10

# The longest address is a setup sheet to bookmark.
limit_request_line = 8190
limit_request_fields = 60
limit_request_field_size = 8190

# Of proxies only the application knows (SERVICE_TRUSTED_PROXIES): no header of a caller, nor of one
# on this machine, sets scheme or path here.
forwarded_allow_ips = ""
forwarder_headers = ""
secure_scheme_headers = {}

# The request log is the application's own (JSON, one line a request).
accesslog = None
errorlog = "-"
worker_tmp_dir = "/dev/shm" if os.path.isdir("/dev/shm") else None
# No socket to steer by: it would lie in the home folder, and there may be none to write to.
control_socket_disable = True

METRICS = "PROMETHEUS_MULTIPROC_DIR"
REHEARSAL = """
import sys
from service.app import create_app
from service.errors import ProfileError
try:
    create_app()
except ProfileError as error:
    sys.exit(str(error))
"""


def _make_folder():
    """Metrics of all workers meet in a folder, known before the application is imported."""
    made, owner = tempfile.mkdtemp(prefix="service-metrics-"), os.getpid()
    os.environ[METRICS] = made
    # in the master only: a worker that ends runs this too
    atexit.register(lambda: os.getpid() == owner and shutil.rmtree(made, ignore_errors=True))


if METRICS not in os.environ:  # this file is read again at each reload
    _make_folder()


def _is_near(address):
    if isinstance(address, str):  # a Unix socket
        return True
    try:
        return address[0] == "localhost" or ipaddress.ip_address(address[0]).is_loopback
    except (TypeError, ValueError):  # a name or a descriptor: not known to be near
        return False


def _refusal(server):
    """Why the service may not listen where it is told to; nothing where it may."""
    from service.web.keys import keys_of
    from service.web.settings import from_environment

    settings = from_environment()
    if keys_of(settings) or settings.open_to_network_without_keys:
        return ""
    if all(_is_near(address) for address in server.cfg.address):
        return ""
    return (
        f"refused to listen on {', '.join(server.cfg.bind)} without keys: set SERVICE_KEYS_FILE "
        "(python -m service.web.keys NAME SCOPES makes a key), or bind to 127.0.0.1, or, on a "
        "network you trust, set SERVICE_OPEN_TO_NETWORK_WITHOUT_KEYS=yes"
    )


def on_starting(server):
    """Refuse to listen beyond this machine without keys, unless that is asked for by name."""
    why = _refusal(server)
    if why:
        sys.exit(why)


def on_reload(server):
    """Load the application anew, after a process of its own has shown that it would start.

    What would not start changes nothing: the workers that follow are those of before.
    """
    kept = {name: value for name, value in os.environ.items() if name != METRICS}
    tried = subprocess.run(
        [sys.executable, "-c", REHEARSAL], env=kept, capture_output=True, text=True, check=False
    )
    try:
        why = tried.stderr.strip() if tried.returncode else _refusal(server)
        loaded = None if why else server.app.load()
    except Exception as error:  # what was sound a moment ago has changed meanwhile
        why, loaded = str(error), None
    if loaded is None:
        server.log.error("Not reloaded, the service goes on as it was: %s", why)
        return
    server.app.callable = loaded
    server.log.info("Shop profile and keys read anew")


def child_exit(server, worker):
    """Add what a worker that ended has counted to what all ended ones have."""
    from service.web import telemetry

    try:
        telemetry.fold(worker.pid)
    except OSError as error:
        server.log.error("Metrics of worker %s stay unfolded: %s", worker.pid, error)
