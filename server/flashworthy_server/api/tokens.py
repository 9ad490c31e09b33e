"""A machine's agent replaces its token here."""

from flashworthy_server.answers import MachineTokenSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services.credentials import rotate_machine_token
from flashworthy_server.web.access import given_token
from flashworthy_server.web.context import current_machine, current_site

blueprint = Blueprint(
    "tokens", __name__, url_prefix="/token", description="an agent replaces its token"
)


@blueprint.route("", methods=["POST"])
@blueprint.response(200, MachineTokenSchema)
def rotate() -> dict[str, str]:
    """A new token for the machine that asks, good at once; the old one is good until it is used.

    An agent that lost the answer asks again with the old one.
    """
    return {"token": rotate_machine_token(current_site(), current_machine(), given_token())}
