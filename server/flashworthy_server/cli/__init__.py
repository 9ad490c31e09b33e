"""The command line of the server.

- Each command opens the site, calls a service, and prints a table for people or JSON with --json.
- A wrong file or a wrong name is one plain line and exit status 1; wrong usage is 2.

- ``frame``: options that all commands share, and how failures end
- ``text``: tables and lines
- the rest: the commands
"""

from flashworthy_server.cli.audit import audit
from flashworthy_server.cli.frame import Group
from flashworthy_server.cli.look import machines, mark, overview, verdict, worklist
from flashworthy_server.cli.record import releases, reports
from flashworthy_server.cli.run import migrate, serve
from flashworthy_server.cli.secrets import code, token
from flashworthy_server.cli.versions import versions

main = Group(
    "flashworthy-server",
    help="Keeps what agents report, judges it, and answers people.\n\n"
    "Start with: flashworthy-server migrate; flashworthy-server serve",
    commands=[
        migrate,
        serve,
        code,
        token,
        audit,
        overview,
        machines,
        verdict,
        worklist,
        mark,
        releases,
        reports,
        versions,
    ],
)
