"""The API against its own OpenAPI document: whatever is sent, the server does not break.

Run with the system tests, since it takes a minute. Cases are made by schemathesis from the
document alone, as it allows and as it forbids, and sent with tokens of every role in turn.
"""

from collections import Counter
from contextlib import suppress
from itertools import cycle

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode

from flashworthy_server.services.who import Role
from support.site import KNOWLEDGE

CASES = 2000  # at least, in all
CASES_A_STRATEGY = 30

pytestmark = pytest.mark.system

several = settings(
    max_examples=CASES_A_STRATEGY,
    deadline=None,
    database=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture
def tokens(site):
    """Tokens of every role, of a site that has machines and releases to ask about."""
    often = 10**9
    site.settle(
        requests_per_minute=often,
        machine_requests_per_minute=often,
        address_requests_per_minute=often,
        unknown_per_minute=often,
    )
    machine = site.machine(1)
    site.machine(2)
    site.post("/releases/import", KNOWLEDGE)
    return [site.token, machine, *map(site.token_of, (Role.TECHNICIAN, Role.VIEWER))]


def test_no_request_that_the_document_allows_or_forbids_breaks_the_server(site, tokens):
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", site.client.application)
    statuses, broken, turn = Counter(), [], cycle([*tokens[:1], *tokens])

    def send(case):
        response = case.call(headers={"Authorization": f"Bearer {next(turn)}"})
        statuses[response.status_code] += 1
        if response.status_code >= 500:
            broken.append((case.method, case.formatted_path, case.query, case.body))

    for operation in schema.get_all_operations():
        for mode in GenerationMode:
            strategy = operation.ok().as_strategy(generation_mode=mode)
            with suppress(Unsatisfiable):  # nothing of a request without fields can be wrong
                several(given(case=strategy)(send))()

    assert broken == []
    assert statuses.total() >= CASES
    assert statuses[200] + statuses[201] >= CASES / 20  # it does not only refuse
