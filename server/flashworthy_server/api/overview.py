"""How the site stands."""

from typing import Any

from flashworthy_server.answers import OverviewSchema, overview_answer
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.services import overview as service
from flashworthy_server.web.context import current_site

blueprint = Blueprint(
    "overview", __name__, url_prefix="/overview", description="how the site stands"
)


@blueprint.route("")
@blueprint.response(200, OverviewSchema)
def show() -> dict[str, Any]:
    """Counts of all machines as of now, and the combinations that somebody must look at."""
    return overview_answer(service.overview(current_site()))
