"""Look after the site: how far judging is, and whether kept numbers are right."""

import click

from flashworthy_server.answers import judging_answer
from flashworthy_server.cli.frame import FAILURE, json_option, print_json, with_site
from flashworthy_server.cli.text import show_progress
from flashworthy_server.services import judgement, overview
from flashworthy_server.services.judgement import Judging
from flashworthy_server.site import Site


@click.command
@with_site
@click.option("--work", is_flag=True, help="Judge all that is due now, here.")
@json_option
def judging(site: Site, work: bool, as_json: bool) -> None:
    """Say how far judging by new knowledge is; a running server works at it by itself."""
    if work:
        judgement.judge_due(site, show_progress)
    found = judgement.judging(site)
    if as_json:
        print_json({"judging": judging_answer(found)})
    else:
        click.echo(judging_in_words(found) if found else "what was recorded holds everywhere")


def judging_in_words(judging: Judging) -> str:
    told = (
        "what was recorded before {since} holds everywhere; {done} of {total} verdicts are judged"
    )
    return f"{told} by what came since".format(**(judging_answer(judging) or {}))


@click.command
@with_site
@click.option("--mend", is_flag=True, help="Put right what is wrong.")
@json_option
def recount(site: Site, mend: bool, as_json: bool) -> None:
    """Hold the kept numbers of the overview against a recount of all machines."""
    found = overview.recount(site, mend=mend)
    if as_json:
        rows = [{"facet": facet, "name": name, "too_high_by": n} for facet, name, n in found]
        print_json({"wrong": rows, "mended": mend})
    else:
        for facet, name, n in found:
            click.echo(f"{facet} {name!r} is {abs(n)} too {'high' if n > 0 else 'low'}")
        click.echo(_summed_up(len(found), mended=mend))
    if found and not mend:
        click.get_current_context().exit(FAILURE)


def _summed_up(wrong: int, *, mended: bool) -> str:
    if not wrong:
        return "every kept number is that of a recount"
    return f"{wrong} were wrong, and are right now" if mended else f"{wrong} are wrong; see --mend"
