"""Visits: planned, worked and ended at the terminal; a month of them."""

import uuid
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import click

from flashworthy_common.confirmations import Confirmed
from flashworthy_common.visits.lists import Item
from flashworthy_server.cli.frame import NUMBER, json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_lines, print_table
from flashworthy_server.local_time import parse_local, window_in_words
from flashworthy_server.services import records, visit_calendars, visit_plans, visit_work
from flashworthy_server.services import visits as service
from flashworthy_server.services.machines import machine_id_of
from flashworthy_server.services.visit_plans import VisitPlan, Wanted
from flashworthy_server.services.visits import Filters, Noted, VisitView
from flashworthy_server.site import Site
from flashworthy_server.visit_answers import MonthSchema, StorySchema, VisitPlanSchema, VisitSchema

_MOST_LISTED = 500


@click.group
def visit() -> None:
    """Plan a stop at a place, carry it out, and see what came of it."""


@visit.command("plan")
@with_site
@click.argument("names", nargs=-1, required=True)
@click.option("--begins", required=True, help="In the site's time zone: 2026-05-04 10:00")
@click.option("--ends", required=True, help="In the site's time zone.")
@click.option("--technician", required=True, help="Name of the account that goes.")
@click.option("--remark", default="", help="Such as where the key is.")
@click.option("--preview", is_flag=True, help="Only say what it would take.")
@json_option
def plan(
    site: Site,
    names: tuple[str, ...],
    begins: str,
    ends: str,
    technician: str,
    remark: str,
    preview: bool,
    as_json: bool,
) -> None:
    """Plan a visit to machines NAMES (or #numbers)."""
    zone_name = site.config.time_zone
    wanted = Wanted(
        machine_ids=tuple(machine_id_of(site, name) for name in names),
        begins_at=parse_local("begins", begins, zone_name),
        ends_at=parse_local("ends", ends, zone_name),
        technician_id=visit_plans.technician_named(site, technician),
        remark=remark,
    )
    found = visit_plans.preview(site, wanted)
    if not preview:
        visit_id = visit_plans.plan_visit(site, who(), wanted, str(uuid.uuid4()))
        click.echo(f"visit #{visit_id} is planned", err=as_json)
    if as_json:
        print_json(VisitPlanSchema().dump(found))
    else:
        _print_plan(found)


@visit.command("list")
@with_site
@click.option("--all", "with_ended", is_flag=True, help="Also those that have ended.")
@json_option
def list_visits(site: Site, with_ended: bool, as_json: bool) -> None:
    """List visits by their begin, each as it stands now."""
    filters = Filters(is_open=None if with_ended else True)
    found = service.list_visits(site, filters, count=_MOST_LISTED)
    if as_json:
        print_json(VisitSchema(many=True).dump(found))
        return
    print_table(
        ("#", "when", "place", "technician", "standing", "machines"),
        [
            (view.visit.id, _when(site, view), view.visit.place, view.visit.technician,
             view.standing.value, _counts(view.counts))
            for view in found
        ],
        none="no visit is planned",
    )  # fmt: skip


@visit.command("show")
@with_site
@click.argument("number", type=NUMBER)
@json_option
def show(site: Site, number: int, as_json: bool) -> None:
    """Show visit NUMBER as it stands now, and what it takes."""
    view = service.view_visit(site, number)
    if as_json:
        print_json(VisitSchema().dump(view))
        return
    _print_view(site, view)
    if view.visit.ended_at is None:
        click.echo()
        _print_plan(visit_plans.plan_of_visit(site, number)[1])


@visit.command("note")
@with_site
@click.argument("number", type=NUMBER)
@click.argument("name")
@click.argument("what", type=click.Choice([each.value for each in Noted if each != Noted.TOLD]))
@click.option("--to", "to_text", help="With started: the version; else the next of the path.")
@click.option("--reason", default="", help="With could-not: why.")
@click.option("--confirms", type=click.Choice([each.value for each in Confirmed]))
def note(
    site: Site,
    number: int,
    name: str,
    what: str,
    to_text: str | None,
    reason: str,
    confirms: str | None,
) -> None:
    """Note WHAT is done of machine NAME during visit NUMBER."""
    about = (site, who(), number, machine_id_of(site, name), str(uuid.uuid4()))
    if what == Noted.STARTED.value:
        visit_work.note_started(*about, to_text)
    elif what == Noted.DONE.value:
        visit_work.note_done(*about)
    elif what == Noted.COULD_NOT.value:
        visit_work.note_could_not(*about, reason)
    elif confirms is None:
        raise click.UsageError("expected --confirms WHAT with confirmed")
    else:
        visit_work.confirm(*about, Confirmed(confirms))
    _print_view(site, service.view_visit(site, number))


@visit.command("end")
@with_site
@click.argument("number", type=NUMBER)
@click.option("--reason", required=True, help="Why, since not all its machines are decided.")
def end(site: Site, number: int, reason: str) -> None:
    """End visit NUMBER by hand; what is not decided is told with it."""
    _print_view(site, service.end_visit(site, who(), number, reason))


@visit.command("call-off")
@with_site
@click.argument("number", type=NUMBER)
@click.option("--reason", required=True)
def call_off(site: Site, number: int, reason: str) -> None:
    """Visit NUMBER does not take place."""
    service.call_off(site, who(), number, reason)
    click.echo(f"visit #{number} is called off")


@visit.command("carry-over")
@with_site
@click.argument("number", type=NUMBER)
def carry_over(site: Site, number: int) -> None:
    """Take what is left over of visit NUMBER into the next one to the same place."""
    following = visit_plans.carry_over(site, who(), number, str(uuid.uuid4()))
    _print_view(site, service.view_visit(site, following))


@visit.command("calendar")
@with_site
@click.argument("number", type=NUMBER)
@click.argument("file", type=click.Path(path_type=Path))
def calendar(site: Site, number: int, file: Path) -> None:
    """Write visit NUMBER to FILE as iCalendar (RFC 5545)."""
    file.write_bytes(visit_calendars.file_of(site, number, ""))
    click.echo(f"visit #{number} is in {file}")


@visit.command("month")
@with_site
@click.argument("month")
@json_option
def month(site: Site, month: str, as_json: bool) -> None:
    """The visits that began in MONTH, such as 2026-05: minutes, results, failures with cause."""
    found = records.month_of_visits(site, month)
    if as_json:
        print_json(MonthSchema().dump(found))
        return
    click.echo(f"visits       {len(found.visits)}")
    click.echo(f"minutes      {found.minutes_planned} planned, {found.minutes_taken} taken")
    click.echo(f"machines     {_counts(found.counts) or 'none'}")
    print_table(
        ("visit", "machine", "result", "cause"),
        [(each.visit_id, each.name, each.progress, each.cause) for each in found.failures],
        none="none failed",
    )


@visit.command("record")
@with_site
@click.argument("name")
@json_option
def record(site: Site, name: str, as_json: bool) -> None:
    """The story of machine NAME (or #number), from reason to result."""
    found = records.story_of(site, machine_id_of(site, name))
    if as_json:
        print_json(StorySchema().dump(found))
        return
    print_lines(f"reason  {reason}" for reason in found.reasons)
    print_table(
        ("when", "what", "by", "in words"),
        [(_minute(each.at), each.what, each.by, each.says) for each in found.events],
        none="nothing was recorded",
    )


def _print_view(site: Site, view: VisitView) -> None:
    visit = view.visit
    click.echo(f"visit #{visit.id}    {view.standing.value}    {visit.place or 'several places'}")
    click.echo(f"{_when(site, view)}, {visit.technician}, {visit.minutes} minutes with margin")
    if visit.ended_because:
        print_lines([f"ended by {visit.ended_by}: {visit.ended_because}"])
    print_table(
        ("machine", "outcome", "to", "result", "what came of it"),
        [
            (each.machine.name, each.outcome, each.machine.place_in_visit.target_text,
             each.state.progress.value, each.state.says)
            for each in view.machines
        ],
        none="it has no machines",
    )  # fmt: skip


def _print_plan(plan: VisitPlan) -> None:
    click.echo(
        f"{plan.minutes} minutes with margin; the machines one after the other would take "
        f"{plan.minutes_of_machines}"
    )
    print_lines(f"conflict  {text}" for text in plan.conflicts)
    print_table(
        ("machine", "outcome then", "now", "minutes", "otherwise then"),
        [
            (each.name, each.foreseen.outcome.value, each.foreseen.outcome_now.value,
             each.work.minutes, "; ".join(each.foreseen.changes))
            for each in plan.machines
        ],
        none="no machine of it has reported",
    )  # fmt: skip
    _print_items("before", plan.before)
    _print_items("bring", plan.bring)
    _print_items("tell", plan.tell)


def _print_items(label: str, items: Iterable[Item]) -> None:
    for item in items:
        print_lines([f"{label:<8}{item.what}: {', '.join(item.machines)}"])
        print_lines(f"        {note}" for note in item.notes)


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in counts.items())


def _when(site: Site, view: VisitView) -> str:
    return window_in_words(view.visit.begins_at, view.visit.ends_at, site.config.time_zone)


def _minute(time: datetime) -> str:
    return f"{time:%Y-%m-%d %H:%M} UTC"
