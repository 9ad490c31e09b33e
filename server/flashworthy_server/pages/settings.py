"""Settings: what an administrator decides for all, and where it is decided."""

from flask import render_template

from flashworthy_server.pages.blueprint import blueprint

# Each: its page, its name, and what it is for.
SUBJECTS = (
    ("policy", "Limits", "what verdicts are held against, for the site or for a place"),
    ("places", "Places", "where machines stand, by rules and lists"),
    ("exceptions", "Exceptions", "where the site decides otherwise, until a day"),
    ("weighing", "Weighing", "how reasons get their priority, and what is known of holes"),
    ("packages", "Packages", "firmware files that are kept for the way back"),
    ("people", "People", "who can sign in, and with what role"),
    ("codes", "Codes", "what lets new agents join"),
    ("tokens", "Tokens", "what lets programs in"),
    ("audit", "Audit trail", "who changed what, when, from where"),
)


@blueprint.get("/settings")
def settings() -> str:
    return render_template("pages/settings.html", subjects=SUBJECTS)
