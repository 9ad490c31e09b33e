"""Look: the overview, machines, verdicts, the worklist."""

from typing import Any

import click

from flashworthy_common.attention import AttentionCode
from flashworthy_common.need import Standing
from flashworthy_common.present import age_in_words, verdict_lines, verdict_to_json
from flashworthy_common.readiness import Moment, Outcome
from flashworthy_common.reasons import Priority
from flashworthy_server.answers import (
    MachineRowSchema,
    overview_answer,
    work_item_answer,
)
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_counts, print_lines, print_table
from flashworthy_server.cli.upkeep import judging_in_words
from flashworthy_server.services import machines as machine_service
from flashworthy_server.services import overview as overview_service
from flashworthy_server.services.machines import Filters
from flashworthy_server.services.overview import Overview, WorkItem
from flashworthy_server.site import Site

MOST_WORK_ITEMS = 1000


def _choice(kind: Any) -> click.Choice[str]:
    return click.Choice([each.value for each in kind])


@click.command
@with_site
@json_option
def overview(site: Site, as_json: bool) -> None:
    """How the site stands: counts, and what to look at first."""
    found = overview_service.overview(site)
    if as_json:
        print_json(overview_answer(found))
    else:
        _print_overview(found)


@click.command
@with_site
@click.option("--outcome", type=_choice(Outcome))
@click.option("--standing", type=_choice(Standing))
@click.option("--priority", type=_choice(Priority))
@click.option("--attention", type=_choice(AttentionCode))
@click.option("--place", help="A place and all in it.")
@click.option("--maker")
@click.option("--model")
@click.option("--text", help="Somewhere in name, place, model or version.")
@json_option
def machines(site: Site, as_json: bool, **wanted: Any) -> None:
    """List machines, in the order of their names."""
    rows = machine_service.all_machines(
        site,
        Filters(**wanted),
        at_once=site.config.most_page_rows,
    )
    if as_json:
        print_json(MachineRowSchema(many=True).dump(rows))
        return
    now = site.clock()
    print_table(
        ("#", "machine", "place", "model", "runs", "outcome", "reported", "attention"),
        [
            (
                row.machine.id,
                row.machine.name,
                row.machine.place,
                row.machine.model,
                row.machine.version_text,
                row.machine.outcome,
                row.machine.received_at and age_in_words(now, row.machine.received_at),
                ", ".join(row.attention),
            )
            for row in rows
        ],
        none="no such machine",
    )


@click.command
@with_site
@click.argument("name")
@click.option("--moment", type=_choice(Moment), default=Moment.DESK.value, show_default=True)
@click.option("--all", "show_all", is_flag=True, help="Also each check that passes.")
@json_option
def verdict(site: Site, name: str, moment: str, show_all: bool, as_json: bool) -> None:
    """Say whether machine NAME (or #number) is fit for an update, and what stands in the way."""
    machine_id = machine_service.machine_id_of(site, name)
    found = machine_service.verdict_of(site, machine_id, Moment(moment))
    if as_json:
        print_json(verdict_to_json(found))
    else:
        print_lines(verdict_lines(found, now=site.clock(), show_all=show_all))


@click.command
@with_site
@json_option
def worklist(site: Site, as_json: bool) -> None:
    """Combinations that somebody must look at, most machines first."""
    items = overview_service.worklist(site, MOST_WORK_ITEMS)
    if as_json:
        print_json([work_item_answer(item) for item in items])
    else:
        _print_worklist(items)


@click.command
@with_site
@click.argument("name")
@click.argument("duty", required=False)
@click.option("--clear", is_flag=True, help="Take the mark back.")
def mark(site: Site, name: str, duty: str | None, clear: bool) -> None:
    """Mark machine NAME with its life-safety DUTY: nobody is then told to touch it."""
    if clear == bool(duty):
        raise click.UsageError("give either the DUTY, such as 'drug cabinet control', or --clear")
    machine_service.mark(site, who(), machine_service.machine_id_of(site, name), duty)
    click.echo(f"{name} is marked as {duty}" if duty else f"{name} is no longer marked")


def _print_overview(found: Overview) -> None:
    if found.judging:
        click.echo(judging_in_words(found.judging))
    print_counts("machines", {"in all": found.machines, "not reported yet": found.not_reported})
    print_counts("outcome", found.outcomes)
    print_counts("standing", found.standings)
    print_counts("priority", found.priorities)
    print_counts("attention", found.attention)
    print_counts("places", found.places)
    print_counts(
        "models", {f"{maker} {model}".strip() or "not known": n for maker, model, n in found.models}
    )
    print_counts("age (years)", {_age(name): n for name, n in found.firmware_age.items()})
    print_counts("refused", {f"x {what} ({status})": n for what, status, n in found.refusals})
    click.echo()
    _print_worklist(found.worklist)


def _age(name: str) -> str:
    return f"aged {name}" if name[0].isdecimal() else name  # "7 aged 1", not "7 1"


def _model(maker: str, model: str) -> str:
    return f"{maker} {model}".strip() or "not known"


def _print_worklist(items: list[WorkItem]) -> None:
    print_table(
        (
            "machines",
            "maker",
            "model",
            "board",
            "runs",
            "newest seen here",
            "because",
        ),
        [
            (
                item.machines,
                *item.combination.key[:3],
                item.combination.key[4],
                item.need.newest_seen and item.need.newest_seen.version_text,
                item.because,
            )
            for item in items
        ],
        none="nothing is undecided",
    )
