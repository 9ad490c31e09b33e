"""Jobs: long work that was asked for on the pages."""

from pathlib import Path

import click

from flashworthy_common.values import write_time
from flashworthy_server.answers import JobSchema
from flashworthy_server.cli.frame import NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.errors import FileError
from flashworthy_server.services import jobs as service
from flashworthy_server.site import Site

MOST_ROWS = 1000


@click.group
def jobs() -> None:
    """Long work that somebody asked for, how far it has come, and what came of it."""


@jobs.command("list")
@with_site
@json_option
def list_jobs(site: Site, as_json: bool) -> None:
    """List the jobs, newest first."""
    found, _ = service.list_jobs(site, who(), before=None, count=MOST_ROWS)
    if as_json:
        print_json(JobSchema(many=True).dump(found))
        return
    print_table(
        ("#", "what", "about", "asked by", "at", "state", "come to"),
        [
            (
                each.id,
                each.kind,
                each.about,
                each.asked_by,
                write_time(each.asked_at),
                each.state,
                f"{each.done} of {each.total} {each.part}" if each.part else "",
            )
            for each in found
        ],
        none="nothing was asked for",
    )


@jobs.command("show")
@with_site
@click.argument("number", type=NUMBER)
def show(site: Site, number: int) -> None:
    """Print job NUMBER, as JSON."""
    print_json(JobSchema().dump(service.view(site, who(), number)))


@jobs.command("fetch")
@with_site
@click.argument("number", type=NUMBER)
@click.argument("file", type=click.Path(path_type=Path))
def fetch(site: Site, number: int, file: Path) -> None:
    """Write the file that came of job NUMBER to FILE."""
    content = service.output(site, who(), number)
    try:
        with file.open("xb") as opened:
            opened.write(content)
    except OSError as error:
        raise FileError(f"cannot write {file}: {error.strerror}") from error
    click.echo(f"{file}: {len(content)} bytes")
