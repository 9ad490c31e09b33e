"""Who may do what: every route times every role, as the table says, and nothing else."""

import pytest

from flashworthy_server.services.who import Role
from flashworthy_server.web.access import ANYONE, MAY


def test_every_route_says_who_may_use_it(site):
    routes = {rule.endpoint for rule in site.client.application.url_map.iter_rules()}

    assert routes == set(MAY)


@pytest.mark.parametrize("endpoint", sorted(MAY))
@pytest.mark.parametrize("role", [None, *Role])
def test_a_role_reaches_what_the_table_says_and_nothing_else(site, endpoint, role):
    token = site.token_of(role) if role else None
    for method, path in requests_of(site, endpoint):
        headers = {"Authorization": f"Bearer {token}"} if token else {}

        status = site.client.open(path, method=method, headers=headers).status_code

        if MAY[endpoint] is ANYONE or role in MAY[endpoint]:
            assert status not in (401, 403), (method, path)
        else:
            assert status == (403 if role else 401), (method, path)


def requests_of(site, endpoint):
    """Method and path of each way to ask for an endpoint, about machine 1."""
    for rule in site.client.application.url_map.iter_rules(endpoint):
        with site.client.application.test_request_context():
            _, path = rule.build(dict.fromkeys(rule.arguments, 1))
        for method in rule.methods - {"HEAD", "OPTIONS"}:
            yield method, path
