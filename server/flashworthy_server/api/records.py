"""One machine's story, from reason to result."""

from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import records as service
from flashworthy_server.visit_answers import StorySchema
from flashworthy_server.web.context import current_site

blueprint = Blueprint("records", __name__, url_prefix="/machines", description="what happened")


@blueprint.route("/<int:machine_id>/record")
@blueprint.response(200, StorySchema)
def story(machine_id: int) -> service.Story:
    """Everything that was recorded of a machine, the earliest first."""
    return service.story_of(current_site(), machine_id)
