"""The command line of the server.

- Each command opens the site, calls a service, and prints a table for people or JSON with --json.
- A wrong file or a wrong name is one plain line and exit status 1; wrong usage is 2.

- ``frame``: options that all commands share, and how failures end
- ``text``, ``files``: tables and lines; files that are read
- the rest: the commands
"""

from flashworthy_server.cli.account import account
from flashworthy_server.cli.audit import audit
from flashworthy_server.cli.confirmations import confirmations
from flashworthy_server.cli.exceptions import exceptions
from flashworthy_server.cli.flashes import flash
from flashworthy_server.cli.frame import Group
from flashworthy_server.cli.history import history
from flashworthy_server.cli.jobs import jobs
from flashworthy_server.cli.look import machines, mark, overview, verdict, worklist
from flashworthy_server.cli.machine import attention, machine
from flashworthy_server.cli.move import move
from flashworthy_server.cli.packages import packages
from flashworthy_server.cli.places import places
from flashworthy_server.cli.policy import policy
from flashworthy_server.cli.releases import releases
from flashworthy_server.cli.reports import reports
from flashworthy_server.cli.review import review
from flashworthy_server.cli.run import migrate, serve
from flashworthy_server.cli.secrets import code, token
from flashworthy_server.cli.symptoms import symptoms
from flashworthy_server.cli.upkeep import judging, recount
from flashworthy_server.cli.versions import versions
from flashworthy_server.cli.visits import visit
from flashworthy_server.cli.weighing import advisories, exploited, weighing

main = Group(
    "flashworthy-server",
    help="Keeps what agents report, judges it, and answers people.\n\n"
    "Start with: flashworthy-server migrate; flashworthy-server serve",
    commands=[
        migrate,
        move,
        serve,
        account,
        code,
        token,
        audit,
        overview,
        machines,
        verdict,
        worklist,
        mark,
        machine,
        attention,
        confirmations,
        flash,
        visit,
        places,
        policy,
        releases,
        review,
        symptoms,
        exceptions,
        packages,
        weighing,
        advisories,
        exploited,
        reports,
        jobs,
        history,
        versions,
        judging,
        recount,
    ],
)
