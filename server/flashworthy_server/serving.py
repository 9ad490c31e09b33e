"""The application server: gunicorn, with every limit set."""

import gc
from collections.abc import Mapping
from typing import Any

from gunicorn.app.base import BaseApplication

from flashworthy_server import create_app
from flashworthy_server.config import config_from
from flashworthy_server.even_worker import EvenWorker
from flashworthy_server.services.work import Worker
from flashworthy_server.web.context import EXTENSION

TIMEOUT_SECONDS = 30  # after which a worker that hangs is replaced
KEEP_ALIVE_SECONDS = 5  # an idle connection is kept this long
GRACE_SECONDS = 10  # for requests under way, when asked to stop
LONGEST_REQUEST_LINE = 8190  # bytes
YOUNG_OBJECTS = 10_000  # more of them than at the last look: then garbage is looked for again


class Server(BaseApplication):
    """gunicorn with the settings above; the site is opened in the worker, after the fork."""

    def __init__(self, settings: Mapping[str, Any], host: str, port: int) -> None:
        self.settings, self.address = settings, f"{host}:{port}"
        self.config = config_from(settings)
        super().__init__()

    def load_config(self) -> None:
        for name, value in {
            "bind": self.address,
            "worker_class": EvenWorker,
            "workers": self.config.workers,
            "threads": self.config.threads,
            "timeout": TIMEOUT_SECONDS,
            "keepalive": KEEP_ALIVE_SECONDS,
            "graceful_timeout": GRACE_SECONDS,
            "limit_request_line": LONGEST_REQUEST_LINE,
            "control_socket_disable": True,
        }.items():
            self.cfg.set(name, value)

    def load(self) -> Any:
        app = create_app(self.settings)
        spare_the_collector()
        Worker(app.extensions[EXTENSION]).start()
        return app


def spare_the_collector() -> None:
    """Let Python not look for garbage among what lives as long as the process.

    With its defaults it looks through some hundred thousand objects of libraries again and again:
    a tenth of the time of a report, and the longest of all pauses.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(YOUNG_OBJECTS, 20, 20)
