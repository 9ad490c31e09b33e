"""Talking to the server: its few requests, and what each kind of answer means.

- TLS everywhere; plain HTTP only to this machine itself, and then past any proxy.
- The authorities that vouch for the server are those of the one file that is named, or else the
  operating system's, as the site installed them there.
- Redirects are not followed: the token goes to the configured server and nowhere else.
- Waiting is bounded, and so is what an answer may hold.
- An acknowledgement that does not name the report is none: a hotel's login page answers 200 too.
- Whatever goes wrong leaves as one of three errors: `ServerUnavailableError`, `TokenRefusedError`
  or `RequestRefusedError`.
"""

import json
import os
import ssl
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from flashworthy_agent import __version__
from flashworthy_agent.address import canonical_address
from flashworthy_agent.clock import utc_now
from flashworthy_agent.errors import (
    RequestRefusedError,
    ServerUnavailableError,
    TokenRefusedError,
)

if TYPE_CHECKING:
    import requests

CONNECT_TIMEOUT_SECONDS = 10.0
READ_TIMEOUT_SECONDS = 30.0  # between two pieces of an answer
ANSWER_TIMEOUT_SECONDS = 60.0  # for a whole answer
MAX_ANSWER_BYTES = 1 << 20

_REFUSED_FOR_GOOD = {400, 409, 413, 422}
_TRY_LATER = {408, 429}
_NAMES_OF_AUTHORITIES = ("REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE")  # that requests itself honours


class Enrolment(NamedTuple):
    """What the server hands a new agent."""

    machine_id: str
    token: str


class Receipt(NamedTuple):
    """What the server says of a report that it has."""

    is_new: bool  # to the server
    is_rotation_due: bool  # the agent is to fetch a new token
    plan_digest: str | None = None  # of the plan that holds now; none: the server has none


class Server:
    """One Flashworthy server, asked on behalf of one agent."""

    def __init__(
        self,
        address: str,
        token: str | None = None,
        *,
        ca_file: str | None = None,
        proxy: str | None = None,
        now: Callable[[], datetime] = utc_now,
    ) -> None:
        """
        Args:
            ca_file: PEM file of the only authorities to trust; None: those of the system.
            proxy: the way to the server; None: the environment decides.
        """
        self.address = canonical_address(address)
        self.token = token
        self.clock_ahead_seconds: float | None = None  # of the server's; None: no answer yet
        self._ca_file = ca_file
        self._proxy = proxy
        self._now = now
        self._session: requests.Session | None = None

    def enrol(self, request: Mapping[str, Any]) -> Enrolment:
        """Join with an enrolment code; sent again after a lost answer, it does the same."""
        content = json.dumps(request).encode()
        answer = self._ask("POST", "/api/v1/enrolments", content, {})
        machine_id, token = answer.get("machine_id"), answer.get("token")
        if not (isinstance(machine_id, str | int) and isinstance(token, str) and token):
            raise ServerUnavailableError(
                f"{self.address} did not answer as a Flashworthy server does: "
                "expected machine_id and token"
            )
        return Enrolment(str(machine_id), token)

    def send_report(self, report_id: str, body: bytes) -> Receipt:
        """Hand over a report's gzipped JSON; the server then has it."""
        answer = self._ask("POST", "/api/v1/reports", body, {"Content-Encoding": "gzip"})
        if answer.get("report_id") != report_id or not isinstance(answer.get("stored"), bool):
            raise ServerUnavailableError(
                f"{self.address} did not acknowledge report {report_id}: "
                "its answer does not name it"
            )
        digest = answer.get("plan_digest")
        return Receipt(
            answer["stored"],
            answer.get("rotate_token") is True,
            digest if isinstance(digest, str) else None,
        )

    def new_token(self) -> str:
        """A token to use from now on; the one in use stays valid until the new one is used."""
        token = self._ask("POST", "/api/v1/token", b"{}", {}).get("token")
        if not (isinstance(token, str) and token):
            raise ServerUnavailableError(f"{self.address} did not answer with a new token")
        return token

    def wire_versions(self) -> tuple[int, ...]:
        """The versions of the wire that it takes, if it is there and well; asks for no token."""
        taken = self._ask("GET", "/healthz", None, {}).get("wire")
        versions = taken if isinstance(taken, list) else []
        return tuple(version for version in versions if isinstance(version, int))

    def verdict(self, machine_id: str, moment: str) -> dict[str, Any]:
        """The verdict for a machine at a moment, as JSON."""
        path = f"/api/v1/machines/{quote(machine_id, safe='')}/verdict?moment={moment}"
        return self._ask("GET", path, None, {})

    def plan(self, machine_id: str) -> dict[str, Any]:
        """What this machine needs to be judged without the server: digest, names, plan."""
        answer = self._ask("GET", f"/api/v1/machines/{quote(machine_id, safe='')}/plan", None, {})
        if not isinstance(answer.get("plan"), dict):
            raise ServerUnavailableError(f"{self.address} did not answer with a plan")
        return answer

    def _ask(
        self, method: str, path: str, content: bytes | None, headers: dict[str, str]
    ) -> dict[str, Any]:
        import requests  # late: it is the dearest import, and a look without sending needs none

        if content is not None:
            headers = {"Content-Type": "application/json", **headers}
        # RFC 9110 §6.6.1: the server reads from it how far this clock is off
        headers = {"Date": format_datetime(self._now(), usegmt=True), **headers}
        try:
            with self._open_session().request(
                method,
                self.address + path,
                data=content,
                headers=headers,
                auth=self._authorize,
                timeout=(CONNECT_TIMEOUT_SECONDS, READ_TIMEOUT_SECONDS),
                allow_redirects=False,
                stream=True,
                verify=self._authorities(),
                proxies=self._proxies(),
            ) as response:
                return self._judge(response, _bounded_content(response))
        except requests.RequestException as error:
            raise ServerUnavailableError(
                f"{self.address} cannot be reached: {_in_words(error)}"
            ) from error

    def _open_session(self) -> "requests.Session":
        import requests

        if self._session is None:
            self._session = requests.Session()
            # proxies and authorities of the environment; a proxy must not see plain HTTP
            self._session.trust_env = self._is_private
            self._session.headers["User-Agent"] = f"flashworthy-agent/{__version__}"
            self._session.headers["Accept"] = "application/json, application/problem+json"
            self._session.headers["Accept-Encoding"] = "identity"
        return self._session

    @property
    def _is_private(self) -> bool:
        return self.address.startswith("https:")

    def _authorities(self) -> str | bool | None:
        """For requests: a file, a folder, or None for what the environment or `certifi` names."""
        if self._ca_file is not None:
            return self._ca_file
        if any(os.environ.get(name) for name in _NAMES_OF_AUTHORITIES):
            return None
        system = ssl.get_default_verify_paths()
        return system.cafile or system.capath

    def _proxies(self) -> dict[str, str] | None:
        return {"https": self._proxy} if self._proxy and self._is_private else None

    def _authorize(self, request: "requests.PreparedRequest") -> "requests.PreparedRequest":
        """Also keeps requests from taking a password for the server out of a ``.netrc``."""
        if self.token is not None:
            request.headers["Authorization"] = f"Bearer {self.token}"
        return request

    def _judge(self, response: "requests.Response", content: bytes) -> dict[str, Any]:
        """The answer's JSON object, or the error that its status stands for."""
        answer = _json_object(content)
        status = response.status_code
        self._compare_clocks(response)
        if status in (200, 201) and answer is not None:
            return answer
        told = f"{self.address} answers {status}{_problem_in_words(answer)}"
        if status in (401, 403) and self.token is not None:
            raise TokenRefusedError(f"{told}; enrol this machine again with a new code")
        if status in _REFUSED_FOR_GOOD or status == 403:
            raise RequestRefusedError(told, status, _faulty_fields(answer))
        if status in _TRY_LATER or status >= 500:
            wish_seconds = self._wish_seconds(response)
            raise ServerUnavailableError(f"{told}; {_when_again(wish_seconds)}", wish_seconds)
        raise ServerUnavailableError(
            f"{told}: not what a Flashworthy server answers; is the address right?"
        )

    def _compare_clocks(self, response: "requests.Response") -> None:
        server_time = _date(response.headers.get("Date", ""))
        if server_time is not None:
            self.clock_ahead_seconds = (self._now() - server_time).total_seconds()

    def _wish_seconds(self, response: "requests.Response") -> float | None:
        """RFC 9110 §10.2.3: Retry-After holds seconds, or a date by the server's clock."""
        wish = response.headers.get("Retry-After", "").strip()[:40]
        if wish.isascii() and wish.isdecimal():
            return float(wish)
        until = _date(wish)
        if until is None:
            return None
        ahead_seconds = (until - self._now()).total_seconds() + (self.clock_ahead_seconds or 0.0)
        return max(0.0, ahead_seconds)


def _bounded_content(response: "requests.Response") -> bytes:
    deadline = time.monotonic() + ANSWER_TIMEOUT_SECONDS
    content = bytearray()
    for piece in response.iter_content(1 << 16):
        content += piece
        if len(content) > MAX_ANSWER_BYTES or time.monotonic() > deadline:
            raise ServerUnavailableError(
                f"expected an answer of at most {MAX_ANSWER_BYTES} bytes "
                f"within {ANSWER_TIMEOUT_SECONDS:.0f} seconds, got more"
            )
    return bytes(content)


def _json_object(content: bytes) -> dict[str, Any] | None:
    try:
        answer = json.loads(content)
    except (ValueError, RecursionError):
        return None
    return answer if isinstance(answer, dict) else None


def _problem_in_words(answer: dict[str, Any] | None) -> str:
    """The title and detail of problem details (RFC 9457 §3.1), on one line."""
    members = [(answer or {}).get(name) for name in ("title", "detail")]
    words = [member for member in members if isinstance(member, str) and member.isprintable()]
    return "".join(f": {word[:300]}" for word in words)


def _faulty_fields(answer: dict[str, Any] | None) -> frozenset[str]:
    """The names in the member `errors` of problem details, as this server extends them."""
    faults = (answer or {}).get("errors")
    entries = faults if isinstance(faults, list) else []
    names = (entry.get("field") for entry in entries if isinstance(entry, dict))
    return frozenset(name for name in names if isinstance(name, str))


def _when_again(wish_seconds: float | None) -> str:
    if wish_seconds is None:
        return "try again later"
    return f"it asks to be left alone for {wish_seconds:.0f} seconds"


def _date(text: str) -> datetime | None:
    try:
        date = parsedate_to_datetime(text)
    except ValueError:
        return None
    return date if date.tzinfo else date.replace(tzinfo=UTC)


def _in_words(error: BaseException) -> str:
    """What the operating system or the TLS library said, from below the libraries' layers."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and cause.strerror:
            return cause.strerror
        cause = cause.__cause__ or cause.__context__
    return str(error)[:300] or type(error).__name__
