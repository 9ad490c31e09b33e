"""The plan of one machine: what its agent needs to judge without a network."""

from flashworthy_server.answers import PlanSchema
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import plans as service
from flashworthy_server.web.access import require_own
from flashworthy_server.web.context import current_site

blueprint = Blueprint("plans", __name__, url_prefix="/machines", description="plans of machines")


@blueprint.route("/<int:machine_id>/plan")
@blueprint.response(200, PlanSchema)
def one(machine_id: int) -> service.NamedPlan:
    """The plan of now; a machine may ask for its own. Receipts of reports name its digest."""
    require_own(machine_id)
    return service.plan_of(current_site(), machine_id)
