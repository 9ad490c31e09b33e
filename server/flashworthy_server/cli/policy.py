"""The site's policy: show it, set it for all or for a place, see what would change."""

import json
from typing import Any

import click

from flashworthy_common.policy import limits
from flashworthy_common.values import to_json, write_time
from flashworthy_server.answers import PolicySchema
from flashworthy_server.cli.frame import json_option, print_json, who, with_site
from flashworthy_server.cli.text import print_table
from flashworthy_server.services import policies as service
from flashworthy_server.site import Site

place_option = click.option("--place", help="For this place and all in it; else the whole site.")


@click.group
def policy() -> None:
    """The site's limits, each with its value and where its default comes from."""


@policy.command("show")
@with_site
@place_option
@json_option
def show(site: Site, place: str | None, as_json: bool) -> None:
    """Show the limits that hold, for the whole site or at a place."""
    found = service.view_policy(site, place)
    if as_json:
        print_json(PolicySchema().dump(found))
        return
    print_table(
        ("limit", "value", "default", "set here", "why"),
        [
            (
                each.name,
                _shown(to_json(getattr(found.policy, each.name))),
                _shown(to_json(each.default)),
                "yes" if each.name in found.set_here else "",
                f"{each.metadata['why']} ({each.metadata['source']})",
            )
            for each in limits()
        ],
        none="no limit",
    )


@policy.command("set")
@with_site
@click.argument("wanted", nargs=-1, required=True, metavar="LIMIT=VALUE...")
@place_option
@click.option("--preview", is_flag=True, help="Only count the verdicts that would change.")
def set_limits(site: Site, wanted: tuple[str, ...], place: str | None, preview: bool) -> None:
    """Set limits; LIMIT= without a value takes what was set here back."""
    set_here = _changed(service.view_policy(site, place).set_here, wanted)
    if preview:
        _print_changes(service.preview(site, place, set_here))
        return
    service.set_limits(site, who(), place, set_here)
    click.echo(f"the policy {f'of {place} ' if place else ''}is set")


@policy.command("versions")
@with_site
@place_option
def versions(site: Site, place: str | None) -> None:
    """List what was set, newest first."""
    print_table(
        ("set at", "by", "limits"),
        [
            (write_time(each.set_at), each.set_by, each.limits)
            for each in service.view_policy(site, place).versions
        ],
        none="nothing was set",
    )


def _changed(set_here: dict[str, Any], wanted: tuple[str, ...]) -> dict[str, Any]:
    changed = dict(set_here)
    for setting in wanted:
        name, separator, text = setting.partition("=")
        if not separator:
            raise click.UsageError(f"expected LIMIT=VALUE, got {setting!r}")
        if text:
            changed[name] = _value(text)
        else:
            changed.pop(name, None)
    return changed


def _value(text: str) -> Any:
    """A number, true or false as JSON has them; anything else is a text."""
    try:
        return json.loads(text)
    except ValueError:
        return text


def _shown(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value)


def _print_changes(changes: list[service.Change]) -> None:
    print_table(
        ("verdict now", "would be", "machines"),
        [(each.now.value, each.then.value, each.machines) for each in changes],
        none="no verdict would change",
    )
