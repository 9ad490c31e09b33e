"""A real mail server on loopback that keeps what it is handed, and refuses one name."""

import socket
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default

from aiosmtpd.controller import Controller

REFUSED = "nobody@wendle.example"


class _Kept:
    def __init__(self):
        self.envelopes = []

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if address == REFUSED:
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        self.envelopes.append(envelope)
        return "250 OK"


@contextmanager
def mail_server():
    """Its address, and the envelopes that it was handed."""
    kept, port = _Kept(), _free_port()
    controller = Controller(kept, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield f"127.0.0.1:{port}", kept.envelopes
    finally:
        controller.stop()


def _free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def message_in(envelope):
    return message_from_bytes(envelope.content, policy=default)
