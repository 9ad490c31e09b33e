"""Where machines stand: rules by hostname and address, lists of hostnames."""

from pathlib import Path

import click

from flashworthy_server.cli.files import read_json, read_text
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_lines, print_table
from flashworthy_server.services import placing as service
from flashworthy_server.services.placing import Placing
from flashworthy_server.site import Site
from flashworthy_server.visit_answers import PlaceRuleSchema, PlacingSchema

_file = click.argument("file", type=click.Path(path_type=Path))
_preview = click.option("--preview", is_flag=True, help="Only say what would change.")


@click.group
def places() -> None:
    """Say where machines stand; a machine's place by hand wins."""


@places.command("rules")
@with_site
@json_option
def rules(site: Site, as_json: bool) -> None:
    """Show the rules, in the order in which they are tried."""
    found = service.rules_of(site)
    if as_json:
        print_json(PlaceRuleSchema(many=True).dump(found))
        return
    print_table(
        ("place", "hostname", "addresses"),
        [(rule.place, rule.hostname, rule.addresses) for rule in found],
        none="there is no rule",
    )


@places.command("set-rules")
@with_site
@_file
@_preview
@json_option
def set_rules(site: Site, file: Path, preview: bool, as_json: bool) -> None:
    """Let the JSON list in FILE be the rules: objects of place, hostname, addresses."""
    data = read_json(file, site.config.import_body_bytes)
    found = service.preview_rules(site, data) if preview else service.set_rules(site, who(), data)
    _print(found, as_json)


@places.command("import")
@with_site
@_file
@_preview
@json_option
def import_list(site: Site, file: Path, preview: bool, as_json: bool) -> None:
    """Let machines stand where the CSV in FILE says: hostname, place."""
    text = read_text(file, site.config.import_body_bytes)
    found = service.preview_list(site, text) if preview else service.import_list(site, who(), text)
    _print(found, as_json)


def _print(found: Placing, as_json: bool) -> None:
    if as_json:
        print_json(PlacingSchema().dump(found))
        return
    print_table(
        ("machine", "from", "to"),
        [(each.name, each.before, each.place) for each in found.moves],
        none="no machine moves",
    )
    print_lines(
        f"stays   {each.name} at {each.place}, as its {each.by} says; here it is {each.other}"
        for each in found.kept
    )
    print_lines(f"unknown {name}: no machine in service has this name, or several" for name in
                found.not_found)  # fmt: skip
