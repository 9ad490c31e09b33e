"""Agents join here."""

from flashworthy_server.answers import EnrolmentSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import enrolment
from flashworthy_server.web.context import current_address, current_site
from flashworthy_server.wire import Application, ApplicationSchema

blueprint = Blueprint(
    "enrolments", __name__, url_prefix="/enrolments", description="agents join with a code"
)


@blueprint.route("", methods=["POST"])
@blueprint.doc(security=[])
@blueprint.arguments(ApplicationSchema)
@blueprint.response(201, EnrolmentSchema)
def enrol(application: Application) -> enrolment.Enrolment:
    """Join with an enrolment code; the machine is recognised by its serials, or new.

    Its token is shown this once. An earlier agent of the same machine loses its token.
    """
    return enrolment.enrol(current_site(), current_address(), application)
