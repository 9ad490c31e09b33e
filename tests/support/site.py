"""A server as its callers see it: requests go through the whole application, nothing is mocked."""

import gzip
import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from email.utils import format_datetime

from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.test import TestResponse

from flashworthy_common.ids import uuid7
from flashworthy_common.report import report_to_json
from flashworthy_server.services import accounts, credentials, sessions
from flashworthy_server.services.sessions import Attempt
from flashworthy_server.services.who import Role, at_the_terminal
from flashworthy_server.tables import metadata
from flashworthy_server.web import cookies
from support.browser import Browser
from support.machines import NOW, a_report

UUID = "6f1c2e4a-9b1d-4c7e-8a55-0c9be1f3a201"
OTHER_UUID = "0b8f7d3c-1e2a-4f66-9c0d-5a7e21c4b902"
AGENT = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b801"
OTHER_AGENT = "7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b802"


RELEASE = {
    "machine_maker": "Quillmark Inc.",
    "models": ["Folio 14"],
    "version_text": "1.34",
    "released_on": "2026-03-02",
    "reasons": [
        {
            "kind": "security",
            "priority": "out-of-cycle",
            "says": "closes a hole that is being exploited",
            "source": "https://quillmark.example/folio-14/notes",
        }
    ],
    "ways": ["inside-os"],
    "minutes": 25,
    "can_go_back": True,
    "restarts": 1,
}
REVIEW = {
    "machine_maker": "QUILLMARK",
    "models": ["Folio 14"],
    "reviewed_at": "2026-05-01T10:00:00Z",
    "reviewed_by": "Ida Fenwick",
    "source": "https://quillmark.example/folio-14",
    "newest_version_text": "1.34",
}
KNOWLEDGE = {"releases": [RELEASE], "reviews": [REVIEW]}


WHO = at_the_terminal("ida")
PASSWORD = "heron lantern brick"


class FrozenClock:
    """Gives the time that the test sets."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now

    def pass_by(self, **span: float) -> None:
        self.now += timedelta(**span)


@dataclass
class TestedSite:
    """One server with a frozen clock, an administrator's token and a client."""

    __test__ = False

    client: FlaskClient
    clock: FrozenClock
    token: str
    url: str  # of its database

    @property
    def site(self):
        return self.client.application.extensions["flashworthy"]

    def get(self, path: str, *, token: str | None = None, **headers: str) -> TestResponse:
        return self.client.get(f"/api/v1{path}", headers=self._headers(token, headers))

    def post(self, path: str, data: object, *, token: str | None = None) -> TestResponse:
        return self.client.post(f"/api/v1{path}", json=data, headers=self._headers(token, {}))

    def put(self, path: str, data: object, *, token: str | None = None) -> TestResponse:
        return self.client.put(f"/api/v1{path}", json=data, headers=self._headers(token, {}))

    def patch(self, path: str, data: object) -> TestResponse:
        return self.client.patch(f"/api/v1{path}", json=data, headers=self._headers(None, {}))

    def rows(self) -> dict[str, list[tuple]]:
        """Everything that the database holds, by table."""
        with self.site.database.reading() as connection:
            return {
                name: [tuple(row) for row in connection.execute(select(table))]
                for name, table in metadata.tables.items()
            }

    def know(self) -> None:
        """Import `KNOWLEDGE`, and keep the package of what its machines run."""
        assert self.post("/releases/import", KNOWLEDGE).status_code == 200
        assert self.keep(b"the package of 1.29").status_code == 201

    def keep(self, content: bytes, **said: object) -> TestResponse:
        """Keep a package of 1.29 for Folio 14, or what is said instead."""
        query = {
            "maker": "Quillmark",
            "model": "Folio 14",
            "version": "1.29",
            "file_name": "folio-14-1.29.cap",
            "source": "https://quillmark.example/folio-14",
        }
        headers = self._headers(None, said.pop("headers", {}))
        return self.client.post(
            "/api/v1/packages",
            query_string=query | said,
            data=content,
            headers={"Content-Type": "application/octet-stream"} | headers,
        )

    def code(self, *, uses: int = 1000, days: int = 1, place: str | None = None) -> str:
        return credentials.make_code(self.site, WHO, uses=uses, days=days, place=place).code

    def settle(self, **settings: object) -> None:
        """Serve the same site with some settings changed."""
        config = replace(self.site.config, **settings)
        self.client.application.extensions["flashworthy"] = replace(self.site, config=config)

    def person(self, role: Role, name: str = "", password: str = PASSWORD) -> str:
        """Add a person who can sign in; their name."""
        shown = name or f"the {role.value}"
        made = accounts.add(self.site, WHO, shown, role)
        accounts.set_up(self.site, "192.0.2.1", shown, made.code, password)
        return shown

    def browser(self, role: Role | None = None, address: str = "127.0.0.1") -> Browser:
        """A browser of its own, in which somebody with a role is signed in."""
        if role is None:
            return Browser(self.client.application.test_client(), address)
        return self.signed_in(self.person(role), address)

    def signed_in(self, name: str, address: str = "127.0.0.1", code: str = "") -> Browser:
        """A browser of its own, in which a person of `person` is signed in."""
        browser = Browser(self.client.application.test_client(), address)
        attempt = Attempt(name, PASSWORD, code, address, "a browser")
        browser.client.set_cookie(cookies.NAME, sessions.sign_in(self.site, attempt))
        return browser

    def token_of(self, role: Role) -> str:
        """A program's token with a role, or that of a machine which is enrolled for it."""
        if role is Role.MACHINE:
            return self.enrol(hostname="reading-room-4")
        return credentials.make_token(self.site, WHO, f"a {role.value}", role=role, days=1).token

    def enrol(self, *, agent_id: str = AGENT, place: str | None = None, **identity: str) -> str:
        """Enrol a machine; its token."""
        application = an_application(self.code(place=place), agent_id=agent_id, **identity)
        response = self.client.post("/api/v1/enrolments", json=application)
        assert response.status_code == 201, response.text
        return response.json["token"]

    def send(self, token: str, report: dict, *, sent_at: datetime | None = None) -> TestResponse:
        """Send a report, compressed as the agent does it."""
        headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
        headers |= {"Date": format_datetime(sent_at or self.clock.now, usegmt=True)}
        body = gzip.compress(json.dumps(report).encode())
        headers |= {"Authorization": f"Bearer {token}"}
        return self.client.post("/api/v1/reports", data=body, headers=headers)

    def machine(self, number: int, **changes) -> str:
        """Enrol machine `number` and send its first report; its token."""
        identity = {"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"}
        agent_id = f"7b0c5a44-0a55-4c5e-9d4f-{number:012x}"
        place = changes.pop("place", None)
        token = self.enrol(agent_id=agent_id, place=place, **identity)
        changes["identity"] = identity | changes.get("identity", {})
        report = a_sent_report(sequence=1, agent_id=agent_id, number=number * 1000, **changes)
        assert self.send(token, report).status_code == 201
        return token

    def _headers(self, token: str | None, others: dict[str, str]) -> dict[str, str]:
        return {"Authorization": f"Bearer {token or self.token}", **others}


def an_application(code: str, *, agent_id: str = AGENT, **identity: str) -> dict:
    return {"code": code, "agent_id": agent_id, "identity": identity, "machine": {}}


def report_id(number: int) -> str:
    return str(uuid7(int(NOW.timestamp() * 1000), number))


def a_sent_report(*, sequence: int = 1, agent_id: str = AGENT, number: int = 0, **sections) -> dict:
    """The fit report as the wire has it, with its own report id; sections are changed by field."""
    report = replace(
        a_report(**sections),
        report_id=report_id(number + sequence),
        agent_id=agent_id,
        sequence=sequence,
    )
    return report_to_json(report)
