"""What the API and the pages share, before either of them has its say.

- ``context``: the site that a request is about, and who asks
- ``access``: who may do what, in one table
- ``limits``: how often one may ask
- ``cookies``, ``origin``: sessions of browsers, and whether a form is one of this site's own
- ``headers``, ``failures``: what goes with every answer, and what each failure means
"""

from flask import Flask

from flashworthy_server.site import Site
from flashworthy_server.web import access, cookies, failures, headers
from flashworthy_server.web.context import EXTENSION


def register(app: Flask, site: Site) -> None:
    """Put what both need before an application of one site."""
    app.extensions[EXTENSION] = site
    for part in (headers, failures, cookies, access):
        part.register(app)
