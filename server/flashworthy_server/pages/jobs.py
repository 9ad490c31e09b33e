"""Jobs: how far long work has come, and what came of it; a page to come back to."""

from flask import Response, render_template, url_for
from werkzeug.http import dump_options_header

from flashworthy_server.pages.blueprint import blueprint
from flashworthy_server.pages.forms import number_asked
from flashworthy_server.services import jobs as service
from flashworthy_server.services import judgement, long_work
from flashworthy_server.services.jobs import ENDED
from flashworthy_server.web.context import current_site, current_who

# What each kind of work is called here, and where it belongs.
TITLES = {
    long_work.COMPARE_DOCUMENT: "What an import would change",
    long_work.RECORD_DOCUMENT: "Import",
    long_work.RECORD_CATALOGUE: "Catalogue of exploited holes",
    long_work.COMPARE_POLICY: "What other limits would change",
    long_work.SET_WEIGHING: "Weighing anew",
    long_work.EXPORT_RELEASES: "Releases as a file",
    long_work.VERIFY_PACKAGES: "Kept files, verified",
}


@blueprint.get("/jobs")
def jobs() -> str:
    site = current_site()
    before = number_asked("before")
    found, last = service.list_jobs(site, current_who(), before=before, count=site.config.page_rows)
    more = url_for("pages.jobs", before=last) if last else None
    return render_template(
        "pages/jobs.html",
        jobs=found,
        more=more,
        titles=TITLES,
        kept_days=site.config.jobs_kept_days,
        judging=judgement.judging(site),
    )


@blueprint.get("/jobs/<int:job_id>")
def job(job_id: int) -> str:
    site, who = current_site(), current_who()
    found = service.view(site, who, job_id)
    return render_template(
        "pages/job.html",
        job=found,
        title=TITLES.get(found.kind, found.kind),
        has_ended=found.state in ENDED,
        is_own=found.asked_by == str(who),
        followed_by=service.following(site, job_id),
        work=long_work,
    )


@blueprint.get("/jobs/<int:job_id>/file")
def job_output(job_id: int) -> Response:
    """The file that came of it."""
    site, who = current_site(), current_who()
    told = service.view(site, who, job_id).result or {}
    content = service.output(site, who, job_id)
    response = Response(content, content_type=told["content_type"])
    response.headers["Content-Disposition"] = dump_options_header(
        "attachment", {"filename": told["file_name"]}
    )
    return response
