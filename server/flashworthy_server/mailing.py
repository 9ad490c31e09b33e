"""Handing a message to the site's mail server (RFC 5321).

- Beyond the machine itself the connection is encrypted and the server's certificate checked:
  from the start on port 465 (RFC 8314), else by STARTTLS, or nothing is sent.
- One message goes to all; nobody sees who else got it.
"""

import smtplib
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from email.errors import HeaderParseError, MessageError
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, make_msgid
from ipaddress import ip_address

from flashworthy_server.config import Config
from flashworthy_server.errors import InvalidInputError, MailError

TIMEOUT_SECONDS = 20
TLS_PORT = 465  # from the start; RFC 8314 §3.3
USUAL_PORT = 587  # RFC 6409 §3.1
LONGEST_ADDRESS = 254  # characters; RFC 5321 §4.5.3.1.3, without the angle brackets


@dataclass(frozen=True, slots=True)
class Sent:
    recipients: int
    refused: tuple[str, ...] = ()  # by the mail server


def parse_recipients(text: str, most: int) -> tuple[str, ...]:
    """Addresses with commas, semicolons, spaces or line ends between them, each once.

    Raises:
        InvalidInputError: one is no address, or there are too many or none.
    """
    found = tuple(dict.fromkeys(text.replace(",", " ").replace(";", " ").split()))
    if not 0 < len(found) <= most:
        raise InvalidInputError("recipients", f"recipients: expected 1 to {most} addresses")
    for each in found:
        if not _is_address(each):
            raise InvalidInputError("recipients", f"recipients: expected an address, got {each!r}")
    return found


def send(config: Config, recipients: Sequence[str], subject: str, text: str, now: datetime) -> Sent:
    """Hand one message over.

    Raises:
        MailError: the mail server cannot be reached, or takes it for nobody.
    """
    message = _message(config, subject, text, now)
    try:
        with _connect(config) as server:
            if config.mail_user:
                server.login(config.mail_user, config.mail_password)
            refused = server.send_message(message, config.mail_from, list(recipients))
    except (smtplib.SMTPException, OSError) as error:
        raise MailError(f"the mail server {config.mail_server} fails: {_why(error)}") from error
    return Sent(len(recipients) - len(refused), tuple(sorted(refused)))


def _message(config: Config, subject: str, text: str, now: datetime) -> EmailMessage:
    message = EmailMessage(policy=SMTP)
    message["Subject"], message["From"] = subject, config.mail_from
    message["To"] = config.mail_from
    message["Date"] = format_datetime(now)
    message["Message-ID"] = make_msgid(domain=config.mail_from.rpartition("@")[2] or None)
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834 §5: no answers by machines
    message.set_content(text)
    return message


def _connect(config: Config) -> smtplib.SMTP:
    host, _, port_text = config.mail_server.rpartition(":")
    host, port = (host, int(port_text)) if host and port_text.isdecimal() else (
        config.mail_server, USUAL_PORT)  # fmt: skip
    if port == TLS_PORT:
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(host, port, timeout=TIMEOUT_SECONDS, context=context)
    server = smtplib.SMTP(host, port, timeout=TIMEOUT_SECONDS)
    if not _is_this_machine(host):
        server.starttls(context=ssl.create_default_context())
    return server


def _is_this_machine(host: str) -> bool:
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


def _is_address(text: str) -> bool:
    try:
        Address(addr_spec=text)
    except (MessageError, HeaderParseError, ValueError, IndexError):
        return False
    return text.isascii() and len(text) <= LONGEST_ADDRESS and "@" in text


def _why(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return f"it takes it for nobody: {', '.join(sorted(error.recipients))}"
    return str(error) or type(error).__name__
